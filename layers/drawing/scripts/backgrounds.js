/* Backgrounds: pictures of the ground beneath the records, one at a time or none. The choice is in
   the address, so that a view can be sent. */
import { make } from "./elements.js";
import { corners } from "./screen_paths.js";

const NONE = "none";
const STRENGTH = 0.75; // so that marks and names stand out
const FINEST = 22; // a picture is shown larger than it is, but not without end

/** Layer of a background as service/web/page_maps.py describes it. */
function layerOf(one) {
  if (!one.zooms) return L.tileLayer(one.url, { attribution: one.attribution });
  return L.tileLayer(one.url, {
    attribution: one.attribution,
    opacity: STRENGTH,
    minNativeZoom: one.zooms[0],
    maxNativeZoom: one.zooms[1],
    maxZoom: FINEST,
    bounds: corners(one.bounds),
  });
}

function keep(name, usual) {
  const address = new URL(window.location.href);
  if (name === usual) address.searchParams.delete("background");
  else address.searchParams.set("background", name);
  window.history.replaceState(null, "", address);
  document.dispatchEvent(new Event("questionchange"));
}

/** Draw the background that the address chooses, else the first of `list`. Returns null where
    there is none, else `field`, in which another is chosen, `chosen`, the description of the one
    that is drawn, and `prefer`, which draws another where the address chooses none. */
export function showBackground(map, list) {
  if (!list || !list.length) return null;
  const byName = new Map(list.map((one) => [one.name, one]));
  const inAddress = new URLSearchParams(window.location.search).get("background");
  const known = (name) => name === NONE || byName.has(name);
  const select = make("select");
  let name = known(inAddress) ? inAddress : list[0].name;
  let layer = null;
  const draw = () => {
    if (layer) layer.remove();
    layer = name === NONE ? null : layerOf(byName.get(name)).addTo(map);
    select.value = name;
  };
  [...byName.keys(), NONE].forEach((each) => select.append(new Option(each, each)));
  select.addEventListener("change", () => {
    name = select.value;
    draw();
    keep(name, list[0].name);
  });
  draw();
  const field = make("label", "Background ", "rb-field rb-background");
  field.append(select);
  return {
    field,
    chosen: () => byName.get(name),
    prefer(other) {
      if (known(inAddress) || !byName.has(other) || other === name) return;
      name = other;
      draw();
    },
  };
}
