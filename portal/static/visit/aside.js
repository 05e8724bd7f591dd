// Puts pages aside for when there is no signal; the worker shows them then.

import { every, frame, me, visit } from "./here.js";

const CACHE = "visits";
const KEEP_MS = 48 * 3600 * 1000; // a phone that is lost tells of gates and dogs no longer than this

/**
 * A page goes with its own style, font, icons and scripts: after an update of the portal its copy asks for other files.
 * Each module is named by the page itself, since a copy of the script from before an update looks no further than that.
 *
 * @param {string[]} paths
 */
export async function putAside(paths) {
  if (!("caches" in window)) return;
  const cache = await caches.open(CACHE);
  for (const path of paths) {
    try {
      const answer = await fetch(path, { headers: { Accept: "text/html" } });
      if (answer.redirected && new URL(answer.url).pathname === "/accounts/login/") return void (await caches.delete(CACHE));
      if (!answer.ok || answer.redirected) continue;
      const page = new DOMParser().parseFromString(await answer.clone().text(), "text/html");
      const parts = "link[rel=stylesheet], link[rel=preload], link[rel=icon], script[src], svg use";
      for (const part of page.querySelectorAll(parts)) {
        const [address] = (part.getAttribute("href") || part.getAttribute("src") || "").split("#");
        if (!address.includes("plotly") && !(await cache.match(address))) await cache.add(address);
      }
      for (const photo of page.querySelectorAll(".heed img")) {
        const address = photo.getAttribute("src") ?? "";
        if (!(await cache.match(address))) await cache.add(address).catch(() => {}); // the words come without it
      }
      await cache.put(path, await withItsEnd(answer));
    } catch {
      continue; // no signal: the copy that is there stays, with its parts
    }
  }
}

/**
 * A visit's sheet, its record, and the history of its roof.
 *
 * @param {string} visit
 * @param {string} roof
 */
const pagesOf = (visit, roof) => [`/visits/${visit}/`, `/visits/${visit}/record/`, `/sites/${roof}/`];

/**
 * The copy says until when it may be shown: the worker shows none after the login's end, nor after two days.
 *
 * @param {Response} answer
 */
async function withItsEnd(answer) {
  const login = Number(frame.dataset.until) * 1000;
  const headers = new Headers(answer.headers);
  headers.set("X-Kept-Until", String(Math.min(Date.now() + KEEP_MS, login || Infinity)));
  return new Response(await answer.blob(), { status: answer.status, headers });
}

/** Put aside what this login needs on the roof, and drop what it does not. */
export async function tidyCopies() {
  if (!("caches" in window)) return;
  if (localStorage.getItem("visit-user") !== String(me)) {
    await caches.delete(CACHE); // another login's customers are none of ours
    localStorage.setItem("visit-user", String(me));
  }
  if (!navigator.onLine) return;
  if (visit) return putAside(pagesOf(String(visit), frame.dataset.roof ?? ""));
  const listed = every(document, "[data-visit]", HTMLElement).map((item) => item.dataset);
  const paths = listed.flatMap(({ visit = "", roof = "" }) => pagesOf(visit, roof));
  const cache = await caches.open(CACHE);
  for (const request of await cache.keys()) {
    const path = new URL(request.url).pathname;
    if (/^\/(visits|sites)\/\d+\//.test(path) && !paths.includes(path)) await cache.delete(request);
  }
  return putAside(["/visits/", ...paths.slice(0, 12 * 3)]);
}
