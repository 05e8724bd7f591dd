// The record one step a screen. Without this script it is one page from top to bottom, and works.

import { every, me, one, visit } from "./here.js";

const steps = every(document, "[data-step]", HTMLElement);
const place = `visit-step ${me} ${visit}`;
const heed = document.querySelector("[data-heed-box]");
/** Those that count: not the list of all. */
const screens = steps.slice(1);

/** The step that the address names, else the one where this phone was last, else the first. */
function current() {
  const named = location.hash.slice(1) || localStorage.getItem(place) || "";
  return steps.find((step) => step.id === named) ?? screens[0];
}

/** @param {boolean} moved whether somebody went there just now */
function show(moved) {
  const here = current();
  for (const step of steps) step.hidden = step !== here;
  one(document, "[data-where]", HTMLElement).textContent = here.dataset.step ?? "";
  foldHeed();
  try {
    localStorage.setItem(place, here.id);
  } catch {
    // no room: then it begins at the first step
  }
  if (!moved) return;
  const bar = one(document, ".at-top", HTMLElement).offsetHeight;
  scrollTo({ top: here.getBoundingClientRect().top + scrollY - bar, behavior: "instant" });
  one(here, "h2", HTMLElement).focus({ preventScroll: true });
}

/** What is known of the roof stands whole at the first step, and until it was read; then a line of it stays, and all
 * steps can be reached. */
export function foldHeed() {
  if (!screens.length) return; // the sheet has none
  const unread = one(document, "[data-after-heed]", HTMLElement).hidden;
  one(document, "[data-all]", HTMLElement).hidden = unread || current() === steps[0];
  if (heed instanceof HTMLElement) heed.classList.toggle("folded", !unread && current() !== screens[0]);
}

/** Go to the step of this name. @param {string} name */
export function goTo(name) {
  location.hash = `#at-${name}`;
}

/** Tick what is entered, and what is needed is entered whole. */
export function tickSteps() {
  for (const step of screens) {
    const link = document.querySelector(`#all a[href="#${step.id}"]`);
    link?.classList.toggle("did", isDone(step));
  }
  foldHeed();
}

/** @param {HTMLElement} step */
function isDone(step) {
  if (step.id === "at-looks") return every(document, "form[data-answer]", HTMLFormElement).every(isEntered);
  if (step.id.startsWith("at-photos")) {
    const excused = document.querySelector("form.entered:has([value=few_photos])");
    return Boolean(excused) || step.querySelectorAll("[data-photos] li").length >= 2;
  }
  const forms = every(step, "form[data-entry]", HTMLFormElement);
  return forms.length > 0 && forms.every(isEntered);
}

/** @param {HTMLFormElement} form */
const isEntered = (form) => form.classList.contains("entered");

export function startSteps() {
  if (!screens.length) return;
  if (!location.hash) history.replaceState(history.state, "", `#${current().id}`);
  addEventListener("hashchange", () => show(true));
  show(false);
}
