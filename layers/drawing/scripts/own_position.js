/* Own position: where the device says that it is. It is drawn here, and sent nowhere. */
import { colour } from "./colours.js";
import { button, make } from "./elements.js";
import { formatNumber } from "./numbers.js";

function crossAt(at) {
  const icon = L.divIcon({ className: "rb-own", html: make("span"), iconSize: [34, 34] });
  return L.marker(at, { icon, interactive: false, keyboard: false, pane: "rb-own" });
}

/** Button that shows the own position and follows it, until it is pressed again. */
export function ownPositionControl(say) {
  const Own = L.Control.extend({
    options: { position: "bottomright" },
    onAdd(map) {
      const bar = L.DomUtil.create("div", "leaflet-bar rb-own-bar");
      const what = { title: "My position", "aria-label": "My position", "aria-pressed": "false" };
      const pressed = button(make("span"), () => turn(!on), what);
      bar.append(pressed);
      L.DomEvent.disableClickPropagation(bar);
      const drawn = L.layerGroup().addTo(map);
      let on = false;
      let first = true;
      const turn = (to) => {
        on = first = to;
        pressed.setAttribute("aria-pressed", String(to));
        drawn.clearLayers();
        if (to) map.locate({ watch: true, enableHighAccuracy: true });
        else map.stopLocate();
      };
      map.on("locationfound", (event) => {
        if (!on) return;
        drawn.clearLayers();
        L.circle(event.latlng, {
          radius: event.accuracy,
          pane: "rb-own",
          interactive: false,
          color: colour("ink"),
          weight: 1,
          dashArray: "4 4",
          fill: false,
        }).addTo(drawn);
        crossAt(event.latlng).addTo(drawn);
        pressed.title = "My position, within " + formatNumber(event.accuracy, 0) + " m";
        if (first) map.setView(event.latlng, Math.max(map.getZoom(), 14));
        first = false;
      });
      map.on("locationerror", (event) => {
        turn(false);
        say(
          event.code === 1
            ? "Your position is not shown, since this browser was not allowed to read it."
            : "Your position could not be found.",
        );
      });
      return bar;
    },
  });
  return new Own();
}
