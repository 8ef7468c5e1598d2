/* Gear in the water, of this device and as the service lists it: a clock, and lifting. */
import { button, element } from "../assets/elements.js";
import { NoAnswer, parseJson, request } from "../assets/fetching.js";
import { since } from "../assets/standing.js";
import * as content from "./entry_content.js";
import * as drafts from "./entry_drafts.js";

const LISTED = "rifflebook-standing"; // what the service listed last, for where there is none

function listedBefore() {
  try {
    return JSON.parse(localStorage.getItem(LISTED) || "[]");
  } catch {
    return [];
  }
}

const stands = (draft) => draft.status === "standing";

/** `lift` is called with the draft of what is lifted. */
export function makeStanding({ lists, page, by, lift }) {
  let rows = listedBefore();
  let turn = 0;

  /** Ask the service what is in the water; what was lifted elsewhere leaves the list. */
  async function fetchRows() {
    if (!navigator.onLine) return;
    const own = (turn += 1);
    try {
      // What is set while the answer is under way is not in it, and stays.
      const before = new Set((await drafts.all()).filter(stands).map((one) => one.uuid));
      const answer = await request("/entry/in-the-water", {
        headers: { Accept: "application/json" },
      });
      if (!answer.ok || own !== turn) return; // or a later list was requested
      rows = parseJson(answer);
      try {
        localStorage.setItem(LISTED, JSON.stringify(rows));
      } catch {
        /* full: it is asked for again */
      }
      const there = new Set(rows.map((row) => row.placement_id));
      for (const one of await drafts.all())
        if (stands(one) && before.has(one.uuid) && !there.has(one.cells.placement_id))
          await drafts.remove(one.uuid);
    } catch (problem) {
      if (!(problem instanceof NoAnswer)) throw problem;
    }
  }

  const dueAt = (draft) => {
    const most = (lists.methods[draft.cells.method] || {}).max_soak_h;
    return most ? Date.parse(draft.cells.set_at) + most * 3600000 : Infinity;
  };

  /** Gear in the water: overdue first, then the longest. */
  async function all() {
    const kept = await drafts.all();
    const own = kept.filter((one) => content.standing(one) && one.status !== "draft");
    const known = new Set(kept.map((one) => one.cells.placement_id));
    const others = rows
      .filter((row) => !known.has(row.placement_id))
      .map((row) => content.ofGear(lists, page, row));
    const late = (one) => dueAt(one) < Date.now();
    return [...own, ...others].sort(
      (a, b) =>
        Number(late(b)) - Number(late(a)) ||
        Date.parse(a.cells.set_at) - Date.parse(b.cells.set_at),
    );
  }

  function line(one) {
    const late = dueAt(one) < Date.now();
    const label = (lists.methods[one.cells.method] || {}).label || one.cells.method;
    const waits = one.status === "standing" ? "" : ", waits for a connection";
    const made = element(
      "li",
      { className: late ? "overdue" : "" },
      late ? element("b", { textContent: "Overdue: " }) : "",
      element("b", { textContent: one.cells.placement_id }),
      " " + label + ", set ",
      element("span", { className: "clock", textContent: since(one.cells.set_at) }),
      " ago" + waits + " ",
      button("Lift", () => lift(one), { "aria-label": "Lift " + one.cells.placement_id }),
    );
    made.querySelector(".clock").dataset.since = one.cells.set_at;
    return made;
  }

  async function list() {
    const gear = await all();
    by("standing").hidden = !gear.length;
    const overdue = gear.filter((one) => dueAt(one) < Date.now()).length;
    by("standing-count").textContent =
      "(" + gear.length + (overdue ? ", " + overdue + " overdue" : "") + ")";
    by("standing-list").replaceChildren(...gear.map(line));
  }

  async function refresh() {
    await fetchRows();
    await list();
  }

  async function find(name) {
    return (await all()).find((one) => one.cells.placement_id === name);
  }

  /** Numbers that are in use, as far as this device knows. */
  async function taken() {
    const own = (await drafts.all()).map((one) => one.cells.placement_id);
    return new Set([...own, ...rows.map((row) => row.placement_id)]);
  }

  setInterval(() => {
    document
      .querySelectorAll("#standing .clock")
      .forEach((clock) => (clock.textContent = since(clock.dataset.since)));
  }, 30000);

  return { list, refresh, find, taken };
}
