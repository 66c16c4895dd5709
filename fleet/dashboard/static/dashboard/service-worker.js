"use strict";

// Answers without a network for Today's orders and the job cards that were opened. Whatever the
// network gives comes first; what is kept is only for when it gives nothing, or not soon.
const PAGES = "pages-1";
const FILES = "files-1";
const KEPT = /^\/(todays-orders|work-orders\/[^/]+\/(card|code\.svg))$/;
const PATIENCE_MS = 4000;

self.addEventListener("install", () => self.skipWaiting());

self.addEventListener("activate", (event) => {
  event.waitUntil(
    (async () => {
      for (const name of await caches.keys()) {
        if (name !== PAGES && name !== FILES) {
          await caches.delete(name);
        }
      }
      await self.clients.claim();
    })(),
  );
});

self.addEventListener("fetch", (event) => {
  const { request } = event;
  const url = new URL(request.url);
  if (url.origin !== self.location.origin) {
    return;
  }
  if (changesPerson(request, url.pathname)) {
    event.waitUntil(caches.delete(PAGES));
  } else if (request.method === "GET" && url.pathname.startsWith("/static/")) {
    event.respondWith(networkFirst(request, FILES));
  } else if (request.method === "GET" && KEPT.test(url.pathname)) {
    event.respondWith(networkFirst(request, PAGES));
  }
});

// the next person must not find the pages of the one before
function changesPerson(request, path) {
  return (
    path === "/sign-out" ||
    path.startsWith("/sign-in/link/") ||
    (path === "/sign-in" && request.method === "POST")
  );
}

async function networkFirst(request, name) {
  const cache = await caches.open(name);
  const kept = await cache.match(request, { ignoreSearch: name === FILES });
  const asked = ask(request, cache);
  if (!kept) {
    return asked;
  }
  const late = new Promise((resolve) => setTimeout(resolve, PATIENCE_MS, kept.clone()));
  return Promise.race([asked.catch(() => kept), late]);
}

async function ask(request, cache) {
  const answer = await fetch(request);
  if (answer.ok && !answer.redirected) {
    await cache.put(request, answer.clone());
  }
  return answer;
}
