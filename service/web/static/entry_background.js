/* Tiles of a kept area: the background beneath it, for where there is no connection. */
import { NoAnswer } from "../assets/fetching.js";

const TILES = "rifflebook-tiles-1"; // entry_worker.js answers from it
const AT_ONCE = 20;

/** Tiles of this background that were kept before it was replaced. */
async function dropOld(cache, one) {
  const now = new URL(one.url, window.location.href);
  const folder = now.pathname.split("%7B")[0];
  for (const key of await cache.keys()) {
    const at = new URL(key.url);
    if (at.pathname.startsWith(folder) && at.search !== now.search) await cache.delete(key);
  }
}

/** Keep the tiles that `kept` of an area names, of the background `one`; says how much. */
export async function keepTiles(kept, one) {
  if (!kept || !one || one.name !== kept.name) return "";
  const cache = await caches.open(TILES);
  await dropOld(cache, one);
  const addresses = kept.tiles.map(([z, x, y]) => L.Util.template(one.url, { z, x, y }));
  for (let at = 0; at < addresses.length; at += AT_ONCE)
    await cache.addAll(addresses.slice(at, at + AT_ONCE)).catch((problem) => {
      throw problem.name === "QuotaExceededError" ? problem : new NoAnswer(problem.message);
    });
  const coarse =
    kept.zoom < kept.finest ? ", not its finest levels: a smaller area keeps more of them" : "";
  return "Background: " + (kept.size_bytes / 1e6).toFixed(1) + " MB" + coarse + ".";
}
