"""The sheets of one import, read from files or handed over as frames, under our own headers."""

from __future__ import annotations

import hashlib
import re
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Final

import pandas as pd

from layers.frames import PASS_MINUTES
from service.intake.columns import SHEETS, known_names, plain
from service.intake.decimal_marks import with_decimal_marks
from service.intake.file_roles import roles_of
from service.intake.findings import Cells, Findings
from service.intake.mapping import Mapping, apply_mapping, own_number_columns
from service.intake.reading import SPATIAL_FILES, read_cells, whole_sheet
from service.intake.recognising import by_content, recognised
from service.intake.shapes import seen_not_counted
from service.intake.spellings import as_written_by_us
from service.intake.stored_sheets import AS_HANDED_OVER
from service.intake.tables import read_tables
from service.intake.waypoints import place_waypoints, read_waypoints
from service.intake.wording import say
from service.reference.spelling import nearest_names

if TYPE_CHECKING:
    from collections.abc import Mapping as Frames
    from collections.abc import Sequence

    from service.intake.returned_layers import Returned
    from service.intake.times import DateOrder
    from service.intake.wording import Audience, Wording

__all__ = ["Sheets", "read_sheets", "sheets_from_frames"]

_ROW_OF: Final = {
    "placements": "placements has a row for each placement",
    "catches": "catches has a row for each species caught",
}
_RULES: Final = "3"  # part of the digest; grows when the same file would be read otherwise


@dataclass(frozen=True)
class Sheets:
    """What `check` looks at.

    Attributes
    ----------
    cells
        Sheets by name, under our own headers; one that could not be read is absent.
    files
        Names of the files, for the batch.
    digest
        SHA-256 over the files and the options that change how they are read.
    findings
        What reading found wrong or worth saying.
    date_order, survey, crs
        How dates such as 03/04/2024 are meant; survey and CRS of rows that name none.
    species
        Names with rank and so on that a mapping file takes out of the catch sheet.
    rows_read
        Rows per sheet before rows were folded.
    returned
        Of a GeoPackage that was handed over: what stands beside its table of placements.
    """

    cells: dict[str, Cells]
    files: tuple[str, ...]
    digest: str
    findings: Findings
    date_order: DateOrder | None = None
    survey: str = ""
    crs: str = ""
    species: pd.DataFrame | None = None
    rows_read: dict[str, int] = field(default_factory=dict)
    returned: Returned | None = None

    def sheet(self, name: str) -> Cells:
        """Give one sheet; without rows where there is none."""
        none = pd.DataFrame(index=pd.RangeIndex(2, 2))
        return self.cells.get(name) or Cells(name, "", none, self.findings)

    def anew(self) -> Sheets:
        """Give the same with findings of their own, for a check to add to."""
        findings = self.findings.copy()
        cells = {name: replace(own, findings=findings) for name, own in self.cells.items()}
        return replace(self, cells=cells, findings=findings)


