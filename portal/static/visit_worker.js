// The service worker of /visits/: pages that were opened once, or put aside for today, open without a signal.
// It only reads. What is entered waits in the page's own store and is sent by visit.js.
"use strict";

const CACHE = "visits";
const PATIENCE_MS = 6000; // a weak signal counts as none after this

self.addEventListener("install", () => self.skipWaiting());
self.addEventListener("activate", (event) => event.waitUntil(self.clients.claim()));

self.addEventListener("fetch", (event) => {
  const request = event.request;
  const url = new URL(request.url);
  if (request.method !== "GET" || url.origin !== self.location.origin) return;
  if (request.mode === "navigate") event.respondWith(page(request, url));
  else if (request.destination === "style" || request.destination === "image" || request.destination === "script") {
    if (!url.pathname.includes("plotly")) event.respondWith(asset(request, url));
  }
});

// Pages: the network's if it answers, else the phone's copy.
async function page(request, url) {
  const kept = () => caches.match(url.pathname, { ignoreSearch: true, ignoreVary: true });
  const patience = new AbortController();
  const timer = setTimeout(() => patience.abort(), PATIENCE_MS);
  try {
    const copy = await kept();
    const answer = await fetch(request, copy ? { signal: patience.signal } : {});
    if (answer.ok && !answer.redirected && /^\/visits\/(\d+\/(record\/)?)?$/.test(url.pathname) && !url.search) {
      const cache = await caches.open(CACHE);
      await cache.put(url.pathname, answer.clone());
    }
    return answer;
  } catch {
    return (await kept()) || new Response(
      "<!doctype html><html lang='en'><meta charset='utf-8'><meta name='viewport' content='width=device-width'>" +
      "<title>No signal</title><h1>No signal</h1><p>This page is not on the phone. Pages of today's and tomorrow's " +
      "visits are, once the list of visits was opened with a signal.</p><p><a href='/visits/'>Visits</a></p></html>",
      { status: 503, headers: { "Content-Type": "text/html; charset=utf-8" } });
  } finally {
    clearTimeout(timer);
  }
}

// Style, script and pictures of the frame carry their content's hash in their name, so a kept copy is never stale.
async function asset(request, url) {
  const kept = await caches.match(request, { ignoreVary: true });
  if (kept) return kept;
  const answer = await fetch(request);
  if (answer.ok && url.pathname.startsWith("/static/")) {
    const cache = await caches.open(CACHE);
    await cache.put(request, answer.clone());
  }
  return answer;
}
