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

export function empty(lists, page, over) {
  const uuid = newId();
  const day = localNow(lists.timezone).slice(0, 10).replaceAll("-", "");
  return {
    uuid,
    page,
    account: lists.account,
    status: "draft",
    base: null,
    had: [],
    shape: "point",
    cells: { placement_id: day + "-" + uuid.slice(0, 8), ...over },
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
    had: Object.keys(stored.placement),
    shape: shapeOf(stored.placement),
  };
}

/** A new draft with what stays the same from one placement to the next. */
export function following(lists, page, draft) {
  const over = Object.fromEntries(
    KEPT_OVER.filter((name) => draft.cells[name]).map((name) => [name, draft.cells[name]]),
  );
  return empty(lists, page, over);
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
  return {
    placement,
    base: draft.base,
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
