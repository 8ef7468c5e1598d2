/* The map beside the coverage tables: reaches by years since the last visit, gaps, next places. */
import { showBackground } from "../assets/backgrounds.js";
import { colour } from "../assets/colours.js";
import { facts, link, make } from "../assets/elements.js";
import { fetchJson, unlessNoAnswer } from "../assets/fetching.js";
import { still } from "../assets/motion.js";
import { formatMetres, formatShare, formatWords } from "../assets/numbers.js";
import { openByKey, streamNames } from "../assets/reaches.js";
import { corners, positions } from "../assets/screen_paths.js";
import { viewSource } from "../assets/view_source.js";
import "./sort_table.js";

const view = JSON.parse(document.getElementById("coverage-view").textContent);
const line = document.getElementById("coverage-state");
// The same lines as in the table of bands (coverage.css): the width says how long ago, the dashes
// what was done, so that neither needs the colour.
const WEIGHTS = { fresh: 7, recent: 5, old: 3.5, stale: 2.2, undated: 3.5, never: 1.8 };
const DASHES = { sampled: null, visited: "7 4", no_visit: "1 4" };
const STATES = {
  sampled: "length sampled",
  visited: "visited, no length sampled",
  no_visit: "no visit",
};
const map = L.map("coverage-map", { zoomControl: false, zoomSnap: 0.5, preferCanvas: true });
const draw = L.canvas({ padding: 0.3, tolerance: 6 });
const source = viewSource(view.reaches);
let lines = null;
let gapLine = null;
let shown = null;
let turns = 0;
let choices = 0;
let least = 1;
let trouble = "";
let chosen = "";

function report() {
  const far = least > 1 ? "Reaches of stream order " + least + " and above; zoom in for all. " : "";
  line.textContent = trouble || (far + chosen).trim();
  line.hidden = !line.textContent;
}

function card(reaches, at) {
  const box = make("article", null, "rb-card");
  const name = reaches.stream_name[at];
  const id = encodeURIComponent(reaches.reach_id[at]);
  const title = make("h3");
  title.append(link("/reaches/" + id, reaches.reach_id[at]), name ? ", " + name : "");
  box.append(title);
  const last = reaches.last_date[at];
  const band = view.bands[reaches.band[at]];
  const rows = [["Here", STATES[band.state]]];
  if (band.state !== "no_visit") {
    const of = " of " + formatMetres(reaches.length_m[at]);
    const gear = reaches.methods[at].split(";");
    rows.push(
      ["Last visit", last ? formatWords(last) + ", " + band.words : band.words],
      ["Visited", formatShare(reaches.visited[at]) + of],
      ["Sampled", formatShare(reaches.sampled[at]) + of],
      ["Gear", gear.map((method) => view.labels[method] || method).join(", ")],
    );
  }
  const far = reaches.distance_m[at];
  if (far === null) rows.push(["Nearest visit", "none in this connected part of the network"]);
  else if (far > 0)
    rows.push(["Nearest visit", formatMetres(far) + " from its farthest point without one"]);
  rows.push(["Stream order", reaches.order[at]]);
  box.append(facts(rows), link("/upstream/" + id, "What lives upstream of here"));
  return box;
}

function open(reaches, at, where) {
  return L.popup({ maxWidth: 300 }).setLatLng(where).setContent(card(reaches, at)).openOn(map);
}

function show(reaches) {
  const group = L.layerGroup();
  reaches.paths.forEach((path, at) => {
    if (!path.length) return;
    const band = view.bands[reaches.band[at]];
    const look = {
      color: colour(band.age),
      weight: WEIGHTS[band.age],
      dashArray: DASHES[band.state],
    };
    L.polyline(
      positions(path, reaches.zoom),
      Object.assign({ renderer: draw, lineCap: "butt" }, look),
    )
      .on("click", (event) => open(reaches, at, event.latlng))
      .addTo(group).reach = { reaches, at };
  });
  if (lines) lines.remove();
  lines = group.addTo(map);
  if (gapLine) gapLine.bringToFront();
  least = reaches.least_order;
  nameStreams({ features: named(reaches) });
}

/** Lines with the names of their streams, as GeoJSON. */
function named(reaches) {
  return reaches.paths
    .map((path, at) => ({
      geometry: {
        type: "LineString",
        coordinates: positions(path, reaches.zoom).map(([lat, lon]) => [lon, lat]),
      },
      properties: { stream_name: reaches.stream_name[at] },
    }))
    .filter((one) => one.geometry.coordinates.length);
}

