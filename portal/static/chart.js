// Charts: the page shows the server's SVG; when a reader comes near one, plotly is fetched and takes the charts over.
(() => {
  "use strict";
  const { plotly = "", plotlyStyle = "" } = document.currentScript?.dataset ?? {};
  const plots = () => [.../** @type {NodeListOf<HTMLElement>} */ (document.querySelectorAll("[data-chart]"))];
  /** Plotly itself, once it is there; it carries no types. */
  const drawer = () => /** @type {any} */ (window).Plotly;
  if (!plots().length) return;

  // The figures carry the light palette; pages in the dark have other colours under the same names.
  const palette = { ink: "#16191f", soft: "#4a505b", grid: "#d3d7d2", sheet: "#ffffff", day: "#56707f", refused: "#828b96",
    line: "#7a4a00", band: "#f0dcb4", wash: "#0a5670", rain: "#5f6f8c", expected: "#163f8c" };
  /** @param {HTMLElement} plot */
  const figure = (plot) => {
    const style = getComputedStyle(document.documentElement);
    let text = document.getElementById(plot.dataset.chart ?? "")?.textContent ?? "";
    for (const [name, light] of Object.entries(palette)) {
      text = text.replaceAll(`"${light}"`, `"${style.getPropertyValue("--chart-" + name).trim()}"`);
    }
    const drawn = JSON.parse(text);
    if (matchMedia("(max-width: 44rem)").matches) {
      Object.assign(drawn.layout, { dragmode: false, height: 320 });
      drawn.layout.xaxis.nticks = 4; // or the months run into each other
    }
    return drawn;
  };
  // Buttons by name: left to itself, plotly also offers to send the customer's data to its maker's cloud.
  const config = { responsive: true, displaylogo: false, scrollZoom: false,
    modeBarButtons: [["zoom2d", "pan2d", "zoomIn2d", "zoomOut2d", "resetScale2d"]] };

  const take = async () => {
    for (const plot of plots()) {
      const { data, layout } = figure(plot);
      const stage = document.createElement("div");
      stage.setAttribute("role", "group");
      stage.setAttribute("aria-label", plot.dataset.title ?? "");
      stage.hidden = true;
      plot.append(stage);
      try {
        stage.hidden = false;
        await drawer().newPlot(stage, data, layout, config);
        plot.querySelector(":scope > svg")?.classList.add("print-only");
        stage.classList.add("screen-only");
        plot.dataset.taken = "yes";
      } catch (error) {
        stage.remove(); // the SVG stays
        console.error(error);
      }
    }
  };
  const dark = matchMedia("(prefers-color-scheme: dark)");
  dark.addEventListener("change", () => {
    if (!drawer()) return;
    for (const plot of plots()) {
      const { data, layout } = figure(plot);
      if (plot.dataset.taken) drawer().react(plot.lastElementChild, data, layout, config);
    }
  });
  const fetchPlotly = () => {
    const style = document.createElement("link");
    style.id = "plotly.js-style-global";
    style.className = "no-inline-styles";
    style.rel = "stylesheet";
    style.href = plotlyStyle;
    document.head.append(style);
    // While it loads, plotly writes map styles into the page, which our policy forbids, unless an element is there
    // that is named by their digest. We draw no maps: tell it that there is.
    const find = document.getElementById.bind(document);
    const page = /** @type {Partial<Document>} */ (document);
    page.getElementById = (id) => find(id) ?? (/^[0-9a-f]{64}$/.test(id) ? style : null);
    const script = document.createElement("script");
    script.src = plotly;
    script.onload = () => { delete page.getElementById; take(); };
    script.onerror = () => { delete page.getElementById; };
    document.head.append(script);
  };
  // It is a megabyte: a phone whose owner only reads the verdict need not carry it.
  const near = new IntersectionObserver((seen) => {
    if (!seen.some((one) => one.isIntersecting)) return;
    near.disconnect();
    fetchPlotly();
  }, { rootMargin: "10%" });
  const watch = () => plots().forEach((plot) => near.observe(plot));
  if (document.readyState === "complete") watch();
  else window.addEventListener("load", watch);
})();
