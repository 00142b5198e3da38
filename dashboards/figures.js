// Draws the figures of a page from the JSON beside them, in the colours of the look.
(() => {
  const coarse = matchMedia("(pointer: coarse)").matches;
  const config = {
    responsive: true, displaylogo: false, displayModeBar: false, scrollZoom: false, doubleClick: "reset",
    showTips: false, locale: "en",
  };
  const coloured = (text) =>
    isDark() ? text.replace(/#[0-9a-f]{6}/g, (colour) => darkOf[colour] ?? colour) : text;

  const draw = (script) => {
    const figure = JSON.parse(coloured(script.textContent));
    const plot = document.getElementById(script.dataset.figure);
    // A finger must scroll the page, not the figure; the buttons zoom.
    if (coarse) figure.layout.dragmode = false;
    const shown = document.querySelector(`[data-switch="${plot.id}"][aria-pressed="true"]`);
    if (shown) showLayer(figure.data, Number(shown.dataset.trace));
    const range = plot.layout?.xaxis?.range;
    if (range && document.querySelector(`[data-zoom="${plot.id}"]`)) figure.layout.xaxis.range = range.slice();
    return Plotly.react(plot, figure.data, figure.layout, config);
  };
  const showLayer = (traces, index) =>
    traces.forEach((trace, k) => { if (trace.meta === "layer") trace.visible = k === index; });
  const press = (button, attribute) =>
    document.querySelectorAll(`[data-${attribute}="${button.dataset[attribute]}"]`)
      .forEach((other) => other.setAttribute("aria-pressed", String(other === button)));

  const scripts = [...document.querySelectorAll("script[data-figure]")];
  const drawAll = () => Promise.all(scripts.map(draw)).then(() => { document.body.dataset.drawn = "yes"; });

  document.addEventListener("click", (event) => {
    const button = event.target.closest("button");
    if (button?.dataset.switch) {
      press(button, "switch");
      draw(scripts.find((script) => script.dataset.figure === button.dataset.switch));
    }
    if (button?.dataset.zoom) {
      press(button, "zoom");
      const plot = document.getElementById(button.dataset.zoom);
      const whole = JSON.parse(scripts.find((s) => s.dataset.figure === plot.id).textContent).layout.xaxis.range;
      const range = button.dataset.low ? [Number(button.dataset.low), Number(button.dataset.high)] : whole;
      Plotly.relayout(plot, { "xaxis.range": range });
    }
  });
  document.addEventListener("look", drawAll);
  if (document.readyState === "complete") drawAll();
})();
