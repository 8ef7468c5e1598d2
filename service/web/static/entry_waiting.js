/* Drafts on this device, as a list: what waits, what was sent, what needs mending; and sending. */
import { button, element } from "../assets/elements.js";
import { NoAnswer } from "../assets/fetching.js";
import * as drafts from "./entry_drafts.js";

const STATUS = {
  draft: "not finished",
  waiting: "waits for a connection",
  refused: "needs mending",
  taken: "its number is taken",
  standing: "in the water",
  conflict: "changed by somebody else meanwhile",
  sent: "stored",
};
/** What was odd of a draft that was stored, in a sentence; empty where nothing was. */
const remarksOf = (one) => {
  const flagged = (one.told || {}).flagged || [];
  return flagged.length ? ": " + flagged.map((flag) => flag.message).join(" ") : "";
};
export const address = (id) => id.split("/").map(encodeURIComponent).join("/");

/** `draftNow` gives the draft on the page, which is not listed; `say` shows what became of it. */
export function makeWaiting({ draftNow, methods, by, say, listed }) {
  async function list() {
    const all = await drafts.all();
    by("session").hidden = !all.some((one) => one.ended && one.status === "waiting");
    const shown = all.filter(
      (one) =>
        one.status !== "standing" && (one.uuid !== draftNow().uuid || one.status !== "draft"),
    );
    by("drafts").hidden = !shown.length;
    const open_ = shown.filter((one) => one.status !== "sent").length;
    by("draft-count").textContent = open_ ? "(" + open_ + " not stored yet)" : "";
    by("draft-list").replaceChildren(...shown.map(draftLine));
    await listed();
  }

  function draftLine(one) {
    const id = one.cells.placement_id || one.uuid.slice(0, 8);
    const label = (methods[one.cells.method] || {}).label || "no gear chosen";
    const line = element(
      "li",
      { className: "is-" + one.status },
      element("b", { textContent: id }),
      " " + label + ": " + STATUS[one.status],
    );
    if (one.status === "sent") {
      const remarks = ((one.told || {}).flagged || []).length;
      if (remarks) line.append(", " + remarks + (remarks === 1 ? " remark" : " remarks"));
      line.append(". ", element("a", { href: "/placements/" + address(id), textContent: "Show" }));
      return line;
    }
    if (one.told && one.told.detail) line.append(". " + one.told.detail);
    const go = element("a", { href: one.page + "#draft=" + one.uuid, textContent: "Open" });
    // Also where only the end of the address changes.
    go.addEventListener("click", () => setTimeout(() => location.reload()));
    const throwAway = async () => {
      if (drop.dataset.sure) {
        await drafts.remove(one.uuid);
        await list();
      } else {
        drop.dataset.sure = "yes";
        drop.textContent = "Really throw " + id + " away";
      }
    };
    const drop = button("Throw away", throwAway, { className: "light" });
    line.append(" ", go, " ", drop);
    return line;
  }

  /** Say what became of drafts that this page sent, or the worker behind it. */
  function tell(done) {
    const stored = done.filter((one) => ["sent", "standing"].includes(one.status));
    if (stored.length)
      say(
        "Sent: " + stored.map((one) => one.cells.placement_id).join(", ") + ".",
        stored.some(remarksOf),
        ...stored.filter(remarksOf).map((one) => " " + one.cells.placement_id + remarksOf(one)),
      );
    if (done.length > stored.length) by("drafts").open = true;
    return list().catch(() => {});
  }

  async function sendAll() {
    if (!navigator.onLine) return;
    try {
      await tell(await drafts.sendAll());
    } catch (problem) {
      if (!(problem instanceof NoAnswer)) say(problem.message, true); // else tried again later
      await list().catch(() => {});
    }
  }

  return { list, sendAll, tell };
}
