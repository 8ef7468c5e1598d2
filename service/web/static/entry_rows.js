/* Rows of catch and of lengths: few taps each. */
import { button, element } from "../assets/elements.js";
import { makeSpeciesField } from "./entry_species.js";

const KINDS = {
  exact: "counted",
  at_least: "at least",
  estimate: "estimated",
  present: "there, not counted",
};

function labelled(words, field, kind) {
  return element(
    "label",
    { className: kind || "" },
    element("span", { textContent: words }),
    field,
  );
}

/** One of some values of a row, by their words; `words` is of the empty one where it is text. */
function choice(row, name, values, words, changed, label) {
  const field = element("select", label ? { "aria-label": label } : {});
  const listed = row[name] && !values.includes(row[name]) ? [...values, row[name]] : values;
  const said = (one) => (typeof words === "string" ? one || words : words(one));
  field.append(...listed.map((one) => new Option(said(one), one)));
  field.value = row[name] || values[0];
  field.addEventListener("change", () => {
    row[name] = field.value;
    changed();
  });
  return field;
}

function typed(row, name, changed, more) {
  const value = row[name] || "";
  const field = element("input", { type: "text", value, autocomplete: "off", ...more });
  field.addEventListener("input", () => {
    row[name] = field.value.trim();
    changed();
  });
  return field;
}

function stepper(row, changed, label) {
  const look = { inputMode: "numeric", className: "count", "aria-label": "Count" + label };
  const field = typed(row, "count", changed, look);
  const step = (by) => {
    const now = Number.parseInt(field.value, 10);
    field.value = row.count = String(Math.max(0, (Number.isNaN(now) ? 0 : now) + by));
    changed();
  };
  const light = (said) => ({ className: "light", "aria-label": said + label });
  const less = button("−", () => step(-1), light("One less"));
  const more = button("+", () => step(1), light("One more"));
  return {
    box: element("div", { className: "stepper" }, less, field, more),
    parts: [less, field, more],
  };
}

function passField(row, passes, changed, label) {
  const numbers = Array.from({ length: passes }, (_, k) => String(k + 1));
  const words = (one) => (one ? "pass " + one : "pass –");
  return choice(row, "pass_no", ["", ...numbers], words, changed, "Pass" + label);
}

function dropping(rows, row, redraw, label) {
  const act = () => {
    rows.splice(rows.indexOf(row), 1);
    redraw();
  };
  return button("×", act, { className: "light drop", "aria-label": "Take out" + label });
}

function catchRow(row, number, rows, options) {
  const { lists, changed, redraw, passes } = options;
  const label = ", catch row " + number;
  const species = makeSpeciesField(lists.species, row.species || "", "Species" + label, (name) => {
    row.species = name;
    changed();
  });
  const count = stepper(row, changed, label);
  const named = (one) => KINDS[one] || one;
  const counted = () => {
    lock();
    changed();
  };
  const what = "Kind of count" + label;
  const kind = choice(row, "count_kind", lists.count_kinds, named, counted, what);
  function lock() {
    // Nobody counted: there is no number to write.
    const none = row.count_kind === "present";
    count.parts.forEach((part) => (part.disabled = none));
    if (none) count.parts[1].value = row.count = "";
  }
  lock();
  const stages = choice(row, "life_stage", ["", ...lists.stages], "–", changed);
  const fates = choice(row, "fate", ["", ...lists.fates], "–", changed);
  const more = element(
    "details",
    {},
    element("summary", { textContent: "Stage, fate, notes" }),
    element(
      "div",
      { className: "fields" },
      labelled("Life stage", stages),
      labelled("Fate", fates),
      labelled("Notes", typed(row, "notes", changed)),
    ),
  );
  more.open = Boolean(row.life_stage || row.notes || (row.fate && row.fate !== "released"));
  const line = element("div", { className: "line" }, count.box, kind);
  if (passes > 1 || row.pass_no)
    line.append(passField(row, Math.max(passes, Number(row.pass_no) || 0), changed, label));
  return element(
    "li",
    { className: "catch" },
    element("div", { className: "head" }, species.box, dropping(rows, row, redraw, label)),
    line,
    more,
  );
}

function lengthRow(row, number, rows, options) {
  const { lists, changed, redraw, passes, caught } = options;
  const label = ", length row " + number;
  const known = caught.length ? caught : lists.species.map(([name]) => name);
  const said = "Species" + label;
  const species = choice(row, "species", ["", ...known], "species", changed, said);
  const measured = (name, unit, words) =>
    typed(row, name, changed, {
      ...{ inputMode: "decimal", placeholder: unit, className: "count" },
      "aria-label": words + label,
    });
  const length = measured("length_mm", "mm", "Length in millimetres");
  const weight = measured("weight_g", "g", "Weight in grams");
  const which = "Total, fork or standard length" + label;
  const types = ["", ...lists.length_types];
  const kind = choice(row, "length_type", types, "length: which?", changed, which);
  const line = element("div", { className: "line" }, species, length, kind, weight);
  if (passes > 1 || row.pass_no)
    line.append(passField(row, Math.max(passes, Number(row.pass_no) || 0), changed, label));
  line.append(dropping(rows, row, redraw, label));
  return element("li", {}, line);
}

function draw(list, rows, make, options) {
  list.replaceChildren(...rows.map((row, place) => make(row, place + 1, rows, options)));
}

export const catches = (list, rows, options) => draw(list, rows, catchRow, options);
export const lengths = (list, rows, options) => draw(list, rows, lengthRow, options);
