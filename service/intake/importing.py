"""Checking field sheets as a whole, and taking them whole or not at all."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from layers.fieldwork.stretches import stretch_lengths
from layers.totals import ALL_IS_TOTALS, is_all
from service import reference
from service.errors import FieldFileError
from service.intake.checks.around import WIDEST_OFFSET, flag_around, settle_outcomes
from service.intake.checks.catches import (
    read_catches,
    read_lengths,
    refuse_misplaced,
    without_zeros,
)
from service.intake.checks.fish_names import ListedNames
from service.intake.checks.gear import flag_gear
from service.intake.checks.placements import read_placements, refuse_doubled_ids
from service.intake.columns import SHEETS
from service.intake.findings import FLAG_COLUMNS, Cells, Findings
from service.intake.in_the_water import (
    as_declared,
    gear_set,
    known_gear,
    refuse_standing,
    without_flags_of_lifting,
)
from service.intake.spellings import sides_by_network
from service.intake.surveys import new_sites, new_surveys
from service.intake.updating import changes_of, completed
from service.intake.wording import say
from service.records import FieldRecords, is_zone
from service.reference.placing import place_on_network
from service.reference.transformations import Operations
from service.store import content_digests

if TYPE_CHECKING:
    from collections.abc import Callable

    import geopandas as gpd

    from layers.crs import Operation
    from service.errors import Fault
    from service.intake.sheets import Sheets
    from service.records import Batch, Reading
    from service.reference.placing import Placed
    from service.store import Store

__all__ = ["CHECK_STEPS", "CheckResult", "Checked", "check", "missing_species", "take"]

CHECK_STEPS: Final = 6
"""How many steps a check has: reading the files, and what `progress` is called with."""

_STORED_FLAGS: Final = ["placement_id", "code", "column", "value", "message"]
_PLACEMENT_TAIL: Final = ["shape_kind", "shape", "original_x", "original_y", "original_crs"]


@dataclass(frozen=True)
class Checked:
    """The sheets as read; rows of the sheets, `placement_id` a column.

    `cells` are the placements as text, `owned` catches and lengths as text in the rows of their
    frames; `day_only` says whether the times of a placement are days alone.
    """

    cells: Cells
    placements: gpd.GeoDataFrame
    day_only: pd.Series
    catches: pd.DataFrame
    lengths: pd.DataFrame
    owned: tuple[Cells, Cells]


def _readable(whole: Checked) -> Checked:
    """Leave out the rows in which something was refused, and what belongs to such placements.

    A cell that was refused came back as if it were empty, and would be flagged for that.
    """
    frame = whole.placements
    kept = ~frame.index.isin(whole.cells.findings.refused_rows("placements"))
    for name in ("placement_id", "method", "survey", "set_at"):  # the column may be absent
        kept &= frame[name].notna().to_numpy(bool)
    kept &= frame.geometry.notna().to_numpy(bool)
    kept &= ~frame["placement_id"].duplicated().to_numpy(bool)
    ids = frame.loc[kept, "placement_id"]
    owned, frames = [], []
    for cells, own in zip(whole.owned, (whole.catches, whole.lengths), strict=True):
        good = own["placement_id"].isin(ids).to_numpy(bool) & own["species"].notna().to_numpy(bool)
        good &= ~own.index.isin(cells.findings.refused_rows(cells.sheet))
        owned.append(cells.rows(good))
        frames.append(own.loc[good])
    both = (owned[0], owned[1])
    return Checked(
        whole.cells.rows(kept), frame.loc[kept], whole.day_only[kept], frames[0], frames[1], both
    )


@dataclass(frozen=True)
class CheckResult:
    """What a check found.

    Attributes
    ----------
    records
        What would be stored, without placements that are stored already; None where
        something was refused.
    refused
        Values that cannot be understood, by file and row. Any of them refuses the whole.
    flagged
        What looks odd but is kept: file, row, placement_id, code, column, value, message.
    readings
        How cells were read that could only mean one thing, a line for each kind and column.
    unchanged
        Placements that the store holds with this very content.
    changed
        Of placements stored with other content that an update changes: the stored digest, by id.
    changes
        What it changes: `placement_id`, `column`, `before`, `after`.
    digests
        Digest of the content of every placement of the sheet, index `placement_id`.
    digest, files
        Of the sheets.
    rows_read
        Rows by sheet as the files had them.
    operations
        Chosen for CRS that the store knew none for; kept when the sheets are taken.
    """

    refused: list[Fault]
    flagged: pd.DataFrame
    readings: tuple[Reading, ...]
    digest: str
    files: tuple[str, ...]
    rows_read: dict[str, int]
    records: FieldRecords | None = None
    unchanged: tuple[str, ...] = ()
    changed: dict[str, str] = field(default_factory=dict)
    changes: pd.DataFrame = field(default_factory=pd.DataFrame)
    digests: pd.Series = field(default_factory=lambda: pd.Series(dtype="str"))
    operations: dict[str, Operation] = field(default_factory=dict)

    @property
    def findings(self) -> pd.DataFrame:
        """Refusals, readings, flags: kind, file, row, column, value, code, message, rows."""
        columns = ["file", "row", "column", "value", "code", "message", "rows"]
        at = [(f.file, f.row, f.column, f.value, f.code, f.remedy, 1) for f in self.refused]
        read = [tuple(getattr(one, name) for name in columns) for one in self.readings]
        kinds = {
            "refused": pd.DataFrame(at, columns=columns),
            "read as": pd.DataFrame(read, columns=columns),
            "flagged": self.flagged.assign(rows=1)[columns],
        }
        return pd.concat(kinds, names=["kind"]).reset_index("kind").reset_index(drop=True)


def check(
    sheets: Sheets,
    store: Store,
    *,
    replaces: str | None = None,
    update: bool = False,
    remove_rows: bool = False,
    in_full: bool = False,
    now: dt.datetime | None = None,
    progress: Callable[[str], None] | None = None,
) -> CheckResult:
    """Check field sheets against a store; nothing is written.

    Parameters
    ----------
    replaces
        Placement that is being edited: it may be in the store with other content.
    update
        Placements that are stored with other content are changed, not refused; what the sheets
        do not say of them stays.
    remove_rows
        Of an update: sheets that list no catch or no fish measured of a placement remove what is
        stored; else they are refused.
    in_full
        Of an update: the sheets say all there is to say of each placement.
    now
        Times after this are refused; the clock where not given.
    progress
        Called with words for what is being done.
    """
    report = progress or (lambda _: None)
    sheets = sheets.anew()
    if sheets.returned is not None:
        from service.intake.returned_layers import with_corrections  # loads what reads a GIS file

        sheets = with_corrections(sheets, store)
    if update and not in_full:
        sheets = completed(sheets, store, remove_rows=remove_rows)
    findings = sheets.findings
    if "placements" not in sheets.cells:
        return _found(sheets)
    report("reading placements")
    reaches = reference.network(store).reaches
    cells = sides_by_network(sheets.cells["placements"], reaches)
    methods, species = reference.methods(store), reference.species(store)
    refuse_doubled_ids(cells)
    named = cells.column("survey").mask(cells.column("survey") == "", sheets.survey)
    said = say("name_is_total.survey", why=ALL_IS_TOTALS)
    totals = [name for name in named.unique() if is_all(name)]
    cells.refuse(named.isin(totals), "survey", said)
    stored_surveys, stored_sites = store.surveys(), store.sites()
    surveys = new_surveys(
        sheets.sheet("surveys"), cells, named, stored_surveys, store.settings.timezone
    )
    all_surveys = pd.concat([stored_surveys, surveys])[["crs", "timezone"]]
    all_surveys["timezone"] = all_surveys["timezone"].fillna(store.settings.timezone)
    sites = new_sites(sheets.sheet("sites"), cells, stored_sites, all_surveys.index)
    # Times of a survey whose zone was refused are read as if in UTC, and nothing depends on them.
    zoneless = all_surveys.index[~all_surveys["timezone"].map(is_zone).astype(bool)]
    all_surveys.loc[zoneless, "timezone"] = "UTC"
    cells.doubt(named.isin(zoneless))
    latest = now or dt.datetime.now(dt.UTC)
    if len(zoneless):
        latest += WIDEST_OFFSET
    operations = Operations(store)
    about = methods, all_surveys, store.settings.crs
    placements, day_only = read_placements(
        sheets, cells, *about, now=latest, into_store=operations.into_store
    )
    report("reading catches")
    catches, lengths, owned = _read_owned(sheets, species, placements, store)
    standing = refuse_standing(cells, placements, day_only, methods)
    whole = Checked(cells, placements, day_only, catches, lengths, owned)
    if findings.refused:  # the rest is looked over too, so that all is said at once
        whole = _readable(whole)
        if not len(whole.placements):
            return _found(sheets)
    # By all catch rows, also those that were refused; of a sheet that was, nothing is known.
    said_of = replace(whole.cells, findings=Findings()) if findings.of_a_whole_file else whole.cells
    whole.placements["outcome"] = settle_outcomes(said_of, whole.placements, catches)
    report("looking for what is stored already")
    recorded = whole.placements.set_index("placement_id")
    digests = content_digests(as_declared(recorded, standing), whole.catches, whole.lengths)
    unchanged: tuple[str, ...] = ()
    changed: dict[str, str] = {}
    if not (findings.of_a_whole_file or any(map(findings.refused_rows, ("catches", "lengths")))):
        unchanged, changed = _compare(digests, store)
        unchanged += known_gear(whole.cells, digests, standing, store, replaces)
        if not update:
            other = digests.index.isin(changed) & (digests.index != (replaces or ""))
            whole.cells.refuse(other, "placement_id", "id_stored.otherwise")
    report("snapping to the network")
    placed = place_on_network(
        whole.placements.set_index("placement_id"),
        reference.network(store),
        methods,
        tolerance_m=store.settings.snap_tolerance_m,
    )
    report("checking gear, waters and fish")
    cut = stretch_lengths(placed.stretches)
    flag_gear(whole.cells, whole.placements, methods, whole.day_only, cut)
    flag_around(whole, placed, store, species, unchanged)
    records = _records(whole, placed, surveys, sites, unchanged)
    flagged = without_flags_of_lifting(_with_rows(placed, whole.cells), standing)
    if findings.refused:
        return _found(sheets, flagged)
    kept = flagged[flagged["placement_id"].isin(records.placements.index)]
    records = replace(records, flags=kept[_STORED_FLAGS].reset_index(drop=True))
    records = gear_set(records, standing, digests, store, operations.chosen)
    return replace(
        _found(sheets, flagged),
        records=records,
        unchanged=unchanged,
        changed=changed if update else {},
        changes=changes_of(records, tuple(changed), store) if update else pd.DataFrame(),
        digests=digests,
        operations=operations.chosen,
    )


def take(
    result: CheckResult,
    store: Store,
    who: str,
    *,
    progress: Callable[[int, int], None] | None = None,
) -> Batch | None:
    """Store what was checked, whole.

    Returns
    -------
    Batch or None
        None where no placement is new. Those that an update changes belong to no batch: each
        change is an entry in the history.

    Raises
    ------
    FieldFileError
        Something was refused; nothing is stored.
    ConflictError
        Somebody stored one of these placements since the check.
    """
    if result.records is None:
        raise FieldFileError(result.refused)
    if not len(result.records.placements) and result.records.in_the_water is None:
        return None
    store.keep_operations(result.operations)
    return store.add_batch(
        result.records,
        who=who,
        files=result.files,
        digest=result.digest,
        digests=result.digests.loc[result.records.placements.index],
        readings=result.readings,
        changed=result.changed,
        progress=progress,
    )


def missing_species(sheets: Sheets, store: Store) -> pd.DataFrame:
    """Names in the catch and length sheets that the species list lacks, as a species sheet.

    Other columns are filled where a mapping file says from which of theirs they come; ready to be
    looked through and loaded.
    """
    columns = ["species", "vernacular_name", "rank", "family", "group", "taxon_id"]
    names = {
        name
        for sheet in ("catches", "lengths")
        if sheet in sheets.cells
        for name in sheets.cells[sheet].column("species").unique().tolist()
        if name
    }
    listed = ListedNames(store.species())
    lacking = sorted(name for name in names if not (listed.exact(name) or listed.meant(name)))
    frame = pd.DataFrame({"species": pd.array(lacking, dtype="str")}).reindex(columns=columns)
    if sheets.species is not None:
        own = sheets.species.set_index("species").reindex(lacking)
        for column in own.columns:
            frame[column] = own[column].to_numpy(object)
    return frame


def _found(sheets: Sheets, flagged: pd.DataFrame | None = None) -> CheckResult:
    findings = sheets.findings
    sources = [cells.file for cells in sheets.cells.values()]
    order = {file: place for place, file in enumerate(dict.fromkeys([*sheets.files, *sources]))}
    refused = sorted(
        dict.fromkeys(findings.refused),
        key=lambda f: (
            order.get(f.file, order.get(f.file.partition(", ")[0], -1)),
            f.file,
            f.row,
            f.column,
        ),
    )
    flags = findings.flags() if flagged is None else flagged
    readings = tuple(dict.fromkeys(findings.readings))
    return CheckResult(refused, flags, readings, sheets.digest, sheets.files, sheets.rows_read)


def _read_owned(
    sheets: Sheets, species: pd.DataFrame, placements: gpd.GeoDataFrame, store: Store
) -> tuple[pd.DataFrame, pd.DataFrame, tuple[Cells, Cells]]:
    """Read catches and lengths, against the placements that they name.

    What rows of 0 say of a placement is written into `placements`.
    """
    own = sheets.cells["placements"]
    frames, owned = [], []
    for sheet, read in (("catches", read_catches), ("lengths", read_lengths)):
        cells = sheets.sheet(sheet)
        frame = read(cells, species)
        strange = frame.loc[~frame["placement_id"].isin(placements["placement_id"]), "placement_id"]
        known = store.known_placements(strange.dropna().unique().tolist()).index
        refuse_misplaced(cells, frame, placements, known)
        if sheet == "catches":
            cells, frame = without_zeros(cells, frame, own, placements)
        frames.append(frame)
        owned.append(cells)
    return frames[0], frames[1], (owned[0], owned[1])


def _compare(digests: pd.Series, store: Store) -> tuple[tuple[str, ...], dict[str, str]]:
    """Find which placements are stored as they are, and the digests of those stored otherwise."""
    known = store.known_placements(digests.index.tolist()).reindex(digests.index)
    same = known.notna() & (known == digests)
    other = known[known.notna() & ~same]
    return tuple(map(str, digests.index[same])), {str(k): str(v) for k, v in other.items()}


def _records(
    whole: Checked,
    placed: Placed,
    surveys: pd.DataFrame,
    sites: pd.DataFrame,
    unchanged: tuple[str, ...],
) -> FieldRecords:
    """Gather what is new, in the columns of the contract."""
    placements = whole.placements.set_index("placement_id")
    placements.index = placements.index.astype("str")
    placements = placements.loc[~placements.index.isin(unchanged)]
    named = [column.name for column in SHEETS["placements"]]
    head = [name for name in named if name in placements and name != "geometry"]
    at = head.index("lifted_at") + 1 if "lifted_at" in head else len(head)
    order = [*head[:at], "timezone", *head[at:], *_PLACEMENT_TAIL]
    order += ["transformation", "transformation_accuracy_m", "geometry"]
    catches = whole.catches[whole.catches["placement_id"].isin(placements.index)]
    lengths = whole.lengths[whole.lengths["placement_id"].isin(placements.index)]
    snapped = placed.snaps[placed.snaps.index.isin(placements.index)]
    cut = placed.stretches[placed.stretches["placement_id"].isin(placements.index)]
    return FieldRecords(
        surveys=surveys,
        sites=sites,
        placements=placements[order],
        catches=catches.set_axis(pd.RangeIndex(1, len(catches) + 1, name="catch_id")),
        lengths=lengths.reset_index(drop=True),
        snaps=snapped,
        stretches=cut.reset_index(drop=True),
        flags=pd.DataFrame(),
    )


def _with_rows(placed: Placed, cells: Cells) -> pd.DataFrame:
    """Put the flags of the network beside those of the sheets."""
    flagged = cells.findings.flags()
    if not len(placed.flags):
        return flagged
    rows = pd.Series(cells.frame.index.to_numpy(), index=cells.column("placement_id"))
    files, numbers = cells.where(rows.reindex(placed.flags["placement_id"]).to_numpy(np.int64))
    more = placed.flags.fillna({"column": "", "value": ""}).assign(
        file=files,
        sheet=cells.sheet,
        row=numbers,
        shown=placed.flags["message"],
    )
    if cells.findings.audience == "form":
        near = placed.snaps.reindex(more["placement_id"])
        said = [
            say("snap_ambiguous", own=own, rival=rival).text("form")
            for own, rival in zip(near["reach_id"], near["ambiguous_with"], strict=True)
        ]
        more["shown"] = more["shown"].mask(more["code"] == "snap_ambiguous", pd.Series(said))
    both = pd.concat([flagged, more[list(FLAG_COLUMNS)]], ignore_index=True)
    return both.sort_values(["file", "row"], kind="stable", ignore_index=True)
