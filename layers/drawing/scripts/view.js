/* View: reaches, catchments, stretches and placements on one Leaflet map.
   Layers hold GeoJSON at once, or an address from which what is in view is fetched. */
import { colour } from "./colours.js";
import * as cards from "./cards.js";
import { known, make } from "./elements.js";
import { fetchJson, unlessNoAnswer } from "./fetching.js";
import * as live from "./live.js";
import * as marks from "./marks.js";
import { formatNumber } from "./numbers.js";
import * as panel from "./panel.js";
import * as reaches from "./reaches.js";
import { standingGear } from "./standing.js";
import { viewSource } from "./view_source.js";

const FAR = 12; // zoom below which marks shrink
const MOST_CARDS = 50; // as many as the server hands over at once
const CLOSEST = 18; // from this zoom a count opens its placements
const NEAR_PX = 12; // placements closer together on screen share one card

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

/** Names of catchments, largest first, where they fit and do not run into each other. */
function nameLayer(map, shapes) {
  const group = L.layerGroup();
  const named = shapes.filter((shape) => shape.feature.properties.name !== "");
  const sized = named.map((shape) => {
    const box = shape.getBounds();
    const text = String(shape.feature.properties.name || shape.feature.id);
    return { box, text, at: box.getCenter() };
  });
  const write = () => {
    group.clearLayers();
    const taken = [];
    const view = map.getBounds();
    sized
      .filter((one) => view.contains(one.at))
      .map((one) => {
        const low = map.latLngToLayerPoint(one.box.getSouthWest());
        const high = map.latLngToLayerPoint(one.box.getNorthEast());
        return Object.assign({ room: high.x - low.x, wide: one.text.length * 7 }, one);
      })
      .filter((one) => one.room > one.wide)
      .sort((a, b) => b.room - a.room)
      .slice(0, 200)
      .forEach((one) => {
        const middle = map.latLngToLayerPoint(one.at);
        const half = L.point(one.wide / 2 + 6, 11);
        const room = L.bounds(middle.subtract(half), middle.add(half));
        if (taken.some((other) => other.intersects(room))) return;
        taken.push(room);
        L.marker(one.at, {
          icon: L.divIcon({
            className: "rb-name",
            html: make("span", one.text),
            iconSize: null,
          }),
          interactive: false,
          keyboard: false,
          pane: "rb-names",
        }).addTo(group);
      });
  };
  group.on("add", () => {
    map.on("moveend", write);
    write();
  });
  group.on("remove", () => map.off("moveend", write));
  return group;
}

function catchmentLayer(map, collection) {
  const outlines = L.geoJSON(collection, {
    pane: "rb-catchments",
    interactive: false,
    style: () => ({ color: colour("ridge"), weight: 1.4, dashArray: "2 5", fill: false }),
  });
  return L.layerGroup([outlines, nameLayer(map, outlines.getLayers())]);
}

/** Closed cells of a grid: one sign in the middle says what was found somewhere in each. */
function squareLayer(collection) {
  return L.geoJSON(collection, {
    pane: "rb-squares",
    interactive: false,
    style: () => ({ color: colour("cell"), weight: 2, dashArray: "7 5", fill: false }),
  });
}

/** Where a mark stands: the place recorded, or the middle of the cell that is shown of it. */
function placeOf(feature) {
  if (!feature.geometry) return null;
  if (feature.geometry.type === "Point") {
    return L.latLng(feature.geometry.coordinates[1], feature.geometry.coordinates[0]);
  }
  return L.geoJSON(feature).getBounds().getCenter();
}

function snapLayer(feature) {
  const p = feature.properties;
  const at = placeOf(feature);
  if (!at || !known(p.snapped_longitude)) return null;
  const foot = [p.snapped_latitude, p.snapped_longitude];
  const group = L.layerGroup([
    L.polyline([at, foot], {
      pane: "rb-snaps",
      color: colour("ink"),
      weight: 1,
      dashArray: "1 3",
      interactive: false,
    }),
  ]);
  if (p.ambiguous) {
    const icon = L.divIcon({ className: "rb-doubt", html: "?", iconSize: [14, 14] });
    L.marker(foot, { icon, interactive: false, keyboard: false, pane: "rb-doubts" }).addTo(group);
  }
  return group;
}

function placementMarker(feature, state, words, gear) {
  const p = feature.properties;
  const icon = L.divIcon({
    className: "rb-mark rb-mark-" + state,
    html: marks.symbol(p.gear_kind, state, (gear[p.method] || {}).sign),
    iconSize: [24, 24],
  });
  const marker = L.marker(placeOf(feature), { icon, zIndexOffset: state === "caught" ? 200 : 0 });
  marker.placement = p;
  marker.words = words;
  marker.state = state;
  marker.on("add", () => {
    const name = (p.method_label || p.method) + " " + p.placement_id + ": " + words;
    marker.getElement().setAttribute("aria-label", name);
  });
  return marker;
}

