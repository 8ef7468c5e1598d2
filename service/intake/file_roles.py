"""What a file holds that nobody said: by its ending, its layers or tabs, its header, its name."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final

from service.intake.columns import SHEETS, known_names, plain
from service.intake.reading import SPATIAL_FILES, TEXT_FILES, WORKBOOKS

if TYPE_CHECKING:
    from pathlib import Path

__all__ = ["is_named", "roles_of"]

_STEMS: Final = {
    "placement": "placements", "catch": "catches", "length": "lengths", "survey": "surveys",
    "site": "sites",
}  # fmt: skip


def roles_of(path: Path) -> tuple[str, ...]:
    """Tell what a file holds, by its ending, its header, then its name."""
    ending = path.suffix.lower()
    if ending == ".toml":
        return ("mapping",)
    if ending == ".gpx":
        return ("waypoints",)
    if ending in WORKBOOKS or ending == ".gpkg":
        return _roles_of_parts(path) or ("placements",)
    named = _roles_of_name(path)
    if ending in SPATIAL_FILES:
        return (named[0],) if named else ("placements",)
    return (_role_by_header(path) or (named[0] if named else "placements"),)


def is_named(path: Path) -> bool:
    """Whether the name or the header of a file says which sheet it is."""
    ours = path.suffix.lower() in SPATIAL_FILES or _role_by_header(path) is not None
    return ours or bool(_roles_of_name(path) or _roles_of_parts(path))


def _roles_of_name(path: Path) -> list[str]:
    return [sheet for stem, sheet in _STEMS.items() if stem in path.stem.lower()]


def _role_by_header(path: Path) -> str | None:
    """Sheet whose needed columns are all there, and of those the one that knows most headers."""
    if path.suffix.lower() not in TEXT_FILES:
        return None
    with path.open("rb") as file:
        lines = [file.readline(100_000).decode("utf-8-sig", errors="replace") for _ in range(5)]
    best: tuple[int, str] | None = None
    for line in lines:  # titles may stand above the header
        headers = {plain(part.strip('" \r\n')) for part in re.split("[,;\t]", line)}
        for sheet, columns in SHEETS.items():
            known = known_names(sheet)
            meant = [known[name] for name in headers if name in known]
            enough = sheet != "sites" or 2 * len(meant) > len(headers)  # others name sites too
            if enough and all(column.name in meant for column in columns if column.required):
                best = max(best or (0, ""), (len(meant), sheet))
    return best[1] if best else None


def _roles_of_parts(path: Path) -> tuple[str, ...]:
    """Sheets that a workbook or GeoPackage has parts for."""
    try:
        if path.suffix.lower() == ".gpkg":
            import pyogrio

            names = {str(name).casefold() for name in pyogrio.list_layers(path)[:, 0]}
            names |= {"placements"} if "placement_sheet" in names else set()
        else:
            import openpyxl

            book = openpyxl.load_workbook(path, read_only=True)
            names = {name.strip().casefold() for name in book.sheetnames}
            book.close()
    except Exception:  # noqa: BLE001 - reading says what is wrong with it
        return ()
    return tuple(sheet for sheet in SHEETS if sheet in names)
