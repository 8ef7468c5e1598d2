/* What the page checks by itself where there is no connection: the rules and sentences are those of
   the service (`lists.rules`); what needs other records is checked when it is sent. */
import { isDay } from "./entry_sun.js";
import { instant } from "./entry_times.js";

const WHOLE = /^\d+$/;

function outside(text, limits) {
  const number = Number(text.replace(",", "."));
  if (!Number.isFinite(number)) return limits.words.plain;
  if (limits.whole && !Number.isInteger(number)) return limits.words.whole;
  if (limits.above_zero && number <= 0) return limits.words.zero;
  if (limits.low !== null && number < limits.low) return limits.words.low;
  if (limits.high !== null && number > limits.high) return limits.words.high;
  return "";
}

/**
 * Findings of what would be sent, as the service gives them: `refused` and `flagged`.
 *
 * `rules` of the service, `method` of the sheet, the `zone` of its survey, `at` longitude and
 * latitude where they are known.
 */
export function checkSheet(sheet, { rules, method, zone, at }) {
  const refused = [];
  const flagged = [];
  const { placement } = sheet;
  const say = rules.sentences;
  const put = (list, part, row, column, message) =>
    list.push({ part, row, column, value: "", message });
  const refuse = (column, message) => put(refused, "placement", 0, column, message);
  const standing = placement.outcome === "in_the_water";
  for (const [column, message] of Object.entries(rules.required))
    if (!placement[column]) refuse(column, message);
  if (!placement.outcome) refuse("outcome", say["value_missing.outcome"]);
  if (placement.outcome === "nil" && !sheet.nothing_caught)
    refuse("outcome", say["nil_unconfirmed.outcome"]);
  if (!["longitude", "easting", "geometry"].some((name) => placement[name]))
    refuse("longitude", say["position_missing.any"]);
  if (standing && placement.lifted_at) refuse("lifted_at", say["in_the_water.lifted"]);
  if (standing && method && !method.passive) refuse("outcome", say["in_the_water.active"]);
  for (const [column, limits] of Object.entries(rules.numbers.placements)) {
    const message = placement[column] ? outside(placement[column], limits) : "";
    if (message) refuse(column, message);
  }
  const times = {};
  for (const column of ["set_at", "lifted_at"]) {
    times[column] = placement[column] ? instant(placement[column], zone) : NaN;
    if (times[column] > Date.now() + 60000) {
      const now = new Date().toISOString().slice(0, 16).replace("T", " ");
      refuse(column, rules.future.replace(rules.some_day, now));
    }
  }
  if (times.lifted_at < times.set_at) refuse("lifted_at", say["time_impossible.backwards"]);
  checkCatch(sheet, rules, put, refused);
  if (method && at) {
    for (const [column, what] of [
      ["set_at", "began"],
      ["lifted_at", "ended"],
    ]) {
      if (Number.isNaN(times[column])) continue;
      const day = isDay(at[0], at[1], times[column]);
      const kind = method.current ? "current" : method.hours;
      if ((method.hours === "day" && !day) || (method.hours === "night" && day))
        put(flagged, "placement", 0, column, rules.hours[kind][what]);
    }
  }
  return { refused, flagged };
}

function checkCatch(sheet, rules, put, refused) {
  const say = rules.sentences;
  const none = rules.without_fish[sheet.placement.outcome];
  sheet.catches.forEach((row, place) => {
    const refuse = (column, message) => put(refused, "catches", place + 1, column, message);
    if (none) put(refused, "placement", 0, "placement_id", none);
    if (!row.species) refuse("species", say["value_missing.species"]);
    if (row.count_kind === "present") {
      if (row.count) refuse("count_kind", say["count_of_present.count_kind"]);
    } else if (!row.count) refuse("count", say["value_missing.count"]);
    else if (!WHOLE.test(row.count))
      refuse(
        "count",
        Number.isFinite(Number(row.count)) ? rules.part_of_a_fish : say["count_unclear.number"],
      );
    else if (Number(row.count) === 0) refuse("count", say["no_fish.row"]);
  });
  for (const part of ["catches", "lengths"])
    sheet[part].forEach((row, place) => {
      for (const [column, limits] of Object.entries(rules.numbers[part])) {
        const message = row[column] ? outside(row[column], limits) : "";
        if (message) put(refused, part, place + 1, column, message);
      }
    });
}
