// Keeps the files of the page, so that it opens without a connection and says since when nothing is known.
// The network always comes first: an old file is shown only if no new one can be had.
const KEPT = "page-files";

self.addEventListener("install", () => self.skipWaiting());
self.addEventListener("activate", (event) => event.waitUntil(self.clients.claim()));

async function answer(request) {
  const files = await caches.open(KEPT);
  try {
    const fresh = await fetch(request);
    if (fresh.ok) {
      await files.put(request, fresh.clone());
    }
    return fresh;
  } catch (error) {
    const kept = await files.match(request, { ignoreSearch: true });
    if (kept === undefined) {
      throw error;
    }
    return kept;
  }
}

self.addEventListener("fetch", (event) => {
  const { pathname } = new URL(event.request.url);
  // What the bridge measures is never kept here: an old answer must not look like a new one.
  if (event.request.method === "GET" && (pathname === "/" || pathname.startsWith("/static/"))) {
    event.respondWith(answer(event.request));
  }
});
