"use strict";
// Keeps the page for use without a network, where it is served over https.
const kept = "verdict-page";
const here = new URL("./", location).href;

self.addEventListener("install", (e) => e.waitUntil(self.skipWaiting()));
self.addEventListener("activate", (e) => e.waitUntil(self.clients.claim()));
self.addEventListener("message", (e) => {
  // The page that is open tells its address, so that one visit is enough.
  if (String(e.data).startsWith(here)) e.waitUntil(caches.open(kept).then((c) => c.add(e.data)));
});
self.addEventListener("fetch", (e) => {
  if (e.request.method !== "GET" || !e.request.url.startsWith(here)) return;
  e.respondWith(fetch(e.request).then((r) => {
    if (r.ok) {
      const copy = r.clone();
      e.waitUntil(caches.open(kept).then((c) => c.put(e.request, copy)));
    }
    return r;
  }, () => caches.match(e.request).then((r) => r || Response.error())));
});
