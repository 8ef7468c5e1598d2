/* Marks: one shape per kind of gear, the letters of its method in it, one filling per outcome.
   Never told apart by colour alone. */
(function (root) {
  "use strict";
  const SVG = "http://www.w3.org/2000/svg";
  // Outlines in a box of 24 × 24.
  const OUTLINES = {
    net: "M1 3.5H23L12 22.5Z",
    trap: "M3 3H21V21H3Z",
    light: "M12 2.4A9.6 9.6 0 1 1 12 21.6A9.6 9.6 0 1 1 12 2.4Z",
    haul: "M1 6H23A11 12.5 0 0 1 1 6Z",
    current: "M12 0.8L23.2 12L12 23.2L0.8 12Z",
    other: "M12 1.5L22.5 9.2L18.5 21.5H5.5L1.5 9.2Z",
  };
  // Where the letters stand: the height of their foot.
  const FEET = { net: 13, haul: 14.6, other: 16.6 };
  const FOOT = 15.8;
  const STATES = ["caught", "nil", "unusable", "unrecorded", "other"];

  function element(name, attributes, parent) {
    const made = document.createElementNS(SVG, name);
    Object.keys(attributes).forEach((key) => made.setAttribute(key, attributes[key]));
    if (parent) parent.appendChild(made);
    return made;
  }

  /** Draw one mark as inline SVG, with the letters of its method where they are told. */
  function symbol(kind, state, sign) {
    const outline = OUTLINES[kind] || OUTLINES.other;
    const svg = element("svg", {
      viewBox: "0 0 24 24",
      class: "rb-symbol rb-" + state,
      "aria-hidden": "true",
      focusable: "false",
    });
    if (state === "other") {
      element("circle", { cx: 12, cy: 12, r: 3.1, class: "rb-body" }, svg);
      return svg;
    }
    element("path", { d: outline, class: "rb-body" }, svg);
    if (state === "unusable") {
      element("path", { d: "M3 3L21 21M21 3L3 21", class: "rb-cross" }, svg);
    }
    if (sign) {
      const letters = { x: 12, y: FEET[kind] || FOOT, class: "rb-sign" + (sign.length > 1 ? " rb-two" : "") };
      element("text", letters, svg).textContent = sign;
    }
    return svg;
  }

  /** What the legend knows of each method, by its name. */
  function byMethod(methods) {
    return Object.fromEntries(methods.map((row) => [row.method, row]));
  }

  /** What a placement says: about one species when `species` is chosen, else about any. */
  function stateOf(placement, species, detects) {
    if (placement.state) return placement.state; // the server has judged
    if (placement.outcome === "lost" || placement.outcome === "disturbed") return "unusable";
    const caught = placement.catch || [];
    if (species ? caught.some((row) => row.species === species) : caught.length) return "caught";
    if (placement.outcome !== "caught" && placement.outcome !== "nil") return "unrecorded";
    if (!species) return placement.outcome;
    const methods = detects[species];
    return !methods || methods.includes(placement.method) ? "nil" : "other";
  }

  function wordsOf(species) {
    return {
      caught: species ? "caught " + species : "caught something",
      nil: species ? "fished, " + species + " not caught" : "fished, nothing caught",
      unusable: "gear lost or disturbed",
      unrecorded: "catch not recorded",
      other: "fished by gear that does not detect " + species,
    };
  }

  root.Rifflebook = Object.assign(root.Rifflebook || {}, {
    marks: { byMethod, stateOf, STATES, symbol, wordsOf },
  });
})(window);
