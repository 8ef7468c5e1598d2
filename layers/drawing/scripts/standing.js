/* Gear in the water: a clock since it was set, and what its marks on a map say. */
import { element } from "./elements.js";

/** How long something has gone on, in hours and minutes. */
export function since(moment) {
  const minutes = Math.max(0, Math.floor((Date.now() - Date.parse(moment)) / 60000));
  const hours = Math.floor(minutes / 60);
  return hours ? hours + " h " + (minutes % 60) + " min" : minutes + " min";
}

/** Gear that was set and not lifted yet, as things to be drawn: none of the placements, so that
    it has no state and counts nowhere. */
export function standingThings(gear) {
  return gear.map((one) => ({
    standing: one,
    late: Boolean(one.due_at) && Date.parse(one.due_at) < Date.now(),
    at: L.latLng(one.at[1], one.at[0]),
    counts: [],
    count: 1, // as heavy as a placement where marks come together
  }));
}

/** What the mark of some gear in the water says. */
export function standingName(things) {
  const late = things.filter((one) => one.late).length;
  const [{ standing }] = things;
  const name = things.length > 1 ? things.length : standing.label + " " + standing.placement_id;
  return name + " in the water" + (late ? ", " + (late > 1 ? late + " " : "") + "overdue" : "");
}

/** Card of one gear in the water, which leads to its form with the question of the page. */
export function standingCard({ standing, late }) {
  const query = new URLSearchParams(window.location.search);
  query.set("lift", standing.placement_id);
  return element(
    "article",
    { className: "rb-card" },
    element("h3", { textContent: standing.placement_id }),
    element(
      "p",
      {},
      standing.label + ", in the water for " + since(standing.set_at) + (late ? ": overdue." : "."),
    ),
    element("a", { href: "/placements/new?" + query, textContent: "Lift" }),
  );
}
