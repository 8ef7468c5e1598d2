/* Placements on a map: marks that stand alone, signs of many, and what each of them opens. */
import * as cards from "./cards.js";
import { colour } from "./colours.js";
import { known, make } from "./elements.js";
import { fetchJson } from "./fetching.js";
import { gather } from "./gathering.js";
import * as marks from "./marks.js";
import { formatNumber } from "./numbers.js";
import { openPopup } from "./popups.js";
import { standingCard, standingName } from "./standing.js";

const HALF_PX = 12; // of a mark
const HALF_WITH_DOUBT_PX = 18; // of a mark with a question mark at its corner
const CLOSEST = 19;

/** Where a mark stands: the place recorded, or the middle of the cell that is shown of it. */
function placeOf(feature) {
  if (!feature.geometry) return null;
  if (feature.geometry.type === "Point") {
    return L.latLng(feature.geometry.coordinates[1], feature.geometry.coordinates[0]);
  }
  return L.geoJSON(feature).getBounds().getCenter();
}

function snapLine(feature) {
  const p = feature.properties;
  const at = placeOf(feature);
  if (!at || !known(p.snapped_longitude)) return null;
  return L.polyline([at, [p.snapped_latitude, p.snapped_longitude]], {
    pane: "rb-snaps",
    color: colour("ink"),
    weight: 1,
    dashArray: "1 3",
    interactive: false,
  });
}

/** Placements of closed squares, by square: its counts by state, and what was found there. */
export function bySquare(features, judge) {
  const squares = new Map();
  features.forEach((feature) => {
    const p = feature.properties;
    const key = feature.geometry.coordinates.join();
    if (!squares.has(key)) {
      squares.set(key, {
        at: placeOf(feature),
        side_km: p.generalised_km,
        counts: marks.STATES.map(() => 0),
        gear: {},
        found: {},
        years: {},
      });
    }
    const square = squares.get(key);
    square.counts[marks.STATES.indexOf(judge(p))] += 1;
    const label = p.method_label || p.method;
    square.gear[label] = (square.gear[label] || 0) + 1;
    const year = known(p.year) ? String(p.year) : "";
    square.years[year] = (square.years[year] || 0) + 1;
    new Set((p.catch || []).map((row) => row.species)).forEach((name) => {
      square.found[name] = (square.found[name] || 0) + 1;
    });
  });
  return [...squares.values()];
}

/** What is drawn, each with its place `at`, `counts` by state and `count`: exact placements, closed
    squares, and counts of a part of the map. */
export function thingsOf(read, config, state) {
  const shown = read.features.filter(
    (one) => one.geometry && !state.hidden.has(one.properties.method),
  );
  const stateOf = (p) => marks.stateOf(p, state.species, config.detects);
  const things = shown
    .filter((one) => !one.properties.generalised_km)
    .map((feature) => {
      const is = stateOf(feature.properties);
      const counts = marks.STATES.map((name) => Number(name === is));
      return { feature, is, counts, at: placeOf(feature) };
    });
  const covered = shown.filter((one) => one.properties.generalised_km);
  [...bySquare(covered, stateOf), ...(read.closed || [])].forEach((square) =>
    things.push({ ...square, square: true, closed: true }),
  );
  (read.cells || []).forEach((cell) => things.push({ ...cell }));
  things.forEach((one) => (one.count = one.counts.reduce((sum, n) => sum + n, 0)));
  return things.filter((one) => one.count);
}

/** Count by state what lies within some bounds; null = everywhere. */
export function countsOf(things, around) {
  const counts = {};
  things.forEach((one) => {
    if (around && !around.contains(one.at)) return;
    one.counts.forEach((n, at) => {
      counts[marks.STATES[at]] = (counts[marks.STATES[at]] || 0) + n;
    });
  });
  return counts;
}

function squareName(square) {
  return "Closed square of " + formatNumber(square.side_km) + " km";
}

function saidOf(counts, words) {
  const total = counts.reduce((sum, n) => sum + n, 0);
  const said = counts
    .map((count, n) => (count ? formatNumber(count) + " " + words[marks.STATES[n]] : ""))
    .filter(Boolean)
    .join("; ");
  return (total === 1 ? "1 placement: " : formatNumber(total) + " placements: ") + said;
}

function placementIcon(p, state, sign) {
  const icon = make("div");
  icon.append(marks.symbol(p.gear_kind, state, sign));
  if (p.ambiguous) icon.append(make("span", "?", "rb-doubt"));
  return L.divIcon({ className: "rb-mark rb-mark-" + state, html: icon, iconSize: [24, 24] });
}

function standingIcon(gear) {
  const late = gear.some((one) => one.late);
  const sign = marks.standing(gear.length, late);
  const iconSize = [sign.size, sign.size];
  return L.divIcon({ className: "rb-mark rb-in-water", html: sign.svg, iconSize });
}

function manyIcon(counts, { closed, alone, standing }) {
  const sign = marks.many(counts, marks.STATES, closed, standing);
  return L.divIcon({
    className:
      "rb-mark rb-many" +
      (closed ? " rb-many-square" : "") +
      (alone ? " rb-square" : "") +
      (standing ? " rb-in-water" : ""),
    html: sign.svg,
    iconSize: [sign.size, sign.size],
  });
}

/** A mark that is opened by a click, by Enter and by the space bar. */
function markAt(at, icon, name, open) {
  const marker = L.marker(at, { icon });
  marker.on("add", () => {
    marker.getElement().setAttribute("aria-label", name);
    marker.getElement().title = name;
  });
  marker.on("click", () => open(false));
  marker.on("keydown", (event) => {
    if (event.originalEvent.key !== "Enter" && event.originalEvent.key !== " ") return;
    event.originalEvent.preventDefault();
    open(true);
  });
  return marker;
}

