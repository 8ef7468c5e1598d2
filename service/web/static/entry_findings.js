/* What a check found, in the words of the form; and two versions of one record side by side. */
import { button, element } from "../assets/elements.js";

export function makeFindings(form, by) {
  function labelOf(column) {
    const holder = form.querySelector(
      `[data-field="${CSS.escape(column)}"] :is(span, legend, label)`,
    );
    if (holder) return holder.firstChild.textContent.trim(); // the unit comes after it
    return (
      {
        outcome: "What came of it",
        method: "Method",
        species: "Species",
        count: "Count",
        position: "Position",
        catches: "Fish",
        lengths: "Lengths",
      }[column.split(":")[0]] || column.replaceAll("_", " ")
    );
  }

  function findingLine(one) {
    const part =
      { catches: "Fish " + one.row + ", ", lengths: "Length " + one.row + ", " }[one.part] || "";
    const about = part + (one.column ? labelOf(one.column) : "Form");
    const line = element("li", {}, element("b", {}, about));
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
      parts.push(element("h3", {}, words), element("ul", {}, ...rows.map(findingLine)));
    list("Cannot be stored so", told.refused);
    list("Looks odd; stored with this remark", told.flagged);
    if (told.detail) parts.push(element("p", { textContent: told.detail }));
    by("findings-body").replaceChildren(...parts, ...(more || []));
    by("findings").hidden = false;
    by("findings").focus();
    by("findings").scrollIntoView({ block: "nearest" });
  }

  /** The number of this record is that of another one; it may get the next free number. */
  function showTaken(number, free, take) {
    show("The number " + number + " is taken", {}, [
      element("p", {
        textContent:
          "Another record has it, and stays as it is. Give yours another, here or under Work.",
      }),
      element(
        "div",
        { className: "buttons" },
        button("Give mine the next free number: " + free, take),
      ),
    ]);
  }

  /** Columns in the words of the form. */
  const words = (columns) => columns.map(labelOf).join(", ");

  /** Two versions; `settle` gets the columns that stay as they are stored. */
  function showConflict(told, settle) {
    const theirs = new Set();
    const choice = (column, text, own) => {
      const label = labelOf(column) + ", " + (own ? "yours" : "stored now");
      const look = { type: "radio", name: "settle:" + column, checked: own, "aria-label": label };
      const field = element("input", look);
      field.addEventListener("change", () => (own ? theirs.delete(column) : theirs.add(column)));
      return element("td", {}, element("label", { className: "pick" }, field, " " + (text || "–")));
    };
    const rows = told.differences.map(([column, stored, sent]) =>
      element(
        "tr",
        {},
        element("th", { scope: "row", textContent: labelOf(column) }),
        choice(column, stored, false),
        choice(column, sent, true),
      ),
    );
    const heads = ["Field", "Stored now", "Yours"].map((words) =>
      element("th", { scope: "col" }, words),
    );
    const head = element("thead", {}, element("tr", {}, ...heads));
    const table = element("table", {}, head, element("tbody", {}, ...rows));
    show("Somebody else changed the same meanwhile", { flagged: told.flagged }, [
      element("p", {
        textContent:
          "All else is put together. Choose for each of these; both stay in the history.",
      }),
      element("div", { className: "scrolls" }, table),
      element(
        "div",
        { className: "buttons" },
        button("Save so", () => settle([...theirs])),
      ),
    ]);
  }

  function hide() {
    by("findings").hidden = true;
  }

  return { show, showConflict, showTaken, words, hide };
}
