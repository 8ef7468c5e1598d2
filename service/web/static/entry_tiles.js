/* The catch by single taps: what this survey catches most, and what else may come of gear. */
import { button, element } from "../assets/elements.js";

const MOST = 6;

/** Species in the order of what the survey catches most, then of what the store does. */
export function inOrder(lists, survey) {
  const own = new Map((lists.common[survey] || []).map((name, place) => [name, place]));
  const place = ([name]) => (own.has(name) ? own.get(name) : own.size);
  return [...lists.species].sort((a, b) => place(a) - place(b) || (b[2] || 0) - (a[2] || 0));
}

/** Buttons of the commonest species; a tap is one more fish. `changed` after each. */
export function drawTiles(box, draft, lists, changed) {
  const shown = inOrder(lists, draft.cells.survey).slice(0, MOST);
  box.replaceChildren(
    ...shown.map(([name, vernacular]) => {
      const row = draft.catches.find((one) => one.species === name);
      const words = vernacular || name;
      const act = () => {
        add(draft, name);
        changed();
      };
      const look = { className: "tile light", "aria-label": "One more " + words };
      const tile = button(words + " ", act, look);
      tile.append(element("b", {}, row && row.count ? row.count : "+"));
      return tile;
    }),
  );
}

function add(draft, name) {
  draft.cells.outcome = draft.cells.outcome === "disturbed" ? "disturbed" : "caught";
  draft.nothing_caught = false;
  let row = draft.catches.find((one) => one.species === name && one.count_kind !== "present");
  if (!row) {
    row = { species: name, count: "0", count_kind: "exact", fate: "released" };
    const empty = draft.catches.findIndex((one) => !one.species && !one.count);
    if (empty >= 0) draft.catches.splice(empty, 1, row);
    else draft.catches.push(row);
  }
  row.count = String((Number.parseInt(row.count, 10) || 0) + 1);
}
