"""Two people's changes of one placement put together, field by field."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Mapping

    from service.intake.placement_form import Form

__all__ = ["Merged", "merge_forms"]

Row = tuple[tuple[str, str], ...]

# A place is one statement, in whichever columns it is written.
_PLACE: Final = (
    "longitude", "latitude", "easting", "northing", "end_longitude", "end_latitude",
    "end_easting", "end_northing", "geometry", "crs",
)  # fmt: skip
# What tells catch rows of one placement apart.
_OF_CATCH: Final = ("species", "pass_no", "life_stage", "fate")


@dataclass(frozen=True)
class Merged:
    """Two versions put together.

    Attributes
    ----------
    form
        With the changes of both; where both changed the same field otherwise, with mine.
    conflicts
        Column, their text and mine, of fields that both changed otherwise; `position` for the
        place, and for rows of catch `catches:` with species, pass, stage and fate.
    kept
        Columns that they alone changed.
    """

    form: Form
    conflicts: tuple[tuple[str, str, str], ...]
    kept: tuple[str, ...]


def merge_forms(seen: Form, mine: Form, theirs: Form) -> Merged:
    """Put together what two people made of the content that both had seen."""
    conflicts: list[tuple[str, str, str]] = []
    kept: list[str] = []
    placement: dict[str, str] = {}
    versions = (seen.placement, mine.placement, theirs.placement)
    names = list(dict.fromkeys(n for one in versions for n in one))
    fields = [("position", _PLACE), *((name, (name,)) for name in names if name not in _PLACE)]
    for field, columns in fields:
        was, own, other = (_part(one, columns) for one in versions)
        placement |= own if other in (was, own) or own != was else other
        if other not in (was, own):
            if own == was:
                kept.append(field)
            else:
                conflicts.append((field, " ".join(other.values()), " ".join(own.values())))
    catches, odd = _merged_catches(seen, mine, theirs)
    conflicts += odd
    rows = {
        name: [_counted(getattr(one, name)) for one in (seen, mine, theirs)]
        for name in ("catches", "lengths")
    }
    kept += [name for name, (*known, other_rows) in rows.items() if other_rows not in known]
    was_rows, own_rows, other_rows = rows["lengths"]
    # With what either added, without what either took out.
    lengths = (own_rows + (other_rows - was_rows)) - (was_rows - other_rows)
    form = replace(
        mine,
        placement={name: value for name, value in placement.items() if value},
        catches=catches,
        lengths=[dict(row) for row in lengths.elements()],
        nothing_caught=theirs.nothing_caught if "outcome" in kept else mine.nothing_caught,
        seen=theirs,
    )
    named = {column.partition(":")[0] for column, _, _ in conflicts}
    return Merged(form, tuple(conflicts), tuple(name for name in kept if name not in named))


def _part(cells: Mapping[str, str], columns: tuple[str, ...]) -> dict[str, str]:
    return {name: cells[name] for name in columns if cells.get(name)}


def _counted(rows: list[dict[str, str]]) -> Counter[Row]:
    return Counter(tuple(sorted(row.items())) for row in rows)


def _merged_catches(
    seen: Form, mine: Form, theirs: Form
) -> tuple[list[dict[str, str]], list[tuple[str, str, str]]]:
    """Catch rows put together by species, pass, stage and fate."""
    parted = [_by_kind(one.catches) for one in (seen, mine, theirs)]
    rows: list[dict[str, str]] = []
    conflicts = []
    for kind in dict.fromkeys(kind for one in (parted[1], parted[2], parted[0]) for kind in one):
        was, own, other = (_counted(one.get(kind, [])) for one in parted)
        if other in (was, own) or own != was:
            rows += parted[1].get(kind, [])
        else:
            rows += parted[2].get(kind, [])
        if own != was and other not in (was, own):
            column = f"catches:{'|'.join(kind)}"
            conflicts.append((column, _text(parted[2], kind), _text(parted[1], kind)))
    return rows, conflicts


def _by_kind(rows: list[dict[str, str]]) -> dict[tuple[str, ...], list[dict[str, str]]]:
    found: dict[tuple[str, ...], list[dict[str, str]]] = {}
    for row in rows:
        found.setdefault(tuple(row.get(name, "") for name in _OF_CATCH), []).append(row)
    return found


def _text(rows: Mapping[tuple[str, ...], list[dict[str, str]]], kind: tuple[str, ...]) -> str:
    return "; ".join(" ".join(row.values()) for row in rows.get(kind, [])) or "none"
