// Charts: the page shows the server's pictures, which are whole. Who asks to look closer gets plotly's in their place.
(() => {
  "use strict";
  const { plotly = "", plotlyStyle = "", loading = "", failed = "" } = document.currentScript?.dataset ?? {};
  /** Plotly itself, once it is there; it carries no types. */
  const drawer = () => /** @type {any} */ (window).Plotly;
  const CONFIG = { responsive: true, displayModeBar: false, scrollZoom: false, locale: document.documentElement.lang };

  /** The figure names its colours as the style sheet does: what they are is read when it is drawn. @param {HTMLElement} chart */
  const figure = (chart) => {
    const style = getComputedStyle(chart);
    const text = document.getElementById(`${chart.dataset.chart}-data`)?.textContent ?? "";
    const drawn = JSON.parse(text.replace(/var\((--chart-[a-z]+)\)/g, (_, name) => style.getPropertyValue(name).trim()));
    drawn.layout.font.family = style.fontFamily;
    if (chart.clientWidth < 560) {
      drawn.layout.xaxis.nticks = 4; // or the months run into each other
      drawn.layout.font.size = 13;
    }
    return drawn;
  };

  /** Plotly comes with English alone: months and marks as the browser writes them. */
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
    drawer().register({ moduleType: "locale", name: lang, dictionary: {}, format: {
      days: named({ weekday: "long" }, week), shortDays: named({ weekday: "short" }, week),
      months: named({ month: "long" }, year), shortMonths: named({ month: "short" }, year),
      decimal: mark("decimal"), thousands: mark("group"),
    } });
  };

  /** @type {Promise<void> | null} */
  let coming = null;
  const fetchPlotly = () => coming ??= new Promise((done, broke) => {
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
    script.onload = () => { delete page.getElementById; teach(); done(); };
    script.onerror = () => { delete page.getElementById; coming = null; script.remove(); style.remove(); broke(); };
    document.head.append(script);
  });

  /** @param {HTMLElement} chart */
  const stageOf = (chart) => /** @type {HTMLElement | null} */ (chart.querySelector(".chart-stage"));

  /** Shows plotly's with its keys, or the server's picture, in the same room. @param {HTMLElement} chart @param {boolean} closer */
  const show = (chart, closer) => {
    const plot = /** @type {HTMLElement} */ (chart.querySelector(".chart-plot"));
    plot.style.height = closer ? `${plot.getBoundingClientRect().height}px` : "";
    chart.classList.toggle("closer", closer);
    chart.querySelector("[data-look=closer]")?.setAttribute("aria-pressed", String(closer));
    const keys = /** @type {HTMLElement | null} */ (chart.querySelector(".chart-keys"));
    if (keys) keys.hidden = !closer;
  };

  /** @param {HTMLElement} chart */
  const lookCloser = async (chart) => {
    if (chart.classList.contains("closer")) return show(chart, false);
    const said = /** @type {HTMLElement} */ (chart.querySelector("[data-said]"));
    if (!stageOf(chart)) {
      said.textContent = loading;
      try {
        await fetchPlotly();
      } catch {
        said.textContent = failed;
        return;
      }
      said.textContent = "";
      if (stageOf(chart)) return; // pressed twice
      const plot = /** @type {HTMLElement} */ (chart.querySelector(".chart-plot"));
      const stage = document.createElement("div");
      stage.className = "chart-stage";
      stage.setAttribute("role", "group");
      stage.setAttribute("aria-label", chart.querySelector("svg title")?.textContent ?? "");
      plot.append(stage);
      const keys = chart.querySelector(".chart-keys");
      if (keys) plot.append(keys);
      show(chart, true);
      const { data, layout } = figure(chart);
      await drawer().newPlot(stage, data, layout, CONFIG);
      return;
    }
    show(chart, true);
  };

  /** Narrows or widens the days shown, or shows all, or those of the beginning. @param {HTMLElement} chart @param {string} key */
  const look = (chart, key) => {
    const stage = /** @type {any} */ (stageOf(chart));
    if (!stage) return;
    if (key === "whole") return drawer().relayout(stage, { "xaxis.autorange": true });
    const { layout } = figure(chart);
    if (key === "first") return drawer().relayout(stage, { "xaxis.range": layout.xaxis.range, "yaxis.range": layout.yaxis.range });
    const axis = stage._fullLayout.xaxis;
    const [low, high] = axis.range.map(/** @param {any} end */ (end) => axis.r2l(end));
    const aside = (high - low) * (key === "in" ? -0.25 : 0.5);
    drawer().relayout(stage, { "xaxis.range": [axis.l2r(low - aside), axis.l2r(high + aside)] });
  };

  document.addEventListener("click", (event) => {
    const button = event.target instanceof Element ? event.target.closest("[data-look]") : null;
    const chart = /** @type {HTMLElement | null | undefined} */ (button?.closest("[data-chart]"));
    if (!(button instanceof HTMLElement) || !chart) return;
    const key = button.dataset.look ?? "";
    if (key === "closer") lookCloser(chart);
    else look(chart, key);
  });
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => {
    for (const chart of /** @type {NodeListOf<HTMLElement>} */ (document.querySelectorAll("[data-chart]"))) {
      const stage = stageOf(chart);
      if (!stage) continue;
      const { data, layout } = figure(chart);
      drawer().react(stage, data, layout, CONFIG);
    }
  });
})();
