/* "Keep this area": network, catchments, names, next places and last visits of a part of the map,
   and the background, on the device for where there is no connection; and the own position. */
import { colour } from "../assets/colours.js";
import { button, element } from "../assets/elements.js";
import { NoAnswer, parseJson, request } from "../assets/fetching.js";
import { keepTiles } from "./entry_background.js";
import { withRoom } from "./entry_storage.js";
import { wayAlong } from "./entry_way.js";

const AREA = "rifflebook-area-1";

/** All areas on this device. */
async function areas() {
  if (!self.caches) return [];
  const cache = await caches.open(AREA);
  const kept = await Promise.all((await cache.keys()).map((one) => cache.match(one)));
  return Promise.all(kept.map((answer) => answer.json()));
}

/** `drawn` is the map of the form with its reaches; `say` shows a sentence. */
export function makeArea({ drawn, say }) {
  const { map } = drawn;
  const layer = L.layerGroup().addTo(map);
  const way = L.layerGroup().addTo(map);
  const own = L.layerGroup().addTo(map);
  let here = null;
  let watched = null;

  function show(area) {
    drawn.keepReaches(area.reaches.features);
    if (area.background && drawn.background) drawn.background.prefer(area.background.name);
    L.geoJSON(area.catchments, {
      interactive: false,
      style: () => ({ color: colour("quiet"), weight: 1, fill: false, dashArray: "6 4" }),
    }).addTo(layer);
    area.next_places.forEach((place) => {
      const mark = L.marker([place.at[1], place.at[0]], {
        title: "Next place " + place.rank,
        icon: L.divIcon({ className: "next-place", html: String(place.rank), iconSize: [44, 44] }),
      });
      mark.on("click", () => tell(place));
      mark.addTo(layer);
    });
    area.reaches.features.forEach((one) => {
      const [day, gear] = area.visits[one.id] || [];
      one.properties.visited = day ? "last visited " + day + ", " + gear.toLowerCase() : "";
    });
  }

  function tell(place) {
    const name = "Next place " + place.rank + (place.stream ? ", " + place.stream : "");
    const done = place.done_before ? ". Near it before: " + place.done_before : "";
    way.clearLayers();
    const found = here && wayAlong(drawn.reachesDrawn(), here, place.at);
    if (found)
      L.polyline(
        found.path.map(([lon, lat]) => [lat, lon]),
        { color: colour("found"), weight: 5, opacity: 0.7, interactive: false },
      ).addTo(way);
    const far = found
      ? ": " + Math.round(found.length_m) + " m along the stream from where you are"
      : here
        ? ": no way along the streams that this device has"
        : "";
    say(name + far + done + ".");
  }

  async function keep() {
    const box = drawn.box();
    const background = drawn.background && drawn.background.chosen();
    const named = background ? "&background=" + encodeURIComponent(background.name) : "";
    try {
      const answer = await request("/entry/area.json?bbox=" + box.join(",") + named, {
        headers: { Accept: "application/json" },
      });
      const area = parseJson(answer);
      if (!answer.ok) return say(area.detail || "The area could not be fetched.");
      const pictures = await withRoom(async () => {
        const cache = await caches.open(AREA);
        await cache.put("/entry/area.json?bbox=" + box.join(","), new Response(answer.text));
        return keepTiles(area.background, background);
      });
      show(area);
      const [reaches, places] = [area.reaches.features.length, area.next_places.length];
      return say(`This area is kept: ${reaches} reaches, ${places} next places. ${pictures}`);
    } catch (problem) {
      if (problem instanceof NoAnswer)
        return say("No connection: keep the area where there is one.");
      if (problem.name === "QuotaExceededError")
        return say("This device has no room for this area.");
      throw problem;
    }
  }

  function follow() {
    if (!navigator.geolocation) return say("This device has no position.");
    if (watched === null)
      watched = navigator.geolocation.watchPosition(
        ({ coords }) => {
          if (!here) map.setView([coords.latitude, coords.longitude], Math.max(map.getZoom(), 15));
          here = [coords.longitude, coords.latitude];
          own.clearLayers();
          const at = [coords.latitude, coords.longitude];
          L.circle(at, { radius: coords.accuracy, weight: 1, interactive: false }).addTo(own);
          L.circleMarker(at, {
            radius: 7,
            weight: 3,
            color: colour("sheet"),
            fillColor: colour("water"),
            fillOpacity: 1,
            interactive: false,
          }).addTo(own);
          say("You are here, good to about " + Math.round(coords.accuracy) + " m.");
        },
        () => say("The device finds no position here."),
        { enableHighAccuracy: true, maximumAge: 5000 },
      );
    else if (here) map.setView([here[1], here[0]]);
    return undefined;
  }

  // Beneath the map, so that nothing of a small one is covered.
  const buttons = [["Where am I", follow], ...(self.caches ? [["Keep this area", keep]] : [])];
  map
    .getContainer()
    .after(
      element(
        "div",
        { className: "by-map" },
        ...buttons.map(([words, act]) => button(words, act, { className: "light" })),
      ),
    );
  areas().then((kept) => kept.forEach(show));
}
