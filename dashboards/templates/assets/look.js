"use strict";
// Runs before the page is drawn: the chosen look, else that of the system. Storage may be refused; then it
// lasts for the page.
(() => {
  const root = document.documentElement;
  const stored = () => { try { return localStorage.getItem("look"); } catch { return null; } };
  const chosen = stored();
  if (chosen === "dark" || chosen === "light") root.dataset.look = chosen;
  const system = matchMedia("(prefers-color-scheme: dark)");
  window.isDark = () => (root.dataset.look ? root.dataset.look === "dark" : system.matches);
  const tell = () => {
    const button = document.getElementById("look");
    button.textContent = isDark() ? "Light" : "Dark";
    button.setAttribute("aria-label", isDark() ? "Switch to the light look" : "Switch to the dark look");
    button.removeAttribute("aria-pressed");
    document.dispatchEvent(new Event("look"));
  };
  document.addEventListener("DOMContentLoaded", () => {
    document.getElementById("look").addEventListener("click", () => {
      root.dataset.look = isDark() ? "light" : "dark";
      try { localStorage.setItem("look", root.dataset.look); } catch { /* lasts for this page */ }
      tell();
    });
    system.addEventListener("change", tell);
    tell();
  });
})();
// Served on this machine (chaffinch view): the page loads again when it was rewritten.
if (["127.0.0.1", "localhost"].includes(location.hostname)) {
  let loaded;
  const look = async () => {
    const answer = await fetch(location.href, { method: "HEAD" }).catch(() => null);
    if (!answer?.ok) return;
    const length = answer.headers.get("content-length");
    const version = answer.headers.get("last-modified") + length;
    // It may have been rewritten before the first look: then its length differs from the one that was loaded.
    const size = performance.getEntriesByType("navigation")[0]?.encodedBodySize;
    if (loaded ? version !== loaded : size && size !== Number(length)) location.reload();
    loaded ??= version;
  };
  addEventListener("load", () => { look(); setInterval(look, 1000); });
}
