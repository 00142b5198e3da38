"use strict";
// Notes the moment of each tap on this phone and gives them back as a settings log. Nothing is sent.
(() => {
  const plan = JSON.parse(document.getElementById("plan").textContent);
  const key = "trial " + plan.id;
  const find = (query) => document.querySelector(query);
  let kept = { taps: {}, already: false, others: [] };
  let stored = true;
  try { kept = { ...kept, ...JSON.parse(localStorage.getItem(key) || "{}") }; } catch { /* nothing that can be read */ }
  const keep = () => { try { localStorage.setItem(key, JSON.stringify(kept)); } catch { stored = false; } };
  const tapped = () => plan.steps.map((_, k) => k).filter((k) => kept.taps[k]).sort((a, b) => kept.taps[a].localeCompare(kept.taps[b]));
  const clock = (iso) => new Date(iso).toLocaleTimeString([], { hour: "2-digit", minute: "2-digit" });
  const cell = (text) => (/[",\r\n]/.test(text) ? '"' + text.replaceAll('"', '""') + '"' : text);
  const rows = () => {
    const found = [], force = {};
    for (const k of tapped()) {
      for (const { setting, value, unit } of plan.steps[k].set) {
        if (force[setting] === value) continue;
        const before = force[setting] ?? (k === 0 && kept.already ? value : "");
        found.push([kept.taps[k], plan.machine, setting, before, value, unit, "trial step " + (k + 1)]);
        force[setting] = value;
      }
    }
    for (const one of kept.others) found.push([one.time, plan.machine, one.setting, "", one.value, "", "noted during the trial"]);
    return found.sort((a, b) => a[0].localeCompare(b[0]));
  };
  const csv = () => [["time", "machine", "setting", "from_value", "to_value", "unit", "note"], ...rows()].map((row) => row.map(cell).join(",") + "\r\n").join("");
  const say = () => {
    const done = tapped(), last = done[done.length - 1], now = find("#now");
    now.classList.remove("due");
    if (last === undefined) {
      now.textContent = "Tap a step at the moment you switch. The times stay on this phone.";
    } else {
      const { minutes, passes } = plan.steps[last];
      const left = minutes ? Math.ceil((new Date(kept.taps[last]).getTime() + 60000 * minutes - Date.now()) / 60000) : null;
      const next = last + 1 < plan.steps.length ? "step " + (last + 2) : "the end of the trial";
      if (passes) now.textContent = `Step ${last + 1}: work ${passes} passes, then ${next}.`;
      else if (left > 0) now.textContent = `Step ${last + 1}: ${left} min left, then ${next}.`;
      else { now.textContent = `Time is up: finish this pass, then ${next}.`; now.classList.add("due"); }
    }
    if (!stored) now.textContent += " This browser keeps nothing: leave the page open and save the log before closing it.";
  };
  const show = () => {
    const done = tapped(), last = done[done.length - 1] ?? -1;
    for (const item of document.querySelectorAll("[data-step]")) {
      const k = Number(item.dataset.step);
      item.classList.toggle("done", Boolean(kept.taps[k]));
      item.classList.toggle("next", k === last + 1);
      item.querySelector("output").textContent = kept.taps[k] ? clock(kept.taps[k]) : "";
    }
    find("#others").replaceChildren(...kept.others.map((one) => {
      const item = document.createElement("li");
      item.textContent = `${clock(one.time)}: ${one.setting} to ${one.value}`;
      return item;
    }));
    const text = csv();
    find("#text").value = text;
    find("#save").href = URL.createObjectURL(new Blob([text], { type: "text/csv" }));
    say();
  };
  const note = (k, already) => {
    if (kept.taps[k] && !confirm("Step " + (k + 1) + " has a time already. Replace it with the time now?")) return;
    kept.taps[k] = new Date().toISOString().replace(/\.\d+Z$/, "Z");
    if (k === 0) kept.already = already;
    keep(); show();
  };
  document.addEventListener("click", (event) => {
    const { tap, already } = event.target.closest("button")?.dataset ?? {};
    if (tap !== undefined) note(Number(tap), false);
    if (already !== undefined) note(Number(already), true);
  });
  find("#undo").addEventListener("click", () => { const done = tapped(); if (done.length) { delete kept.taps[done[done.length - 1]]; keep(); show(); } });
  find("#clear").addEventListener("click", () => { if (confirm("Clear all taps of this trial?")) { kept = { taps: {}, already: false, others: [] }; keep(); show(); } });
  find("#other").addEventListener("submit", (event) => {
    event.preventDefault();
    const form = new FormData(event.target);
    kept.others.push({ time: new Date().toISOString().replace(/\.\d+Z$/, "Z"), setting: form.get("setting").trim(), value: form.get("value").trim() });
    event.target.reset(); keep(); show();
  });
  setInterval(say, 10000);
  show();
})();
