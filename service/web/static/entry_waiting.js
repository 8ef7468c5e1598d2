/* Drafts on this device, as a list: what waits, what was sent, what needs mending; and sending. */
import { element } from "../assets/elements.js";
import { NoAnswer } from "../assets/fetching.js";
import * as drafts from "./entry_drafts.js";

const STATUS = {
  draft: "not finished",
  waiting: "waits for a connection",
  refused: "needs mending",
  conflict: "changed by somebody else meanwhile",
  sent: "stored",
};
export const address = (id) => id.split("/").map(encodeURIComponent).join("/");

/** `draftNow` gives the draft on the page, which is not listed; `say` shows what became of it. */
export function makeWaiting({ draftNow, methods, by, say }) {
  async function list() {
    const listed = (await drafts.all()).filter(
      (one) => one.uuid !== draftNow().uuid || one.status !== "draft",
    );
    by("drafts").hidden = !listed.length;
    const open_ = listed.filter((one) => one.status !== "sent").length;
    by("draft-count").textContent = open_ ? "(" + open_ + " not stored yet)" : "";
    by("draft-list").replaceChildren(...listed.map(draftLine));
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
    const drop = element("button", {
      type: "button",
      className: "light",
      textContent: "Throw away",
    });
    drop.addEventListener("click", async () => {
      if (drop.dataset.sure) {
        await drafts.remove(one.uuid);
        await list();
      } else {
        drop.dataset.sure = "yes";
        drop.textContent = "Really throw " + id + " away";
      }
    });
    line.append(" ", go, " ", drop);
    return line;
  }

  async function sendAll() {
    if (!navigator.onLine) return;
    try {
      const done = await drafts.sendAll();
      const stored = done.filter((one) => one.status === "sent");
      if (stored.length)
        say("Sent: " + stored.map((one) => one.cells.placement_id).join(", ") + ".");
      if (done.some((one) => one.status !== "sent")) by("drafts").open = true;
    } catch (problem) {
      if (!(problem instanceof NoAnswer)) say(problem.message, true); // else tried again later
    }
    await list().catch(() => {});
  }

  return { list, sendAll };
}
