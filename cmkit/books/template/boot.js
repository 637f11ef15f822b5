(async () => {
  "use strict";
  const root = document.documentElement;
  const config = { responsive: true, displaylogo: false, showSendToCloud: false, displayModeBar: false };
  const read = (node) => JSON.parse(node.textContent);

  async function loadLibrary() {
    const packed = Uint8Array.from(atob(document.getElementById("plotly-gz").textContent), (c) => c.charCodeAt(0));
    const stream = new Blob([packed]).stream().pipeThrough(new DecompressionStream("gzip"));
    const script = document.createElement("script");
    script.textContent = await new Response(stream).text();
    document.head.append(script);
  }

  const shared = document.getElementById("chart-template");
  const template = shared ? read(shared) : undefined;

  async function draw(figure) {
    if (figure.dataset.drawn) return;
    figure.dataset.drawn = "1";
    const chart = read(figure.querySelector('script[type="application/json"]'));
    const layout = chart.layout || {};
    if (!("template" in layout)) layout.template = template;
    await Plotly.newPlot(figure.querySelector(".plot"), chart.data, layout, config);
  }

  // A chart inside a closed fold has no width yet: it is drawn when the fold is opened.
  const folded = (figure) => figure.parentElement.closest("details:not([open])") !== null;
  const figures = [...document.querySelectorAll("figure.chart")];
  const drawOpen = (within) => Promise.all(figures.filter((f) => within.contains(f) && !folded(f)).map(draw));

  // The numbers behind a chart, written out when asked for.
  function numbers(details) {
    const plot = details.closest("figure").querySelector(".plot");
    if (details.querySelector("table") || !plot.data) return;
    const table = details.appendChild(document.createElement("table"));
    const row = (cells, tag) => {
      const line = table.insertRow();
      for (const cell of cells) line.appendChild(document.createElement(tag)).textContent = cell ?? "";
      return line;
    };
    row(["series", "across", "up", "value"], "th").querySelectorAll("th").forEach((th) => (th.scope = "col"));
    for (const trace of plot._fullData) {
      if (trace.visible !== true) continue;
      const name = trace.name || "";
      if (trace.z) trace.z.forEach((line, i) => [...line].forEach((z, j) => row([name, trace.x?.[j], trace.y?.[i], z], "td")));
      else for (let i = 0; i < (trace.x || trace.y || []).length; i++) row([name, trace.x?.[i], trace.y?.[i], trace.text?.[i]], "td");
    }
  }

  document.addEventListener("toggle", (event) => {
    if (!event.target.open) return;
    if (event.target.matches("figure.chart details")) numbers(event.target);
    else drawOpen(event.target);
  }, true);

  // A link to something inside a closed fold opens it; browsers do so for a find, not for a link.
  function reveal() {
    let node = document.getElementById(decodeURIComponent(location.hash.slice(1)));
    const target = node;
    for (; node; node = node.parentElement) if (node.tagName === "DETAILS") node.open = true;
    if (target) target.scrollIntoView();
  }

  // Paper is narrower than the window: redraw to the width of an A4 page, and back.
  const drawn = () => figures.filter((f) => f.dataset.drawn).map((f) => f.querySelector(".plot"));
  const PAPER_PX = 660;
  window.addEventListener("beforeprint", () => drawn().forEach((p) => Plotly.relayout(p, { width: PAPER_PX, autosize: false })));
  window.addEventListener("afterprint", () => drawn().forEach((p) => Plotly.relayout(p, { width: null, autosize: true })));

  try {
    await loadLibrary();
    if (location.hash) reveal();
    window.addEventListener("hashchange", reveal);
    await drawOpen(document.body);
    root.dataset.charts = "ready";
  } catch (error) {
    root.dataset.charts = "failed";
    throw error;
  }
})();
