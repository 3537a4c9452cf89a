// Keeps the phone page itself, so that it opens without coverage. It never touches
// /v1: the day lies in IndexedDB, codes lie nowhere.
//
// The page always comes from what is kept, in whole generations: a new one is fetched
// complete (after the page has loaded, on its request) before the old one is dropped, so
// that files of two versions never meet.

const FILES = [
  "/phone",
  "/page/ink.css",
  "/page/phone.css",
  "/page/draw.js",
  "/page/phone.js",
  "/page/phone-day.js",
  "/page/phone-pocket.js",
  "/page/phone-sheet.js",
  "/page/phone-talk.js",
  "/page/phone-wire.js",
  "/page/phone-draw.js",
  "/page/manifest.webmanifest",
  "/page/icon.svg",
  "/page/icon-192.png",
];
const PREFIX = "keyround-phone-";

async function generations() {
  const names = (await caches.keys()).filter((name) => name.startsWith(PREFIX));
  return names.sort().reverse();
}

// The newest generation that is complete, or null.
async function current() {
  for (const name of await generations()) {
    const cache = await caches.open(name);
    const kept = new Set((await cache.keys()).map((each) => new URL(each.url).pathname));
    if (FILES.every((file) => kept.has(file))) return { name, cache };
  }
  return null;
}

// One renewal at a time; true when a new generation lies ready.
let renewing = null;
function renew() {
  renewing ??= renewNow().finally(() => {
    renewing = null;
  });
  return renewing;
}

async function renewNow() {
  const before = await current();
  const answers = await Promise.all(
    FILES.map((file) => fetch(file, { cache: "no-cache", credentials: "omit" })),
  );
  if (!answers.every((each) => each.ok)) throw new Error("the page is not whole there");
  if (before !== null) {
    const tags = await Promise.all(
      FILES.map(async (file) => (await before.cache.match(file)).headers.get("ETag")),
    );
    if (answers.every((each, i) => each.headers.get("ETag") === tags[i])) return false;
  }
  const name = PREFIX + String(Date.now()).padStart(15, "0");
  const cache = await caches.open(name);
  await Promise.all(FILES.map((file, i) => cache.put(file, answers[i])));
  for (const old of await generations()) {
    if (old !== name) await caches.delete(old);
  }
  return before !== null;
}

self.addEventListener("install", (event) => {
  event.waitUntil(renew().then(() => self.skipWaiting()));
});

self.addEventListener("activate", (event) => {
  event.waitUntil(self.clients.claim());
});

self.addEventListener("message", (event) => {
  if (event.data !== "renew") return;
  event.waitUntil(
    renew().then(
      (isNew) => isNew && event.source?.postMessage("renewed"),
      () => {}, // no coverage: what is kept goes on
    ),
  );
});

self.addEventListener("fetch", (event) => {
  const url = new URL(event.request.url);
  if (
    event.request.method !== "GET" ||
    url.origin !== self.location.origin ||
    !FILES.includes(url.pathname)
  ) {
    return;
  }
  event.respondWith(
    (async () => {
      const kept = await current();
      return (await kept?.cache.match(url.pathname)) ?? fetch(event.request);
    })(),
  );
});
