"use strict";
// Shows the rows that hold every word of the filter, and the verdicts that are pressed.
(() => {
  const input = document.getElementById("filter");
  if (!input) return;
  const rows = [...document.querySelectorAll("#rows tr")];
  const texts = rows.map((row) => row.dataset.search);
  const verdicts = rows.map((row) => row.dataset.verdicts.split("|"));
  const buttons = [...document.querySelectorAll("[data-verdict]")];
  const count = document.getElementById("shown");
  const show = () => {
    const words = input.value.toLowerCase().split(/\s+/).filter(Boolean);
    const pressed = buttons.filter((b) => b.getAttribute("aria-pressed") === "true").map((b) => b.dataset.verdict);
    let shown = 0;
    rows.forEach((row, k) => {
      const fits = words.every((word) => texts[k].includes(word)) && pressed.every((v) => verdicts[k].includes(v));
      if (row.hidden === fits) row.hidden = !fits;
      shown += fits;
    });
    count.textContent = `${shown} of ${rows.length} shown`;
  };
  input.addEventListener("input", show);
  for (const button of buttons) {
    button.addEventListener("click", () => {
      button.setAttribute("aria-pressed", String(button.getAttribute("aria-pressed") !== "true"));
      show();
    });
  }
  if (input.value) show();
})();
