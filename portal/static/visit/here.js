// Where this runs: whose phone, which visit, and the elements that the page's template promises.

/**
 * The element under `root` that a template promises to be there.
 *
 * @template {Element} T
 * @param {ParentNode} root
 * @param {string} selector
 * @param {new () => T} kind
 */
export function one(root, selector, kind) {
  const found = root.querySelector(selector);
  if (!(found instanceof kind)) throw new Error(`no ${selector} here`);
  return found;
}

/**
 * @template {Element} T
 * @param {ParentNode} root
 * @param {string} selector
 * @param {new () => T} kind
 */
export function every(root, selector, kind) {
  return [...root.querySelectorAll(selector)].flatMap((found) => (found instanceof kind ? [found] : []));
}

export const frame = one(document, "[data-visit-page], [data-visit-list]", HTMLElement);
export const me = Number(frame.dataset.user);
export const visit = Number(frame.dataset.visitPage || 0); // 0 on the lists

/** @type {Record<string, string>} */
const catalogue = JSON.parse(document.getElementById("words")?.textContent || "{}");

/**
 * A sentence in the language of the page; `{name}` in it stands for a figure.
 *
 * @param {string} sentence
 * @param {Record<string, string | number>} [figures]
 */
export function spoken(sentence, figures = {}) {
  return (catalogue[sentence] || sentence).replace(/\{(\w+)\}/g, (_, name) => String(figures[name]));
}
