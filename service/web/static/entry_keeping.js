/* Keeps the draft at hand at every touch, finds it again, and lets one window alone write it. */
(function (root) {
  "use strict";
  const drafts = root.RifflebookDrafts;
  const MIRROR = "rifflebook-entry:";
  let letGo = null;

  /** Keep a draft: at once in a mirror, then among the drafts. */
  function keep(draft) {
    try {
      localStorage.setItem(MIRROR + draft.page, JSON.stringify(draft)); // at once, whatever comes next
    } catch (_) { /* full or forbidden: the database below keeps it */ }
    return drafts.put(draft);
  }

  function forgetMirror(page) {
    try {
      localStorage.removeItem(MIRROR + page);
    } catch (_) { /* nothing was kept */ }
  }

  /** The draft of a page that this window may go on with; else what `begin` gives. */
  async function find(page, begin) {
    const wanted = new URLSearchParams(location.hash.slice(1)).get("draft");
    let held = [];
    try {
      held = await drafts.all();
    } catch (_) { /* told when something is to be kept */ }
    try {
      const mirrored = JSON.parse(localStorage.getItem(MIRROR + page) || "null");
      const same = mirrored && held.find((one) => one.uuid === mirrored.uuid);
      if (mirrored && (!same || same.changed < mirrored.changed)) {
        held = [mirrored, ...held.filter((one) => one.uuid !== mirrored.uuid)];
      }
    } catch (_) { /* not ours */ }
    const own = wanted
      ? held.filter((one) => one.uuid === wanted)
      : held.filter((one) => one.page === page && one.status === "draft");
    for (const one of own.sort((a, b) => b.changed - a.changed)) if (await hold(one.uuid)) return one;
    const begun = begin();
    await hold(begun.uuid);
    return begun;
  }

  /* Two windows never write into one draft. */
  function hold(uuid) {
    if (letGo) letGo();
    letGo = null;
    if (!navigator.locks) return Promise.resolve(true);
    return new Promise((told) => {
      navigator.locks.request("rifflebook-draft-" + uuid, { ifAvailable: true }, (lock) => {
        told(Boolean(lock));
        return lock ? new Promise((free) => (letGo = free)) : undefined;
      });
    });
  }

  root.RifflebookKeeping = { keep, forgetMirror, find, hold };
})(self);
