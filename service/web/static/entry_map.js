/* The map of the entry form: reaches around, points by a tap. */
import { showBackground } from "../assets/backgrounds.js";
import { colour } from "../assets/colours.js";
import { NoAnswer, fetchJson } from "../assets/fetching.js";
import "../assets/motion.js";

const FINEST = 13; // side of the squares that reaches are requested in, as a zoom
const MOST_SQUARES = 12;
const FEW_REACHES = 3000; // so many are drawn whole however far out the map is

export function makeMap(lists, tapped) {
  const map = L.map("map", { zoomSnap: 0.5, preferCanvas: true });
  L.control.scale({ imperial: false }).addTo(map);
  const background = showBackground(map, lists.backgrounds);
  map.attributionControl.setPrefix("Leaflet");
  if (background) map.getContainer().after(background.field);
  else map.attributionControl.remove();
  const requested = new Map();
  const drawn = new Set();
  const reaches = L.geoJSON(null, {
    style: (one) => ({
      color: colour("water"),
      weight: 1.5 + 0.8 * (one.properties.strahler || 1),
      interactive: false,
    }),
    interactive: false,
  }).addTo(map);
  const own = L.layerGroup().addTo(map);
  const snap = L.layerGroup().addTo(map);
  const kept = [];
  let least = 0;

  function squares() {
    const zoom = Math.min(FINEST, Math.floor(map.getZoom()));
    const view = map.getBounds();
    const step = 360 / 2 ** zoom;
    const list = [];
    for (let x = Math.floor(view.getWest() / step); x * step < view.getEast(); x += 1) {
      for (let y = Math.floor(view.getSouth() / step); y * step < view.getNorth(); y += 1) {
        list.push(
          [x * step, y * step, (x + 1) * step, (y + 1) * step].map((v) => Number(v.toFixed(6))),
        );
      }
    }
    return list.slice(0, MOST_SQUARES);
  }

  async function fill() {
    const zoom = map.getZoom();
    const order =
      zoom >= 11 || lists.reaches <= FEW_REACHES ? 1 : zoom >= 9 ? 2 : zoom >= 7 ? 4 : 6;
    if (order !== least) {
      least = order;
      requested.clear();
      drawn.clear();
      reaches.clearLayers();
      keepReaches([]);
    }
    for (const box of squares()) {
      const clipped = [
        Math.max(box[0], -180),
        Math.max(box[1], -90),
        Math.min(box[2], 180),
        Math.min(box[3], 90),
      ];
      const address =
        "/reaches.geojson?bbox=" + clipped.join(",") + (order > 1 ? "&min_order=" + order : "");
      if (requested.has(address)) continue;
      requested.set(address, true);
      try {
        const answer = await fetchJson(address, { accept: "application/geo+json" });
        if (order !== least) continue;
        if (answer.none_kept) requested.delete(address);
        const fresh = answer.features.filter((one) => one.geometry && !drawn.has(one.id));
        fresh.forEach((one) => drawn.add(one.id));
        reaches.addData({ type: "FeatureCollection", features: fresh });
      } catch (problem) {
        if (!(problem instanceof NoAnswer)) throw problem;
        requested.delete(address); // no connection: requested again when the map is moved
      }
    }
  }

  /* Reaches of a kept area stay whatever the zoom. */
  function keepReaches(features) {
    kept.push(...features);
    const fresh = kept.filter((one) => one.geometry && !drawn.has(one.id));
    fresh.forEach((one) => drawn.add(one.id));
    reaches.addData({ type: "FeatureCollection", features: fresh });
  }

  /** What is in view: west, south, east, north. */
  function box() {
    const view = map.getBounds();
    return [view.getWest(), view.getSouth(), view.getEast(), view.getNorth()].map((value) =>
      Number(value.toFixed(5)),
    );
  }

  function show(points, shape, uncertainty) {
    own.clearLayers();
    const at = points.map(([lon, lat]) => [lat, lon]);
    if (shape === "area" && at.length > 2)
      L.polygon(at, { color: colour("found"), weight: 3 }).addTo(own);
    else if (at.length > 1)
      L.polyline(at, {
        color: colour("found"),
        weight: 4,
        dashArray: shape === "ends" ? "8 6" : null,
      }).addTo(own);
    at.forEach((place, number) =>
      L.circleMarker(place, {
        radius: number ? 6 : 9,
        color: colour("ink"),
        weight: 2,
        fillColor: number ? colour("sheet") : colour("found"),
        fillOpacity: 1,
      }).addTo(own),
    );
    if (at.length && uncertainty > 0) {
      L.circle(at[0], {
        radius: uncertainty,
        color: colour("found"),
        weight: 1,
        fillOpacity: 0.08,
        interactive: false,
      }).addTo(own);
    }
  }

  function showSnap(from, to) {
    snap.clearLayers();
    if (from && to) {
      L.polyline(
        [
          [from[1], from[0]],
          [to[1], to[0]],
        ],
        { color: colour("ink"), weight: 2, dashArray: "2 5" },
      ).addTo(snap);
      L.circleMarker([to[1], to[0]], { radius: 4, color: colour("ink"), fillOpacity: 1 }).addTo(
        snap,
      );
    }
  }

  function look(points) {
    const at = points.map(([lon, lat]) => [lat, lon]);
    if (at.length > 1) map.fitBounds(at, { padding: [40, 40], maxZoom: 17 });
    else if (at.length) map.setView(at[0], Math.max(map.getZoom() || 0, 15.5));
  }

  map.on("click", (event) => {
    const at = event.latlng.wrap();
    tapped([Number(at.lng.toFixed(6)), Number(at.lat.toFixed(6))], map);
  });
  map.on("moveend", fill);
  if (lists.bounds) {
    const [west, south, east, north] = lists.bounds;
    map.fitBounds([
      [south, west],
      [north, east],
    ]);
  } else map.setView([0, 0], 2);
  const reachesDrawn = () => reaches.getLayers().map((one) => one.feature);
  return { map, show, showSnap, look, fill, reachesDrawn, keepReaches, box, background };
}
