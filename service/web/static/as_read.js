/* Figures, days and times as the reader's browser writes them. Runs before the page is drawn, so
   that nothing moves or flickers; each element is written once it is whole. Texts that it does not
   change, those in forms and files, keep points in numbers and ISO 8601. What scripts write later
   is written by `asRead`, through layers/drawing/scripts/numbers.js. */
(() => {
  const figures = new Map(); // by their decimals
  const figure = (value) => {
    const digits = (value.split(".")[1] || "").length;
    if (!figures.has(digits)) {
      const decimals = { minimumFractionDigits: digits, maximumFractionDigits: digits };
      figures.set(
        digits,
        new Intl.NumberFormat(navigator.languages, { ...decimals, numberingSystem: "latn" }),
      );
    }
    return figures.get(digits).format(Number(value));
  };
  // The clock is that of the place, as it was written: no other zone is put in its place.
  const styles = { dateStyle: "medium", timeZone: "UTC", calendar: "gregory" };
  const latin = { ...styles, numberingSystem: "latn" };
  const day = new Intl.DateTimeFormat(navigator.languages, latin);
  const moment = new Intl.DateTimeFormat(navigator.languages, { ...latin, timeStyle: "short" });
  const hour = new Intl.DateTimeFormat(navigator.languages, {
    timeZone: "UTC",
    numberingSystem: "latn",
    timeStyle: "short",
  });
  const when = (value) => {
    const [date, clock] = value.split("T");
    if (!date) return hour.format(new Date(`1970-01-01T${clock}Z`));
    if (!clock) return day.format(new Date(date));
    const written = moment.format(new Date(`${date}T${clock.replace("Z", "")}Z`));
    return clock.endsWith("Z") ? `${written} UTC` : written;
  };
  // In a text of the program; service/web/wording.py marks the same.
  const OTHERWISE = new RegExp(
    [
      /(\d{4}-\d\d-\d\d)(?: (\d\d:\d\d)( UTC)?)?/,
      /^(\d\d:\d\d)$/,
      /-?(?:\d{1,3}(?:\u202f\d{3})+(?:\.\d+)?|\d+\.\d+)/,
    ]
      .map((one) => one.source)
      .join("|"),
    "g",
  );
  const words = (text) =>
    text.replace(OTHERWISE, (found, date, clock, utc, alone) => {
      if (alone) return when(`T${alone}`);
      if (!date) return figure(found.replaceAll("\u202f", ""));
      return when(clock ? `${date}T${clock}${utc ? "Z" : ""}` : date);
    });
  globalThis.asRead = { figure, words };
  const write = (element) => {
    const text = element.localName === "data" ? figure(element.value) : when(element.dateTime);
    element.dataset.written = element.textContent;
    element.textContent = text;
  };
  const waiting = () => [
    ...document.querySelectorAll(
      "data[value]:not([data-written]), time[datetime]:not([data-written], [data-local])",
    ),
  ];
  // While the page arrives the text of its last element may still be on the way.
  const arriving = new MutationObserver(() => waiting().slice(0, -1).forEach(write));
  arriving.observe(document, { childList: true, subtree: true });
  document.addEventListener("DOMContentLoaded", () => {
    arriving.disconnect();
    waiting().forEach(write);
  });
})();
