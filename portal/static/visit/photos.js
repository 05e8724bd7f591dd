// Photos on the page of a visit: taking them, showing those that wait and those that are sent, counting them.

import { every, one, spoken } from "./here.js";

/** @typedef {import("./store.js").Row} Row */

/** Object URLs of photos that wait, by id. @type {Map<string, string>} */
const drawn = new Map();

/**
 * @param {(form: HTMLFormElement, files: File[]) => Promise<void>} keep called with what the camera or the album gave
 * @param {() => Promise<void>} show called then
 */
export function watchCameras(keep, show) {
  for (const form of every(document, "form[data-photo]", HTMLFormElement)) {
    const input = one(form, "input[type=file]", HTMLInputElement);
    input.multiple = true;
    form.addEventListener("submit", (event) => event.preventDefault());
    input.addEventListener("change", async () => {
      const files = [...(input.files ?? [])];
      sayWhy(form, files.map(noPhoto).filter(Boolean));
      await keep(form, files.filter((file) => !noPhoto(file)));
      input.value = "";
      await show();
    });
  }
}

/**
 * Why a file can never be a photo: said at once, since sending it would only bring it back. What may be one is sent.
 *
 * @param {File} file
 */
function noPhoto(file) {
  if (!file.size) return spoken("“{name}” is empty and was not kept. Take the photo again.", { name: file.name });
  if (["", "application/octet-stream"].includes(file.type) || file.type.startsWith("image/")) return "";
  return spoken("“{name}” is not a photo and was not kept. Choose a photo, or take one.", { name: file.name });
}

/**
 * @param {HTMLFormElement} form
 * @param {string[]} sentences
 */
function sayWhy(form, sentences) {
  const line = one(form, "[data-no-photo]", HTMLElement);
  line.textContent = sentences.join(" ");
  line.hidden = !sentences.length;
}

/** Asked here as by the portal: without a signal its answer would come when everybody has left. */
export function photosMissing() {
  const reason = one(document, "form:has([value=few_photos]) [data-state]", HTMLElement).textContent.trim();
  /** @param {string} phase */
  const count = (phase) => document.querySelectorAll(`form[data-photo]:has([name=phase][value=${phase}]) li`).length;
  return !reason && (count("before") < 2 || count("after") < 2);
}

/**
 * @param {HTMLFormElement} form
 * @param {Row[]} rows
 */
export function paintPhotos(form, rows) {
  const list = one(form, "[data-photos]", HTMLUListElement);
  for (const row of rows) {
    const item = list.querySelector(`[data-id="${row.id}"]`) ?? list.appendChild(newItem(row));
    const picture = one(item, "img", HTMLImageElement);
    if (row.state === "sent") {
      const address = `/visits/photos/${row.answer?.id}/small/`;
      if (!picture.src.endsWith(address)) picture.src = address;
      URL.revokeObjectURL(drawn.get(row.id) ?? "");
      drawn.delete(row.id);
    } else if (row.file && !drawn.has(row.id)) {
      const address = URL.createObjectURL(row.file);
      drawn.set(row.id, address);
      picture.src = address;
    }
    one(item, "span", HTMLSpanElement).textContent = row.state === "sent" ? spoken("sent") : spoken("waits");
  }
  for (const item of every(list, "[data-id]", HTMLElement)) {
    if (!rows.some((row) => row.id === item.dataset.id)) item.remove();
  }
}

/** @param {Row} row */
function newItem(row) {
  const item = document.createElement("li");
  item.dataset.id = row.id;
  const picture = document.createElement("img");
  picture.alt = spoken("Photo {name}", { name: row.fileName });
  item.append(picture, document.createElement("span"));
  return item;
}
