// Keeps the screens of a walk: from the network while there is one, else as they were when the walk was taken along.
"use strict";

const MINE = /^\/(walk(\/|$)|style\.css$|walk\.js$|icon\.svg$)/;

self.addEventListener("install", () => self.skipWaiting());
self.addEventListener("activate", (event) => event.waitUntil(self.clients.claim()));

const answer = async (request) => {
  const kept = await caches.open("walk");
  try {
    const fresh = await fetch(request);
    if (fresh.ok && !fresh.redirected) await kept.put(request, fresh.clone());
    return fresh;
  } catch (error) {
    const known = await kept.match(request) || await kept.match(request, { ignoreSearch: true });
    if (known) return known;
    throw error;
  }
};

self.addEventListener("fetch", (event) => {
  const { pathname, origin } = new URL(event.request.url);
  const is_mine = origin === self.location.origin && event.request.method === "GET" && MINE.test(pathname);
  if (is_mine && pathname !== "/walk/plan.json") event.respondWith(answer(event.request));
});
