/* Times of the form: the wall clock of a zone, its offset from UTC, and a stored time in parts. */

export function localNow(timeZone) {
  return new Date().toLocaleString("sv-SE", { timeZone }).replace(" ", "T").slice(0, 16);
}

export function offsetNow(timeZone) {
  const local = Date.parse(localNow(timeZone) + "Z");
  const minutes = Math.round((local - Math.floor(Date.now() / 60000) * 60000) / 60000);
  const two = (value) => String(value).padStart(2, "0");
  const far = Math.abs(minutes);
  return (minutes < 0 ? "-" : "+") + two(Math.floor(far / 60)) + ":" + two(far % 60);
}

export function parted(text) {
  const found = /^(\d{4}-\d\d-\d\d)(?:[T ](\d\d:\d\d)(:\d\d(?:\.\d+)?)?)?(Z|[+-]\d\d:?\d\d)?$/.exec(
    text || "",
  );
  if (!found) return ["", ""];
  const seconds = found[3] && Number(found[3].slice(1)) ? found[3] : "";
  return [found[1] + "T" + (found[2] || "00:00") + seconds, found[4] || ""];
}

/** The moment [ms] of a time on the wall of a zone, or of one that says its offset from UTC. */
export function instant(text, timeZone) {
  if (/(?:Z|[+-]\d\d:?\d\d)$/.test(text.slice(10))) return Date.parse(text);
  const wall = Date.parse(text.slice(0, 16) + "Z");
  const offset = (at) =>
    Date.parse(
      new Date(at).toLocaleString("sv-SE", { timeZone }).replace(" ", "T").slice(0, 16) + "Z",
    ) - at;
  const first = wall - offset(wall);
  return wall - offset(first);
}
