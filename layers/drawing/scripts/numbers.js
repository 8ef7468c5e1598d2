/* Numbers as every page writes them: a thin space between thousands, never a mark that elsewhere
   parts whole from fraction. service/web/wording.py writes the same. */

/** `digits` is the greatest number of decimals. */
export function formatNumber(value, digits = 0) {
  const text = Number(value)
    .toLocaleString("en", { maximumFractionDigits: digits, roundingMode: "halfEven" })
    .replaceAll(",", "\u202f");
  return text === "-0" ? "0" : text;
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
