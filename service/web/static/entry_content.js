/* What a draft of a placement says: begun, taken from a stored one, its place, and what is sent. */
import { newId } from "./entry_drafts.js";
import { localNow } from "./entry_times.js";

const KEPT_OVER = ["survey", "crew", "permit", "method"]; // from one placement to the next
const PASS_MINUTES = "minutes_pass_";
const BY_METHOD = [
  "gear_count",
  "lifts",
  "minutes",
  "passes",
  ...Array.from({ length: 6 }, (_, k) => PASS_MINUTES + (k + 1)),
  "wetted_width_m",
  "area_m2",
  "mesh_mm",
  "bait",
  "trap_air_space",
  "operator_certificate",
  "machine_check",
  "stretch_length_m",
  "stretch_anchor",
];
export const PLACE = [
  "longitude",
  "latitude",
  "end_longitude",
  "end_latitude",
  "easting",
  "northing",
  "end_easting",
  "end_northing",
  "geometry",
  "crs",
];

export const IN_WATER = "in_the_water"; // the outcome of gear that was set and not lifted yet
const SAME_AGAIN = [
  ...["survey", "method", "gear_count", "mesh_mm", "bait", "trap_air_space", "crew", "permit"],
  ...["gear_cleaned", "operator_certificate", "machine_check", "wetted_width_m"],
  ...["water_temperature_c", "dissolved_oxygen_mg_l", "conductivity_us_cm"],
  ...["water_velocity_m_s", "visibility_m"],
];

/** A number counted on until none in `taken` is it; its last digits keep their width. */
export function nextNumber(name, taken) {
  const [, stem, digits] = /^(.*?)(\d{1,12})$/s.exec(name) || ["", name + "-", "1"];
  for (let count = Number(digits) + 1; ; count += 1) {
    const tried = stem + String(count).padStart(digits.length, "0");
    if (!taken.has(tried)) return tried;
  }
}

export function empty(lists, page, over) {
  const uuid = newId();
  const day = localNow(lists.timezone).slice(0, 10).replaceAll("-", "");
  return {
    uuid,
    page,
    account: lists.account,
    status: "draft",
    base: null,
    seen: null,
    had: [],
    shape: "point",
    // Letters of the draft, so that two devices do not count on from the same number.
    cells: { placement_id: day + "-" + uuid.slice(0, 4) + "-01", ...over },
    catches: [],
    lengths: [],
    nothing_caught: false,
    changed: 0,
  };
}

export function ofStored(lists, page, stored) {
  return {
    ...empty(lists, page, {}),
    cells: { ...stored.placement },
    catches: stored.catches.map((row) => ({ ...row })),
    lengths: stored.lengths.map((row) => ({ ...row })),
    nothing_caught: stored.nothing_caught,
    base: stored.base,
    seen: stored,
    had: Object.keys(stored.placement),
    shape: shapeOf(stored.placement),
  };
}

/** A new draft of the same day's work on this device. */
export function ofTheDay(lists, page, stored) {
  const own = stored.filter((one) => one.account === lists.account && one.cells.survey);
  const last = own.reduce((a, b) => (a && a.changed >= b.changed ? a : b), null);
  const recent = last && Date.now() - last.changed < 24 * 3600000;
  const cells = recent ? { ...last.cells, method: "" } : {};
  return following(lists, page, { cells });
}

/** A new draft with what stays the same from one placement to the next. */
export function following(lists, page, draft) {
  const over = Object.fromEntries(
    KEPT_OVER.filter((name) => draft.cells[name]).map((name) => [name, draft.cells[name]]),
  );
  return empty(lists, page, over);
}

/** A new draft of the same gear in the same hands, at another place. */
export function sameAgain(lists, page, draft, taken) {
  const over = Object.fromEntries(
    SAME_AGAIN.filter((name) => draft.cells[name]).map((name) => [name, draft.cells[name]]),
  );
  over.placement_id = nextNumber(draft.cells.placement_id, taken);
  return { ...empty(lists, page, over), had: [...draft.had] };
}

/** A draft of gear in the water that the service lists, set on whatever device. */
export function ofGear(lists, page, row) {
  const seen = { placement: row.placement, catches: [], lengths: [], base: row.base };
  const fresh = ofStored(lists, page, { ...seen, nothing_caught: false });
  return { ...fresh, status: "standing", cells: { ...row.placement } };
}

export const standing = (draft) => draft.cells.outcome === IN_WATER;

