/* Panel: species picker, method switches, legend, count, and the position under the pointer. */
import { make } from "./elements.js";
import * as marks from "./marks.js";
import { formatNumber } from "./numbers.js";

function degrees(value, positive, negative) {
  return Math.abs(value).toFixed(5) + "° " + (value < 0 ? negative : positive);
}

/** Control that shows where the pointer, or else the middle of the map, is.
    `project` also gives it in the CRS of the records, a little later. */
export function positionControl(project) {
  const Position = L.Control.extend({
    options: { position: "bottomleft" },
    onAdd(map) {
      const box = L.DomUtil.create("output", "rb-position");
      box.setAttribute(
        "aria-label",
        "Position under the pointer, in degrees on WGS 84" + (project ? " and in metres" : ""),
      );
      const show = (at) => {
        const where = at.wrap();
        const text = degrees(where.lat, "N", "S") + ", " + degrees(where.lng, "E", "W");
        box.textContent = text;
        if (project) project(where, (metres) => (box.textContent = metres + " · " + text));
      };
      map.on("mousemove", (event) => show(event.latlng));
      map.on("mouseout moveend", () => show(map.getCenter()));
      map.whenReady(() => show(map.getCenter()));
      return box;
    },
  });
  return new Position();
}

function speciesPicker(config, chosen, onPick) {
  const label = make("label", "Species ", "rb-field");
  const select = make("select");
  select.append(new Option("any species", ""));
  config.species.forEach((row) => {
    const name = row.vernacular_name ? row.species + " (" + row.vernacular_name + ")" : row.species;
    select.append(new Option(name, row.species, false, row.species === chosen));
  });
  select.addEventListener("change", () => onPick(select.value));
  label.append(select);
  return label;
}

const LINES = [
  ["rb-line-reach", "reach, wider by order"],
  ["rb-line-still", "still water, ditch"],
  ["rb-line-stretch", "sampled stretch"],
  ["rb-line-snap", "mark to its reach"],
  ["rb-line-catchment", "catchment"],
];

/** States with how many of each are in view; `tallies` takes where these are written. */
function stateList(species, tallies) {
  const words = marks.wordsOf(species);
  const states = make("ul", null, "rb-states");
  marks.STATES.filter((state) => species || state !== "other").forEach((state) => {
    const line = make("li");
    tallies[state] = make("span", null, "rb-tally");
    line.append(marks.symbol("trap", state), make("span", words[state]), tallies[state]);
    states.append(line);
  });
  return states;
}

function legend(config, species, hidden, tallies, onSwitch) {
  const box = make("div", null, "rb-legend");
  const methods = make("fieldset");
  methods.append(make("legend", "Gear"));
  config.methods.forEach((row) => {
    const line = make("label", null, "rb-switch");
    const tick = make("input");
    tick.type = "checkbox";
    tick.checked = !hidden.has(row.method);
    tick.addEventListener("change", () => onSwitch(row.method, tick.checked));
    line.append(tick, marks.symbol(row.gear_kind, "nil", row.sign), make("span", row.label));
    methods.append(line);
  });
  const lines = make("ul", null, "rb-lines");
  const put = (key, words, className) => {
    const line = make("li", null, className);
    line.append(key, make("span", words));
    lines.append(line);
  };
  const marked = config.layers.marked ? [["rb-line-marked", "what this page is about"]] : [];
  [...LINES, ...marked].forEach((of) => put(make("span", null, "rb-line " + of[0]), of[1]));
  put(make("span", "?", "rb-doubt"), "another reach as near");
  put(
    make("span", "9", "rb-many-key"),
    "many together. Ring: filled caught, white nothing, striped not usable",
    "rb-wide",
  );
  if (config.layers.standing) put(make("span", null, "rb-standing-key"), "gear in the water");
  put(
    make("span", null, "rb-line rb-line-square"),
    "closed square: what lies in it is somewhere in it",
    "rb-wide rb-square-key",
  );
  box.append(stateList(species, tallies));
  if (config.methods.length) box.append(methods);
  box.append(lines);
  return box;
}

/** Everything that explains or narrows the map, in the room beside it: open where it takes no
    place from the map, folded where it lies over it. */
export function makePanel(map, config, state, redraw) {
  const room = map.getContainer().closest(".rb-map").querySelector(".rb-aside");
  const box = make("details", null, "rb-panel");
  box.open = getComputedStyle(room).position !== "absolute";
  const least = make("p", null, "rb-least");
  least.hidden = true;
  const count = make("p", null, "rb-count");
  count.setAttribute("role", "status");
  let tallies = {};
  const fill = () => {
    const parts = [make("summary", "Legend")];
    if (config.picker) {
      parts.push(
        speciesPicker(config, state.species, (name) => {
          state.species = name;
          fill();
          redraw();
        }),
      );
    }
    if (config.background) parts.push(config.background.field);
    tallies = {};
    parts.push(
      count,
      least,
      legend(config, state.species, state.hidden, tallies, (method, on) => {
        if (on) state.hidden.delete(method);
        else state.hidden.add(method);
        redraw();
      }),
    );
    box.replaceChildren(...parts);
  };
  fill();
  room.append(box);
  new ResizeObserver(() => map.invalidateSize({ pan: false })).observe(map.getContainer());
  return {
    /** Reaches below this stream order are left out of the view. */
    showLeast(order) {
      least.textContent = "Reaches of stream order " + order + " and above; zoom in for all.";
      least.hidden = order <= 1;
    },
    /** Whether the view holds places shown as a square. */
    showSquares(any) {
      box.classList.toggle("rb-squared", any);
    },
    /** Counts by state of what is shown; `total`, how many there are anywhere. */
    showCounts(counts, total) {
      Object.keys(tallies).forEach((key) => {
        tallies[key].textContent = formatNumber(counts[key] || 0);
      });
      const sum = Object.values(counts).reduce((before, n) => before + n, 0);
      const what = sum === 1 ? "1 placement" : formatNumber(sum) + " placements";
      const of = total > sum ? " in view, of " + formatNumber(total) : "";
      count.textContent = what + of;
    },
  };
}
