"""Occurrence of a regional authority's records against a plain pandas groupby.

The peer merges catches with placements and groups by catchment and species: the same found
counts, but neither what was looked for in vain nor nested catchments nor intervals.
"""

import time

import numpy as np
import pandas as pd

from layers.estimates.occurrence import occurrence
from tests.sampling_frames import METHODS

PLACEMENTS, CATCHES, CATCHMENTS, SPECIES = 1_000_000, 3_000_000, 500, 60


def _frames(n: int, m: int) -> dict:
    random = np.random.default_rng(1)
    ids = pd.Index(np.char.add("p", np.arange(n).astype(str)), dtype="str", name="placement_id")
    reach = pd.Series(np.char.add("R", random.integers(0, 300_000, n).astype(str)), dtype="str")
    day = pd.to_timedelta(random.integers(0, 3_000, n), unit="D")
    species = pd.Index([f"Genus species{i:02d}" for i in range(SPECIES)], name="species")
    names = np.array([f"C{i:03d}" for i in range(CATCHMENTS)])
    # The first 50 hold ten others each.
    parents = [(c, p) for i, c in enumerate(names) for p in {c, names[i // 10 if i >= 50 else i]}]
    return {
        "placements": pd.DataFrame(
            {
                "method": pd.Series(random.choice(METHODS.index, n), dtype="str").to_numpy(),
                "outcome": pd.Series(random.choice(["caught", "nil"], n), dtype="str").to_numpy(),
                "set_at": pd.Timestamp("2017-01-01T12:00Z").as_unit("us") + day,
                "timezone": pd.Series(["Europe/Dublin"] * n, dtype="str").to_numpy(),
            },
            index=ids,
        ),
        "catches": pd.DataFrame(
            {
                "placement_id": ids[np.sort(random.integers(0, n, m))],
                "species": pd.Series(species[random.integers(0, SPECIES, m)], dtype="str"),
                "count": random.integers(1, 30, m).astype(float),
                "count_kind": pd.Series(
                    random.choice(["exact", "at_least"], m, p=[0.9, 0.1]), dtype="str"
                ),
            }
        ),
        "species": pd.DataFrame(
            {"rank": "species", "habitats": "stream", "detected_by": None}, index=species
        ),
        "place_of": pd.Series(names[random.integers(0, CATCHMENTS, n)], index=ids, dtype="str"),
        "ancestors": pd.DataFrame(parents, columns=["catchment_id", "ancestor_id"], dtype="str"),
        "snaps": pd.DataFrame({"reach_id": reach.to_numpy()}, index=ids),
        "effort": pd.DataFrame(
            {"placement_id": ids, "effort_unit": "trap_night", "effort": 1.0}
        ).astype({"effort_unit": "str"}),
    }


def _plain(frames: dict) -> pd.DataFrame:
    placements = frames["placements"]
    side = pd.DataFrame(
        {
            "catchment": frames["place_of"],
            "reach_id": frames["snaps"]["reach_id"],
            "set_at": placements["set_at"],
        }
    )
    joined = frames["catches"].join(side, on="placement_id")
    return joined.groupby(["catchment", "species"]).agg(
        placements_found=("placement_id", "nunique"),
        reaches_found=("reach_id", "nunique"),
        first_date=("set_at", "min"),
        last_date=("set_at", "max"),
        individuals=("count", "sum"),
    )


def _ours(frames: dict) -> pd.DataFrame:
    return occurrence(
        frames["placements"],
        frames["catches"],
        frames["species"],
        METHODS,
        place_of=frames["place_of"],
        ancestors=frames["ancestors"],
        snaps=frames["snaps"],
        effort=frames["effort"],
    )


def run(scale: float = 1.0) -> None:
    """Print seconds of the processor of both and their ratio; libraries are loaded before."""
    n, m = int(PLACEMENTS * scale), int(CATCHES * scale)
    for size in (1_000, n):
        frames = _frames(size, size * m // n)
        begin = time.process_time()
        plain = _plain(frames)
        middle = time.process_time()
        ours = _ours(frames)
        end = time.process_time()
    leaf = ours.set_index(["catchment", "species"]).loc[plain.index]
    outermost = leaf.index.get_level_values(0) >= "C050"  # hold no other catchment
    for column in ("placements_found", "reaches_found", "individuals"):
        if not (leaf.loc[outermost, column] == plain.loc[outermost, column]).all():
            raise AssertionError(column)
    ours_s, plain_s = end - middle, middle - begin
    print(
        f"occurrence, {n:,} placements, {m:,} catch rows: {ours_s:.2f} s; "
        f"pandas groupby of the found counts alone: {plain_s:.2f} s; ratio {ours_s / plain_s:.2f}"
    )


if __name__ == "__main__":
    run()
