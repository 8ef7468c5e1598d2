/* Marks: one shape per kind of gear, the letters of its method in it, one filling per outcome.
   Never distinguished by colour alone. */
import { svgElement } from "./elements.js";

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
export const STATES = ["caught", "nil", "unusable", "unrecorded", "other"];

/** Draw one mark as inline SVG, with the letters of its method where they are known. */
export function symbol(kind, state, sign) {
  const outline = OUTLINES[kind] || OUTLINES.other;
  const svg = svgElement("svg", {
    viewBox: "0 0 24 24",
    class: "rb-symbol rb-" + state,
    "aria-hidden": "true",
    focusable: "false",
  });
  if (state === "other") {
    svgElement("circle", { cx: 12, cy: 12, r: 3.1, class: "rb-body" }, svg);
    return svg;
  }
  svgElement("path", { d: outline, class: "rb-body" }, svg);
  if (state === "unusable") {
    svgElement("path", { d: "M3 3L21 21M21 3L3 21", class: "rb-cross" }, svg);
  }
  if (sign) {
    const letters = {
      x: 12,
      y: FEET[kind] || FOOT,
      class: "rb-sign" + (sign.length > 1 ? " rb-two" : ""),
    };
    svgElement("text", letters, svg).textContent = sign;
  }
  return svg;
}

/** Part of a ring between two shares of the circle. */
function arc(from, to, radius) {
  const point = (share) => {
    const angle = 2 * Math.PI * share - Math.PI / 2;
    return (radius * Math.cos(angle)).toFixed(2) + " " + (radius * Math.sin(angle)).toFixed(2);
  };
  const end = Math.min(to, from + 0.9999);
  const large = end - from > 0.5 ? 1 : 0;
  return `M${point(from)}A${radius} ${radius} 0 ${large} 1 ${point(end)}`;
}

function short(count) {
  if (count < 1000) return String(count);
  const thousands = count / 1000;
  return (thousands < 9.95 ? thousands.toFixed(1) : thousands.toFixed(0)) + "k";
}

/** Half the side of the sign of many placements, in pixels; with room around it for a square or
    the ring of gear in the water. */
export function halfOfMany(total, around) {
  return Math.min(26, 13 + 3.4 * Math.log10(total)) + (around ? 5 : 2);
}

/** Room for a sign around its place. */
function canvas(half) {
  return svgElement("svg", {
    viewBox: [-half, -half, 2 * half, 2 * half].join(" "),
    width: 2 * half,
    height: 2 * half,
    class: "rb-cell",
    "aria-hidden": "true",
    focusable: "false",
  });
}

/** Gear in the water: a broken ring, how many where they are several, darker where overdue. */
export function standing(count, late) {
  const half = count > 1 ? halfOfMany(count) : 12;
  const svg = canvas(half);
  const body = "rb-standing" + (late ? " rb-standing-late" : "");
  svgElement("circle", { r: half - 2, class: body }, svg);
  if (count > 1) {
    svgElement("text", { y: "0.36em", "text-anchor": "middle" }, svg).textContent = short(count);
  }
  return { svg, size: 2 * half };
}

/** Many placements as one sign: how many, and the shares of their states around it. What lies in
    closed squares, alone or among others, has a square around it; gear in the water among them
    is a broken ring around it. */
export function many(counts, states, closed, standing) {
  const total = counts.reduce((sum, n) => sum + n, 0);
  const half = halfOfMany(total, closed || standing);
  const radius = half - (closed || standing ? 5 : 2);
  const svg = canvas(half);
  if (closed) {
    const side = 2 * half - 2;
    svgElement(
      "rect",
      { x: 1 - half, y: 1 - half, width: side, height: side, class: "rb-cell-closed" },
      svg,
    );
  }
  if (standing) svgElement("circle", { r: half - 1.5, class: "rb-standing-ring" }, svg);
  svgElement("circle", { r: radius, class: "rb-cell-body" }, svg);
  let from = 0;
  counts.forEach((count, n) => {
    if (!count) return;
    const to = from + count / total;
    svgElement("path", { d: arc(from, to, radius - 2.5), class: "rb-cell-" + states[n] }, svg);
    from = to;
  });
  svgElement("text", { y: "0.36em", "text-anchor": "middle" }, svg).textContent = short(total);
  return { svg, size: 2 * half, total };
}

/** What the legend knows of each method, by its name. */
export function byMethod(methods) {
  return Object.fromEntries(methods.map((row) => [row.method, row]));
}

/** What a placement says: about one species when `species` is chosen, else about any. */
export function stateOf(placement, species, detects) {
  if (placement.state) return placement.state; // the server has judged
  if (placement.outcome === "lost" || placement.outcome === "disturbed") return "unusable";
  const caught = placement.catch || [];
  if (species ? caught.some((row) => row.species === species) : caught.length) return "caught";
  if (placement.outcome !== "caught" && placement.outcome !== "nil") return "unrecorded";
  if (!species) return placement.outcome;
  const methods = detects[species];
  return !methods || methods.includes(placement.method) ? "nil" : "other";
}

export function wordsOf(species) {
  return {
    caught: species ? "caught " + species : "caught something",
    nil: species ? "fished, " + species + " not caught" : "fished, nothing caught",
    unusable: "gear lost or disturbed",
    unrecorded: "catch not recorded",
    other: "fished by gear that does not detect " + species,
  };
}
