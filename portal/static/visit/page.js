// The record of a visit without a signal. What is entered is written to the phone first and sent when the portal
// answers; the page shows what waits, what was sent and what was refused.

import { tidyCopies } from "./aside.js";
import { every, frame, me, one, spoken, visit } from "./here.js";
import { paintPhotos, photosMissing, watchCameras } from "./photos.js";
import { hindrance, send, sendAtOnce } from "./send.js";
import { signature, watchPads } from "./signature.js";
import { NAMES, inWords, nameOf } from "./said.js";
import { goTo, startSteps, tickSteps } from "./steps.js";
import { all, put, remove } from "./store.js";

/** @typedef {import("./store.js").Row} Row */

const TRY_EVERY_MS = 20000;
const KEEP_SENT_MS = 7 * 24 * 3600 * 1000;

const forms = every(document, "form[data-entry]", HTMLFormElement);
const line = document.querySelector("[data-waiting]");

let unkept = ""; // why the last entry could not be kept
let sentUnkept = false;
let armed = ""; // the entry of which "Drop it" was pressed once

// ---- entering

/**
 * @param {HTMLFormElement} form
 * @param {Record<string, string>} fields
 * @param {File | null} file
 */
async function keep(form, fields, file) {
  fields.at = new Date().toISOString();
  /** @type {Row} */
  const row = {
    id: newId(), user: me, visit: visitOf(form), url: form.getAttribute("action") ?? "", fields, madeAt: Date.now(),
    state: "waiting", place: form.dataset.place ?? one(document, "h1", HTMLElement).textContent, problem: "",
    // read here, since the camera's own file may go; kept as a Blob, which is read again only when it is needed
    file: file ? new Blob([await file.arrayBuffer()], { type: file.type }) : null, fileName: file ? file.name : "",
  };
  try {
    await put(row);
  } catch (error) {
    if (!(await sendAtOnce(row))) throw error;
    sentUnkept = true; // there was no room on the phone, but there was a signal
  }
  unkept = "";
}

function newId() {
  if (isSecureContext) return crypto.randomUUID();
  const b = crypto.getRandomValues(new Uint8Array(16));
  b[6] = (b[6] & 15) | 64;
  b[8] = (b[8] & 63) | 128;
  const hex = [...b].map((n) => n.toString(16).padStart(2, "0")).join("");
  return hex.replace(/^(.{8})(.{4})(.{4})(.{4})(.{12})$/, "$1-$2-$3-$4-$5");
}

/** Show what has been entered, and send it. */
async function kept() {
  if (sentUnkept) location.reload(); // only the portal has it
  await paint();
  send(paint);
}

/** @param {unknown} error */
async function couldNotKeep(error) {
  unkept = spoken(
    "This phone could not keep what you just entered ({why}). Free some space, and enter it again before you leave.",
    { why: error instanceof Error ? error.name : "" });
  await paint().catch(() => say(unkept));
}

/**
 * @param {HTMLFormElement} form
 * @param {HTMLElement | null} [pressed] the button, which has a value too
 */
function fieldsOf(form, pressed) {
  /** @type {Record<string, string>} */
  const fields = {};
  for (const [name, value] of new FormData(form, pressed)) {
    if (typeof value === "string" && name !== "csrfmiddlewaretoken" && name !== "client_id") fields[name] = value;
  }
  return fields;
}

/** What is typed and not yet kept outlives the tab too. @param {HTMLInputElement} field */
function keepDraft(field) {
  const draft = `visit-draft ${me} ${visit} ${field.id}`;
  field.value ||= localStorage.getItem(draft) || "";
  field.addEventListener("input", () => {
    try {
      localStorage.setItem(draft, field.value);
    } catch {
      // no room: a draft is a courtesy, what is kept has its own place
    }
  });
  field.form?.addEventListener("reset", () => localStorage.removeItem(draft));
}

/**
 * What is asked of an entry before it is kept, since there may be no signal to say it later.
 *
 * @param {Record<string, string>} fields
 */
function objection(fields) {
  if (fields.kind === "place" && !fields.note) return spoken("The phone did not say where it is. Try again under the open sky.");
  if (fields.answer === "urgent" && !fields.note.trim()) return spoken("Say what you saw, then press Urgent.");
  if (fields.answer === "signed" && !fields.note.trim()) return spoken("Enter the name first.");
  if (fields.kind === "finish" && photosMissing()) {
    return spoken("Two photos before and two after are needed, or the reason why there are fewer.");
  }
  return "";
}

/** Where this phone is, as both numbers; nothing where it does not say. @returns {Promise<string>} */
function position() {
  return new Promise((done) => {
    navigator.geolocation.getCurrentPosition(
      ({ coords }) => done(`${coords.latitude.toFixed(5)}, ${coords.longitude.toFixed(5)}`), () => done(""),
      { enableHighAccuracy: true, timeout: 20000 });
  });
}