def read_sheets(
    placements: Path | None = None,
    catches: Path | None = None,
    lengths: Path | None = None,
    *,
    surveys: Path | None = None,
    sites: Path | None = None,
    mapping: Path | None = None,
    waypoints: Path | None = None,
    date_order: DateOrder | None = None,
    survey: str = "",
    crs: str = "",
    delimiter: str | None = None,
    files: Sequence[Path] = (),
    species: pd.DataFrame | None = None,
) -> Sheets:
    """Read field sheets from files; nothing is refused by exception, all is in `findings`.

    Parameters
    ----------
    placements, catches, lengths, surveys, sites
        CSV, XLSX, GeoJSON or GeoPackage; the same workbook may be given for several.
    mapping, waypoints
        TOML that says how the files' columns become ours; GPX for the column `waypoint`.
    date_order, survey, crs
        See `Sheets`.
    delimiter
        Separator of the CSV files, where it cannot be found from the header.
    files
        CSV and XLSX of which any sheet may be any of ours, found by their columns; and files of
        a GIS, by their layers.
    species
        The store's list; without it no species is known above columns.
    """
    paths = {
        "placements": placements,
        "catches": catches,
        "lengths": lengths,
        "surveys": surveys,
        "sites": sites,
    }
    given = {sheet: Path(path) for sheet, path in paths.items() if path is not None}
    for path in [path for path in files if path.suffix.lower() in SPATIAL_FILES]:
        for role in roles_of(path):
            given.setdefault(role, path)
    files = [path for path in files if path.suffix.lower() not in SPATIAL_FILES]
    findings = Findings()
    read = {
        sheet: read_cells(path, sheet, findings, delimiter=delimiter)
        for sheet, path in given.items()
    }
    raw = {sheet: cells for sheet, cells in read.items() if cells is not None}
    returned = None
    if "placements" in raw and AS_HANDED_OVER in raw["placements"].frame:
        raw["placements"], returned = _returned(given["placements"], raw["placements"])
    followed = Mapping.read(Path(mapping), findings) if mapping is not None else None
    if mapping is None or followed is not None:
        tables = [t for path in files for t in read_tables(path, findings, delimiter=delimiter)]
        if mapping is None:
            followed = recognised(raw, tables, species)
        if followed is not None and tables:
            raw |= by_content(tables, followed, findings)
        elif tables:
            findings.refuse_file(files[0].name, "sheet_missing.placements")
    if mapping is not None and followed is None:
        raw = {}  # under other headers, every further refusal would be beside the point
    options = [_RULES, date_order or "", survey, crs, delimiter or ""]
    extra = [Path(path) for path in (*files, mapping, waypoints) if path is not None]
    sheets = Sheets(
        cells=raw,
        files=tuple(dict.fromkeys(path.name for path in [*given.values(), *extra])),
        digest=_digest(options, [*given.items(), *(("", path) for path in extra)]),
        findings=findings,
        date_order=date_order,
        survey=survey,
        crs=crs,
        returned=returned,
    )
    if followed is None:
        numbers = {sheet: own_number_columns(cells) for sheet, cells in raw.items()}
        sheets = replace(sheets, cells=with_decimal_marks(raw, numbers, ""))
    return _under_our_headers(sheets, followed, Path(waypoints) if waypoints else None)


def sheets_from_frames(
    frames: Frames[str, pd.DataFrame],
    *,
    file: str = "form",
    date_order: DateOrder | None = None,
    survey: str = "",
    crs: str = "",
    audience: Audience = "sheet",
) -> Sheets:
    """Take frames of text cells by sheet as sheets, for a form or a program.

    Missing is empty; rows are counted from 2 as under a header. Findings show `file`, and speak of
    a sheet or of a form by `audience`.
    """
    findings = Findings(audience)
    raw: dict[str, Cells] = {}
    hasher = hashlib.sha256("\x1f".join([_RULES, date_order or "", survey, crs]).encode())
    for sheet, frame in frames.items():
        text = frame.astype("str").where(frame.notna(), "").fillna("")
        text.index = pd.RangeIndex(2, len(text) + 2)
        hasher.update(sheet.encode())
        hasher.update(text.to_csv(index=False).encode())
        if not len(text) and sheet != "placements":
            continue
        cells = whole_sheet(text, file, sheet, findings)
        if cells is not None:
            raw[sheet] = cells
    return _under_our_headers(
        Sheets(raw, (file,), hasher.hexdigest(), findings, date_order, survey, crs)
    )


def _under_our_headers(
    sheets: Sheets, mapping: Mapping | None = None, waypoints: Path | None = None
) -> Sheets:
    """Map and rename the columns of sheets as read, and put waypoints in."""
    raw, findings, species = sheets.cells, sheets.findings, None
    rows_read = {sheet: len(cells.frame) for sheet, cells in raw.items()}
    if mapping is not None:
        numbers = mapping.number_columns(raw)
        raw = with_decimal_marks(raw, numbers, mapping.shape.decimal)
        sheets = replace(sheets, date_order=sheets.date_order or mapping.date_order)
        raw, species = apply_mapping(mapping, raw, findings, sheets.date_order)
    named = {}
    for sheet, cells in raw.items():
        ours = _our_headers(cells)
        if sheet == "catches":
            ours = seen_not_counted(ours)
        named[sheet] = as_written_by_us(ours, sheets.date_order)
    if "placements" in named:
        named["placements"] = _split_intervals(named["placements"])
        if waypoints is not None:
            places = read_waypoints(waypoints, findings)
            named["placements"] = place_waypoints(named["placements"], places)
        elif (named["placements"].column("waypoint") != "").any():
            cells = named["placements"]
            named_points = cells.column("waypoint") != ""
            cells.refuse(named_points, "waypoint", "waypoint_unknown.no_file")
    return replace(sheets, cells=named, species=species, rows_read=rows_read)


