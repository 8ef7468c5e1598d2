"""Union of 1,000,000 stretches on 300,000 reaches against Shapely, reach by reach."""

from time import perf_counter

import numpy as np
import shapely

from layers.network.intervals import union_intervals

STRETCHES = 1_000_000
REACHES = 300_000


def run(scale: float = 1.0) -> None:
    """Print both times, their ratio, and that the lengths agree."""
    n_stretches = int(STRETCHES * scale)
    n_reaches = int(REACHES * scale)
    rng = np.random.default_rng(20240601)
    reach = rng.integers(0, n_reaches, n_stretches)
    from_m = rng.uniform(0, 900, n_stretches)
    to_m = from_m + rng.uniform(10, 200, n_stretches)

    times = []
    for _ in range(3):
        start = perf_counter()
        joined = union_intervals(reach, from_m, to_m)
        times.append(perf_counter() - start)
    ours = min(times)

    start = perf_counter()
    order = np.argsort(reach, kind="stable")
    xy = np.zeros((n_stretches, 2, 2))
    xy[:, 0, 0], xy[:, 1, 0] = from_m[order], to_m[order]
    lines = shapely.linestrings(xy)
    cuts = np.flatnonzero(np.diff(reach[order])) + 1
    total = sum(shapely.unary_union(own).length for own in np.split(lines, cuts))
    theirs = perf_counter() - start

    difference = abs(total - joined.length_m.sum()) / total
    print(
        f"interval union: {n_stretches:,} stretches on {n_reaches:,} reaches: {ours:.3f} s; "
        f"shapely.unary_union per reach {theirs:.2f} s; ratio {theirs / ours:.0f}x; "
        f"lengths differ by {difference:.1e}"
    )


if __name__ == "__main__":
    run()
