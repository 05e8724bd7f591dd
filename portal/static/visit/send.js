// Sends what the phone keeps, one at a time and in order, whenever the portal answers.

import { putAside } from "./aside.js";
import { me, spoken, visit } from "./here.js";
import { all, put } from "./store.js";

/** @typedef {import("./store.js").Row} Row */

const PAUSE_MS = 10 * 60 * 1000;
const TROUBLE = spoken("The portal has trouble with it; it is tried again by itself.");
const LOGGED_OUT = spoken("You are logged out; nothing is lost.");

/** What keeps things from being sent, in words, and whether logging in would help. */
export const hindrance = { words: "", loggedOut: false };

let sending = false;
let again = false;

/**
 * Send all that waits. Safe to call at any time.
 *
 * @param {() => Promise<void>} paint called whenever something has changed
 */
export async function send(paint) {
  if (sending) {
    again = true;
    return;
  }
  sending = true;
  try {
    do {
      again = false;
      await sendAll(paint);
    } while (again);
  } finally {
    sending = false;
    await paint();
  }
}

/** @param {() => Promise<void>} paint */
async function sendAll(paint) {
  let rows = (await all()).filter((row) => row.state === "waiting");
  hinder("");
  if (!rows.length) return;
  let here;
  try {
    here = await hello();
  } catch (error) {
    const loggedOut = error instanceof NoHello && error.status === 401;
    hinder(loggedOut ? LOGGED_OUT : spoken("No signal; it goes out by itself when there is one."), loggedOut);
    return;
  }
  if (here.user !== me) hinder(spoken("Somebody else is logged in here. Log out, then log in as yourself to send it."));
  rows = rows.filter((row) => row.user === here.user);
  const stuck = new Set(); // visits with something that the portal stumbled over; their finish comes after it
  for (const row of rows) {
    if ((row.notBefore ?? 0) > Date.now() || (row.fields.kind === "finish" && stuck.has(row.visit))) {
      stuck.add(row.visit);
      hinder(TROUBLE);
      continue;
    }
    let answer;
    try {
      answer = await post(row, here.token);
    } catch {
      hinder(spoken("The signal went away; it goes out by itself when it is back."));
      return;
    }
    if (answer.status === 500) {
      row.notBefore = Date.now() + PAUSE_MS; // what comes after it need not wait
      await put(row);
      stuck.add(row.visit);
      hinder(TROUBLE);
    } else if (await settled(row, answer)) {
      await paint();
    } else {
      const loggedOut = answer.status === 401 || answer.status === 403;
      hinder(loggedOut ? LOGGED_OUT : spoken("The portal has trouble; it is tried again by itself."), loggedOut);
      return;
    }
  }
  if (visit && rows.length) await putAside([location.pathname]);
}

/** @param {string} words */
function hinder(words, loggedOut = false) {
  Object.assign(hindrance, { words, loggedOut });
}

/**
 * Whether the portal took or refused the row, and if so, its new state is kept.
 *
 * @param {Row} row
 * @param {Response} answer
 */
async function settled(row, answer) {
  if (answer.ok) {
    Object.assign(row, { state: "sent", sentAt: Date.now(), answer: await answer.json().catch(() => ({})) });
    row.file = null; // the portal has it now
  } else if ([400, 404, 413, 422].includes(answer.status)) {
    const said = await answer.json().catch(() => ({}));
    const problem = answer.status === 413 ? spoken("The photo is too large to send.") : said.problem;
    const never = Boolean(row.fileName) && [413, 422].includes(answer.status); // a file stays what it is
    Object.assign(row, { state: "refused", never, problem: problem || spoken("The portal did not take it.") });
  } else {
    return false;
  }
  await put(row);
  return true;
}

class NoHello extends Error {
  /** @param {number} status */
  constructor(status) {
    super("no hello");
    this.status = status;
  }
}

/** @returns {Promise<{user: number, token: string}>} who is logged in, and the token to send with */
async function hello() {
  const answer = await fetch("/visits/hello/", { headers: { Accept: "application/json" }, cache: "no-store" });
  if (!answer.ok) throw new NoHello(answer.status);
  return answer.json();
}

/**
 * @param {Row} row
 * @param {string} token
 */
function post(row, token) {
  const body = new FormData();
  body.set("client_id", row.id);
  for (const [name, value] of Object.entries(row.fields)) body.set(name, value);
  body.set("sent_at", new Date().toISOString()); // so that the portal sees how wrong this phone's clock is
  if (row.file) body.set("photo", row.file, row.fileName || "photo");
  const headers = { Accept: "application/json", "X-CSRFToken": token };
  return fetch(row.url, { method: "POST", body, redirect: "error", headers });
}

/**
 * Send a row that the phone has no room for.
 *
 * @param {Row} row
 * @returns {Promise<boolean>} whether the portal has it
 */
export async function sendAtOnce(row) {
  try {
    const here = await hello();
    return here.user === me && (await post(row, here.token)).ok;
  } catch {
    return false;
  }
}
