/* What lies in the view of a map, fetched once for a padded view. */
import { fetchJson } from "./fetching.js";
import { edges } from "./screen_paths.js";

const PAD = 0.3; // share of the view that is fetched around it

/**
 * Fetches again only when the view leaves what was fetched, or the zoom or the query changes.
 * `load(map)` promises what `read` makes of the answer: the same object as before where nothing
 * was fetched.
 */
export function viewSource(
  address,
  { accept, byZoom = true, read = (answer) => answer, query = () => ({}) } = {},
) {
  let fetched = null;
  let box = null;
  let key = "";
  return {
    async load(map) {
      const wanted = { ...query(), ...(byZoom ? { zoom: Math.ceil(map.getZoom()) } : {}) };
      const wantedKey = JSON.stringify(wanted);
      if (fetched && key === wantedKey && box.contains(map.getBounds())) return fetched;
      const around = map.getBounds().pad(PAD);
      const answer = await fetchJson(address, {
        accept,
        query: { ...wanted, bbox: edges(around) },
      });
      fetched = read(answer);
      box = around;
      key = wantedKey;
      return fetched;
    },
  };
}
