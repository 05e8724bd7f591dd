// The keyboard: keys for pages and lists with a sheet that names them, and the focus kept when htmx swaps what holds it.
(() => {
  "use strict";
  const OFF = "keys-off"; // a key without Ctrl may get in the way of other programs' keys: WCAG 2.2, 2.1.4
  const sheet = document.getElementById("keys");
  const ROWS = "main :is(.plain > li, tbody > tr)";
  const ENTRY = "a[href], summary, button";

  /** Until the next frame a sheet that was closed still holds the focus, though nobody sees it: nobody types there.
   * @param {EventTarget | null} where */
  const types = (where) => where instanceof Element && where.checkVisibility()
    && where.closest("input, select, textarea, [contenteditable], .chart-stage");

  /** The first thing to press of each row that is seen. */
  const entries = () => [...document.querySelectorAll(ROWS)].flatMap((row) => {
    const found = [...row.querySelectorAll(ENTRY)].find((one) => one.checkVisibility());
    return found instanceof HTMLElement ? [found] : [];
  });

  /** @param {number} step */
  const go = (step) => {
    const list = entries();
    if (!list.length) return;
    const row = document.activeElement?.closest(ROWS);
    const at = row ? list.findIndex((one) => row.contains(one)) : -1;
    list[at < 0 ? (step > 0 ? 0 : list.length - 1) : Math.min(list.length - 1, Math.max(0, at + step))].focus();
  };

  const open = () => {
    if (sheet instanceof HTMLDialogElement && !sheet.open) sheet.showModal();
  };

  document.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey || types(event.target)) return;
    if (localStorage.getItem(OFF) || (sheet instanceof HTMLDialogElement && sheet.open)) return;
    const { key } = event;
    const page = document.querySelectorAll(".top nav a")[Number(key) - 1];
    const search = document.querySelector("main input[type=search]");
    if (key === "?") open();
    else if (key === "j") go(1);
    else if (key === "k") go(-1);
    else if (key === "/" && search instanceof HTMLElement) search.focus();
    else if (page instanceof HTMLElement) page.click();
    else return;
    event.preventDefault();
  });

  const button = document.querySelector("[data-keys]");
  button?.removeAttribute("hidden");
  button?.addEventListener("click", open);
  const on = sheet?.querySelector("input");
  if (on instanceof HTMLInputElement) {
    on.checked = !localStorage.getItem(OFF);
    on.addEventListener("change", () => on.checked ? localStorage.removeItem(OFF) : localStorage.setItem(OFF, "yes"));
  }

  // A form that comes back is shown where it is wrong, which may be far down the page.
  const wrong = [...document.querySelectorAll("form[method=post] .errorlist")].find((one) => one.checkVisibility());
  if (wrong instanceof HTMLElement && !document.querySelector("main [autofocus]")) {
    wrong.tabIndex = -1;
    wrong.focus();
  }

  // What has the focus is swapped: its like in the new part takes it, else the part itself, so that Tab goes on from there.
  /** @param {Element} one */
  const mark = (one) => ["id", "href", "name", "value"].map((name) => one.getAttribute(name) ?? "").join(" ") + one.textContent;
  /** @type {string | null} */
  let held = null;
  document.addEventListener("htmx:beforeSwap", (event) => {
    const { target } = /** @type {CustomEvent<{ target: Element }>} */ (event).detail;
    const now = document.activeElement;
    held = now && now !== target && target.contains(now) ? mark(now) : null;
  });
  document.addEventListener("htmx:afterSettle", (event) => {
    const { elt } = /** @type {CustomEvent<{ elt: Element }>} */ (event).detail;
    if (held === null || (document.activeElement && document.activeElement !== document.body)) return;
    const like = [...elt.querySelectorAll("a[href], button, input, select, textarea, summary")].find((one) => mark(one) === held);
    const next = like ?? elt.querySelector("h1, h2") ?? elt;
    held = null;
    if (!(next instanceof HTMLElement)) return;
    if (!like) next.tabIndex = -1;
    next.focus({ preventScroll: true });
  });
})();
