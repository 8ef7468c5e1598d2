/* Reaches on a map: drawn by order, opened by a click or by Enter, named along their streams. */
import { colour } from "./colours.js";
import { facts, known, link, make, svgElement } from "./elements.js";
import { fetchJson, unlessNoAnswer } from "./fetching.js";
import { formatMetres, formatNumber, formatShare, formatWords } from "./numbers.js";
import { positions } from "./screen_paths.js";

const STILL = new Set(["lake_path", "connector", "ditch"]);
const LETTERS = "italic 600 12px system-ui, sans-serif"; // as in view.css
const STEP_PX = 6; // between the points that a name is laid along
const MOST_NAMES = 60;
const HALF_PX = [14, 14]; // of the box around a letter, from the line that it stands on
const NEAR_PX = 60; // Enter opens a reach this near to the middle of the map

function style(feature) {
  const order = Number(feature.properties.strahler) || 1;
  const still = STILL.has(feature.properties.kind);
  return {
    color: colour("water"),
    weight: 0.8 + 0.9 * Math.min(order, 8),
    opacity: 0.85,
    dashArray: still ? "5 4" : null,
    lineCap: still ? "butt" : "round",
  };
}

/** Lines of reaches; `open(feature, at)` is called for the one that is clicked. */
export function reachLayer(data, renderer, open) {
  return L.geoJSON(data, {
    renderer,
    style,
    onEachFeature: (feature, drawn) => drawn.on("click", (event) => open(feature, event.latlng)),
  });
}

/** Enter on the map opens the reach in its middle; `lines()` gives the lines now drawn. */
export function openByKey(map, lines, open) {
  const box = map.getContainer();
  box.setAttribute("role", "region");
  if (!box.hasAttribute("aria-label")) box.setAttribute("aria-label", "Map");
  box.setAttribute(
    "aria-description",
    "Arrow keys move the map, plus and minus zoom, Enter opens the reach in the middle.",
  );
  box.addEventListener("keydown", (event) => {
    if (event.key !== "Enter" || event.target !== box) return;
    const middle = map.latLngToLayerPoint(map.getCenter());
    let nearest = null;
    lines().forEach((line) => {
      const at = line.closestLayerPoint(middle);
      if (at && (!nearest || at.distance < nearest.at.distance)) nearest = { line, at };
    });
    if (!nearest || nearest.at.distance > NEAR_PX) return;
    event.preventDefault();
    open(nearest.line, map.layerPointToLatLng(nearest.at));
  });
}

/** Chances that the chosen species live, unfound, in the catchment of a reach; they take longer. */
function chances(found) {
  const box = make("div", "Chance that it lives here unfound: computing …", "rb-chances");
  const name = found.catchment_name || found.catchment;
  fetchJson(found.links.chances).then(
    (answer) => {
      const own = Object.entries(answer.cells[found.catchment] || {});
      box.replaceChildren(
        ...own.map(([species, [chance, low, high, visited, year]]) => {
          const span = `95 % interval ${formatShare(low)} to ${formatShare(high)}`;
          const any = visited === 1 ? "the 1 reach" : `any of the ${formatNumber(visited)} reaches`;
          const words =
            `${species}: chance ${formatShare(chance)} (${span}) that it lived in ${year} on ` +
            `${any} of ${name} visited with gear that can find it, though not found there that ` +
            "year, were it as common there as elsewhere.";
          return make("p", words);
        }),
      );
    },
    unlessNoAnswer(() => box.remove()),
  );
  return box;
}

/** What is known of a reach at a place; without `address` what is drawn of it. */
export function reachCard(address, feature, at) {
  const box = make("article", null, "rb-card");
  const own = feature.properties;
  if (!address) {
    box.append(
      make("h3", own.stream_name || "Reach " + feature.id),
      facts([
        ["Reach", feature.id],
        ["Stream order", own.strahler],
        ["Kind", own.kind],
      ]),
    );
    return Promise.resolve(box);
  }
  const where = at.wrap();
  const query = {
    reach: feature.id,
    longitude: where.lng.toFixed(6),
    latitude: where.lat.toFixed(6),
  };
  return fetchJson(address, { query }).then((found) => {
    const title = make("h3");
    title.append(link(found.links.page, "Reach " + found.reach_id));
    const stream = make("p");
    stream.append(link(found.links.stream, found.stream));
    const list = facts([
      ["Here", formatMetres(found.measure_m) + " along its " + formatMetres(found.length_m)],
      ["Stream order", found.strahler],
      ["Kind", found.kind],
      ["Visited", found.state === "no_visit" ? "never" : formatShare(found.visited_fraction)],
      ["Sampled", found.state === "sampled" ? formatShare(found.sampled_fraction) : "no length"],
      ["Gear", found.methods.join(", ")],
      ["Last visit", known(found.last_date) ? formatWords(found.last_date) : null],
    ]);
    const links = make("ul", null, "rb-links");
    [
      [found.links.upstream, "What lives upstream of here"],
      [found.links.above, "Map of all that lies upstream of here"],
      [found.links.placement, "Start a placement here"],
    ].forEach(([to, words]) => {
      if (!to) return;
      const item = make("li");
      item.append(link(to, words));
      links.append(item);
    });
    box.append(title, stream, list, ...(found.links.chances ? [chances(found)] : []), links);
    return box;
  });
}

