(async () => {
  "use strict";
  const root = document.documentElement;
  const config = { responsive: true, displaylogo: false, showSendToCloud: false, displayModeBar: false };

  async function unpacked(id) {
    const packed = Uint8Array.from(atob(document.getElementById(id).textContent), (c) => c.charCodeAt(0));
    return new Response(new Blob([packed]).stream().pipeThrough(new DecompressionStream("gzip"))).text();
  }

  async function loadLibrary() {
    const script = document.createElement("script");
    script.textContent = await unpacked("plotly-gz");
    document.head.append(script);
  }

  let drawings; // {template, charts, parts}: what the page's charts draw, in order, and what was taken out of a page too large
  let figures = [];

  async function draw(figure) {
    if (!drawings || figure.dataset.drawn) return; // opened early: drawn with the rest
    figure.dataset.drawn = "1";
    const chart = drawings.charts[figures.indexOf(figure)];
    const layout = chart.layout || {};
    if (!("template" in layout)) layout.template = drawings.template;
    await Plotly.newPlot(figure.querySelector(".plot"), chart.data, layout, config);
  }

  // A chart inside a closed fold has no width yet: it is drawn when the fold is opened.
  const folded = (figure) => figure.parentElement.closest("details:not([open])") !== null;
  const drawOpen = (within) => Promise.all(figures.filter((f) => within.contains(f) && !folded(f)).map(draw));

  // The numbers behind a chart, written out when asked for: its own table, or else what is plotted.
  function numbers(details) {
    const figure = details.closest("figure");
    const plot = figure.querySelector(".plot");
    if (details.querySelector("table") || !plot.data) return;
    const own = drawings.charts[figures.indexOf(figure)].table;
    const table = details.appendChild(document.createElement("table"));
    const row = (cells, tag) => {
      const line = table.insertRow();
      for (const cell of cells) line.appendChild(document.createElement(tag)).textContent = cell ?? "";
      return line;
    };
    const head = row(own ? own.columns : ["series", "across", "up", "value"], "th");
    head.querySelectorAll("th").forEach((th) => (th.scope = "col"));
    if (own) own.rows.forEach((cells) => row(cells, "td"));
    else plotted(plot, row);
  }

  function plotted(plot, row) {
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

  // Paper is narrower than the window: the pages that print are opened, everything is drawn to the width of a page (two beside one
  // another in a fold), and put back afterwards. Drawing is done at once, for the browser does not wait.
  const paperWidth = (plot) => (plot.closest(".folded") ? 312 : 660);
  const opened = [];
  window.addEventListener("beforeprint", () => {
    for (const fold of document.querySelectorAll("details.prints:not([open], [hidden])")) {
      fold.open = true;
      opened.push(fold);
    }
    for (const figure of figures.filter((f) => !folded(f))) {
      draw(figure);
      const plot = figure.querySelector(".plot");
      if (plot.layout) Plotly.relayout(plot, { width: paperWidth(plot), autosize: false });
    }
  });
  window.addEventListener("afterprint", () => {
    figures.filter((f) => f.dataset.drawn).forEach((f) => Plotly.relayout(f.querySelector(".plot"), { width: null, autosize: true }));
    opened.splice(0).forEach((fold) => (fold.open = false));
  });

  // On a phone the contents are a menu: closed until asked for, and closed again by a choice.
  const menu = document.querySelector("nav.contents details");
  const phone = matchMedia("(max-width: 40rem)");
  if (menu) {
    menu.open = !phone.matches;
    phone.addEventListener("change", () => (menu.open = !phone.matches));
    menu.addEventListener("click", (event) => {
      if (phone.matches && event.target.closest("a")) menu.open = false;
    });
  }

  // One machine's entries only: rows, lines and pages say whose they are.
  function chooser() {
    const items = [...document.querySelectorAll("main [data-machine]")];
    const machines = [...new Set(items.map((i) => i.dataset.machine))].sort(new Intl.Collator("en", { numeric: true }).compare);
    const nav = document.querySelector("nav.contents");
    if (!nav || machines.length < 2) return;
    const label = Object.assign(document.createElement("label"), { className: "machine", textContent: "Machine " });
    const select = label.appendChild(document.createElement("select"));
    for (const name of ["all", ...machines]) select.add(new Option(name, name === "all" ? "" : name));
    const only = Object.assign(document.createElement("p"), { className: "only" });
    only.setAttribute("role", "status");
    nav.append(label);
    nav.after(only);
    select.addEventListener("change", () => choose(select.value, items, only));
  }

  function choose(machine, items, only) {
    for (const item of items) item.hidden = machine !== "" && item.dataset.machine !== machine;
    const empty = (part) => part.querySelector("[data-machine]") && !part.querySelector("[data-machine]:not([hidden])");
    for (const part of document.querySelectorAll(".acts .band, .change, main .wide, details.printed")) part.hidden = empty(part);
    for (const part of document.querySelectorAll("details.printed")) part.open = machine !== "" && !part.hidden && part.querySelector("[data-machine]") !== null;
    for (const head of document.querySelectorAll("main h2")) {
      const parts = [];
      for (let next = head.parentElement.nextElementSibling; next && !next.querySelector("h2"); next = next.nextElementSibling) parts.push(next);
      const own = parts.flatMap((p) => (p.matches("[data-machine]") ? [p] : [...p.querySelectorAll("[data-machine]")]));
      head.classList.toggle("none", own.length > 0 && own.every((i) => i.hidden));
    }
    const shown = items.filter((i) => !i.hidden).length;
    only.textContent = machine && `Only ${machine} is shown, ${shown} of ${items.length} entries. Sums, counts and figures of the whole site stay as they are.`;
  }

  try {
    await loadLibrary();
    drawings = JSON.parse(await unpacked("charts-gz"));
    document.querySelectorAll("div.packed").forEach((part) => (part.outerHTML = drawings.parts[part.dataset.part]));
    figures = [...document.querySelectorAll("figure.chart")];
    chooser();
    if (location.hash) reveal();
    window.addEventListener("hashchange", reveal);
    await drawOpen(document.body);
    root.dataset.charts = "ready";
  } catch (error) {
    root.dataset.charts = "failed";
    throw error;
  }
})();
