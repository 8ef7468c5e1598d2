/* What a check found, in the words of the form; and two versions of one record side by side. */
import { element } from "../assets/elements.js";

export function makeFindings(form, by) {
  function labelOf(column) {
    const holder = form.querySelector(
      `[data-field="${CSS.escape(column)}"] :is(span, legend, label)`,
    );
    if (holder) return holder.firstChild.textContent.trim(); // the unit comes after it
    return (
      { outcome: "What came of it", method: "Method", species: "Species", count: "Count" }[
        column
      ] || column.replaceAll("_", " ")
    );
  }

  function findingLine(one) {
    const part =
      { catches: "Fish " + one.row + ", ", lengths: "Length " + one.row + ", " }[one.part] || "";
    const line = element(
      "li",
      {},
      element("b", { textContent: part + (one.column ? labelOf(one.column) : "Form") }),
    );
    if (one.value) line.append(" ", element("code", { textContent: one.value }));
    line.append(": " + one.message);
    return line;
  }

  function show(title, told, more) {
    by("findings-title").textContent = title;
    const parts = [];
    const list = (words, rows) =>
      rows &&
      rows.length &&
      parts.push(
        element("h3", { textContent: words }),
        element("ul", {}, ...rows.map(findingLine)),
      );
    list("Cannot be stored so", told.refused);
    list("Looks odd; stored with this remark", told.flagged);
    if (told.detail) parts.push(element("p", { textContent: told.detail }));
    by("findings-body").replaceChildren(...parts, ...(more || []));
    by("findings").hidden = false;
    by("findings").focus();
    by("findings").scrollIntoView({ block: "nearest" });
  }

  /** Two versions; `mine` and `theirs` are what the buttons do. */
  function showConflict(told, mine, theirs) {
    const rows = told.differences.map(([column, stored, sent]) =>
      element(
        "tr",
        {},
        element("th", { scope: "row", textContent: labelOf(column) }),
        element("td", { textContent: stored || "–" }),
        element("td", { textContent: sent || "–" }),
      ),
    );
    const table = element(
      "table",
      {},
      element(
        "thead",
        {},
        element(
          "tr",
          {},
          ...["Field", "Stored now", "Yours"].map((words) =>
            element("th", { scope: "col", textContent: words }),
          ),
        ),
      ),
      element("tbody", {}, ...rows),
    );
    const button = (textContent, className, act) => {
      const made = element("button", { type: "button", className, textContent });
      made.addEventListener("click", act);
      return made;
    };
    show("Somebody else changed this meanwhile", { flagged: told.flagged }, [
      element("p", { textContent: "Both versions stay in the history, whichever you choose." }),
      element("div", { className: "scrolls" }, table),
      element(
        "div",
        { className: "buttons" },
        button("Put mine in its place", "", mine),
        button("Keep what is stored", "light", theirs),
      ),
    ]);
  }

  function hide() {
    by("findings").hidden = true;
  }

  return { show, showConflict, hide };
}
