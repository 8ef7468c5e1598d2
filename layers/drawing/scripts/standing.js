/* Gear in the water: a clock since it was set, and its marks on a map. */
import { colour } from "./colours.js";
import { element } from "./elements.js";

/** How long something has gone on, in hours and minutes. */
export function since(moment) {
  const minutes = Math.max(0, Math.floor((Date.now() - Date.parse(moment)) / 60000));
  const hours = Math.floor(minutes / 60);
  return hours ? hours + " h " + (minutes % 60) + " min" : minutes + " min";
}

/* Gear that was set and not lifted yet: none of the placements, so a mark of its own. */
export function standingGear(map, gear) {
  gear.forEach((one) => {
    const late = one.due_at && Date.parse(one.due_at) < Date.now();
    L.circleMarker([one.at[1], one.at[0]], {
      radius: 10,
      color: colour("ink"),
      weight: 3,
      dashArray: "4 4",
      fillColor: colour(late ? "gap" : "sheet"),
      fillOpacity: 0.9,
    })
      .bindPopup(() =>
        element(
          "div",
          {},
          element("b", { textContent: one.placement_id }),
          " " +
            one.label +
            ", in the water for " +
            since(one.set_at) +
            (late ? ": overdue. " : ". "),
          element("a", {
            href: "/placements/new?lift=" + encodeURIComponent(one.placement_id),
            textContent: "Lift",
          }),
        ),
      )
      .addTo(map);
  });
}
