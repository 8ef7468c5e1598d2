/* View: reaches, catchments, stretches and placements on one Leaflet map.
   Layers hold GeoJSON at once, or an address from which what is in view is fetched. */
import { catchmentLayer, squareLayer } from "./area_layers.js";
import { showBackground } from "./backgrounds.js";
import { colour } from "./colours.js";
import { make } from "./elements.js";
import { fetchJson, unlessNoAnswer } from "./fetching.js";
import * as live from "./live.js";
import * as marks from "./marks.js";
import "./motion.js";
import { ownPositionControl } from "./own_position.js";
import * as panel from "./panel.js";
import { countsOf, placementLayers, thingsOf } from "./placements.js";
import { openPopup } from "./popups.js";
import * as reaches from "./reaches.js";
import { standingThings } from "./standing.js";
import { viewSource } from "./view_source.js";

function addPane(map, name, level) {
  const pane = map.createPane(name);
  pane.style.zIndex = level;
  pane.style.pointerEvents = "none"; // only placements answer to a click
}

/** Source of a layer: its GeoJSON as it is given, or fetched for a padded view. */
function layerSource(layer) {
  if (!layer.url) return { load: () => Promise.resolve(layer.data) };
  return viewSource(layer.url, { accept: "application/geo+json", byZoom: false });
}

function say(map, text) {
  const box = map.getContainer();
  let line = box.querySelector(".rb-trouble");
  if (!line) {
    line = make("p", null, "rb-trouble");
    line.setAttribute("role", "alert");
    box.append(line);
  }
  line.textContent = text;
  line.hidden = !text;
}

/** Sources of a map that fetches its view: lines, and placements of the gear switched on; `list`
    promises the placements of a box by id, those after one. */
function liveSources(config, state, makers) {
  const lines = viewSource(config.live.lines, { read: live.readLines });
  const query = () => {
    if (!state.hidden.size) return { method: [] }; // all, whatever the page began with
    const on = config.methods.map((row) => row.method).filter((name) => !state.hidden.has(name));
    return on.length ? { method: on } : {};
  };
  const read = live.readPlacements(config.gear);
  const placements = viewSource(config.live.placements, { read, query });
  const sources = [
    {
      load: (map) => lines.load(map),
      draw: (data) => {
        makers.catchments(data.catchments);
        makers.reaches(data.reaches);
        makers.least(data.least);
      },
    },
    {
      load: (map) => placements.load(map),
      draw: (data) => {
        makers.stretches(data.stretches);
        makers.squares(data.squares);
        makers.placements(data);
      },
    },
  ];
  const list = (edges, after) =>
    fetchJson(config.live.placements, {
      query: { ...query(), zoom: 0, bbox: edges.join(","), after },
    }).then(read);
  return { sources, list };
}

/** Show records on a map. `given` is described in layers/drawing/maps.py. */
export function showRecords(map, given) {
  const config = Object.assign({ gear: marks.byMethod(given.methods) }, given);
  const state = { species: config.chosen_species || "", hidden: new Set(config.hidden) };
  const draw = L.canvas({ padding: 0.3, tolerance: 6 });
  addPane(map, "rb-marked", 335);
  addPane(map, "rb-catchments", 340);
  addPane(map, "rb-names", 345);
  addPane(map, "rb-stretches", 380);
  addPane(map, "rb-squares", 390);
  addPane(map, "rb-snaps", 420);
  addPane(map, "rb-own", 630);
  map.attributionControl.setPrefix("Leaflet");
  config.background = showBackground(map, config.backgrounds);
  L.control.scale({ imperial: false }).addTo(map);
  if (navigator.geolocation && window.isSecureContext) {
    ownPositionControl((text) => say(map, text)).addTo(map);
  }
  panel.positionControl(config.live && live.positionTeller(config.live.position)).addTo(map);
  const groups = {};
  const put = (name, layer) => {
    if (groups[name]) groups[name].remove();
    groups[name] = layer.addTo(map);
  };
  const openReach = (byKey) => (feature, at) =>
    openPopup(map, at, reaches.reachCard(config.reach_address, feature, at), byKey);
  const nameStreams = reaches.streamNames(map);
  reaches.openByKey(
    map,
    () => (groups.reaches ? groups.reaches.getLayers() : []),
    (line, at) => openReach(true)(line.feature, at),
  );
  if (config.layers.marked) reaches.markWater(map, config.layers.marked.data);
  const standing = standingThings(config.layers.standing ? config.layers.standing.data : []);
  let placements = null;
  let things = [];
  let list = null;
  const showCounts = () => {
    if (!placements) return;
    const around = config.live ? map.getBounds() : null;
    control.showCounts(countsOf(things, around), placements.total || 0);
  };
  const drawPlacements = () => {
    if (!placements && !standing.length) return;
    const nothing =
      !placements || (config.methods.length && state.hidden.size === config.methods.length);
    things = [...(nothing ? [] : thingsOf(placements, config, state)), ...standing];
    const { group, snaps } = placementLayers(map, config, state, things, list);
    put("snaps", snaps);
    put("placements", group);
    showCounts();
  };
  const switched = () => {
    drawPlacements();
    if (config.keeps_view) live.keepGear(config.methods, state.hidden);
    if (config.live) refresh(); // counts by cell are the server's
  };
  const control = panel.makePanel(map, config, state, switched);
  const makers = {
    catchments: (data) => put("catchments", catchmentLayer(map, data)),
    reaches: (data) => {
      put("reaches", reaches.reachLayer(data, draw, openReach(false)));
      nameStreams(data);
    },
    stretches: (data) =>
      put(
        "stretches",
        L.geoJSON(data, {
          pane: "rb-stretches",
          interactive: false,
          style: () => ({ color: colour("sand"), weight: 9, opacity: 0.55, lineCap: "butt" }),
        }),
      ),
    squares: (data) => {
      put("squares", squareLayer(data));
      control.showSquares(data.features.length > 0);
    },
    least: (order) => control.showLeast(order),
    placements: (data) => {
      placements = data;
      drawPlacements();
    },
  };
  let sources = [];
  if (config.live) {
    ({ sources, list } = liveSources(config, state, makers));
  } else {
    sources = Object.keys(makers)
      .filter((name) => config.layers[name])
      .map((name) => ({ load: layerSource(config.layers[name]).load, draw: makers[name] }));
  }
  let turn = 0;
  const refresh = () => {
    const own = (turn += 1);
    return Promise.all(
      sources.map((layer) =>
        layer.load(map).then((data) => {
          if (data === layer.last || own !== turn) return; // or a later view was requested
          layer.last = data;
          layer.draw(data);
        }),
      ),
    ).then(
      () => {
        if (own !== turn) return;
        say(map, "");
        showCounts();
        if (!map.getContainer().dataset.ready) performance.mark("rb-drawn");
        map.getContainer().dataset.ready = "yes";
      },
      unlessNoAnswer((trouble) => {
        if (own === turn) say(map, "Records could not be fetched. " + trouble.message + ".");
      }),
    );
  };
  map.on("zoomend", drawPlacements); // at another zoom other marks would hide one another
  if (config.keeps_view) live.keepView(map);
  map.on("moveend", refresh);
  drawPlacements(); // gear in the water is here already
  return refresh();
}
