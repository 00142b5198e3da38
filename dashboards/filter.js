"use strict";
// Shows the rows that hold every word of the filter.
(() => {
  const input = document.getElementById("filter");
  if (!input) return;
  const rows = [...document.querySelectorAll("#rows tr")];
  const texts = rows.map((row) => row.dataset.search);
  const told = document.getElementById("shown");
  input.addEventListener("input", () => {
    const words = input.value.toLowerCase().split(/\s+/).filter(Boolean);
    let shown = 0;
    rows.forEach((row, k) => {
      const fits = words.every((word) => texts[k].includes(word));
      row.hidden = !fits;
      shown += fits;
    });
    told.textContent = `${shown} of ${rows.length} shown`;
  });
})();
