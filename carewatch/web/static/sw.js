"use strict";
/* Keeps the evening pages and our own files for the time without signal. Everything else always comes from the server. */
const SHELF = "carewatch-1";
const OURS = ["/static/look.css", "/static/taps.js", "/static/icon.svg"];
const keeps = (url) => url.pathname.startsWith("/a/") || url.pathname.startsWith("/m/") || OURS.includes(url.pathname);

self.addEventListener("install", (event) => {
  event.waitUntil(caches.open(SHELF).then((shelf) => shelf.addAll(OURS)).then(() => self.skipWaiting()));
});
self.addEventListener("activate", (event) => {
  event.waitUntil(caches.keys().then((names) => Promise.all(names.filter((name) => name !== SHELF).map((name) => caches.delete(name)))).then(() => self.clients.claim()));
});
self.addEventListener("fetch", (event) => {
  const url = new URL(event.request.url);
  if (event.request.method !== "GET" || url.origin !== location.origin || !keeps(url)) return;
  event.respondWith(
    fetch(event.request).then((answer) => {
      if (answer.ok) {
        const copy = answer.clone();
        event.waitUntil(caches.open(SHELF).then((shelf) => shelf.put(event.request, copy)));
      }
      return answer;
    }).catch(() => caches.match(event.request).then((known) => known || Response.error()))
  );
});
