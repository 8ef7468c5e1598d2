"""The picture: all records that figures are computed from, as one kind of viewer sees them.

It lies in memory as frames of codes and numbers, column by column. A write changes the rows that
it touched and leaves the others; nothing is read anew for one form. That of the public is made of
what the gate shows and of nothing else.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any, Final

import geopandas as gpd
import numpy as np
import pandas as pd

from layers.coded import coded, coded_labels, joined, used_words
from layers.drawing.map_columns import MapColumns
from layers.drawing.screen_lines import grid_positions
from layers.fieldwork.generalising import positions
from layers.fieldwork.looking import catch_numbers, local_dates
from layers.frames import OUTCOMES, codes_within
from service.records import Records

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from layers.arrays import Bools, Ints
    from service.records import Selection

__all__ = ["Picture", "joined_picture", "picture_of"]

OWNED: Final = ("catches", "lengths", "snaps", "stretches")
# Columns that stay codes where summaries read them.
CODED: Final = ("species", "count_kind", "reach_id")
NEVER, BEFORE_ALL = np.int32(2**31 - 1), np.int32(-(2**31))


@dataclass(frozen=True)
class Picture:
    """All placements that are shown, with what belongs to them; n of them.

    Attributes
    ----------
    rows
        Row of each placement in the store; never shown, (n,).
    placements
        As `service.access.gate` gives them, words coded, and `catchment_id`, the smallest
        catchment that surely contains the place of each.
    beside
        `first_day`, `last_day`: local day of setting in days since 1970, twice, or the first and
        last day of its year where only that is shown; where none is known the first is after the
        last. `x`, `y`, the place as shown [m]; `grid_x`, `grid_y`, `snapped_grid_x`,
        `snapped_grid_y`, that and the place on the reach on the grid of the web map.
    owned
        Catches, lengths, snaps and stretches by `owner`, the place of their placement, in order.
    """

    rows: Ints
    placements: gpd.GeoDataFrame
    beside: pd.DataFrame
    owned: dict[str, pd.DataFrame]

    @cached_property
    def records(self) -> Records:
        """The same as frames that summaries read; without flags.

        Words are text, but for those of many rows that are grouped by: `CODED`.
        """
        names = self.placements.index
        own = {name: _by_placement(_worded(frame), names) for name, frame in self.owned.items()}
        owner = self.owned["snaps"]["owner"].to_numpy()
        whole = len(owner) == len(names)  # then rows are looked up by nobody
        own["snaps"] = own["snaps"].drop(columns="placement_id")
        own["snaps"].index = names if whole else names.take(owner)
        own["catches"].index.name = "catch_id"
        columns = ["placement_id", "code", "column", "value", "message"]
        flags = pd.DataFrame(columns=columns, dtype="str")
        return Records(placements=_worded(self.placements), flags=flags, **own)

    def chosen(self, selection: Selection) -> Bools | None:
        """Which placements a selection means, by what is shown of each; None = all.

        As `service.store` chooses: places in catchments, hours and species are not looked at.
        """
        keep = np.ones(len(self.rows), bool)
        placements = self.placements
        for column, names in (("survey", selection.surveys), ("method", selection.methods)):
            if names:
                keep &= placements[column].isin(names).to_numpy(bool)
        if selection.since is not None:
            keep &= self._dated & (self.beside["last_day"] >= _day(selection.since)).to_numpy()
        if selection.until is not None:
            keep &= self._dated & (self.beside["first_day"] <= _day(selection.until)).to_numpy()
        if selection.bbox is not None:
            low_x, low_y, high_x, high_y = selection.bbox
            x, y = self.beside["x"].to_numpy(), self.beside["y"].to_numpy()
            keep &= (low_x <= x) & (x <= high_x) & (low_y <= y) & (y <= high_y)
        return None if keep.all() else keep

    @property
    def _dated(self) -> Bools:
        return (self.beside["first_day"] <= self.beside["last_day"]).to_numpy()

    def map_columns(self) -> MapColumns:
        """All that a map of any size is drawn from."""
        placements, beside, own = self.placements, self.beside, self.owned
        n = len(self.rows)
        snaps, stretches, catches = own["snaps"], own["stretches"], own["catches"]
        ambiguous = np.zeros(n, bool)
        ambiguous[snaps["owner"]] = snaps["ambiguous"].to_numpy(bool)
        side = placements.get("generalised_km", pd.Series(0.0, placements.index))
        fish = catches[catch_numbers(catches)[0] > 0]
        return MapColumns(
            names=placements.index,
            xy=beside[["x", "y"]].to_numpy(),
            grid_xy=beside[["grid_x", "grid_y"]].to_numpy(),
            square_km=side.fillna(0.0).to_numpy().astype(np.int16),
            outcome=codes_within(placements["outcome"], pd.Index(OUTCOMES)).astype(np.int8),
            method=_codes(placements["method"]),
            survey=_codes(placements["survey"]),
            first_day=beside["first_day"].to_numpy(),
            last_day=beside["last_day"].to_numpy(),
            snapped_grid_xy=beside[["snapped_grid_x", "snapped_grid_y"]].to_numpy(),
            ambiguous=ambiguous,
            caught_by=fish["owner"].to_numpy(),
            caught=_codes(fish["species"]),
            stretch_by=stretches["owner"].to_numpy(),
            stretch_reach=_codes(stretches["reach_id"]),
            stretch_from_m=stretches["from_m"].to_numpy(),
            stretch_to_m=stretches["to_m"].to_numpy(),
            methods=tuple(placements["method"].cat.categories),
            surveys=tuple(placements["survey"].cat.categories),
            species=tuple(catches["species"].cat.categories),
            reaches=tuple(stretches["reach_id"].cat.categories),
        )


def _worded(frame: pd.DataFrame) -> pd.DataFrame:
    coded_ones = frame.select_dtypes("category").columns.drop(list(CODED), errors="ignore")
    return frame.astype(dict.fromkeys(coded_ones, "str"))


def _codes(column: pd.Series) -> NDArray[np.int32]:
    return np.asarray(column.cat.codes, np.int32)


def _day(date: Any) -> int:  # noqa: ANN401 - a date
    return int(np.datetime64(date, "D").astype(np.int64))


def _by_placement(frame: pd.DataFrame, names: pd.Index) -> pd.DataFrame:
    whole = frame.drop(columns="owner")
    named = coded_labels(frame["owner"].to_numpy(np.int64), names)
    whole.insert(0, "placement_id", pd.Series(named, whole.index))
    return whole


def picture_of(
    records: Records, rows: Ints, catchments_of: Callable[[gpd.GeoDataFrame], pd.Series]
) -> Picture:
    """Make a picture of records as a viewer sees them; `rows` are theirs in the store."""
    placements = records.placements
    xy = positions(np.asarray(placements.geometry, object))
    first, last = _days(placements)
    snapped = records.snaps[["snapped_x", "snapped_y"]].reindex(placements.index)
    on_grid = [grid_positions(each, placements.crs) for each in (xy, snapped.to_numpy(np.float64))]
    beside = pd.DataFrame(
        {
            "x": xy[:, 0],
            "y": xy[:, 1],
            "first_day": first,
            "last_day": last,
            "grid_x": on_grid[0][:, 0],
            "grid_y": on_grid[0][:, 1],
            "snapped_grid_x": on_grid[1][:, 0],
            "snapped_grid_y": on_grid[1][:, 1],
        }
    )
    owned = {}
    for name in OWNED:
        frame = getattr(records, name)
        frame = frame.reset_index(drop=name != "snaps")
        owner = codes_within(frame["placement_id"], placements.index).astype(np.int32)
        frame = coded(frame.drop(columns="placement_id"))
        frame.insert(0, "owner", owner)
        order = np.argsort(owner, kind="stable")
        owned[name] = frame.iloc[order].reset_index(drop=True)
    placements = coded(placements.assign(catchment_id=catchments_of(placements)))
    columns = [name for name in placements if name != "geometry"]
    return Picture(rows, placements[[*columns, "geometry"]], beside, owned)


def _days(placements: pd.DataFrame) -> tuple[NDArray[np.int32], NDArray[np.int32]]:
    set_on = local_dates(placements).to_numpy().astype("datetime64[D]")
    dated = ~np.isnat(set_on)
    day = np.where(dated, set_on, np.datetime64(0, "D")).astype(np.int64)
    first, last = np.where(dated, day, NEVER), np.where(dated, day, BEFORE_ALL)
    if "generalised_km" in placements:
        year = placements["year"].to_numpy(np.float64)
        by_year = ~np.isnan(year) & placements["generalised_km"].notna().to_numpy()
        years = np.where(by_year, year, 1970).astype(np.int64) - 1970
        starts, ends = (
            (years + more).astype("datetime64[Y]").astype("datetime64[D]").astype(np.int64)
            for more in (0, 1)
        )
        first, last = np.where(by_year, starts, first), np.where(by_year, ends - 1, last)
    return first.astype(np.int32), last.astype(np.int32)


def joined_picture(
    old: Picture | None, kept: Bools, new: Sequence[Picture], *, public: bool
) -> Picture:
    """Put new or changed placements among those of an old picture that stay.

    Placements are ordered by their row in the store, for the public by their public id.
    """
    parts = [*([_only(old, kept, public=public)] if old is not None else []), *new]
    rows = np.concatenate([part.rows for part in parts])
    names = np.concatenate([part.placements.index.to_numpy(object) for part in parts])
    stay = len(parts[0].rows) if old is not None else 0
    key = names if public else rows
    order = _merged(key, stay)
    place = np.arange(len(rows))
    if order is not None:
        place = np.empty(len(order), np.int64)
        place[order] = np.arange(len(order))
        rows, names = rows[order], names[order]
    starts = np.cumsum([0, *(len(part.rows) for part in parts)])
    owned = {}
    for name in OWNED:
        frames = [part.owned[name] for part in parts]
        owner = np.concatenate(
            [
                place[frame["owner"].to_numpy() + start]
                for frame, start in zip(frames, starts.tolist(), strict=False)
            ]
        )
        by_owner = None if (owner[1:] >= owner[:-1]).all() else np.argsort(owner, kind="stable")
        owner = owner if by_owner is None else owner[by_owner]
        owned[name] = joined(frames, by_owner).assign(owner=owner.astype(np.int32))
    whole = joined([pd.DataFrame(part.placements) for part in parts], order)
    whole = whole.set_axis(pd.Index(names, name="placement_id", dtype="str"))
    placements = gpd.GeoDataFrame(whole, geometry="geometry", crs=parts[0].placements.crs)
    return Picture(rows, placements, joined([part.beside for part in parts], order), owned)


def _merged(key: NDArray[Any], stay: int) -> Ints | None:
    """Order of keys of which the first `stay` have it already; None = as they are."""
    if len(key) < 2 or (key[1:] > key[:-1]).all():
        return None
    if not stay:
        return np.argsort(key, kind="stable")
    new = stay + np.argsort(key[stay:], kind="stable")
    return np.insert(np.arange(stay), np.searchsorted(key[:stay], key[new]), new)


def _only(old: Picture, kept: Bools, *, public: bool) -> Picture:
    """Leave the placements that stay; for the public also no word of those that go."""
    if kept.all():
        return old
    place = np.cumsum(kept) - 1
    owned, placements = {}, old.placements[kept]
    for name, whole in old.owned.items():
        own = whole[kept[whole["owner"].to_numpy()]]
        own = own.assign(owner=place[own["owner"].to_numpy()].astype(np.int32))
        owned[name] = used_words(own) if public else own
    placements = used_words(placements) if public else placements
    return replace(
        old, rows=old.rows[kept], placements=placements, beside=old.beside[kept], owned=owned
    )
