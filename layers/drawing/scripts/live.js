/* Live: a map that fetches what is in view, placements one by one or counts where they are many.
   The answers are described in service/answers/map_views.py. */
import { fetchJson, unlessNoAnswer } from "./fetching.js";
import { positions } from "./screen_paths.js";

function collection(features) {
  return { type: "FeatureCollection", features };
}

function feature(type, coordinates, properties, id) {
  return { type: "Feature", id, geometry: { type, coordinates }, properties };
}

/** Longitudes and latitudes of a path, as GeoJSON wants them. */
function way(path, zoom) {
  return positions(path, zoom).map((at) => [at[1], at[0]]);
}

export function readLines(answer) {
  const { reaches, catchments, zoom } = answer;
  const drawn = (paths, make) =>
    paths.map((path, at) => (path.length ? make(way(path, zoom), at) : null)).filter(Boolean);
  return {
    least: answer.least_order,
    reaches: collection(
      drawn(reaches.path, (line, at) =>
        feature(
          "LineString",
          line,
          {
            strahler: reaches.order[at],
            kind: reaches.kind[at],
            stream_name: reaches.names[reaches.name[at]],
          },
          reaches.id[at],
        ),
      ),
    ),
    catchments: collection(
      drawn(catchments.path, (ring, at) =>
        feature("LineString", ring, { name: catchments.name[at] }, catchments.id[at]),
      ),
    ),
  };
}

export function readPlacements(gear) {
  return (answer) => {
    const read = { total: answer.total, states: answer.states };
    read.stretches = collection(
      (answer.stretches || [])
        .filter((path) => path.length)
        .map((path) => feature("LineString", way(path, answer.zoom), {})),
    );
    const { squares, cells, placements: rows } = answer;
    read.squares = collection(
      squares.rings.map((rings, n) =>
        feature("MultiLineString", rings, { generalised_km: squares.side_km[n] }),
      ),
    );
    const named = (looked) =>
      Object.fromEntries(
        Object.entries(looked).map(([name, n]) => [(gear[name] || {}).label || name, n]),
      );
    read.closed = squares.at.map((at, n) => ({
      at: L.latLng(at[1], at[0]),
      side_km: squares.side_km[n],
      counts: squares.counts[n],
      gear: named(squares.looked[n]),
      found: squares.found[n],
      years: squares.years[n],
    }));
    read.cells = cells.at.map((at, n) => ({
      at: L.latLng(at[1], at[0]),
      edges: cells.edges[n],
      counts: cells.counts[n],
      closed: Boolean(cells.closed[n]),
    }));
    read.features = rows.id.map((id, n) => {
      const row = gear[rows.method[n]] || {};
      const foot = rows.snapped[n];
      return feature("Point", rows.at[n], {
        placement_id: id,
        method: rows.method[n],
        method_label: row.label,
        gear_kind: row.gear_kind,
        state: answer.states[rows.state[n]],
        ambiguous: Boolean(rows.ambiguous[n]),
        snapped_longitude: foot ? foot[0] : null,
        snapped_latitude: foot ? foot[1] : null,
      });
    });
    return read;
  };
}

/** Where a map begins, from the address; and keep it there, so that a view can be sent. */
export function keepView(map) {
  const at = /^#(\d+(?:\.5)?)\/(-?\d+(?:\.\d+)?)\/(-?\d+(?:\.\d+)?)$/.exec(window.location.hash);
  if (at) map.setView([Number(at[2]), Number(at[3])], Number(at[1]), { animate: false });
  map.on("moveend", () => {
    const middle = map.getCenter().wrap();
    const view = [map.getZoom(), middle.lat.toFixed(5), middle.lng.toFixed(5)].join("/");
    window.history.replaceState(null, "", "#" + view);
  });
}

/** Keep the gear that is switched on in the address, so that it is part of the question. */
export function keepGear(methods, hidden) {
  const on = methods.map((row) => row.method).filter((name) => !hidden.has(name));
  const address = new URL(window.location.href);
  address.searchParams.delete("method");
  const kept = on.length ? on : ["none"]; // `NO_GEAR` in service/records.py
  if (hidden.size) kept.forEach((name) => address.searchParams.append("method", name));
  window.history.replaceState(null, "", address);
  document.dispatchEvent(new Event("questionchange"));
}

/** Tell a position in the CRS of the records, once the pointer rests. */
export function positionTeller(address) {
  let waiting = 0;
  let turn = 0;
  return (at, show) => {
    window.clearTimeout(waiting);
    const own = (turn += 1);
    waiting = window.setTimeout(() => {
      fetchJson(address, {
        query: { longitude: at.lng.toFixed(6), latitude: at.lat.toFixed(6) },
      }).then(
        (answer) => own === turn && show(answer.position),
        unlessNoAnswer(() => {}), // degrees are still shown
      );
    }, 250);
  };
}
