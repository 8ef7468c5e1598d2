/* Sort a table by the column whose heading is pressed; pressed again, the other way round. */

function valueOf(row, column, kind) {
  const cell = row.cells[column];
  const text = cell.dataset.value !== undefined ? cell.dataset.value : cell.textContent.trim();
  if (kind !== "number") return text.toLowerCase();
  return text === "" ? NaN : Number(text);
}

function compare(a, b) {
  if (typeof a === "string") return a.localeCompare(b);
  if (Number.isNaN(a) || Number.isNaN(b)) return 0;
  return a - b;
}

function sortBy(table, head, kind) {
  const down = head.getAttribute("aria-sort") === "ascending";
  const column = head.cellIndex;
  const body = table.tBodies[0];
  const rows = Array.from(body.rows).map((row) => ({
    row,
    total: row.classList.contains("total"),
    value: valueOf(row, column, kind),
  }));
  rows.sort((a, b) => {
    if (a.total !== b.total) return a.total ? 1 : -1; // the total stays last
    const lost = Number(Number.isNaN(a.value)) - Number(Number.isNaN(b.value));
    if (lost) return lost; // and so does what is not known
    return down ? compare(b.value, a.value) : compare(a.value, b.value);
  });
  Array.from(head.parentNode.cells).forEach((other) => other.removeAttribute("aria-sort"));
  head.setAttribute("aria-sort", down ? "descending" : "ascending");
  body.append(...rows.map((one) => one.row));
}

document.querySelectorAll("table.sortable").forEach((table) => {
  table.querySelectorAll("thead button[data-sort]").forEach((button) => {
    button.addEventListener("click", () =>
      sortBy(table, button.closest("th"), button.dataset.sort),
    );
  });
});
