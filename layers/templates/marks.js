/* Marks: one shape per kind of gear, one filling per outcome. Never told apart by colour alone. */
(function (root) {
  "use strict";
  const SVG = "http://www.w3.org/2000/svg";
  // Outlines in a box of 20 × 20.
  const OUTLINES = {
    net: "M3 4.5H17L10 17Z",
    trap: "M4 4H16V16H4Z",
    light: "M10 3.2A6.8 6.8 0 1 1 10 16.8A6.8 6.8 0 1 1 10 3.2Z",
    haul: "M2.5 7H17.5A7.5 7.5 0 0 1 2.5 7Z",
    current: "M10 2.2L17.2 10L10 17.8L2.8 10Z",
    other: "M10 2.8L17 8L14.3 16.4H5.7L3 8Z",
  };
  const KIND_WORDS = {
    net: "net",
    trap: "trap",
    light: "light",
    haul: "hauled net",
    current: "electric current",
    other: "other gear",
  };
  const STATES = ["caught", "nil", "unusable", "unrecorded", "other"];

  function element(name, attributes, parent) {
    const made = document.createElementNS(SVG, name);
    Object.keys(attributes).forEach((key) => made.setAttribute(key, attributes[key]));
    if (parent) parent.appendChild(made);
    return made;
  }

  /** Draw one mark as inline SVG. */
  function symbol(kind, state) {
    const outline = OUTLINES[kind] || OUTLINES.other;
    const svg = element("svg", {
      viewBox: "0 0 20 20",
      class: "rb-symbol rb-" + state,
      "aria-hidden": "true",
      focusable: "false",
    });
    if (state === "other") {
      element("circle", { cx: 10, cy: 10, r: 2.6, class: "rb-body" }, svg);
      return svg;
    }
    element("path", { d: outline, class: "rb-body" }, svg);
    if (state === "unusable") {
      element("path", { d: "M3.5 3.5L16.5 16.5M16.5 3.5L3.5 16.5", class: "rb-cross" }, svg);
    }
    return svg;
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
    marks: { symbol, stateOf, wordsOf, KIND_WORDS, STATES },
  });
})(window);