/**
 * @param {HTMLFormElement} form
 * @param {SubmitEvent} event
 */
async function enter(form, event) {
  event.preventDefault();
  const fields = fieldsOf(form, event.submitter);
  if ("here" in form.dataset) fields.note = await position();
  const wrong = objection(fields);
  if (wrong) {
    one(form, "[data-state]", HTMLElement).textContent = wrong;
    if (!["finish", "place"].includes(fields.kind)) one(form, "[name=note]", HTMLInputElement).focus();
    return;
  }
  try {
    await keep(form, fields, null);
  } catch (error) {
    await couldNotKeep(error);
    return;
  }
  form.reset();
  await kept();
}

/** Nothing was found: every part that nobody has answered for yet is in order. @param {HTMLElement} said */
async function keepAllInOrder(said) {
  const left = every(document, "form[data-answer]", HTMLFormElement).filter(
    (form) => !form.classList.contains("entered") && !one(form, "[name=note]", HTMLInputElement).value.trim());
  try {
    for (const form of left) await keep(form, { ...fieldsOf(form), answer: "ok" }, null);
  } catch (error) {
    await couldNotKeep(error);
    return;
  }
  await kept();
  said.textContent = spoken("Kept as in order: {count}", { count: left.length });
  const open = every(document, "form[data-answer]:not(.entered)", HTMLFormElement)[0];
  if (open) goTo(one(open, "[name=item]", HTMLInputElement).value);
}

/**
 * @param {HTMLFormElement} form
 * @param {File[]} files
 */
async function keepPhotos(form, files) {
  try {
    for (const file of files) await keep(form, fieldsOf(form), file);
  } catch (error) {
    await couldNotKeep(error);
  }
}

// ---- showing what waits

async function paint() {
  const rows = await all();
  const have = new Set((frame.dataset.have || "").split(" "));
  for (const row of rows) {
    if (row.state === "sent" && (have.has(row.id) || Date.now() - (row.sentAt ?? 0) > KEEP_SENT_MS)) await remove(row.id);
  }
  // On the lists, those of every visit: a visit given to somebody else has no page here any more.
  const refused = rows.filter((row) => row.state === "refused" && row.user === me && (!visit || row.visit === visit));
  paintLine(rows, refused.length);
  paintRefused(refused);
  openOnItsDay();
  const mine = rows.filter((row) => row.user === me && !have.has(row.id) && row.state !== "refused");
  for (const form of forms) {
    const last = mine.findLast((row) => row.file === null && !row.fileName && sameItem(form, row));
    if (last) {
      const state = one(form, "[data-state]", HTMLElement);
      state.textContent = inWords(last);
      if (last.fields.signature) state.append(" ", signature(last.fields.signature, last.fields.note));
      form.classList.add("entered");
      press(form, last.fields.answer);
    }
  }
  if (!visit) return;
  // What is known of the roof was read: the rest of the record opens.
  if (forms.some((form) => "heed" in form.dataset && form.classList.contains("entered"))) {
    for (const part of every(document, "[data-after-heed]", HTMLElement)) part.hidden = false;
  }
  for (const form of every(document, "form[data-photo]", HTMLFormElement)) {
    paintPhotos(form, mine.filter((row) => row.fileName && sameItem(form, row)));
  }
  paintFound();
  tickSteps();
}

/**
 * The button that was pressed shows it.
 *
 * @param {HTMLFormElement} form
 * @param {string | undefined} answer
 */
function press(form, answer) {
  if ("answer" in form.dataset) form.dataset.answer = answer;
  for (const each of every(form, "button[name=answer]", HTMLButtonElement)) {
    if (each.value === answer) each.setAttribute("aria-pressed", "true");
    else each.removeAttribute("aria-pressed");
  }
}

/** What was found stands where the customer is told, and an urgent finding where water would come. */
function paintFound() {
  const found = every(document, "form[data-answer=seen], form[data-answer=urgent]", HTMLFormElement);
  for (const list of every(document, "[data-found]", HTMLUListElement)) {
    list.replaceChildren(...found.map((form) => {
      const item = document.createElement("li");
      const part = NAMES[one(form, "[name=item]", HTMLInputElement).value];
      item.textContent = `${part}: ${one(form, "[data-state]", HTMLElement).textContent.trim()}`;
      return item;
    }));
  }
  for (const line of every(document, "[data-found-line]", HTMLElement)) line.hidden = !found.length;
  const urgent = found.some((form) => form.dataset.answer === "urgent") || document.querySelector(".record[data-urgent]") !== null;
  for (const stop of every(document, "[data-stop]", HTMLElement)) stop.hidden = !urgent;
}

/** @param {string} text */
function say(text) {
  if (!(line instanceof HTMLElement)) return;
  line.hidden = !text;
  line.textContent = text;
}

/**
 * @param {Row[]} rows
 * @param {number} refused
 */
