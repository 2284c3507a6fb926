// Keeps the page, its tables and the tiles that were looked at, so that the desk opens without a connection.
const keeper = /** @type {ServiceWorkerGlobalScope} */ (/** @type {unknown} */ (self));
const SHELL = "facademap shell";
const READ = "facademap read";
const TILES = "facademap tiles";
const MOST_TILES = 3000;
const PAGE = [
  "/",
  "/built/desk.js",
  "/built/desk.css",
  "/favicon.ico",
  "/manifest.webmanifest",
  ...["latin-400", "latin-700", "latin-ext-400", "latin-ext-700"].map(
    (n) => `/built/atkinson-hyperlegible-${n}-normal.woff2`,
  ),
];

keeper.addEventListener("install", (event) => {
  event.waitUntil(
    caches
      .open(SHELL)
      .then((c) => c.addAll(PAGE))
      .then(() => keeper.skipWaiting()),
  );
});
keeper.addEventListener("activate", (event) => event.waitUntil(keeper.clients.claim()));

async function trim(/** @type {Cache} */ cache) {
  if (Math.random() > 0.01) return;
  const keys = await cache.keys();
  await Promise.all(
    keys.slice(0, Math.max(0, keys.length - MOST_TILES)).map((k) => cache.delete(k)),
  );
}

/**
 * @param {string} name
 * @param {Request} request
 */
async function newestFirst(name, request) {
  const cache = await caches.open(name);
  try {
    const answer = await fetch(request);
    if (answer.ok) await cache.put(request, answer.clone());
    if (name === TILES) await trim(cache);
    return answer;
  } catch (error) {
    const kept = await cache.match(request, { ignoreVary: true });
    if (kept) return kept;
    throw error;
  }
}

async function keptFirst(/** @type {Request} */ request) {
  const cache = await caches.open(TILES);
  const kept = await cache.match(request);
  if (kept) return kept;
  const answer = await fetch(request);
  if (answer.ok) {
    await cache.put(request, answer.clone());
    await trim(cache);
  }
  return answer;
}

keeper.addEventListener("fetch", (event) => {
  const { request } = event;
  const { pathname, origin, search } = new URL(request.url);
  if (request.method !== "GET" || origin !== self.location.origin || search.includes("key="))
    return;
  if (pathname === "/" || pathname.startsWith("/built/"))
    event.respondWith(newestFirst(SHELL, request));
  else if (pathname.startsWith("/tiles/")) event.respondWith(keptFirst(request));
  // a face can be measured again and a cut-out moved, so that the same address shows something else
  else if (pathname.startsWith("/pictures/")) event.respondWith(newestFirst(TILES, request));
  else if (
    pathname.startsWith("/api/tables") ||
    pathname.startsWith("/api/packed/") ||
    pathname.startsWith("/api/languages") ||
    [
      "/api/work/all",
      "/api/mine",
      "/api/project",
      "/api/schema",
      "/api/pictures",
      "/api/assist",
    ].includes(pathname)
  )
    event.respondWith(newestFirst(READ, request));
});
