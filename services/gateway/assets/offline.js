// The service worker: a station opens, and opens again, while the dairy cannot be reached.
// It keeps the station page and what that page needs, and what decodes the camera's picture
// once that was used; everything else goes to the network.
"use strict";

const KEPT = "wheelward-3";
const NEEDED = ["wheelward.css", "outbox.js", "signer.js", "sound.js", "tabs.js", "there.js", "wedge.js", "receipts.js", "camera.js", "station.js", "wheel.svg", "manifest.json"];
// A steel door swallows requests without an answer.
const PATIENCE = 4000;

self.addEventListener("install", (event) => {
  const files = NEEDED.map((name) => "/assets/" + name).concat("/station");
  event.waitUntil(caches.open(KEPT).then((cache) => cache.addAll(files)).then(() => self.skipWaiting()));
});
self.addEventListener("activate", (event) => {
  const old = (names) => Promise.all(names.filter((name) => name !== KEPT).map((name) => caches.delete(name)));
  event.waitUntil(caches.keys().then(old).then(() => self.clients.claim()));
});
self.addEventListener("fetch", (event) => {
  const request = event.request;
  const path = new URL(request.url).pathname;
  if (request.method === "POST" && path === "/sign-out") {
    // The kept page bears the name of who signed out.
    event.waitUntil(caches.open(KEPT).then((cache) => cache.delete("/station")));
  }
  if (request.method !== "GET") { return; }
  if (path === "/station" || path === "/" || path.startsWith("/assets/")) {
    event.respondWith(answer(request, path));
  }
});

async function answer(request, path) {
  const cache = await caches.open(KEPT);
  const key = path === "/" ? "/station" : path;
  try {
    const signal = AbortSignal.timeout(PATIENCE);
    const response = await fetch(request, { signal });
    const whole = response.status === 200 && !response.redirected;
    if (whole && path !== "/") {
      await cache.put(path, response.clone());
    }
    return response;
  } catch (error) {
    const kept = await cache.match(key);
    if (kept) { return kept; }
    throw error;
  }
}
