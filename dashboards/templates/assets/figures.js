// Draws the figures of a page from the JSON in the page, in the colours of the look and the shape of the window.
(() => {
  const NARROW_PX = 640, LABEL_PX = 16;
  const coarse = matchMedia("(pointer: coarse)").matches;
  const config = {
    responsive: true, displaylogo: false, displayModeBar: false, scrollZoom: false, doubleClick: "reset",
    showTips: false, locale: "en",
  };
  const scripts = [...document.querySelectorAll("script[data-figure]")];
  const coloured = (text) =>
    isDark() ? text.replace(/#[0-9a-f]{6}/g, (colour) => darkOf[colour] ?? colour) : text;
  let brushed = null; // the stretch of time that the timeline shows, in ms; null: all of it

  // On a telephone no label is smaller than the text around it.
  const large = (look) => ({ ...look, font: { ...look?.font, size: LABEL_PX } });
  const enlargeLabels = (layout) => {
    Object.assign(layout, large(layout), { legend: large(layout.legend) });
    for (const key of Object.keys(layout).filter((name) => /^[xy]axis/.test(name))) {
      const axis = layout[key];
      axis.tickfont = { ...axis.tickfont, size: LABEL_PX };
      if (axis.title?.text) axis.title = large(axis.title);
    }
    layout.annotations = layout.annotations?.map(large);
  };

  // On a wide window the labels are left of the bars; on a narrow one above them.
  const putLabelsAbove = (layout) => {
    const aside = layout.meta.labels_px;
    layout.height = 62 + (layout.height - 62) * 1.95;
    layout.margin.l = 10;
    layout.margin.r = 10;
    layout.margin.t = 16;
    layout.shapes = layout.shapes.filter((shape) => shape.name !== "rule of labels");
    for (const note of layout.annotations) {
      note.xshift += aside;
      if (note.name === "label") note.yshift = 30;
      else note.text = note.text.split("<br>").map(inTwo).join("<br>");
    }
  };
  const inTwo = (line) => {
    const at = line.length > 34 ? line.lastIndexOf(" ", 36) : -1;
    return at > 0 ? `${line.slice(0, at)}<br>${line.slice(at + 1)}` : line;
  };
  // A map is as high as the field asks for, within what a window shows at once.
  // Marks are as wide as a pass, so that the field fills like the ground does.
  const fitMap = ({ layout, data }, width) => {
    const { shape, around_px, across, pass_width } = layout.meta;
    const most = Math.min(760, Math.max(380, innerHeight * 0.85));
    const high = Math.min(Math.max((width - 16) * shape, 240), most);
    layout.height = around_px + high;
    const px = pass_width * Math.min((width - 16) / across, high / (across * shape));
    for (const trace of data) if (trace.meta === "layer") trace.marker.size = Math.min(Math.max(px, 4), 14);
  };
  const fewTicks = (layout, width) => {
    for (const key of Object.keys(layout)) if (key.startsWith("xaxis")) layout[key].nticks = Math.floor(width / 95);
  };
  const fadeOutside = (figure) => {
    const { first_ms, seconds } = figure.layout.meta;
    const inside = brushed && seconds.flatMap((s, k) => {
      const at = first_ms + 1000 * s;
      return at >= brushed[0] && at <= brushed[1] ? [k] : [];
    });
    for (const trace of figure.data) {
      if (trace.meta !== "layer") continue;
      if (inside) trace.selectedpoints = inside;
      trace.unselected = { marker: { opacity: 0.1 } };
    }
  };
  const draw = (script) => {
    const figure = JSON.parse(coloured(script.textContent));
    const plot = document.getElementById(script.dataset.figure);
    const { layout } = figure;
    // A finger must scroll the page, not the figure; the buttons zoom.
    if (coarse) layout.dragmode = false;
    if (plot.clientWidth < NARROW_PX) enlargeLabels(layout);
    if (layout.meta?.labels_px && plot.clientWidth < NARROW_PX) putLabelsAbove(layout);
    if (layout.meta?.shape) fitMap(figure, plot.clientWidth);
    if (isTimeline(plot)) fewTicks(layout, plot.clientWidth);
    plot.style.minHeight = `${layout.height}px`;
    const shown = document.querySelector(`[data-switch="${plot.id}"][aria-pressed="true"]`);
    if (shown) showLayer(figure.data, Number(shown.dataset.trace));
    if (layout.meta?.seconds) fadeOutside(figure);
    const range = plot.layout?.xaxis?.range;
    if (range && isTimeline(plot)) layout.xaxis.range = range.slice();
    return Plotly.react(plot, figure.data, layout, config);
  };
  const showLayer = (traces, index) =>
    traces.forEach((trace, k) => { if (trace.meta === "layer") trace.visible = k === index; });
  const press = (button, attribute) =>
    document.querySelectorAll(`[data-${attribute}="${button.dataset[attribute]}"]`)
      .forEach((other) => other.setAttribute("aria-pressed", String(other === button)));
  const isTimeline = (plot) => document.querySelector(`[data-zoom="${plot.id}"]`) !== null;
  const wholeRange = (id) =>
    JSON.parse(scripts.find((script) => script.dataset.figure === id).textContent).layout.xaxis.range;
  const ms = (end) => (typeof end === "number" ? end : Date.parse(`${end.replace(" ", "T")}Z`));
  // What is folded away has no width; it is drawn when it is opened.
  const inSight = (script) => !document.getElementById(script.dataset.figure).closest("details:not([open])");
  const redraw = (fits) => Promise.all(scripts.filter((script) => inSight(script) && fits(script)).map(draw));
  const hasMap = (script) => script.textContent.includes('"seconds":');

  // Whatever part of the time one row shows, all rows show, and the map fades the rest of the way driven.
  const follow = (plot) => {
    const range = plot.layout.xaxis.range.map(ms);
    const whole = wholeRange(plot.id).map(ms);
    const all = range[0] <= whole[0] + 500 && range[1] >= whole[1] - 500;
    brushed = all ? null : range;
    for (const button of document.querySelectorAll(`[data-zoom="${plot.id}"]`)) {
      const own = button.dataset.low ? [Number(button.dataset.low), Number(button.dataset.high)] : whole;
      button.setAttribute("aria-pressed", String(own.every((end, k) => Math.abs(end - range[k]) < 500)));
    }
    redraw(hasMap);
  };
  // One after another, first those in sight, with room between them for scrolling and taps.
  const inTurn = async () => {
    const top = (script) => document.getElementById(script.dataset.figure).getBoundingClientRect().top;
    const waiting = scripts.filter(inSight).sort((a, b) => Math.abs(top(a)) - Math.abs(top(b)));
    for (const script of waiting) {
      await draw(script);
      await new Promise((next) => setTimeout(next));
    }
  };
  const drawAll = () => inTurn().then(() => {
    for (const script of scripts) {
      const plot = document.getElementById(script.dataset.figure);
      if (!isTimeline(plot) || plot.dataset.followed) continue;
      plot.dataset.followed = "yes";
      plot.on("plotly_relayout", (what) => {
        if (Object.keys(what).some((key) => key.startsWith("xaxis"))) follow(plot);
      });
    }
    document.body.dataset.drawn = "yes";
  });

  document.addEventListener("toggle", (event) => {
    if (event.target.open) redraw((script) => event.target.contains(document.getElementById(script.dataset.figure)));
  }, true);
  document.addEventListener("click", (event) => {
    const button = event.target.closest("button");
    if (button?.dataset.switch) {
      press(button, "switch");
      redraw((script) => script.dataset.figure === button.dataset.switch);
    }
    if (button?.dataset.zoom) {
      const range = button.dataset.low
        ? [Number(button.dataset.low), Number(button.dataset.high)] : wholeRange(button.dataset.zoom);
      Plotly.relayout(button.dataset.zoom, { "xaxis.range": range });
    }
  });
  let width = innerWidth, waiting;
  addEventListener("resize", () => {
    if (innerWidth === width) return;
    width = innerWidth;
    clearTimeout(waiting);
    waiting = setTimeout(() => redraw((s) => /"(labels_px|shape|shared_time)":/.test(s.textContent)), 120);
  });
  document.addEventListener("look", drawAll);
  if (document.readyState === "complete") drawAll();
})();