/** Mark the water that a page is about. */
export function markWater(map, marked) {
  const lines = marked.paths.filter((path) => path.length);
  L.polyline(
    lines.map((path) => positions(path, marked.zoom)),
    { pane: "rb-marked", color: colour("ink"), weight: 14, opacity: 0.3, interactive: false },
  ).addTo(map);
}

/** Lines that follow one another downstream, as one; the longest of them. */
function longestWay(lines) {
  const key = (at) => Math.round(at.x) + "," + Math.round(at.y);
  const below = new Map(lines.map((line) => [key(line[0]), line]));
  const ends = new Set(lines.map((line) => key(line[line.length - 1])));
  const heads = lines.filter((line) => !ends.has(key(line[0])));
  const ways = (heads.length ? heads : lines.slice(0, 1)).map((head) => {
    const passed = new Set();
    const way = [];
    for (let line = head; line && !passed.has(line);) {
      passed.add(line);
      way.push(...line);
      line = below.get(key(line[line.length - 1]));
    }
    return spaced(way);
  });
  return ways.reduce((best, way) => (way.length > best.length ? way : best), []);
}

/** Points of a line at equal steps. */
function spaced(line) {
  const found = [line[0]];
  let left = STEP_PX;
  for (let k = 1; k < line.length; k += 1) {
    const from = line[k - 1];
    const along = from.distanceTo(line[k]);
    let at = left;
    for (; at <= along; at += STEP_PX) {
      found.push(from.add(line[k].subtract(from).multiplyBy(at / along)));
    }
    left = at - along;
  }
  return found;
}

/** Where along a way a name lies straightest within the view; null where it has no room. */
function roomFor(wide, way, view) {
  const count = Math.ceil((1.1 * wide + 12) / STEP_PX); // the smoothed way is shorter
  let best = null;
  let straightest = 0.8; // chord by arc: a name on a sharper bend is hard to read
  for (let from = 0; from + count < way.length; from += 2) {
    const [first, last] = [way[from], way[from + count]];
    const straight = first.distanceTo(last) / (count * STEP_PX);
    if (straight > straightest && view.contains(first) && view.contains(last)) {
      straightest = straight;
      best = way.slice(from, from + count + 1);
    }
  }
  return best && best[0].x > best[best.length - 1].x ? best.reverse() : best;
}

/** Curve through every third point, so that the letters do not jump. */
function smooth(points) {
  const bends = points.filter((_, k) => k % 3 === 0 || k === points.length - 1);
  const text = (at) => at.x.toFixed(1) + " " + at.y.toFixed(1);
  const turns = bends
    .slice(1, -1)
    .map((at, k) => "Q" + text(at) + " " + text(at.add(bends[k + 2]).divideBy(2)));
  return "M" + text(bends[0]) + turns.join("") + "L" + text(bends[bends.length - 1]);
}

/** Names of streams along their lines, longest first, none across another. */
export function streamNames(map) {
  const room = map.createPane("rb-streams");
  room.style.zIndex = 410;
  room.style.pointerEvents = "none";
  const drawing = svgElement("svg", { class: "rb-streams", "aria-hidden": "true" });
  room.append(drawing);
  const pen = document.createElement("canvas").getContext("2d");
  pen.font = LETTERS;
  let features = [];
  const clear = () => drawing.replaceChildren();
  const taken = () => {
    const box = map.getContainer().getBoundingClientRect();
    return [...map.getContainer().querySelectorAll(".rb-name span")].map((name) => {
      const at = name.getBoundingClientRect();
      const low = map.containerPointToLayerPoint([at.left - box.left, at.top - box.top]);
      return L.bounds(low, low.add([at.width, at.height]));
    });
  };
  const write = () => {
    clear();
    const lines = new Map();
    features.forEach((one) => {
      const name = one.properties.stream_name;
      if (!known(name) || one.geometry.type !== "LineString") return;
      const line = one.geometry.coordinates.map((at) => map.latLngToLayerPoint([at[1], at[0]]));
      lines.set(name, [...(lines.get(name) || []), line]);
    });
    const low = map.containerPointToLayerPoint([0, 0]);
    const view = L.bounds(low, low.add(map.getSize()));
    const written = taken();
    [...lines]
      .map(([name, own]) => ({ name, way: longestWay(own) }))
      .sort((a, b) => b.way.length - a.way.length)
      .slice(0, MOST_NAMES)
      .forEach(({ name, way }, number) => {
        const points = roomFor(pen.measureText(name).width, way, view);
        if (!points) return;
        const boxes = points.map((at) => L.bounds(at.subtract(HALF_PX), at.add(HALF_PX)));
        if (boxes.some((box) => written.some((other) => other.intersects(box)))) return;
        written.push(...boxes);
        const id = "rb-way-" + number;
        const text = svgElement("text", { dy: "-4" });
        const along = svgElement("textPath", {
          href: "#" + id,
          startOffset: "50%",
          "text-anchor": "middle",
        });
        along.textContent = name;
        text.append(along);
        drawing.append(svgElement("path", { id, d: smooth(points), fill: "none" }), text);
      });
  };
  map.on("zoomstart", clear);
  map.on("moveend", () => requestAnimationFrame(write)); // once names of areas are at their places
  return (data) => {
    features = data.features;
    write();
  };
}
