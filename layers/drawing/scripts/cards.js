/* Cards: what a click on a placement shows. Built from text nodes, so stored text stays text. */
import { button, facts, known, make } from "./elements.js";
import { unlessNoAnswer } from "./fetching.js";
import * as marks from "./marks.js";
import { formatNumber, formatWords } from "./numbers.js";

function times(placement) {
  if (!known(placement.set_local)) return null;
  const set = placement.set_local;
  const lifted = placement.lifted_local;
  if (!known(lifted) || lifted === set) return formatWords(set);
  const sameDay = lifted.slice(0, 10) === set.slice(0, 10);
  return formatWords(set) + " to " + formatWords(sameDay ? lifted.slice(11) : lifted);
}

function snapWords(placement) {
  if (!known(placement.reach_id)) return "none within reach of this position";
  const [along, off] = [formatNumber(placement.measure_m), formatNumber(placement.offset_m, 1)];
  const at = `${placement.reach_id}, ${along} m along, ${off} m off`;
  return placement.ambiguous
    ? at + "; could as well be " + (placement.ambiguous_with || "another reach")
    : at;
}

/** The gear as on the map: its mark, and its name. */
function gear(placement, marked) {
  const label = placement.method_label || placement.method;
  if (!known(label) || !marked) return label;
  const line = make("span", null, "rb-gear");
  line.append(marks.symbol(marked.gear_kind, "nil", marked.sign), " " + label);
  return line;
}

function factsOf(placement, words, marked) {
  return facts([
    ["Gear", gear(placement, marked)],
    ["Survey", placement.survey],
    ["Site", placement.site],
    ["Set, lifted", times(placement)],
    ["Effort", known(placement.effort_words) ? formatWords(placement.effort_words) : null],
    ["Outcome", words],
    ["Reach", snapWords(placement)],
    ["Position", placement.data_generalizations],
    ["Notes", placement.notes],
  ]);
}

/** Table of species, gear or years with their numbers; `write` fills the first cell of a row. */
function countTable(heads, rows, write) {
  const table = make("table");
  const head = table.createTHead().insertRow();
  heads.forEach((word) => {
    const cell = make("th", word);
    cell.scope = "col";
    head.append(cell);
  });
  const body = table.createTBody();
  rows.forEach((row) => {
    const line = body.insertRow();
    write(line.insertCell(), row[0]);
    line.insertCell().textContent = row[1];
  });
  return table;
}

function writeSpecies(cell, row) {
  cell.append(make("i", row.species));
  if (known(row.vernacular_name)) cell.append(" " + row.vernacular_name);
}

function catchTable(rows) {
  const fish = (row) => (row.lower_bound ? "at least " : "") + formatNumber(row.individuals, 0);
  return countTable(
    ["Species", "Fish"],
    rows.map((row) => [row, fish(row)]),
    writeSpecies,
  );
}

/** One placement. `link` is the address of its page with {id} in it, or null; `marked` is what
    the legend knows of its method, or nothing. */
export function card(placement, words, link, marked) {
  const box = make("article", null, "rb-card");
  const title = make("h3");
  if (link) {
    const anchor = make("a", placement.placement_id);
    anchor.href = link.replace("{id}", encodeURIComponent(placement.placement_id));
    title.append(anchor);
  } else {
    title.textContent = placement.placement_id;
  }
  box.append(title, factsOf(placement, words, marked));
  if (placement.catch && placement.catch.length) box.append(catchTable(placement.catch));
  if (placement.flags && placement.flags.length) {
    box.append(make("p", "To look at again:", "rb-flags-head"));
    const list = make("ul", null, "rb-flags");
    placement.flags.forEach((flag) => list.append(make("li", flag)));
    box.append(list);
  }
  return box;
}

/** A closed square: what was found somewhere in it, with which gear one looked, and when.
    `listed` is the list of species. */
export function square(content, listed) {
  const box = make("article", null, "rb-card");
  const rows = (counts) => Object.entries(counts).map(([name, n]) => [name, formatNumber(n, 0)]);
  const plain = (cell, word) => cell.append(word || "not known");
  const entries = Object.fromEntries(listed.map((row) => [row.species, row]));
  const found = rows(content.found)
    .sort()
    .map(([name, n]) => [entries[name] || { species: name }, n]);
  box.append(
    make("h3", content.name),
    make("p", "What lies in it is shown as the square alone: no place, day or effort is given."),
    found.length
      ? countTable(["Found", "Placements"], found, writeSpecies)
      : make("p", "No fish was found in what is shown of it."),
    countTable(["Looked with", "Placements"], rows(content.gear).sort(), plain),
    countTable(["Year", "Placements"], rows(content.years).sort(), plain),
  );
  return box;
}

/** Many placements that one mark stands for: how many in each state, and a list that opens each.
    `entries` are `mark`, `words` and `open()`, which gives a card or a promise of it; `more()`
    promises further ones and whether there are more still; `closer` zooms in, or is null. Of the
    entries `standing` are gear in the water. */
export function gathered(counts, words, { entries, more, closer, standing }) {
  const box = make("article", null, "rb-card");
  const placed = counts.reduce((sum, n) => sum + n, 0);
  const total = placed + standing;
  const said = [
    placed ? formatNumber(placed) + (placed === 1 ? " placement" : " placements") : "",
    standing ? formatNumber(standing) + " in the water" : "",
  ];
  const head = make("h3", said.filter(Boolean).join(", "));
  const states = make("ul", null, "rb-states");
  counts.forEach((count, n) => {
    if (!count) return;
    const line = make("li");
    const state = marks.STATES[n];
    line.append(
      marks.symbol("trap", state),
      make("span", words[state]),
      make("span", formatNumber(count), "rb-tally"),
    );
    states.append(line);
  });
  const list = make("ul", null, "rb-entries");
  const whole = [head, states];
  const pressed = (text, act) =>
    button(text, (event) => {
      event.stopPropagation();
      act();
    });
  let turn = 0; // of what is shown: a late answer does not take the place of a later choice
  const show = (...nodes) => {
    turn += 1;
    box.replaceChildren(...nodes);
    box.dispatchEvent(new CustomEvent("rb-changed", { bubbles: true }));
  };
  /** Show what `make` makes of an answer, or that none came, unless something else was chosen. */
  const showLater = (promise, nodesOf) => {
    const own = (turn += 1);
    promise.then(
      (answer) => own === turn && show(...nodesOf(answer)),
      unlessNoAnswer((trouble) => {
        if (own !== turn) return;
        show(...whole, make("p", "This could not be fetched. " + trouble.message + "."));
      }),
    );
  };
  const put = (entry) => {
    const line = make("li");
    const back = () => pressed("Back to all " + formatNumber(total), () => show(...whole));
    const opened = pressed(entry.words, () =>
      showLater(Promise.resolve(entry.open()), (card) => [back(), card]),
    );
    if (entry.mark) opened.prepend(entry.mark, " ");
    line.append(opened);
    list.append(line);
  };
  if (closer) whole.push(pressed("Zoom in", closer));
  whole.push(list);
  const further = pressed("List them", () =>
    showLater(
      more().then(({ found, rest }) => {
        found.forEach(put);
        further.hidden = !rest;
        further.textContent = "List more";
      }),
      () => whole,
    ),
  );
  if (more) whole.push(further);
  entries.forEach(put);
  box.append(...whole);
  return box;
}
