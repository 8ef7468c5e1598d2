/* Areas on a map: catchments with their names, and the closed cells of a grid. */
import { colour } from "./colours.js";
import { make } from "./elements.js";

/** Names of catchments, largest first, where they fit and do not run into each other. */
function nameLayer(map, shapes) {
  const group = L.layerGroup();
  const named = shapes.filter((shape) => shape.feature.properties.name !== "");
  const sized = named.map((shape) => {
    const box = shape.getBounds();
    const text = String(shape.feature.properties.name || shape.feature.id);
    return { box, text, at: box.getCenter() };
  });
  const write = () => {
    group.clearLayers();
    const taken = [];
    const view = map.getBounds();
    sized
      .filter((one) => view.contains(one.at))
      .map((one) => {
        const low = map.latLngToLayerPoint(one.box.getSouthWest());
        const high = map.latLngToLayerPoint(one.box.getNorthEast());
        return Object.assign({ room: high.x - low.x, wide: one.text.length * 7 }, one);
      })
      .filter((one) => one.room > one.wide)
      .sort((a, b) => b.room - a.room)
      .slice(0, 200)
      .forEach((one) => {
        const middle = map.latLngToLayerPoint(one.at);
        const half = L.point(one.wide / 2 + 6, 11);
        const room = L.bounds(middle.subtract(half), middle.add(half));
        if (taken.some((other) => other.intersects(room))) return;
        taken.push(room);
        L.marker(one.at, {
          icon: L.divIcon({
            className: "rb-name",
            html: make("span", one.text),
            iconSize: null,
          }),
          interactive: false,
          keyboard: false,
          pane: "rb-names",
        }).addTo(group);
      });
  };
  group.on("add", () => {
    map.on("moveend", write);
    write();
  });
  group.on("remove", () => map.off("moveend", write));
  return group;
}

/** Outlines of catchments, with their names. */
export function catchmentLayer(map, collection) {
  const outlines = L.geoJSON(collection, {
    pane: "rb-catchments",
    interactive: false,
    style: () => ({ color: colour("ridge"), weight: 1.4, dashArray: "2 5", fill: false }),
  });
  return L.layerGroup([outlines, nameLayer(map, outlines.getLayers())]);
}

/** Closed cells of a grid: one sign in the middle says what was found somewhere in each. */
export function squareLayer(collection) {
  return L.geoJSON(collection, {
    pane: "rb-squares",
    interactive: false,
    style: () => ({ color: colour("cell"), weight: 2, dashArray: "7 5", fill: false }),
  });
}
