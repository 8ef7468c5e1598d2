/* Folding of nested catchments, and the chances of having been missed, which come later. */
import { make } from "../assets/elements.js";
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

/** Write the chance of one cell; 1 where it is known. */
function writeChance(cell, [chance, reason]) {
  if (chance !== null) {
    cell.textContent = "missed? " + formatShare(chance);
    return 1;
  }
  cell.replaceChildren(
    make("span", "chance missed not known, reason ", "unseen"),
    "missed? –",
    make("sup", reason + 1),
  );
  return 0;
}

function writeChances(found, line) {
  let known = 0;
  rows.forEach((row) => {
    const own = found.cells[row.dataset.catchment] || {};
    row.querySelectorAll("[data-chance]").forEach((cell) => {
      const chance = own[cell.dataset.chance];
      if (chance) known += writeChance(cell, chance);
    });
  });
  line.textContent =
    "missed? chance that it lives on the visited reaches unfound, season " +
    (found.season.join(", ") || "without records") +
    (known ? "" : "; the records of this season cannot tell it, those of another year may");
  const list = document.getElementById("reasons");
  list.querySelector("ol").replaceChildren(...found.reasons.map((reason) => make("li", reason)));
  document.getElementById("assumes").textContent = "Assumes " + found.assumes + ".";
  list.hidden = !found.reasons.length;
}

if (table) {
  // On a phone the table needs the room; what the signs mean is one tap away.
  if (window.innerWidth < 600) document.getElementById("key").open = false;
  foldCatchments();
  const address = table.dataset.chances;
  const line = document.getElementById("chances-state");
  if (address && line) {
    line.textContent = "Computing the chance of having been missed …";
    fetchJson(address)
      .then((found) => writeChances(found, line))
      .catch(
        unlessNoAnswer((trouble) => {
          line.textContent =
            "The chance of having been missed could not be fetched. " + trouble.message + ".";
        }),
      );
  }
}
