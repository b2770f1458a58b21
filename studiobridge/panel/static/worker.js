// What the browser keeps between visits: static files, and one page that says that nothing answers.
// No page of a set and nothing that was ever said of one is kept. STAMP and FILES stand before this.
"use strict";
const KEPT = `studiobridge-${STAMP}`;
const OFFLINE = "/offline";
// s; a page is 30 kB at most: what takes longer is a network that swallows
const LONG = 10;

self.addEventListener("install", (event) => {
  event.waitUntil((async () => {
    const store = await caches.open(KEPT);
    await store.addAll([...FILES, new Request(OFFLINE, { cache: "no-store" })]);
    await self.skipWaiting();
  })());
});

self.addEventListener("activate", (event) => {
  event.waitUntil((async () => {
    const names = await caches.keys();
    await Promise.all(names.filter((name) => name.startsWith("studiobridge-") && name !== KEPT)
      .map((name) => caches.delete(name)));
    await self.clients.claim();
  })());
});

async function file(request) {
  const kept = await caches.match(request);
  return kept ?? fetch(request);
}
const late = () => new Promise((_, no) => setTimeout(() => no(new Error("late")), LONG * 1000));
async function page(request) {
  try {
    return await Promise.race([fetch(request), late()]);
  } catch {
    // the address stays: looking again asks for the same page
    return await caches.match(OFFLINE) ?? Response.error();
  }
}

self.addEventListener("fetch", (event) => {
  const { request } = event;
  const at = new URL(request.url);
  if (request.method !== "GET" || at.origin !== self.location.origin) return;
  if (FILES.includes(at.pathname)) event.respondWith(file(request));
  else if (request.mode === "navigate") event.respondWith(page(request));
});
