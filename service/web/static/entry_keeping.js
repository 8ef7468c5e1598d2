/* Keeps the draft at hand at every touch, finds it again, and lets one window alone write it. */
import * as drafts from "./entry_drafts.js";

const MIRROR = "rifflebook-entry:";
let letGo = null;

/** Keep a draft: at once in a mirror, then among the drafts. */
export function keep(draft) {
  try {
    // At once, whatever comes next.
    localStorage.setItem(MIRROR + draft.page, JSON.stringify(draft));
  } catch {
    /* full or forbidden: the database below keeps it */
  }
  return drafts.put(draft);
}

export function forgetMirror(page) {
  try {
    localStorage.removeItem(MIRROR + page);
  } catch {
    /* nothing was kept */
  }
}

/** The draft of a page that this window may go on with; else what `begin` makes, given all. */
export async function find(page, begin) {
  const wanted = new URLSearchParams(location.hash.slice(1)).get("draft");
  let stored = [];
  try {
    stored = await drafts.all();
  } catch {
    /* reported when something is to be kept */
  }
  try {
    const mirrored = JSON.parse(localStorage.getItem(MIRROR + page) || "null");
    const same = mirrored && stored.find((one) => one.uuid === mirrored.uuid);
    if (mirrored && (!same || same.changed < mirrored.changed)) {
      stored = [mirrored, ...stored.filter((one) => one.uuid !== mirrored.uuid)];
    }
  } catch {
    /* not ours */
  }
  const own = wanted
    ? stored.filter((one) => one.uuid === wanted)
    : stored.filter((one) => one.page === page && one.status === "draft");
  for (const one of own.sort((a, b) => b.changed - a.changed)) if (await hold(one.uuid)) return one;
  const begun = begin(stored);
  await hold(begun.uuid);
  return begun;
}

/* Two windows never write into one draft. */
export function hold(uuid) {
  if (letGo) letGo();
  letGo = null;
  if (!navigator.locks) return Promise.resolve(true);
  return new Promise((resolve) => {
    navigator.locks.request("rifflebook-draft-" + uuid, { ifAvailable: true }, (lock) => {
      resolve(Boolean(lock));
      return lock ? new Promise((free) => (letGo = free)) : undefined;
    });
  });
}
