// Keeps the files of the page, so that it opens without a connection and says since when nothing is known.
// The network always comes first: an old file is shown only if no new one can be had.
const KEPT = "page-files";

const FILES = [
  "/", "/static/page.css", "/static/uplot/uPlot.min.css", "/static/uplot/uPlot.iife.min.js", "/static/icons/unknown.svg",
  // What to do about a fault must be readable while the bridge is away.
  "/manual/faults", "/static/manual.css",
  ...["actions", "charts", "dom", "lines", "main", "past", "round", "show"].map((name) => `/static/${name}.js`),
];

async function keepAll() {
  await (await caches.open(KEPT)).addAll(FILES);
  await self.skipWaiting();
}

self.addEventListener("install", (event) => event.waitUntil(keepAll()));
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
  if (event.request.method === "GET" && (pathname === "/" || pathname.startsWith("/static/") || pathname.startsWith("/manual/"))) {
    event.respondWith(answer(event.request));
  }
});