def _returned(path: Path, cells: Cells) -> tuple[Cells, Returned | None]:
    """Take out of a table how it was handed over, and read the layer beside it."""
    from service.intake.returned_layers import Returned  # loads what reads a GIS file
    from service.intake.spatial_files import read_placement_layer

    frame = cells.frame.drop(columns=AS_HANDED_OVER)
    layer = read_placement_layer(path, cells.findings) if path.suffix.lower() == ".gpkg" else None
    returned = None if layer is None else Returned(layer, cells.frame[AS_HANDED_OVER])
    return replace(cells, frame=frame), returned


def _digest(options: list[str], files: list[tuple[str, Path]]) -> str:
    hasher = hashlib.sha256("\x1f".join(options).encode())
    for sheet, path in files:
        hasher.update(f"\x1e{sheet}\x1f".encode())
        try:
            hasher.update(hashlib.sha256(path.read_bytes()).digest())
        except OSError:
            continue  # said when it was opened for reading
    return hasher.hexdigest()


_LATER_PASS: Final = re.compile(r"(?:minutes|seconds)pass\d+")  # of those that are not columns


def _our_headers(cells: Cells) -> Cells:
    """Rename what is known by another name; say which columns are not known and not stored."""
    names = known_names(cells.sheet)
    ours: dict[str, str] = {}
    unknown: list[str] = []
    refuse = partial(
        cells.findings.refuse_file, cells.file, row=cells.header_row, sheet=cells.sheet
    )
    for header in cells.frame.columns:
        name = names.get(plain(header))
        if name is None:
            unknown.append(header)
        elif name in ours:
            said = say("header_unclear.same", one=ours[name], other=header, column=name)
            refuse(said, column=header)
        else:
            ours[name] = header
    other = {"placements": "catches", "catches": "placements"}.get(cells.sheet, "")
    elsewhere = [h for h in unknown if other and plain(h) in known_names(other)]
    if elsewhere:
        parts = {"other": other, "sheet": cells.sheet, "row_of": _ROW_OF[other]}
        said = say("unknown_column.other_sheet", **parts)
        cells.findings.note(cells.file, said, ", ".join(elsewhere))
    for header in unknown:
        if header in elsewhere:
            continue
        if _LATER_PASS.fullmatch(plain(header)) and (cells.frame[header] != "").any():
            said = say("pass_unclear.later", most=str(len(PASS_MINUTES)))
            refuse(said, column=header)
            continue
        near = nearest_names(header, [column.name for column in SHEETS[cells.sheet]], limit=1)
        hint = say("did_you_mean", name=near[0]) if near else ""
        said = say("unknown_column.near", sheet=cells.sheet, near=hint)
        cells.findings.note(cells.file, said, header)
    for column in SHEETS[cells.sheet]:
        if column.required and column.name not in ours:
            said = say(
                "column_missing.required",
                column=column.name,
                explanation=column.meaning,
                joined=_join(unknown) if column.kind == "time" else "",
            )
            refuse(said, column=column.name)
    frame = cells.frame[list(ours.values())].set_axis(list(ours), axis=1)
    return replace(cells, frame=frame)


def _join(headers: list[str]) -> Wording | str:
    """Say how a day and a time of day become one column."""
    parts = []
    for words in ("date|day|datum", "time|hour"):
        named = [name for name in headers if re.search(rf"(?i)\b({words})\b", name)]
        parts += [name for name in named if not re.search("(?i)lift|end|finish|stop", name)][:1]
    if not parts:
        return ""
    text = " ".join(f"{{{name}}}" for name in parts)
    return say("column_missing.joined", columns=" and ".join(map(repr, parts)), text=text)


def _split_intervals(cells: Cells) -> Cells:
    """Take an ISO 8601 interval in `set_at`, as Darwin Core's eventDate may hold, apart."""
    began = cells.column("set_at")
    split = began.str.fullmatch(r"\d{4}-\d\d-\d\d[^/]*/\d{4}-\d\d-\d\d[^/]*") & (
        cells.column("lifted_at") == ""
    )
    if not split.any():
        return cells
    frame = cells.frame.copy()
    parts = began[split].str.split("/", n=1, expand=True)
    frame["lifted_at"] = cells.column("lifted_at").mask(split, parts[1].reindex(frame.index))
    frame["set_at"] = began.mask(split, parts[0].reindex(frame.index))
    return replace(cells, frame=frame)
