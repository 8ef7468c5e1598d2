/* The nearest of some reaches, on a plane around the place: good to a metre within a kilometre. */

/** Metres between two places a few metres or kilometres apart, on a sphere. */
export function apart([lon1, lat1], [lon2, lat2]) {
  const metres = (Math.PI / 180) * 6371008.8;
  const east = (lon2 - lon1) * Math.cos((((lat1 + lat2) / 2) * Math.PI) / 180);
  return metres * Math.hypot(east, lat2 - lat1);
}

/** Nearest point of a segment to the origin, all in metres. */
function nearestOf([x1, y1], [x2, y2]) {
  const [dx, dy] = [x2 - x1, y2 - y1];
  const square = dx * dx + dy * dy;
  const part = square ? Math.max(0, Math.min(1, -(x1 * dx + y1 * dy) / square)) : 0;
  return [x1 + part * dx, y1 + part * dy];
}

/**
 * Of GeoJSON lines the one nearest to a place; of those named `stream`, where any is. Gives
 * `reach_id`, `stream_name`, `offset_m`, the point `snapped` and what a kept area says
 * of the last visit, `visited`; null where there are none.
 */
export function nearestReach(features, at, stream) {
  const own = features.filter((one) => stream && one.properties.stream_name === stream);
  const north = (Math.PI / 180) * 6371008.8;
  const east = north * Math.cos((at[1] * Math.PI) / 180);
  const plane = ([lon, lat]) => [(lon - at[0]) * east, (lat - at[1]) * north];
  let best = null;
  for (const one of own.length ? own : features) {
    const lines =
      one.geometry.type === "MultiLineString"
        ? one.geometry.coordinates
        : [one.geometry.coordinates];
    for (const line of lines) {
      const path = line.map(plane);
      for (let k = 1; k < path.length; k += 1) {
        const [x, y] = nearestOf(path[k - 1], path[k]);
        const far = Math.hypot(x, y);
        if (!best || far < best.far)
          best = { far, one, snapped: [at[0] + x / east, at[1] + y / north] };
      }
    }
  }
  return best
    ? {
        reach_id: String(best.one.id),
        stream_name: best.one.properties.stream_name,
        offset_m: Math.round(best.far * 10) / 10,
        snapped: best.snapped,
        visited: best.one.properties.visited || "",
      }
    : null;
}
