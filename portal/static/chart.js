// Charts: the page shows the server's SVG; when a reader comes near one, plotly is fetched and takes the charts over.
(() => {
  "use strict";
  const { plotly = "", plotlyStyle = "", modebar = "{}" } = document.currentScript?.dataset ?? {};
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
    locale: document.documentElement.lang,
    modeBarButtons: [["zoom2d", "pan2d", "zoomIn2d", "zoomOut2d", "resetScale2d"]] };

  /** Plotly comes with English alone: months and marks as the browser writes them, words from the page. */
  const teach = () => {
    const { lang } = document.documentElement;
    if (lang === "en") return; // what is registered takes the place of plotly's own, on which all others fall back
    /** @param {Intl.DateTimeFormatOptions} form @param {Date[]} days */
    const named = (form, days) => days.map((day) => day.toLocaleDateString(lang, form));
    const week = [1, 2, 3, 4, 5, 6, 7].map((day) => new Date(2023, 0, day)); // from a Sunday, as plotly counts
    const year = [...Array(12).keys()].map((month) => new Date(2023, month, 1));
    const parts = new Intl.NumberFormat(lang).formatToParts(-12345.5);
    /** @param {string} type */
    const mark = (type) => parts.find((part) => part.type === type)?.value ?? "";
    drawer().register({ moduleType: "locale", name: lang, dictionary: JSON.parse(modebar), format: {
      days: named({ weekday: "long" }, week), shortDays: named({ weekday: "short" }, week),
      months: named({ month: "long" }, year), shortMonths: named({ month: "short" }, year),
      decimal: mark("decimal"), thousands: mark("group"),
    } });
  };
  const take = async () => {
    teach();
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