/** Sign of several placements: those of a part of the map, or of a closed square. */
function manyMarker(cell, states, words, open) {
  const sign = marks.many(cell.counts, states);
  const icon = L.divIcon({
    className: "rb-mark rb-many" + (cell.name ? " rb-many-square" : ""),
    html: sign.svg,
    iconSize: [sign.size, sign.size],
  });
  const marker = L.marker(cell.at, { icon });
  const said = cell.counts
    .map((count, n) => (count ? formatNumber(count) + " " + words[states[n]] : ""))
    .filter(Boolean)
    .join("; ");
  const name =
    (cell.name ? cell.name + ": " : "") +
    (sign.total === 1 ? "1 placement: " : formatNumber(sign.total) + " placements: ") +
    said;
  marker.on("add", () => {
    marker.getElement().setAttribute("aria-label", name);
    marker.getElement().title = name;
  });
  marker.on("click", () => open(cell, false));
  marker.on("keydown", (event) => {
    if (event.originalEvent.key !== "Enter" && event.originalEvent.key !== " ") return;
    event.originalEvent.preventDefault();
    open(cell, true);
  });
  return marker;
}

/** Placements of closed squares, by square: its counts by state, and what was found there. */
function bySquare(features, judge) {
  const squares = new Map();
  features.forEach((feature) => {
    const p = feature.properties;
    const key = feature.geometry.coordinates.join();
    if (!squares.has(key)) {
      squares.set(key, {
        at: placeOf(feature),
        name: "Closed square of " + formatNumber(p.generalised_km) + " km",
        counts: marks.STATES.map(() => 0),
        gear: {},
        found: p.found || {},
        years: p.years || {},
      });
    }
    const square = squares.get(key);
    square.counts[marks.STATES.indexOf(judge(p))] += 1;
    const label = p.method_label || p.method;
    square.gear[label] = (square.gear[label] || 0) + 1;
    if (p.found) return; // the server has counted
    const year = known(p.year) ? String(p.year) : "";
    square.years[year] = (square.years[year] || 0) + 1;
    new Set((p.catch || []).map((row) => row.species)).forEach((name) => {
      square.found[name] = (square.found[name] || 0) + 1;
    });
  });
  return [...squares.values()];
}

/** Popup at a place; `content` is what it shows, or a promise of it. */
function openPopup(map, at, content, byKey) {
  const box = make("div", null, "rb-cards");
  box.tabIndex = -1;
  const popup = L.popup({
    maxWidth: Math.min(340, map.getSize().x - 60),
    minWidth: 230,
    maxHeight: Math.min(360, map.getSize().y - 160),
    offset: [0, -4],
    autoPanPaddingTopLeft: [10, 60],
  })
    .setLatLng(at)
    .setContent(box);
  if (content instanceof Promise) box.textContent = "Fetching …";
  const focused = document.activeElement;
  const fill = (content) => {
    box.replaceChildren(content);
    popup.update();
    if (byKey) box.focus();
  };
  popup.openOn(map);
  if (byKey) map.once("popupclose", () => focused && focused.isConnected && focused.focus());
  Promise.resolve(content).then(
    fill,
    unlessNoAnswer((trouble) =>
      fill(make("p", "This could not be fetched. " + trouble.message + ".")),
    ),
  );
}

/** Cards of stored placements, requested with `more`. */
function fetchedCards(config, more, words) {
  return fetchJson(config.live.cards, { query: more }).then((answer) => {
    const found = answer.features.map((one) => one.properties);
    if (more.placement) {
      const wanted = more.placement;
      found.sort((a, b) => wanted.indexOf(a.placement_id) - wanted.indexOf(b.placement_id));
    }
    const wordsFor = (p) =>
      words[marks.stateOf(p, config.single ? config.chosen_species : "", config.detects)];
    const box = make("div");
    if (answer.count > found.length) {
      box.append(make("p", "The first " + found.length + " of " + answer.count + " here."));
    }
    box.append(
      cards.pager(found.length, (n) =>
        cards.card(
          found[n],
          wordsFor(found[n]),
          config.placement_link,
          config.gear[found[n].method],
        ),
      ),
    );
    return box;
  });
}

