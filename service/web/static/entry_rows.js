/* Rows of catch and of lengths: few taps each. */
import { element } from "../assets/elements.js";
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

function choice(values, words, value, changed) {
  const field = element(
    "select",
    {},
    ...values.map((one) => element("option", { value: one, textContent: words(one) })),
  );
  if (value && !values.includes(value))
    field.append(element("option", { value, textContent: value }));
  field.value = value || values[0];
  field.addEventListener("change", () => changed(field.value));
  return field;
}

function typed(row, name, changed, more) {
  const field = element("input", {
    type: "text",
    value: row[name] || "",
    autocomplete: "off",
    ...more,
  });
  field.addEventListener("input", () => {
    row[name] = field.value.trim();
    changed();
  });
  return field;
}

function stepper(row, changed, label) {
  const field = typed(row, "count", changed, { inputMode: "numeric", className: "count" });
  field.setAttribute("aria-label", "Count" + label);
  const step = (by) => {
    const now = Number.parseInt(field.value, 10);
    field.value = row.count = String(Math.max(0, (Number.isNaN(now) ? 0 : now) + by));
    changed();
  };
  const less = element("button", { type: "button", className: "light", textContent: "−" });
  const more = element("button", { type: "button", className: "light", textContent: "+" });
  less.setAttribute("aria-label", "One less" + label);
  more.setAttribute("aria-label", "One more" + label);
  less.addEventListener("click", () => step(-1));
  more.addEventListener("click", () => step(1));
  return {
    box: element("div", { className: "stepper" }, less, field, more),
    parts: [less, field, more],
  };
}

function passField(row, passes, changed, label) {
  const numbers = Array.from({ length: passes }, (_, k) => String(k + 1));
  const field = choice(
    ["", ...numbers],
    (one) => (one ? "pass " + one : "pass –"),
    row.pass_no,
    (value) => {
      row.pass_no = value;
      changed();
    },
  );
  field.setAttribute("aria-label", "Pass" + label);
  return field;
}

function dropping(rows, row, redraw, label) {
  const button = element("button", { type: "button", className: "light drop", textContent: "×" });
  button.setAttribute("aria-label", "Take out" + label);
  button.addEventListener("click", () => {
    rows.splice(rows.indexOf(row), 1);
    redraw();
  });
  return button;
}

function catchRow(row, number, rows, options) {
  const { lists, changed, redraw, passes } = options;
  const label = ", catch row " + number;
  const species = makeSpeciesField(lists.species, row.species || "", "Species" + label, (name) => {
    row.species = name;
    changed();
  });
  const count = stepper(row, changed, label);
  const kind = choice(
    lists.count_kinds,
    (one) => KINDS[one] || one,
    row.count_kind,
    (value) => {
      row.count_kind = value;
      lock();
      changed();
    },
  );
  kind.setAttribute("aria-label", "Kind of count" + label);
  function lock() {
    // Nobody counted: there is no number to write.
    const none = row.count_kind === "present";
    count.parts.forEach((part) => (part.disabled = none));
    if (none) count.parts[1].value = row.count = "";
  }
  lock();
  const stages = choice(
    ["", ...lists.stages],
    (one) => one || "–",
    row.life_stage,
    (value) => {
      row.life_stage = value;
      changed();
    },
  );
  const fates = choice(
    ["", ...lists.fates],
    (one) => one || "–",
    row.fate,
    (value) => {
      row.fate = value;
      changed();
    },
  );
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
  const species = choice(
    ["", ...known],
    (one) => one || "species",
    row.species,
    (value) => {
      row.species = value;
      changed();
    },
  );
  species.setAttribute("aria-label", "Species" + label);
  const length = typed(row, "length_mm", changed, {
    inputMode: "decimal",
    placeholder: "mm",
    className: "count",
  });
  length.setAttribute("aria-label", "Length in millimetres" + label);
  const weight = typed(row, "weight_g", changed, {
    inputMode: "decimal",
    placeholder: "g",
    className: "count",
  });
  weight.setAttribute("aria-label", "Weight in grams" + label);
  const kind = choice(
    ["", ...lists.length_types],
    (one) => one || "length: which?",
    row.length_type,
    (value) => {
      row.length_type = value;
      changed();
    },
  );
  kind.setAttribute("aria-label", "Total, fork or standard length" + label);
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
