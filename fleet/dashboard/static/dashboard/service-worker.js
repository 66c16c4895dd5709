"use strict";

// Answers without a network for Today's orders and the job cards that were opened. Whatever the
// network gives comes first; what is kept is only for when it gives nothing, or not soon.
const PAGES = "pages-1";
const FILES = "files-1";
const KEPT = /^\/(todays-orders|work-orders\/[^/]+\/(card|code\.svg))$/;
const OF_A_CARD = /^(\/work-orders\/[^/]+)\/(change|records)$/;
const PATIENCE_MS = 4000;
const changed = new Set(); // pages kept from before a change: only for when the network is away

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
  const card = url.pathname.match(OF_A_CARD);
  if (changesPerson(request, url.pathname)) {
    event.respondWith(thenForget(request));
  } else if (request.mode === "navigate" && card) {
    event.respondWith(change(request, card[1]));
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

// without an answer the person is still the same, and keeps the pages
async function thenForget(request) {
  const answer = await fetch(request);
  await caches.delete(PAGES);
  return answer;
}

// what was kept is older than what a change has made of it
async function change(request, order) {
  try {
    const answer = await fetch(request);
    if (request.method === "POST") {
      changed.add(`${order}/card`).add("/todays-orders");
    }
    return answer;
  } catch {
    return Response.redirect(`${order}/card`, 303);
  }
}

async function networkFirst(request, name) {
  const cache = await caches.open(name);
  const kept = await cache.match(request, { ignoreSearch: name === FILES });
  const asked = ask(request, cache);
  if (!kept) {
    return asked;
  }
  const waits = changed.has(new URL(request.url).pathname);
  const late = new Promise((resolve) => setTimeout(resolve, PATIENCE_MS));
  const answer = await Promise.race([asked.catch(() => null), ...(waits ? [] : [late])]);
  return answer || (name === PAGES ? asKept(kept) : kept);
}

// a kept page says from when it is
async function asKept(kept) {
  const type = kept.headers.get("Content-Type") || "";
  if (!type.includes("html")) {
    return kept;
  }
  const at = kept.headers.get("Date") || "";
  const html = (await kept.text()).replace("<body", `<body data-kept-at="${at}"`);
  const headers = new Headers(kept.headers);
  headers.delete("Content-Encoding");
  headers.delete("Content-Length");
  return new Response(html, { status: kept.status, headers });
}

async function ask(request, cache) {
  const answer = await fetch(request);
  if (answer.ok && !answer.redirected) {
    await cache.put(request, answer.clone());
    changed.delete(new URL(request.url).pathname);
  }
  return answer;
}
