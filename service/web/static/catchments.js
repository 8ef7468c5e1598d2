/* Folding of nested catchments, and chances that a species is there unfound, which come later. */
import { fetchJson, unlessNoAnswer } from "../assets/fetching.js";
import { formatShare } from "../assets/numbers.js";

const table = document.getElementById("occurrence");
const rows = table ? Array.from(table.tBodies[0].rows) : [];

function foldCatchments() {
  const folded = new Set();
  const byName = new Map(rows.map((row) => [row.dataset.catchment, row]));

  function hiddenBy(row) {
    for (let at = byName.get(row.dataset.parent); at; at = byName.get(at.dataset.parent)) {
      if (folded.has(at.dataset.catchment)) return true;
    }
    return false;
  }

  rows.forEach((row) => {
    const button = row.querySelector(".fold");
    if (!button) return;
    button.hidden = false;
    button.addEventListener("click", () => {
      const open = button.getAttribute("aria-expanded") === "true";
      button.setAttribute("aria-expanded", String(!open));
      if (open) folded.add(row.dataset.catchment);
      else folded.delete(row.dataset.catchment);
      rows.forEach((other) => {
        other.hidden = hiddenBy(other);
      });
    });
  });
}

/** Write the chance of one cell, with its interval, the reaches visited and the year. */
function writeChance(cell, [chance, low, high, reaches, year]) {
  const span = `${formatShare(low)} to ${formatShare(high)}`;
  const visited = `${reaches} ${reaches === 1 ? "reach" : "reaches"}, ${year}`;
  cell.textContent = `there? ${formatShare(chance)} (${span}), ${visited}`;
}

function writeChances(found, line) {
  let known = 0;
  rows.forEach((row) => {
    const own = found.cells[row.dataset.catchment] || {};
    row.querySelectorAll("[data-chance]").forEach((cell) => {
      const chance = own[cell.dataset.chance];
      if (!chance) return;
      writeChance(cell, chance);
      known += 1;
    });
  });
  line.textContent = known
    ? "there? chance, with 95 % interval, that any visited reach holds it though nobody " +
      "found it, were it as common there as elsewhere; reaches visited, year"
    : "No chance that it is there unfound: no estimate to rely on, or rarer there than elsewhere";
  const assumed = document.getElementById("assumes");
  assumed.prepend("Assumes " + found.assumes + ".");
  document.getElementById("reasons").hidden = !known;
}

/** Links and buttons of a row that show, or the cell itself where it has none. */
function stopsOf(row) {
  return Array.from(row.cells).flatMap((cell) => {
    const own = Array.from(cell.querySelectorAll("a, button")).filter((one) => !one.hidden);
    return own.length ? own : [cell];
  });
}

/** One stop of the Tab key for the whole table, arrow keys within it: the grid of WAI-ARIA. */
function moveByArrows() {
  table.setAttribute("role", "grid");
  const lines = () => Array.from(table.rows).filter((row) => !row.hidden);
  let current = null;
  const makeCurrent = (stop) => {
    if (current) current.tabIndex = -1;
    current = stop;
    stop.tabIndex = 0;
  };
  lines().forEach((row) =>
    stopsOf(row).forEach((stop) => {
      stop.tabIndex = -1;
    }),
  );
  makeCurrent(stopsOf(table.tBodies[0].rows[0] || table.rows[0])[0]);
  table.addEventListener("focusin", (event) => makeCurrent(event.target));
  table.addEventListener("keydown", (event) => {
    const row = event.target.closest("tr");
    if (!row || event.altKey || event.metaKey) return;
    const stops = stopsOf(row);
    const at = stops.indexOf(event.target);
    const all = lines();
    const down = (step) => {
      const other = all[Math.min(Math.max(all.indexOf(row) + step, 0), all.length - 1)];
      const cell = event.target.closest("th, td").cellIndex;
      return stopsOf(other).find((stop) => stop.closest("th, td").cellIndex === cell);
    };
    const to = {
      ArrowRight: () => stops[at + 1],
      ArrowLeft: () => stops[at - 1],
      ArrowDown: () => down(1),
      ArrowUp: () => down(-1),
      PageDown: () => down(10),
      PageUp: () => down(-10),
      Home: () => (event.ctrlKey ? stopsOf(all[0])[0] : stops[0]),
      End: () => (event.ctrlKey ? stopsOf(all[all.length - 1]).pop() : stops[stops.length - 1]),
    }[event.key];
    if (!to) return;
    event.preventDefault();
    const stop = to();
    if (stop) stop.focus();
  });
}

if (table) {
  // On a phone the table needs the room; what the signs mean is one tap away.
  if (window.innerWidth < 600) document.getElementById("key").open = false;
  foldCatchments();
  moveByArrows();
  const address = table.dataset.chances;
  const line = document.getElementById("chances-state");
  if (address && line) {
    line.textContent = "Computing the chance that it is there unfound …";
    fetchJson(address)
      .then((found) => writeChances(found, line))
      .catch(
        unlessNoAnswer((trouble) => {
          line.textContent =
            "The chance that it is there unfound could not be fetched. " + trouble.message + ".";
        }),
      );
  }
}
