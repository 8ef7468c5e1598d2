/* Whether a map may move slowly: not for somebody whose system asks for less motion. */
export const still = window.matchMedia("(prefers-reduced-motion: reduce)").matches;

if (still) {
  const panBy = L.Map.prototype.panBy;
  L.Map.mergeOptions({
    fadeAnimation: false,
    inertia: false,
    markerZoomAnimation: false,
    zoomAnimation: false,
  });
  L.Map.include({
    panBy(by, options) {
      return panBy.call(this, by, { ...options, animate: false });
    },
  });
}
