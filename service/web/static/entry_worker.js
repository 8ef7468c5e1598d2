/* Keeps the entry form at hand where there is no connection, and sends what waits.
   The form and what it is made of; of records only what an area has that somebody chose to keep,
   which goes with the logout. */
import { all, sendAll } from "./entry_drafts.js";

const SHELL = "rifflebook-entry-11";
const REACHES = "rifflebook-reaches-1";
const AREA = "rifflebook-area-1"; // of entry_area.js
const TILES = "rifflebook-tiles-1"; // of entry_background.js
const FORM = "/placements/new";
const MOST_REACHES = 200;
const PARTS = []; // filled in where this is served

self.addEventListener("install", (event) => {
  event.waitUntil(
    caches
      .open(SHELL)
      .then((cache) => cache.addAll(PARTS))
      // A form kept before belongs to other scripts, and goes when this worker takes over.
      .then(() => fresh(FORM, FORM, SHELL).catch(() => {}))
      .then(() => self.skipWaiting()),
  );
});

self.addEventListener("activate", (event) => {
  event.waitUntil(
    (async () => {
      for (const name of await caches.keys()) {
        if (name.startsWith("rifflebook-") && ![SHELL, REACHES, AREA, TILES].includes(name))
          await caches.delete(name);
      }
      await self.clients.claim();
    })(),
  );
});

/* The network first; what was kept where there is none. */
async function fresh(request, key, name) {
  const cache = await caches.open(name);
  try {
    const answer = await fetch(request);
    if (answer.ok && answer.type === "basic" && !answer.redirected) {
      await cache.put(key, answer.clone());
    } else if (answer.status === 401 || answer.status === 403) {
      // This account may not enter records: nothing of the form stays, unless something waits on
      // this device whose session has ended, to be gone on with.
      const waits = (await all().catch(() => [])).some((draft) => draft.status !== "sent");
      if (!waits) await cache.delete(key);
    }
    return answer;
  } catch (problem) {
    const kept = await cache.match(key);
    if (kept) return kept;
    throw problem;
  }
}

/* Where nothing was kept the map stays empty there; reaches are requested again when it is
   moved. */
const NONE_KEPT = JSON.stringify({ type: "FeatureCollection", features: [], none_kept: true });

async function reaches(request) {
  const answer = await fresh(request, request, REACHES).catch(
    () => new Response(NONE_KEPT, { headers: { "Content-Type": "application/geo+json" } }),
  );
  const cache = await caches.open(REACHES);
  const keys = await cache.keys();
  for (const old of keys.slice(0, Math.max(0, keys.length - MOST_REACHES))) await cache.delete(old);
  return answer;
}

/* A kept tile; the address of another picture is another one. Quiet where there is none. */
async function tile(request) {
  const kept = await (await caches.open(TILES)).match(request, { ignoreVary: true });
  return kept || fetch(request).catch(() => new Response(null, { status: 204 }));
}

/* What is in the water is on the form too, as this device has it. */
async function inTheWater(request) {
  return fetch(request).catch(() => Response.redirect(FORM));
}

async function editing(request) {
  try {
    return await fetch(request);
  } catch (problem) {
    const kept = await (await caches.open(SHELL)).match(FORM);
    if (kept) return kept; // the scripts find the draft by the address
    throw problem;
  }
}

self.addEventListener("fetch", (event) => {
  const request = event.request;
  const address = new URL(request.url);
  if (address.origin !== self.location.origin) return;
  if (request.method === "POST" && address.pathname === "/logout") {
    event.waitUntil(
      Promise.all([
        caches.delete(REACHES),
        caches.delete(AREA),
        caches.delete(TILES),
        caches.open(SHELL).then((c) => c.delete(FORM)),
      ]),
    );
    return;
  }
  if (request.method !== "GET") return;
  if (request.mode === "navigate") {
    if (address.pathname === FORM) event.respondWith(fresh(request, FORM, SHELL));
    else if (/^\/placements\/.+\/edit$/.test(address.pathname)) event.respondWith(editing(request));
    else if (address.pathname === "/in-the-water") event.respondWith(inTheWater(request));
    return;
  }
  const part = address.pathname.replace(/^\/v\/[0-9a-f]+(?=\/)/, ""); // without its version
  if (PARTS.includes(part)) event.respondWith(fresh(request, part, SHELL));
  else if (address.pathname === "/reaches.geojson" && address.searchParams.has("bbox")) {
    event.respondWith(reaches(request));
  } else if (address.pathname.startsWith("/background/")) event.respondWith(tile(request));
});

self.addEventListener("sync", (event) => {
  if (event.tag === "rifflebook-send") {
    event.waitUntil(
      sendAll().then(async (done) => {
        for (const page of await self.clients.matchAll()) page.postMessage(done);
      }),
    );
  }
});
