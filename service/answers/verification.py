"""Looking a store over: whether the file is sound and what was derived still follows."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from layers.crs import crs_key
from layers.network.length_scale import REFUSED_SHARE, unfitting_crs
from layers.plurals import counted
from service import reference
from service.records import Selection
from service.reference.placing import place_on_network

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    import pandas as pd

    from service.store import Store

__all__ = ["place_anew", "verify"]

# Computed anew on the same machine, measures repeat to the last bit; across libraries they may
# differ by rounding. A tenth of a millimetre distinguishes one from the other.
_SAME_M: Final = 1e-4
_MOST_NAMED: Final = 10
_MEASURES: Final = ["measure_m", "offset_m", "snapped_x", "snapped_y"]


@dataclass(frozen=True)
class Verdict:
    """What looking a store over found, in words: what was looked at, and what is wrong."""

    checked: tuple[str, ...]
    faults: tuple[str, ...]

    @property
    def only_derived(self) -> bool:
        """Whether nothing is wrong but snaps and stretches, which follow from the rest."""
        return all(fault.startswith(("snap: ", "stretch: ", "… ")) for fault in self.faults)


def verify(store: Store, *, progress: Callable[[str], None] | None = None) -> Verdict:
    """Look at the file, its references, its history, and what was derived from the records.

    Where `store.faults` finds the file sound, every snap and stretch is computed anew and compared.
    """
    say = progress or (lambda _: None)
    say("file, references, GeoPackage rules, history")
    faults = list(store.faults())
    checked = ["integrity, foreign keys, GeoPackage rules, guards, history against tables"]
    if not faults:
        say("lengths")
        faults += _length_faults(store)
        checked.append("lengths of reaches against the ellipsoid")
        say("snaps and stretches")
        placements, found = 0, []
        named: dict[str, set[str]] = {}
        for count, faults_here in _derived_faults(store, named):
            placements += count
            found += faults_here
            say(f"snaps and stretches of {counted(placements, 'placement')}")
        faults += _shortened(found)
        faults += _operation_faults(store, named)
        checked += [
            f"transformation from {source}, which is {way.name}"
            for source, way in store.operations().items()
        ]
        checked.append(f"snaps and stretches of {counted(placements, 'placement')}, computed anew")
    return Verdict(tuple(checked), tuple(faults))


def place_anew(store: Store) -> None:
    """Snap every placement and cut every stretch anew, by the rules of this version."""
    with store.together():
        records = store.records(Selection())
        placed = place_on_network(
            records.placements,
            reference.network(store),
            reference.methods(store),
            tolerance_m=store.settings.snap_tolerance_m,
        )
        store.replace_places(placed.snaps, placed.stretches, placed.flags)


def _shortened(faults: list[str]) -> list[str]:
    if len(faults) <= _MOST_NAMED:
        return faults
    return [*faults[:_MOST_NAMED], f"… and {len(faults) - _MOST_NAMED} more like these"]


def _operation_faults(store: Store, named: dict[str, set[str]]) -> Iterator[str]:
    """Placements of one CRS that came by several operations, or not by that of the network."""
    kept = store.operations()
    for source, names in named.items():
        used = names | ({kept[source].name} if source in kept else set())
        if len(used) > 1:
            yield (
                f"transformation: places from {source} came by {len(used)} operations, "
                f"{', '.join(sorted(used))}, and may lie metres apart; export them with "
                "--audience precise and import them into a new store"
            )


def _length_faults(store: Store) -> Iterator[str]:
    """Lengths that the store's CRS makes too long or too short."""
    reaches = store.reaches()
    found = unfitting_crs(reaches.geometry, reaches.crs) if len(reaches) else None
    if found is not None and found[0].share > REFUSED_SHARE:
        yield f"length: {found[1]}"


def _derived_faults(store: Store, named: dict[str, set[str]]) -> Iterator[tuple[int, list[str]]]:
    methods = reference.methods(store)
    network = reference.network(store)
    tolerance = store.settings.snap_tolerance_m
    for records in store.record_chunks(Selection()):
        anew = place_on_network(records.placements, network, methods, tolerance_m=tolerance)
        known = records.placements[["original_crs", "transformation"]].dropna()
        for source, name in known.drop_duplicates().itertuples(index=False):
            named.setdefault(crs_key(source), set()).add(name)
        faults = _snap_faults(records.snaps, anew.snaps)
        faults += _stretch_faults(records.stretches, anew.stretches)
        yield len(records.placements), faults


def _snap_faults(stored: pd.DataFrame, anew: pd.DataFrame) -> list[str]:
    missing = anew.index.difference(stored.index)
    faults = [f"snap: placement {name} has none; load the network again" for name in missing]
    both = stored.index.intersection(anew.index)
    old, new = stored.loc[both], anew.loc[both]
    reach, other = old["reach_id"].fillna(""), new["reach_id"].fillna("")
    moved = (reach != other).to_numpy(bool)
    far = ~np.isclose(
        old[_MEASURES].to_numpy(float), new[_MEASURES].to_numpy(float),
        rtol=0, atol=_SAME_M, equal_nan=True,
    ).all(axis=1)  # fmt: skip
    doubt = (old["ambiguous"].astype(bool) != new["ambiguous"].astype(bool)).to_numpy()
    return faults + [
        f"snap: placement {name} is stored on {was or 'no reach'}, but computed anew it lies on "
        f"{now or 'no reach'} or elsewhere on it"
        for name, was, now in zip(
            both[moved | far | doubt], reach[moved | far | doubt], other[moved | far | doubt],
            strict=True,
        )
    ]  # fmt: skip


def _stretch_faults(stored: pd.DataFrame, anew: pd.DataFrame) -> list[str]:
    keys = ["placement_id", "reach_id", "from_m", "to_m"]
    sides = []
    for frame in (stored, anew):
        side = frame[keys].copy()
        side[["from_m", "to_m"]] = (side[["from_m", "to_m"]] / _SAME_M).round()
        sides.append(side.drop_duplicates())
    # Rounding may fall to either side of a step, so a step of difference is none.
    merged = sides[0].merge(
        sides[1], on=["placement_id", "reach_id"], how="outer", suffixes=("", "_anew")
    )
    apart = (merged["from_m"] - merged["from_m_anew"]).abs().le(1) & (
        merged["to_m"] - merged["to_m_anew"]
    ).abs().le(1)
    matched = merged[apart]
    faults = []
    for side, start, end, words in (
        (sides[0], "from_m", "to_m", "is stored, but does not follow from the network"),
        (sides[1], "from_m_anew", "to_m_anew", "follows from the network, but is not stored"),
    ):
        pairs = matched[["placement_id", "reach_id", start, end]].set_axis(keys, axis=1)
        lone = side.merge(pairs.drop_duplicates(), on=keys, how="left", indicator=True)
        lone = lone[lone["_merge"] == "left_only"]
        faults += [
            f"stretch: placement {name} on reach {reach}, {begin * _SAME_M:.1f} to "
            f"{stop * _SAME_M:.1f} m, {words}"
            for name, reach, begin, stop in lone[keys].itertuples(index=False, name=None)
        ]
    return faults
