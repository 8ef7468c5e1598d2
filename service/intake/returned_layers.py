"""A GeoPackage that comes back: what was corrected in a GIS, and what the store changed meanwhile.

A hand-over says each placement twice, on the layer `placements` for a map and in the table
`placement_sheet` for import, and beside the latter how it was handed over. So each cell has four
versions: as handed over, in the table, on the layer, and stored now. What was corrected is taken;
what was not stays as it is stored now; where two disagree, the cell is refused.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import orjson
import pandas as pd
import shapely

from layers.crs import choose_operation, read_crs, transform_frame
from service.intake.cell_texts import as_typed
from service.intake.columns import SHEETS
from service.intake.numbers import NO_VALUE
from service.intake.spatial_files import text_cells
from service.intake.stored_sheets import PLACE, PRIVATE, field_sheets
from service.intake.wording import say
from service.records import Selection

if TYPE_CHECKING:
    import geopandas as gpd

    from layers.arrays import Bools, Objects
    from layers.crs import CrsLike
    from service.intake.findings import Cells
    from service.intake.sheets import Sheets
    from service.records import Records
    from service.store import Store

__all__ = ["Returned", "with_corrections"]

_SAME_PLACE_M: Final = 0.001
_METRES_PER_DEGREE: Final = 111_320.0  # on the equator: nowhere is a degree longer by much
_KINDS: Final = {column.name: column.kind for column in SHEETS["placements"]}
_YES_NO: Final = {"1": "yes", "true": "yes", "0": "no", "false": "no"}  # as GDAL gives truths
_WHERE: Final = PLACE | {"crs"}


@dataclass(frozen=True)
class Returned:
    """What of a hand-over stands beside the rows of its table: the layer `placements`, index `fid`.

    `origin` is how each row was handed over, as `stored_sheets.with_origin` writes it.
    """

    layer: gpd.GeoDataFrame
    origin: pd.Series


def with_corrections(sheets: Sheets, store: Store) -> Sheets:
    """Put together what table and layer of a returned GeoPackage say.

    A feature that the table lacks is a row of it; a row without a feature stays.
    """
    returned, cells = sheets.returned, sheets.cells.get("placements")
    if returned is None or cells is None:
        return sheets
    shown = text_cells(returned.layer.reset_index(drop=True))
    ids = shown.get("placement_id", pd.Series("", index=shown.index)).str.strip()
    doubled = ids[ids.duplicated()].unique().tolist()
    for name in doubled:
        sheets.findings.refuse_file(cells.file, say("layer_doubled.feature", id=name or "(empty)"))
    if doubled or cells.column("placement_id").duplicated().any():
        return sheets
    fids = pd.Series(returned.layer.index, index=ids.to_numpy(object))
    shown.index = pd.Index(ids)
    origin = dict(
        zip(cells.column("placement_id"), map(_read_origin, returned.origin), strict=True)
    )
    features = _features(cells.file, fids)
    cells = _with_new_rows(cells, shown, features)
    merge = _Merge(cells, shown, origin, store)
    cells = merge.cells
    for column in cells.frame.columns.difference([*_WHERE, "placement_id"], sort=False):
        merge.attribute(str(column))
    merge.places(returned.layer.set_axis(ids))
    unread = sorted(set(shown.columns) - set(cells.frame.columns) - _WHERE)
    said = say("read_as.layer_unread", columns=", ".join(unread))
    if unread:
        sheets.findings.read_file(cells.file, said, sheet="placements")
    at = cells.column("placement_id")
    sources = {
        (row, column): features[at[row]]
        for column, taken in merge.taken.items()
        for row in at.index[taken].tolist()
    }
    whole = replace(cells, frame=merge.frame, sources=sources)
    return replace(sheets, cells={**sheets.cells, "placements": whole})


def _read_origin(text: str) -> dict[str, Any] | None:
    try:
        read = orjson.loads(text)
    except orjson.JSONDecodeError:
        return None
    sound = isinstance(read, dict) and isinstance(read.get("cells"), dict)
    return read if sound and len(read.get("at", ())) == 3 else None


def _features(file: str, fids: pd.Series) -> dict[str, str]:
    """Name the features of the layer by their ids."""
    layer = f"{file.partition(', layer ')[0]}, layer placements"
    return {
        str(name): f"{layer}, feature {name or '(no placement_id)'} (fid {fid})"
        for name, fid in fids.items()
    }


def _with_new_rows(cells: Cells, shown: pd.DataFrame, named: dict[str, str]) -> Cells:
    """Add features that the table lacks, such as new ones; findings name them, not a row."""
    lacking = shown.index.difference(pd.Index(cells.column("placement_id")), sort=False)
    if not len(lacking):
        return cells
    columns = cells.frame.columns.union(["geometry", "crs"], sort=False)
    rows = shown.loc[lacking].reindex(columns=columns, fill_value="")
    first = int(cells.frame.index.max()) + 1
    rows.index = pd.RangeIndex(first, first + len(rows))
    frame = pd.concat([cells.frame.reindex(columns=columns, fill_value=""), rows])
    features = ((first + k, named[name]) for k, name in enumerate(lacking))
    more = replace(cells, frame=frame, parts=((0, cells.file), *features))
    more.read_as(frame.index >= first, "placement_id", "layer_row")
    return more


class _Merge:
    """Four versions of the rows of a table, compared column by column."""

    def __init__(
        self,
        cells: Cells,
        shown: pd.DataFrame,
        origin: dict[str, dict[str, Any] | None],
        store: Store,
    ) -> None:
        self.cells, self.frame = cells, cells.frame.copy()
        self.taken: dict[str, Bools] = {}  # from the layer, by column
        self.names = names = pd.Index(cells.column("placement_id"))
        self.shown = shown.reindex(names)
        self.on_layer = names.isin(shown.index)
        self.records: Records = store.records(Selection(placements=tuple(filter(None, names))))
        sheets = field_sheets(self.records, store.surveys(), store.sites(), store.operations())
        stored = sheets["placements"].map(as_typed).astype("str").set_index("placement_id")
        self.stored, self.is_stored = stored.reindex(names), names.isin(stored.index)
        self.origins = [origin.get(name) for name in names]
        drawn = self.is_stored & ~names.isin(list(origin))  # features that were new, and are stored
        points = shapely.centroid(self.records.placements.geometry.reindex(names).to_numpy(object))
        for k in np.flatnonzero(drawn).tolist():
            at = shapely.get_coordinates(points[k])[0].tolist()
            row = self.stored.iloc[k].to_dict()
            self.origins[k] = {"cells": row, "at": [*at, store.settings.crs]}
        self.known = np.array([one is not None for one in self.origins], dtype=bool)
        for column in self.frame.columns.intersection(stored.columns):
            own, kept = self.frame[column].to_numpy(object), self.stored[column].to_numpy(object)
            self.frame[column] = np.where(drawn, kept, own)

    def versions(self, column: str) -> tuple[Objects, Objects, Objects]:
        """Cells in the table, as handed over and as stored; where not known, as the one before."""
        table = self.frame[column].to_numpy(object)
        own = ["" if one is None else one["cells"].get(column, "") for one in self.origins]
        before = np.where(self.known, np.array(own, dtype=object), table)
        if column not in self.stored:
            return table, before, before
        return table, before, np.where(self.is_stored, self.stored[column], before)

    def attribute(self, column: str) -> None:
        """Put one column together."""
        table, before, stored = self.versions(column)
        layer = before
        if column in self.shown:
            own = self.shown[column].to_numpy(object)
            # The layer is handed over without these: an empty cell of an added column says nothing.
            added = (own == "") if column in PRIVATE else np.zeros(len(own), dtype=bool)
            layer = np.where(self.on_layer & ~added, own, before)
        was, said, drawn, now = (_comparable(one, column) for one in (before, table, layer, stored))
        # What was read out of a cell as handed over, such as n/a as empty, is no correction.
        read_so = (said == "") & (
            pd.Series(was).str.lower().isin([*NO_VALUE, "none"]).to_numpy(bool)
        )
        in_table, in_layer = (said != was) & ~read_so, drawn != was
        apart = (in_layer & in_table & (said != drawn)) | (~self.known & (said != drawn))
        result = np.where(in_layer, drawn, said)
        edited = (in_table | in_layer) & ~apart
        clash = edited & (now != was) & (now != result)
        self._refuse(apart, column, "layer_differs.cell", layer)
        self._refuse(clash, column, "changed_since.cell", stored)
        taken = in_layer & edited & ~clash
        kept = ~edited & ~apart & ((now != was) | read_so)
        self.frame[column] = np.where(taken, layer, np.where(kept, stored, table))
        self.taken[column] = taken & (said != drawn)
        self._say(self.taken[column], column)

    def places(self, layer: gpd.GeoDataFrame) -> None:
        """Put the places together, each as a whole."""
        columns = [name for name in self.frame.columns if name in _WHERE]
        in_table = np.zeros(len(self.names), dtype=bool)
        since, other = in_table.copy(), in_table.copy()
        for column in columns:
            said, was, now = (_comparable(one, column) for one in self.versions(column))
            in_table |= said != was
            since |= now != was
            other |= now != said
        moved = self.known & self._apart(layer, self._handed_over(layer.crs))
        arrived = ~self._apart(layer, self._stored_points(layer.crs))  # where it is stored already
        apart = moved & in_table
        clash = (in_table & since & other) | (moved & since & ~arrived)
        kind = self.records.placements["shape_kind"].reindex(self.names).to_numpy(object)
        drawn = moved & ~apart & ~clash & ~arrived & self.is_stored & (kind != "point")
        place = self.shown.get("geometry", pd.Series("", index=self.names)).to_numpy(object)
        self._refuse(apart, "geometry", "layer_differs.cell", place)
        self._refuse(clash & ~apart, "geometry", "changed_since.cell", np.where(since, "…", ""))
        self.cells.refuse(drawn, "geometry", "layer_moved.shape")
        fine = ~apart & ~clash & ~drawn
        taken = moved & fine & ~arrived
        kept = self.is_stored & fine & ~taken & since & ~in_table
        for column in columns:
            own = self.frame[column].to_numpy(object)
            stored = own
            if column in self.stored:
                stored = np.where(kept, self.stored[column].to_numpy(object), own)
            self.frame[column] = np.where(taken, "", stored)
        for column in ("geometry", "crs"):
            own = self.frame.get(column, pd.Series("", index=self.frame.index)).to_numpy(object)
            self.frame[column] = np.where(taken, self.shown[column].to_numpy(object), own)
        self.taken["geometry"] = taken
        self._say(taken, "geometry")

    def _handed_over(self, crs: CrsLike) -> Objects:
        """Points as they were handed over, in the CRS of the layer."""
        points = np.full(len(self.names), None, dtype=object)
        at = [(k, one["at"]) for k, one in enumerate(self.origins) if one is not None]
        for system in {place[2] for _, place in at}:
            rows = [(k, x, y) for k, (x, y, own) in at if own == system]
            which, x, y = (np.array(values) for values in zip(*rows, strict=True))
            moved_x, moved_y = choose_operation(str(system), crs).move(x, y)
            points[which] = shapely.points(moved_x, moved_y)
        return points

    def _stored_points(self, crs: CrsLike) -> Objects:
        if not self.is_stored.any():
            return np.full(len(self.names), None, dtype=object)
        stored = transform_frame(self.records.placements, crs)
        points: Objects = stored.geometry.reindex(self.names).to_numpy(object)
        return points

    def _apart(self, layer: gpd.GeoDataFrame, points: Objects) -> Bools:
        """Which features lie elsewhere than these points; without either of both, none does."""
        own = shapely.force_2d(layer.geometry.reindex(self.names).to_numpy(object))
        unit = _METRES_PER_DEGREE if read_crs(layer.crs).is_geographic else 1.0
        return np.asarray(shapely.distance(own, points) * unit > _SAME_PLACE_M, dtype=bool)

    def _refuse(self, which: Bools, column: str, wording: str, other: Objects) -> None:
        for k in np.flatnonzero(which):
            said = say(wording, other=str(other[k])[:80] or "(empty)")
            self.cells.refuse(np.arange(len(which)) == k, column, said)

    def _say(self, which: Bools, column: str) -> None:
        replace(self.cells, frame=self.frame).read_as(which, column, "layer")


def _comparable(values: Objects, column: str) -> Objects:
    """Values of a column so that two ways of writing one are equal."""
    text = pd.Series(values, dtype=object).fillna("").astype("str").str.strip()
    kind = _KINDS.get(column)
    if kind == "time":
        moment = pd.to_datetime(text, errors="coerce", utc=True, format="ISO8601")
        text = text.mask(moment.notna(), moment.astype("str"))
    elif kind in ("number", "whole"):
        number = pd.to_numeric(text, errors="coerce")
        text = text.mask(number.notna(), number.astype("str"))
    elif kind == "yes_no":
        text = text.str.lower().replace(_YES_NO)
    return text.to_numpy(object)
