/* Numbers and times as every page writes them: as the reader's browser does (the service's
   as_read.js); in files a thin space between thousands, never a mark that elsewhere parts whole
   from fraction, and ISO 8601. service/web/wording.py writes the same. */

/** `digits` is the greatest number of decimals. */
export function formatNumber(value, digits = 0) {
  const text = Number(value)
    .toLocaleString("en", { maximumFractionDigits: digits, roundingMode: "halfEven" })
    .replaceAll(",", "\u202f");
  const own = text === "-0" ? "0" : text;
  return globalThis.asRead ? globalThis.asRead.figure(own.replaceAll("\u202f", "")) : own;
}

/** A text of the program with numbers, days or times in it; never one of a record. */
export function formatWords(text) {
  return globalThis.asRead ? globalThis.asRead.words(String(text)) : String(text);
}

export function formatMetres(value) {
  return formatNumber(value) + " m";
}

/** A share as a whole percentage; what is neither 0 nor 1 is never written as 0 or 100. */
export function formatShare(share) {
  const value = 100 * share;
  if (value > 0 && value < 1) return "<\u202f1\u202f%";
  if (value > 99 && value < 100) return ">\u202f99\u202f%";
  return Math.round(value) + "\u202f%";
}
