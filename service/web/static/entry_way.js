/* The way along the stream from one place to another, on the reaches that a device has. */
import { apart, nearestReach } from "./entry_nearest.js";

const key = ([lon, lat]) => lon.toFixed(6) + " " + lat.toFixed(6);

function lines(features) {
  return features
    .filter((one) => one.geometry && one.geometry.type === "LineString")
    .map((one) => ({ id: String(one.id), path: one.geometry.coordinates }));
}

const length = (path) => path.slice(1).reduce((sum, at, place) => sum + apart(path[place], at), 0);

/** A line cut at its point nearest to `at`: both parts, from its beginning and to its end. */
function cut(path, at) {
  let best = null;
  for (let k = 1; k < path.length; k += 1) {
    const piece = [path[k - 1], path[k]];
    const found = nearestReach(
      [{ id: "", properties: {}, geometry: { type: "LineString", coordinates: piece } }],
      at,
    );
    if (!best || found.offset_m < best.far) best = { far: found.offset_m, k, on: found.snapped };
  }
  return [
    [...path.slice(0, best.k), best.on],
    [best.on, ...path.slice(best.k)],
  ];
}

/**
 * Length of the shortest way [m] along the lines, up or down, and its path as degrees; null where
 * the two places do not lie on connected reaches.
 */
export function wayAlong(features, from, to) {
  const all = lines(features);
  const [start, goal] = [nearestReach(features, from), nearestReach(features, to)];
  if (!start || !goal) return null;
  const edges = new Map();
  const put = (path) => {
    if (path.length < 2) return;
    const [a, b] = [key(path[0]), key(path[path.length - 1])];
    for (const [one, other, way] of [
      [a, b, path],
      [b, a, [...path].reverse()],
    ]) {
      if (!edges.has(one)) edges.set(one, []);
      edges.get(one).push([other, length(path), way]);
    }
  };
  for (const one of all) {
    let parts = [one.path];
    for (const [here, at] of [
      [start, from],
      [goal, to],
    ]) {
      if (here.reach_id !== one.id) continue;
      const near = parts.map((path) =>
        nearestReach(
          [{ id: "", properties: {}, geometry: { type: "LineString", coordinates: path } }],
          at,
        ),
      );
      const own = near[1] && near[1].offset_m < near[0].offset_m ? 1 : 0;
      const pieces = cut(parts[own], at);
      here.node = key(pieces[0][pieces[0].length - 1]);
      parts = [...parts.slice(0, own), ...pieces, ...parts.slice(own + 1)];
    }
    parts.forEach(put);
  }
  return shortest(edges, start.node, goal.node);
}

/* Dijkstra (1959); the reaches of one kept area are few. */
function shortest(edges, start, goal) {
  const far = new Map([[start, 0]]);
  const came = new Map();
  const open = new Set([start]);
  while (open.size) {
    let at = null;
    for (const one of open) if (at === null || far.get(one) < far.get(at)) at = one;
    open.delete(at);
    if (at === goal) break;
    for (const [other, metres, way] of edges.get(at) || []) {
      const sum = far.get(at) + metres;
      if (sum < (far.has(other) ? far.get(other) : Infinity)) {
        far.set(other, sum);
        came.set(other, [at, way]);
        open.add(other);
      }
    }
  }
  if (!far.has(goal)) return null;
  const path = [];
  for (let at = goal; at !== start; at = came.get(at)[0]) path.unshift(...came.get(at)[1]);
  return { length_m: far.get(goal), path };
}
