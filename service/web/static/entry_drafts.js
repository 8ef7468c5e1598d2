/* Drafts of placements: kept in this browser, sent when there is a connection. Used by the page
   and by the worker behind it. A draft sent twice is stored once: the service knows it by what it
   says. */
import { parseJson, request } from "../assets/fetching.js";

const BASE = "rifflebook-entry";
const STORE = "drafts";
const KEPT_SENT = 20;
const IN_WATER = "in_the_water";

let opened = null;
function base() {
  if (!opened) {
    opened = new Promise((resolve, reject) => {
      if (!self.indexedDB) return reject(new Error("this browser keeps nothing here"));
      const opening = self.indexedDB.open(BASE, 1);
      opening.onupgradeneeded = () => opening.result.createObjectStore(STORE, { keyPath: "uuid" });
      opening.onsuccess = () => resolve(opening.result);
      opening.onerror = () => reject(opening.error);
    });
  }
  return opened;
}

async function work(mode, act) {
  const database = await base();
  return new Promise((resolve, reject) => {
    const change = database.transaction(STORE, mode);
    const result = act(change.objectStore(STORE));
    change.oncomplete = () => resolve(result && result.result);
    change.onerror = change.onabort = () => reject(change.error);
    if (mode === "readwrite" && change.commit) change.commit();
  });
}

export const put = (draft) => work("readwrite", (store) => store.put(draft));
export const get = (uuid) => work("readonly", (store) => store.get(uuid));
export const remove = (uuid) => work("readwrite", (store) => store.delete(uuid));
export const all = async () =>
  (await work("readonly", (store) => store.getAll())).sort((a, b) => b.changed - a.changed);

export function newId() {
  if (self.crypto.randomUUID) return self.crypto.randomUUID();
  // Not offered over plain HTTP: version 4 of RFC 9562 by hand.
  const bytes = self.crypto.getRandomValues(new Uint8Array(16));
  bytes[6] = (bytes[6] & 0x0f) | 0x40;
  bytes[8] = (bytes[8] & 0x3f) | 0x80;
  const hex = Array.from(bytes, (byte) => byte.toString(16).padStart(2, "0")).join("");
  return hex.replace(/^(.{8})(.{4})(.{4})(.{4})/, "$1-$2-$3-$4-");
}

/** The session has ended; what was entered waits until somebody has logged in again. */
export class SessionEnded extends Error {}

export async function lend() {
  const answer = await request("/entry/token", {
    headers: { Accept: "application/json" },
    credentials: "same-origin",
    cache: "no-store",
  });
  if (!answer.ok) throw new Error("the service answers " + answer.status);
  return parseJson(answer);
}

export async function post(path, sheet, token) {
  const answer = await request(path, {
    method: "POST",
    credentials: "same-origin",
    headers: {
      "Content-Type": "application/json",
      Accept: "application/json",
      "X-CSRFToken": token,
    },
    body: JSON.stringify(sheet),
  });
  return { status: answer.status, told: parseJson(answer) };
}

/* What of a draft is known after an answer of the service. */
export function settled(draft, { status, told }) {
  const own = { ...draft, told, ended: false };
  if ((status === 200 || status === 201) && draft.sheet.placement.outcome === IN_WATER) {
    const seen = { ...draft.sheet, seen: null, base: told.digest };
    return { ...own, status: "standing", base: told.digest, seen };
  }
  if (status === 200 || status === 201) {
    return { ...own, status: "sent", sent: Date.now(), changed: Date.now() };
  }
  if (status === 401 || status === 403) return { ...own, status: "waiting", ended: true };
  if (status === 409 && told.outcome === "taken") return { ...own, status: "taken" };
  if (status === 409 && told.differences) return { ...draft, status: "conflict", told };
  if (status === 422 || status === 400 || status === 409)
    return { ...draft, status: "refused", told };
  return { ...draft, status: "waiting", told };
}

async function sendOne(draft, token) {
  const answer = await post("/entry/save", draft.sheet, token);
  const stored = await get(draft.uuid);
  // Changed by hand while it was under way: what was sent is stored, the change is not; gear that
  // was lifted meanwhile is known again by the name of its draft.
  if (stored && stored.changed !== draft.changed) return stored;
  const next = settled(draft, answer);
  await put(next);
  return next;
}

/* Send all that waits, one after another. Says what became of each. */
async function sendWaiting() {
  const waiting = (await all()).filter((draft) => draft.status === "waiting").reverse();
  if (!waiting.length) return [];
  const lent = await lend();
  const done = [];
  for (const draft of waiting) {
    if (!lent.may_edit) {
      const detail = "Log in with an account that may enter records.";
      await put({ ...draft, ended: true, told: { detail } });
    } else if (draft.account !== lent.account) {
      await put({
        ...draft,
        told: {
          detail:
            "Entered by " + draft.account + "; log in as them, or open it and save it as yours.",
        },
      });
    } else {
      done.push(await sendOne(draft, lent.token));
    }
  }
  const sent = (await all()).filter((draft) => draft.status === "sent");
  for (const old of sent.slice(KEPT_SENT)) await remove(old.uuid);
  return done;
}

/* One sender at a time, over all pages and the worker, where the browser has locks. */
export function sendAll() {
  const locks = self.navigator && self.navigator.locks;
  return locks ? locks.request("rifflebook-send", sendWaiting) : sendWaiting();
}
