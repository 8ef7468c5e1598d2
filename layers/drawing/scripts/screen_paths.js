/* Screen paths: turn steps in half pixels of the web map grid back into positions.
   How they are written: layers/drawing/screen_lines.py. */

/** Positions of one path `[x, y, dx, dy, …]` written at `zoom`. */
export function positions(path, zoom) {
  const size = 512 * Math.pow(2, zoom); // half pixels around the world
  const found = [];
  let x = 0;
  let y = 0;
  for (let at = 0; at + 1 < path.length; at += 2) {
    x += path[at];
    y += path[at + 1];
    const north = Math.PI * (1 - (2 * y) / size);
    found.push([(Math.atan(Math.sinh(north)) * 180) / Math.PI, (x / size) * 360 - 180]);
  }
  return found;
}

/** Corners of a box as a map takes them; one across 180 degrees goes on to the east. */
export function corners([west, south, east, north]) {
  return [
    [south, west],
    [north, east >= west ? east : east + 360],
  ];
}

/** Edges of a view for an address: west, south, east, north. */
export function edges(bounds) {
  return [
    Math.max(bounds.getWest(), -180),
    Math.max(bounds.getSouth(), -90),
    Math.min(bounds.getEast(), 180),
    Math.min(bounds.getNorth(), 90),
  ]
    .map((edge) => edge.toFixed(5))
    .join(",");
}