function paintLine(rows, refused) {
  const waiting = rows.filter((row) => row.state === "waiting");
  const others = waiting.filter((row) => row.user !== me).length;
  const own = waiting.length - others;
  const parts = [];
  if (unkept) parts.push(unkept);
  if (refused) {
    parts.push(refused === 1
      ? spoken("1 was not taken: see the top of this page.")
      : spoken("{count} were not taken: see the top of this page.", { count: refused }));
  }
  if (own) {
    parts.push(own === 1
      ? spoken("1 entry waits on this phone.")
      : spoken("{count} entries wait on this phone.", { count: own }), hindrance.words);
  }
  if (others) {
    parts.push(others === 1
      ? spoken("1 by another login waits too; they are sent after that login.")
      : spoken("{count} by another login wait too; they are sent after that login.", { count: others }));
  }
  say(parts.join(" "));
  if (line && own && hindrance.loggedOut) {
    const door = document.createElement("a");
    door.href = `/accounts/login/?next=${encodeURIComponent(location.pathname)}`;
    door.textContent = spoken("Log in to send it");
    line.append(" ", door);
  }
}

/** @param {Row[]} rows */
function paintRefused(rows) {
  const box = document.querySelector("[data-refused]");
  if (!(box instanceof HTMLElement)) return;
  const list = one(box, "ul", HTMLUListElement);
  box.hidden = !rows.length;
  list.replaceChildren(...rows.map(refusedItem));
  const again = rows.filter((row) => !row.never);
  if (again.length > 1) {
    const item = document.createElement("li");
    item.append(button(spoken("Send all again"), () => tryAgain(again)));
    list.append(item);
  }
}

/** @param {Row} row */
function refusedItem(row) {
  const item = document.createElement("li");
  const [what, why] = [document.createElement("b"), document.createElement("p")];
  what.textContent = [visit ? "" : row.place, nameOf(row)].filter(Boolean).join(": ");
  why.textContent = row.problem;
  const drop = async () => {
    if (armed === row.id) await remove(row.id);
    else armed = row.id; // wet fingers press twice where they mean once
    paint();
  };
  item.append(what, why);
  if (!row.never) item.append(button(spoken("Send it again"), () => tryAgain([row])), " ");
  item.append(button(armed === row.id ? spoken("Drop it for good") : spoken("Drop it"), drop));
  return item;
}

/** @param {Row[]} rows */
async function tryAgain(rows) {
  for (const row of rows) await put(Object.assign(row, { state: "waiting" }));
  send(paint);
}

/**
 * @param {string} word
 * @param {() => void} press
 */
function button(word, press) {
  const made = document.createElement("button");
  made.type = "button";
  made.className = "quiet";
  made.textContent = word;
  made.addEventListener("click", press);
  return made;
}

/**
 * @param {HTMLFormElement} form
 * @param {Row} row
 */
function sameItem(form, row) {
  return row.visit === visitOf(form) && ["kind", "item", "phase", "distance"].every((name) => {
    const field = form.querySelector(`[name=${name}]`);
    return (field instanceof HTMLInputElement ? field.value : "") === (row.fields[name] || "");
  });
}

/** On the lists a form says which visit it is of. @param {HTMLFormElement} form */
function visitOf(form) {
  return visit || Number(form.dataset.of);
}

/** A page that was put aside the day before shows today what is for today. */
function openOnItsDay() {
  for (const part of every(document, "[data-opens]", HTMLElement)) {
    part.hidden = !(Number(part.dataset.opens) * 1000 <= Date.now() && Date.now() < Number(part.dataset.closes) * 1000);
  }
}

// ---- from the start

async function start() {
  for (const form of forms) {
    for (const field of every(form, "input[id]", HTMLInputElement)) keepDraft(field);
    form.addEventListener("submit", (event) => enter(form, event));
  }
  if (visit) startSteps();
  for (const form of every(document, "[data-here]", HTMLFormElement)) form.hidden = !navigator.geolocation;
  watchPads();
  for (const all of every(document, "[data-all-ok]", HTMLElement)) {
    all.hidden = false;
    one(all, "button", HTMLButtonElement).addEventListener("click", () => keepAllInOrder(one(all, "[data-state]", HTMLElement)));
  }
  watchCameras(keepPhotos, () => kept().catch(() => {}));
  addEventListener("online", () => send(paint));
  document.addEventListener("visibilitychange", () => { if (!document.hidden) send(paint); });
  setInterval(() => { if (!document.hidden) send(paint); }, TRY_EVERY_MS);
  if ("serviceWorker" in navigator) {
    await navigator.serviceWorker.register("/visits/worker.js", { scope: "/" }).catch(() => {});
  }
  navigator.storage?.persist?.();
  await paint();
  send(paint);
  await tidyCopies();
  frame.dataset.ready = "yes";
}

start();
