// A signature on the glass, kept as the strokes of an SVG path in a box of 600 by 200.

import { every, one, spoken } from "./here.js";

const [WIDTH, HEIGHT] = [600, 200];
const MOST_LETTERS = 29000; // the portal takes 30,000

/** A field for a signature in each form that has one. */
export function watchPads() {
  for (const pad of every(document, "[data-pad]", HTMLElement)) {
    pad.hidden = false;
    watch(pad, one(pad, "canvas", HTMLCanvasElement), one(pad, "[name=signature]", HTMLInputElement));
  }
}

/**
 * @param {HTMLElement} pad
 * @param {HTMLCanvasElement} canvas
 * @param {HTMLInputElement} field
 */
function watch(pad, canvas, field) {
  const pen = canvas.getContext("2d");
  if (!pen) return;
  /** @param {PointerEvent} event @returns {[number, number]} */
  const point = (event) => {
    const box = canvas.getBoundingClientRect();
    /** @param {number} share @param {number} most */
    const within = (share, most) => Math.min(most - 1, Math.max(0, Math.round(share * most)));
    return [within((event.clientX - box.left) / box.width, WIDTH), within((event.clientY - box.top) / box.height, HEIGHT)];
  };
  const clear = () => {
    field.value = "";
    pen.clearRect(0, 0, WIDTH, HEIGHT);
  };
  /** @type {[number, number] | null} */
  let last = null;
  canvas.addEventListener("pointerdown", (event) => {
    last = point(event);
    canvas.setPointerCapture(event.pointerId);
    event.preventDefault();
  });
  canvas.addEventListener("pointermove", (event) => {
    if (!last || field.value.length > MOST_LETTERS) return;
    const next = point(event);
    if (next[0] === last[0] && next[1] === last[1]) return;
    const from = `${last[0]} ${last[1]}`;
    field.value += field.value.endsWith(`L${from}`) ? "" : `M${from}`;
    field.value += `L${next[0]} ${next[1]}`;
    pen.strokeStyle = getComputedStyle(canvas).color;
    pen.lineWidth = 4;
    pen.lineCap = "round";
    pen.beginPath();
    pen.moveTo(...last);
    pen.lineTo(...next);
    pen.stroke();
    last = next;
  });
  for (const end of ["pointerup", "pointercancel"]) canvas.addEventListener(end, () => { last = null; });
  one(pad, "button", HTMLButtonElement).addEventListener("click", clear);
  field.form?.addEventListener("reset", clear);
}

/**
 * A kept signature, as the portal draws it.
 *
 * @param {string} path
 * @param {string} by
 */
export function signature(path, by) {
  const picture = document.createElementNS("http://www.w3.org/2000/svg", "svg");
  picture.setAttribute("class", "signature");
  picture.setAttribute("viewBox", `0 0 ${WIDTH} ${HEIGHT}`);
  picture.setAttribute("role", "img");
  picture.setAttribute("aria-label", spoken("Signature of {name}", { name: by }));
  const strokes = document.createElementNS("http://www.w3.org/2000/svg", "path");
  strokes.setAttribute("d", path);
  picture.append(strokes);
  return picture;
}
