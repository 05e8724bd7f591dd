/// <reference no-default-lib="true" />
/// <reference lib="esnext" />
/// <reference lib="webworker" />
// The service worker: pages of visits that were opened once, or put aside for today, open without a signal.
// It only reads; the page puts pages aside, and keeps and sends what is entered.
"use strict";

const here = /** @type {ServiceWorkerGlobalScope} */ (/** @type {unknown} */ (self));
const CACHE = "visits";
/** The portal writes its sentences in the login's language here. @type {Record<string, string>} */
const WORDS = {};
/** @param {string} sentence */
const spoken = (sentence) => WORDS[sentence] || sentence;
const PATIENCE_MS = 6000; // a weak signal counts as none after this

here.addEventListener("install", () => here.skipWaiting());
here.addEventListener("activate", (event) => event.waitUntil(here.clients.claim()));

here.addEventListener("fetch", (event) => {
  const request = event.request;
  const url = new URL(request.url);
  if (url.origin !== here.location.origin) return;
  if (request.method === "POST" && url.pathname === "/accounts/logout/") event.respondWith(leave(request));
  if (request.method !== "GET") return;
  if (request.mode === "navigate") {
    if (url.pathname === "/accounts/login/") event.waitUntil(caches.delete(CACHE)); // the login is over
    if (url.pathname === "/" || /^\/(visits|sites)\//.test(url.pathname)) event.respondWith(page(request, url));
  }
  else if (["style", "font", "image", "script"].includes(request.destination)) {
    if (!url.pathname.includes("plotly")) event.respondWith(asset(request));
  }
});

// Who logs out leaves no customer's gate code on the phone. What waits to be sent stays.
/** @param {Request} request */
async function leave(request) {
  const answer = await fetch(request);
  await caches.delete(CACHE);
  return answer;
}

// A copy that has ended, or that an older page of ours put aside without an end, is thrown away.
/** @param {string} path */
async function copyOf(path) {
  const cache = await caches.open(CACHE);
  const copy = await cache.match(path, { ignoreSearch: true, ignoreVary: true });
  if (!copy || Number(copy.headers.get("X-Kept-Until")) > Date.now()) return copy;
  await cache.delete(path, { ignoreSearch: true, ignoreVary: true });
}

// Pages: the network's if it answers, else the phone's copy.
/**
 * @param {Request} request
 * @param {URL} url
 */
async function page(request, url) {
  const kept = () => copyOf(url.pathname);
  const patience = new AbortController();
  const timer = setTimeout(() => patience.abort(), PATIENCE_MS);
  try {
    const copy = await kept();
    const answer = await fetch(request, copy ? { signal: patience.signal } : {});
    return answer.status >= 500 && copy ? copy : answer; // a portal that is being restarted is no signal either
  } catch {
    if (url.pathname === "/" && (await copyOf("/visits/"))) return Response.redirect("/visits/");
    const title = spoken("No signal");
    const words = spoken(
      "This page is not on the phone. Pages of today's and tomorrow's visits are, once the list was opened with a signal.");
    return (await kept()) || new Response(
      "<!doctype html><meta charset='utf-8'><meta name='viewport' content='width=device-width'>" +
      `<title>${title}</title><h1>${title}</h1><p>${words}</p><p><a href='/visits/'>${spoken("Visits")}</a></p>`,
      { status: 503, headers: { "Content-Type": "text/html; charset=utf-8" } });
  } finally {
    clearTimeout(timer);
  }
}

// Style, font, icons and scripts carry their content's hash in their name, so a kept copy is never stale.
/** @param {Request} request */
async function asset(request) {
  return (await caches.match(request, { ignoreVary: true })) || fetch(request);
}