function openCards(map, clicked, shown, config, words, byKey) {
  const at = map.latLngToContainerPoint(clicked.getLatLng());
  const here = shown.filter(
    (other) => at.distanceTo(map.latLngToContainerPoint(other.getLatLng())) <= NEAR_PX,
  );
  here.sort((a, b) => (a === clicked ? -1 : b === clicked ? 1 : 0));
  const content = config.live
    ? fetchedCards(
        config,
        { placement: here.slice(0, MOST_CARDS).map((one) => one.placement.placement_id) },
        words,
      )
    : cards.pager(here.length, (n) =>
        cards.card(
          here[n].placement,
          here[n].words,
          config.placement_link,
          config.gear[here[n].placement.method],
        ),
      );
  openPopup(map, clicked.getLatLng(), content, byKey);
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

/** Sources of a map that fetches its view: lines, and placements of the gear switched on. */
function liveSources(config, state, makers) {
  const lines = viewSource(config.live.lines, { read: live.readLines });
  const query = () => {
    if (!state.hidden.size) return {};
    const on = config.methods.map((row) => row.method).filter((name) => !state.hidden.has(name));
    return on.length ? { method: on } : {};
  };
  const placements = viewSource(config.live.placements, {
    read: live.readPlacements(config.gear),
    query,
  });
  return [
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
}

/** Show records on a map. `given` is described in layers/drawing/maps.py. */
export function showRecords(map, given) {
  const config = Object.assign({ gear: marks.byMethod(given.methods) }, given);
  const state = { species: config.chosen_species || "", hidden: new Set() };
  const draw = L.canvas({ padding: 0.3, tolerance: 6 });
  addPane(map, "rb-marked", 335);
  addPane(map, "rb-catchments", 340);
  addPane(map, "rb-names", 345);
  addPane(map, "rb-stretches", 380);
  addPane(map, "rb-squares", 390);
  addPane(map, "rb-snaps", 420);
  addPane(map, "rb-doubts", 640);
  map.attributionControl.setPrefix("Leaflet");
  if (config.tiles) {
    L.tileLayer(config.tiles.url, { attribution: config.tiles.attribution }).addTo(map);
  }
  L.control.scale({ imperial: false }).addTo(map);
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
  if (config.layers.standing) standingGear(map, config.layers.standing.data);
  let placements = null;
  let shown = [];
  let squares = [];
  const showCounts = () => {
    if (!placements) return;
    if (config.live) {
      const inView = live.countsInView(map.getBounds(), placements, state.hidden);
      control.showCounts(inView, placements.total);
      return;
    }
    const counts = {};
    shown.forEach((marker) => {
      counts[marker.state] = (counts[marker.state] || 0) + 1;
    });
    squares.forEach((square) =>
      square.counts.forEach((n, at) => {
        counts[marks.STATES[at]] = (counts[marks.STATES[at]] || 0) + n;
      }),
    );
    control.showCounts(counts, 0);
  };
  const openCell = (words) => (cell, byKey) => {
    const [west, south, east, north] = cell.edges;
    if (map.getZoom() < CLOSEST) {
      map.fitBounds(
        [
          [south, west],
          [north, east],
        ],
        { maxZoom: map.getZoom() + 3 },
      );
      return;
    }
    openPopup(map, cell.at, fetchedCards(config, { bbox: cell.edges.join(",") }, words), byKey);
  };
  const drawPlacements = () => {
    const words = marks.wordsOf(state.species);
    const group = L.layerGroup();
    const snaps = L.layerGroup();
    shown = [];
    const closed = [];
    (placements ? placements.features : []).forEach((feature) => {
      const p = feature.properties;
      if (!feature.geometry || state.hidden.has(p.method)) return;
      if (p.generalised_km) {
        closed.push(feature);
        return;
      }
      const is = marks.stateOf(p, state.species, config.detects);
      const marker = placementMarker(feature, is, words[is], config.gear);
      const open = (byKey) => openCards(map, marker, shown, config, words, byKey);
      marker.on("click", () => open(false));
      marker.on("keydown", (event) => {
        if (event.originalEvent.key !== "Enter" && event.originalEvent.key !== " ") return;
        event.originalEvent.preventDefault();
        open(true);
      });
      shown.push(marker);
      group.addLayer(marker);
      const snap = snapLayer(feature);
      if (snap) snaps.addLayer(snap);
    });
    squares = bySquare(closed, (p) => marks.stateOf(p, state.species, config.detects));
    squares.forEach((square) => {
      const open = (_, byKey) =>
        openPopup(map, square.at, cards.square(square, config.species), byKey);
      group.addLayer(manyMarker(square, marks.STATES, words, open));
    });
    ((placements && placements.cells) || []).forEach((cell) => {
      group.addLayer(manyMarker(cell, placements.states, words, openCell(words)));
    });
    put("snaps", snaps);
    put("placements", group);
    showCounts();
  };
  const switched = () => {
    drawPlacements();
    if (config.live) refresh(); // counts by cell are the server's
  };
  const control = panel.panelControl(config, state, switched).addTo(map);
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
  const sources = config.live
    ? liveSources(config, state, makers)
    : Object.keys(makers)
        .filter((name) => config.layers[name])
        .map((name) => {
          return { load: layerSource(config.layers[name]).load, draw: makers[name] };
        });
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
        map.getContainer().dataset.ready = "yes";
      },
      unlessNoAnswer((trouble) =>
        say(map, "Records could not be fetched. " + trouble.message + "."),
      ),
    );
  };
  const far = () => map.getContainer().classList.toggle("rb-far", map.getZoom() < FAR);
  map.on("zoomend", far);
  far();
  if (config.keeps_view) live.keepView(map);
  map.on("moveend", refresh);
  return refresh();
}