/** Take a merged version from the service, with what was chosen where two people differ. */
export function resolve(draft, told, theirs) {
  const { form, stored } = told;
  const cells = { ...form.placement };
  let caught = form.catches;
  for (const column of theirs) {
    if (column.startsWith("catches:")) {
      const kind = (row) =>
        ["species", "pass_no", "life_stage", "fate"].map((name) => row[name] || "").join("|");
      const own = column.slice("catches:".length);
      caught = [
        ...caught.filter((row) => kind(row) !== own),
        ...stored.catches.filter((row) => kind(row) === own),
      ];
    } else {
      for (const name of column === "position" ? PLACE : [column]) {
        delete cells[name];
        if (stored.placement[name]) cells[name] = stored.placement[name];
      }
    }
  }
  const base = told.digest;
  const nil = cells.outcome === "nil";
  return {
    ...draft,
    cells,
    base,
    catches: caught.map((row) => ({ ...row })),
    lengths: form.lengths.map((row) => ({ ...row })),
    nothing_caught: nil && (form.nothing_caught || stored.nothing_caught),
    seen: { ...stored, base },
    had: Object.keys(cells),
    shape: shapeOf(cells),
  };
}

function shapeOf(cells) {
  if (/^LINESTRING/i.test(cells.geometry || "")) return "track";
  if (/^POLYGON/i.test(cells.geometry || "")) return "area";
  return cells.end_longitude || cells.end_easting ? "ends" : "point";
}

// What is sent ------------------------------------------------------------------------------
export const rowsCount = (draft) =>
  ["caught", "disturbed"].includes(draft.cells.outcome) ||
  (draft.cells.outcome === "unrecorded" && draft.catches.length > 0);

/** Whether the form shows a column: of its method, or one that the stored record has. */
export function shows(draft, method, name) {
  if (!BY_METHOD.includes(name) || draft.had.includes(name)) return true;
  if (name.startsWith(PASS_MINUTES) && Number(name.slice(-1)) > (Number(draft.cells.passes) || 0))
    return false;
  if (name.startsWith("stretch_") && draft.shape !== "point") return false;
  return Boolean(method && method.fields.includes(name));
}

function filled(row) {
  return Object.fromEntries(Object.entries(row).filter(([, value]) => value));
}

export function sheet(draft, method) {
  const placement = Object.fromEntries(
    Object.entries(filled(draft.cells)).filter(([name]) => shows(draft, method, name)),
  );
  const rows = (list, wanted) => list.map(filled).filter(wanted);
  const counted = rowsCount(draft);
  if (standing(draft)) delete placement.lifted_at;
  return {
    placement,
    base: draft.base,
    seen: draft.seen || null,
    draft: draft.uuid,
    nothing_caught: draft.nothing_caught,
    catches: counted ? rows(draft.catches, (row) => row.species || row.count || row.notes) : [],
    lengths: counted ? rows(draft.lengths, (row) => row.length_mm || row.weight_g) : [],
  };
}

// Place -------------------------------------------------------------------------------------
export function degrees(draft) {
  return !draft.cells.crs || /^EPSG:4326$/i.test(draft.cells.crs);
}

export function points(draft) {
  const { cells } = draft;
  if (!degrees(draft)) return [];
  if (cells.geometry) {
    const pairs =
      cells.geometry.match(/-?\d+(?:\.\d+)?(?:e-?\d+)?\s+-?\d+(?:\.\d+)?(?:e-?\d+)?/gi) || [];
    const list = pairs.map((pair) => pair.split(/\s+/).map(Number));
    return draft.shape === "area" && list.length > 3 ? list.slice(0, -1) : list;
  }
  const pair = (x, y) => (cells[x] && cells[y] ? [[Number(cells[x]), Number(cells[y])]] : []);
  return [...pair("longitude", "latitude"), ...pair("end_longitude", "end_latitude")].filter(
    (one) => one.every(Number.isFinite) && Math.abs(one[1]) <= 90,
  );
}

export function place(draft, list) {
  PLACE.forEach((name) => delete draft.cells[name]);
  if (list.length) draft.cells.crs = "EPSG:4326";
  const wkt = (ring) => ring.map((one) => one.join(" ")).join(", ");
  if (draft.shape === "track" && list.length > 1)
    draft.cells.geometry = "LINESTRING (" + wkt(list) + ")";
  else if (draft.shape === "area" && list.length > 2)
    draft.cells.geometry = "POLYGON ((" + wkt([...list, list[0]]) + "))";
  else if (draft.shape === "area" && list.length > 1)
    draft.cells.geometry = "LINESTRING (" + wkt(list) + ")";
  else if (list.length) {
    [draft.cells.longitude, draft.cells.latitude] = list[0].map(String);
    if (draft.shape === "ends" && list[1])
      [draft.cells.end_longitude, draft.cells.end_latitude] = list[1].map(String);
  }
}

export function addPoint(draft, point) {
  const list = points(draft);
  if (draft.shape === "point") place(draft, [point]);
  else if (draft.shape === "ends") place(draft, list.length === 1 ? [list[0], point] : [point]);
  else place(draft, [...list, point]);
}

export function reshape(draft, shape) {
  const list = points(draft);
  const ends = shape === "ends" && list.length > 1;
  draft.shape = shape;
  place(
    draft,
    shape === "point" ? list.slice(0, 1) : ends ? [list[0], list[list.length - 1]] : list,
  );
}
