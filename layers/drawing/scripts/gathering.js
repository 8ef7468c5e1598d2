/* Gathering: marks that would hide one another on the screen become one, from the first crowding
   on. Positions are pixels at one zoom, so that moving the map changes nothing. */

const GAP_PX = 2; // left free between two marks
const SIDE_PX = 72; // of the squares by which neighbours are found; no mark is larger

/**
 * Gather things with `x`, `y` [px] and `count` until the boxes of no two overlap.
 *
 * `halfOf(members)` gives half the side of the mark for some of them. Whatever stands in one
 * place comes together at once; then each mark joins the nearest one that it overlaps, and the
 * two stand in the middle of all that they count. Returns `x`, `y`, `members` of each.
 */
export function gather(things, halfOf) {
  const groups = new Set();
  const places = new Map();
  things.forEach((one) => {
    const place = one.x.toFixed(1) + "," + one.y.toFixed(1);
    if (places.has(place)) places.get(place).push(one);
    else places.set(place, [one]);
  });
  const made = (members, x, y) => {
    const count = members.reduce((sum, one) => sum + one.count, 0);
    return { members, x, y, count, half: halfOf(members) + GAP_PX / 2 };
  };
  const waiting = [...places.values()].map((members) => made(members, members[0].x, members[0].y));
  const squares = new Map();
  const key = (x, y) => Math.floor(x / SIDE_PX) + "," + Math.floor(y / SIDE_PX);
  const put = (one) => {
    groups.add(one);
    const own = key(one.x, one.y);
    if (!squares.has(own)) squares.set(own, new Set());
    squares.get(own).add(one);
  };
  const take = (one) => {
    groups.delete(one);
    squares.get(key(one.x, one.y)).delete(one);
  };
  const nearestOver = (one) => {
    let nearest = null;
    let least = Infinity;
    for (let across = -1; across <= 1; across += 1) {
      for (let down = -1; down <= 1; down += 1) {
        (squares.get(key(one.x + across * SIDE_PX, one.y + down * SIDE_PX)) || []).forEach(
          (other) => {
            const wide = Math.abs(one.x - other.x);
            const high = Math.abs(one.y - other.y);
            if (Math.max(wide, high) >= one.half + other.half) return;
            if (wide * wide + high * high >= least) return;
            nearest = other;
            least = wide * wide + high * high;
          },
        );
      }
    }
    return nearest;
  };
  while (waiting.length) {
    const one = waiting.pop();
    const other = nearestOver(one);
    if (!other) {
      put(one);
      continue;
    }
    take(other);
    const share = one.count / (one.count + other.count);
    waiting.push(
      made(
        [...other.members, ...one.members],
        other.x + (one.x - other.x) * share,
        other.y + (one.y - other.y) * share,
      ),
    );
  }
  return [...groups];
}
