/* Folding of nested catchments, and the chances of having been missed, which come later. */
(function () {
  "use strict";
  const table = document.getElementById("occurrence");
  if (!table) return;

  // On a phone the table needs the room; what the signs mean is one tap away.
  if (window.innerWidth < 600) document.getElementById("key").open = false;

  const rows = Array.from(table.tBodies[0].rows);
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

  function percent(share) {
    const value = 100 * share;
    if (value > 0 && value < 1) return "<\u202f1\u202f%";
    if (value > 99 && value < 100) return ">\u202f99\u202f%";
    return Math.round(value) + "\u202f%";
  }

  function put(place, told) {
    if (!told) return 0;
    const [chance, reason] = told;
    if (chance !== null) {
      place.textContent = "missed? " + percent(chance);
      return 1;
    }
    const words = document.createElement("span");
    words.className = "unseen";
    words.textContent = "chance missed not known, reason ";
    const mark = document.createElement("sup");
    mark.textContent = reason + 1;
    place.replaceChildren(words, "missed? –", mark);
    return 0;
  }

  const address = table.dataset.chances;
  const line = document.getElementById("chances-told");
  if (!address || !line) return;
  line.textContent = "Computing the chance of having been missed …";
  const { fetched, unlessNoAnswer } = window.Rifflebook;
  fetched(address)
    .then((found) => {
      let known = 0;
      rows.forEach((row) => {
        const own = found.cells[row.dataset.catchment] || {};
        row.querySelectorAll("[data-chance]").forEach((place) => {
          known += put(place, own[place.dataset.chance]);
        });
      });
      const season = found.season.join(", ") || "without records";
      line.textContent =
        "missed? chance that it lives on the visited reaches unfound, season " + season +
        (known ? "" : "; the records of this season cannot tell it, those of another year may");
      const list = document.getElementById("reasons");
      list.querySelector("ol").replaceChildren(
        ...found.reasons.map((reason) => {
          const item = document.createElement("li");
          item.textContent = reason;
          return item;
        }),
      );
      document.getElementById("assumes").textContent = "Assumes " + found.assumes + ".";
      list.hidden = !found.reasons.length;
    })
    .catch(unlessNoAnswer((trouble) => {
      line.textContent =
        "The chance of having been missed could not be fetched. " + trouble.message + ".";
    }));
})();
