/* Colours of colours.css, for what is drawn on a canvas. */

/** The colour of a name, as `water`. */
export function colour(name) {
  return getComputedStyle(document.documentElement)
    .getPropertyValue("--" + name)
    .trim();
}
