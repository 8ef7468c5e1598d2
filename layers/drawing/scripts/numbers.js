/* Numbers as every page writes them: a thin space between thousands, never a mark that elsewhere
   parts whole from fraction. service/web/wording.py writes the same. */
(function (root) {
  "use strict";

  /** `digits` is the most decimals that are told. */
  function number(value, digits) {
    const text = Number(value)
      .toLocaleString("en", { maximumFractionDigits: digits || 0, roundingMode: "halfEven" })
      .replaceAll(",", "\u202f");
    return text === "-0" ? "0" : text;
  }

  root.Rifflebook = Object.assign(root.Rifflebook || {}, { number });
})(window);