function refresh() {
  const turn = (turns += 1);
  return source.load(map).then(
    (reaches) => {
      if (turn !== turns) return; // a later view was requested meanwhile
      if (reaches !== shown) show(reaches);
      shown = reaches;
      trouble = "";
      report();
      map.getContainer().dataset.ready = "yes";
    },
    unlessNoAnswer((problem) => {
      if (turn !== turns) return;
      trouble = "Reaches could not be fetched. " + problem.message + ".";
      report();
    }),
  );
}

function showMap() {
  const box = map.getContainer();
  if (
    box.getBoundingClientRect().top < 0 ||
    box.getBoundingClientRect().bottom > window.innerHeight
  ) {
    box.scrollIntoView({ block: "nearest" });
  }
}

function mark(row) {
  document.querySelectorAll("tr.chosen").forEach((other) => other.classList.remove("chosen"));
  if (row) row.classList.add("chosen");
}

function goToGap(button) {
  const number = Number(button.dataset.gap);
  const choice = (choices += 1);
  mark(button.closest("tr"));
  showMap();
  const look = { padding: [20, 20], maxZoom: 16, animate: !still, duration: 0.6 };
  map.flyToBounds(corners(JSON.parse(button.dataset.bounds)), look);
  fetchJson(view.gap, { query: { gap: number } }).then(
    (gap) => {
      if (choice !== choices) return; // another gap or place was chosen meanwhile
      if (gapLine) gapLine.remove();
      gapLine = L.polyline(
        gap.paths.filter((path) => path.length).map((path) => positions(path, gap.zoom)),
        {
          pane: "gap",
          color: colour("gap"),
          weight: 11,
          opacity: 0.75,
          interactive: false,
          renderer: L.canvas({ pane: "gap" }),
        },
      ).addTo(map);
      chosen = "Gap " + number + " is marked in yellow.";
      trouble = "";
      map.getContainer().dataset.gap = number;
      report();
    },
    unlessNoAnswer((problem) => {
      if (choice !== choices) return;
      trouble = "The gap could not be fetched. " + problem.message + ".";
      report();
    }),
  );
}

function placeMarkers() {
  view.places.forEach((place) => {
    const icon = L.divIcon({
      className: "next-place",
      html: make("span", place.rank),
      iconSize: [26, 26],
    });
    const marker = L.marker([place.latitude, place.longitude], {
      icon,
      zIndexOffset: 500 - place.rank,
    });
    marker.on("add", () =>
      marker.getElement().setAttribute("aria-label", "Next place " + place.rank),
    );
    const box = make("article", null, "rb-card");
    box.append(
      make("h3", "Next place " + place.rank),
      facts([
        ["Stream", place.stream],
        ["Reach", place.reach_id],
        ["Before", formatWords(place.done_before)],
        ["Adds", formatMetres(place.adds_m)],
        ["Position", place.latitude.toFixed(5) + ", " + place.longitude.toFixed(5)],
      ]),
    );
    marker.bindPopup(box, { maxWidth: 280 });
    marker.on("click", () => mark(document.querySelector("tr[data-place='" + place.rank + "']")));
    markers[place.rank] = marker.addTo(map);
  });
}

function goToPlace(button) {
  const row = button.closest("tr");
  choices += 1;
  mark(row);
  showMap();
  map.flyTo([Number(button.dataset.lat), Number(button.dataset.lon)], Math.max(map.getZoom(), 14), {
    animate: !still,
    duration: 0.6,
  });
  chosen = "Place " + row.dataset.place + " is in the middle of the map.";
  report();
  markers[row.dataset.place].openPopup();
}

const markers = {};
const nameStreams = streamNames(map);
openByKey(
  map,
  () => (lines ? lines.getLayers() : []),
  (line, where) => {
    open(line.reach.reaches, line.reach.at, where);
    map.getContainer().querySelector(".leaflet-popup a").focus();
  },
);
const pane = map.createPane("gap");
pane.style.zIndex = 380; // beneath the reaches, so that their dashes stay to be seen
pane.style.pointerEvents = "none";
map.attributionControl.setPrefix("Leaflet");
const background = showBackground(map, view.backgrounds);
if (background) map.getContainer().after(background.field);
L.control.zoom({ position: "bottomright" }).addTo(map);
L.control.scale({ imperial: false }).addTo(map);
if (view.bounds) map.fitBounds(corners(view.bounds), { padding: [12, 12] });
else map.setView([0, 0], 2);
placeMarkers();
map.on("moveend", refresh);
document.querySelectorAll("button.go").forEach((button) => {
  button.addEventListener("click", () =>
    button.dataset.gap ? goToGap(button) : goToPlace(button),
  );
});
report();
refresh();
