/* Room on the device: said before it runs out, and asked to be kept for good. */
const LEAST_MB = 20;

const inMb = (bytes) => bytes / 1e6;

/** How much of this site the device still has room for [MB]; missing where it does not say. */
async function roomMb() {
  if (!navigator.storage || !navigator.storage.estimate) return null;
  const { quota, usage } = await navigator.storage.estimate();
  return quota === undefined ? null : Math.max(0, inMb(quota - usage));
}

/** Say in `line` when room gets short; before anything is lost. */
export async function watchRoom(line) {
  const room = await roomMb().catch(() => null);
  line.hidden = room === null || room >= LEAST_MB;
  if (!line.hidden)
    line.textContent =
      `This device has room for about ${Math.round(room)} MB more of this site. Send what waits, ` +
      "or free some room, before you go on: what does not fit cannot be kept.";
}

/** Ask the browser not to throw away what waits when the device runs short. */
export function keepForGood() {
  if (navigator.storage && navigator.storage.persist) navigator.storage.persist().catch(() => {});
}

/** Do something that needs room; where there is none, pieces of maps make way first. */
export async function withRoom(act) {
  try {
    return await act();
  } catch (problem) {
    if (!problem || problem.name !== "QuotaExceededError" || !self.caches) throw problem;
    await self.caches.delete("rifflebook-reaches-1");
    return act();
  }
}