/** Zoom to some things; null where they are in one place, or nothing is closer. */
function closerTo(map, members) {
  const around = L.latLngBounds([]);
  members.forEach((one) => {
    if (!one.edges) {
      around.extend(one.at);
      return;
    }
    const [west, south, east, north] = one.edges;
    around.extend([south, west]).extend([north, east]);
  });
  if (map.getZoom() >= CLOSEST || around.getSouthWest().equals(around.getNorthEast())) return null;
  return () => {
    map.closePopup();
    const fitting = map.getBoundsZoom(around.pad(0.1));
    map.setView(around.getCenter(), Math.min(CLOSEST, Math.max(map.getZoom() + 1, fitting)));
  };
}

/** Layers of the marks of `things`, gathered as the zoom of the map wants it, and of the lines
    from marks to their reaches. `list(edges, after)` promises what a count stands for. */
export function placementLayers(map, config, state, things, list) {
  const words = marks.wordsOf(state.species);
  const zoom = map.getZoom();
  const group = L.layerGroup();
  const snaps = L.layerGroup();
  things.forEach((one) => Object.assign(one, map.project(one.at, zoom)));

  const cardOf = (feature, is) => {
    const p = feature.properties;
    const shown = (record) =>
      cards.card(record, words[is], config.placement_link, config.gear[record.method]);
    if (!config.live) return shown(p);
    return fetchJson(config.live.cards, { query: { placement: [p.placement_id] } }).then(
      (answer) =>
        answer.features.length
          ? shown(answer.features[0].properties)
          : make("p", "This placement is no longer there."),
    );
  };
  const squareCard = (square) =>
    cards.square({ ...square, name: squareName(square) }, config.species);
  const entryOf = (one) => {
    if (one.standing) {
      return {
        mark: marks.standing(1, one.late).svg,
        words: standingName([one]),
        open: () => standingCard(one),
      };
    }
    if (one.square) {
      return {
        words: squareName(one) + ": " + saidOf(one.counts, words),
        open: () => squareCard(one),
      };
    }
    const p = one.feature.properties;
    return {
      mark: marks.symbol(p.gear_kind, one.is, (config.gear[p.method] || {}).sign),
      words: (p.method_label || p.method) + " " + p.placement_id + ": " + words[one.is],
      open: () => cardOf(one.feature, one.is),
    };
  };
  /** Lists of counted parts of the map, one after the other. */
  const lister = (cells) => {
    const listed = new Set();
    const waiting = cells.map((cell) => ({ edges: cell.edges, after: "" }));
    return async () => {
      let found = [];
      while (waiting.length && !found.length) {
        const { edges, after } = waiting.shift();
        const read = await list(edges, after);
        const features = read.features.filter((one) => !listed.has(one.properties.placement_id));
        features.forEach((one) => listed.add(one.properties.placement_id));
        const last = read.features.at(-1);
        if (last) waiting.unshift({ edges, after: last.properties.placement_id });
        const closed = after ? [] : read.closed;
        found = thingsOf({ features, cells: [], closed }, config, state).map(entryOf);
      }
      return { found, rest: waiting.length > 0 };
    };
  };
  const gatheredCard = (members, counts) => {
    const cells = members.filter((one) => one.edges);
    return cards.gathered(counts, words, {
      standing: members.filter((one) => one.standing).length,
      entries: members.filter((one) => !one.edges).map(entryOf),
      more: cells.length ? lister(cells) : null,
      closer: closerTo(map, members),
    });
  };
  const halfOf = (members) => {
    const [first] = members;
    if (members.length === 1 && first.feature) {
      return first.feature.properties.ambiguous ? HALF_WITH_DOUBT_PX : HALF_PX;
    }
    const placed = members.filter((one) => !one.standing);
    if (!placed.length) return marks.standing(members.length).size / 2;
    return marks.halfOfMany(
      placed.reduce((sum, one) => sum + one.count, 0),
      placed.length < members.length || placed.some((one) => one.closed),
    );
  };
  gather(things, halfOf).forEach(({ members, x, y }) => {
    const [first] = members;
    const alone = members.length === 1;
    const at = alone ? first.at : map.unproject([x, y], zoom);
    const open = (card) => (byKey) => openPopup(map, at, card(), byKey);
    if (alone && first.feature) {
      const p = first.feature.properties;
      const name = (p.method_label || p.method) + " " + p.placement_id + ": " + words[first.is];
      const icon = placementIcon(p, first.is, (config.gear[p.method] || {}).sign);
      const card = open(() => cardOf(first.feature, first.is));
      group.addLayer(markAt(at, icon, name, card));
      const snap = snapLine(first.feature);
      if (snap) snaps.addLayer(snap);
      return;
    }
    const gear = members.filter((one) => one.standing);
    const placed = members.filter((one) => !one.standing);
    if (alone && gear.length) {
      const card = open(() => standingCard(first));
      group.addLayer(markAt(at, standingIcon(gear), standingName(gear), card));
      return;
    }
    const counts = marks.STATES.map((_, n) => placed.reduce((sum, one) => sum + one.counts[n], 0));
    const square = alone && first.square;
    const name = [
      placed.length ? (square ? squareName(first) + ": " : "") + saidOf(counts, words) : "",
      gear.length ? standingName(gear) : "",
    ];
    const icon = placed.length
      ? manyIcon(counts, {
          closed: placed.some((one) => one.closed),
          alone: square,
          standing: gear.length > 0,
        })
      : standingIcon(gear);
    const card = square ? () => squareCard(first) : () => gatheredCard(members, counts);
    group.addLayer(markAt(at, icon, name.filter(Boolean).join("; "), open(card)));
  });
  return { group, snaps };
}
