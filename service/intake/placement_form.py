"""One placement from a form: which fields its method needs, checked and stored as any import.

A form sends cells of text under the headers of the field sheets, so that it is read and checked
by the same rules. What is sent again is known by its content: it is stored once, also when the
record was changed in between.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final

import pandas as pd

from layers.fieldwork.effort import EFFORT_UNITS
from layers.frames import PASS_MINUTES
from service import access
from service.access import open_records
from service.errors import ConflictError, NotFoundError, RequestError
from service.intake.columns import SHEETS
from service.intake.importing import check
from service.intake.reading import as_typed
from service.intake.sheets import sheets_from_frames
from service.intake.stored_sheets import field_sheets
from service.intake.text_bounds import LONGEST_CELL
from service.records import Selection
from service.store import content_digest, documents

if TYPE_CHECKING:
    from collections.abc import Mapping

    from service.intake.importing import CheckResult
    from service.records import FieldRecords, Viewer
    from service.store import Store

__all__ = [
    "FORM",
    "Form",
    "Saved",
    "check_form",
    "fields_of_method",
    "form_of_placement",
    "read_form",
    "save_form",
]

FORM: Final = "form"  # the file that findings name
_MOST_ROWS: Final = 2_000
_LONGEST: Final = 20_000  # characters of one cell
_SHEETS: Final = ("placements", "catches", "lengths")
_TRAP_FIELDS: Final = ("bait", "trap_air_space")
# What passes need beside their number, and what any gear with a mesh has.
_MESH_KINDS: Final = ("net", "trap", "haul")


@dataclass(frozen=True)
class Form:
    """What a form sent.

    Attributes
    ----------
    placement
        Filled cells of the placement, by column.
    catches, lengths
        Filled cells of each row.
    nothing_caught
        Whether it was said on purpose that the gear fished and caught nothing.
    base
        Digest of the content that was being edited; None for a new placement.
    """

    placement: dict[str, str]
    catches: list[dict[str, str]] = field(default_factory=list)
    lengths: list[dict[str, str]] = field(default_factory=list)
    nothing_caught: bool = False
    base: str | None = None

    @property
    def placement_id(self) -> str:
        """Its own number."""
        return self.placement.get("placement_id", "")


@dataclass(frozen=True)
class Saved:
    """What became of a form: `stored`, `unchanged`, `conflict` or `refused`.

    `differences` holds column, what is stored, and what was sent, for a conflict.
    """

    outcome: str
    result: CheckResult
    digest: str
    differences: tuple[tuple[str, str, str], ...] = ()


def fields_of_method(method: Mapping[str, Any]) -> list[str]:
    """List the columns of a placement that a method needs beyond where and when.

    Parameters
    ----------
    method
        Row of the methods frame.
    """
    wanted = {
        column
        for unit in method["effort_units"]
        for column in EFFORT_UNITS[unit].columns
        if column not in ("set_at", "lifted_at")
    }
    if {"minutes", "passes"} <= wanted:
        wanted |= set(PASS_MINUTES)
    if method["stretch_rule"] == "along":
        wanted |= {"stretch_length_m", "stretch_anchor"}
    if method["area_rule"] in ("stated", "polygon"):
        wanted.add("area_m2")
    if method["area_rule"] == "width_times_length":
        wanted |= {"wetted_width_m", "area_m2"}
    if method["passive"]:
        wanted.add("gear_count")
    if method["gear_kind"] in _MESH_KINDS:
        wanted.add("mesh_mm")
    if method["gear_kind"] == "trap":
        wanted |= set(_TRAP_FIELDS)
    wanted |= {name for name in ("operator_certificate", "machine_check") if method[name]}
    return [column.name for column in SHEETS["placements"] if column.name in wanted]


def read_form(document: Any) -> Form:  # noqa: ANN401 - whatever JSON held
    """Read what a form sent.

    Raises
    ------
    RequestError
        It is not a form, or is larger than any.
    """
    if not isinstance(document, dict):
        raise RequestError("A form is a JSON object with placement, catches and lengths.")
    placement = _cells(document.get("placement"), "placements")
    rows = {sheet: _rows(document.get(sheet) or [], sheet) for sheet in ("catches", "lengths")}
    base = document.get("base")
    if base is not None and not isinstance(base, str):
        raise RequestError("base is not text; send the digest that the page was made with.")
    return Form(
        placement,
        rows["catches"],
        rows["lengths"],
        nothing_caught=document.get("nothing_caught") is True,
        base=base,
    )


def _rows(given: Any, sheet: str) -> list[dict[str, str]]:  # noqa: ANN401
    if not isinstance(given, list):
        raise RequestError(f"{sheet} is not a list of rows.")
    if len(given) > _MOST_ROWS:
        raise RequestError(f"{sheet} has {len(given)} rows; a form takes {_MOST_ROWS}, import all.")
    return [row for row in (_cells(one, sheet) for one in given) if row]


def _cells(given: Any, sheet: str) -> dict[str, str]:  # noqa: ANN401
    if not isinstance(given, dict):
        raise RequestError(f"A row of {sheet} is not an object of columns and text.")
    known = {column.name for column in SHEETS[sheet]}
    cells: dict[str, str] = {}
    for name, value in given.items():
        if name not in known or name == "waypoint":
            raise RequestError(f"There is no column {name[:40]!r} in {sheet}.")
        if not isinstance(value, str):
            raise RequestError(f"{name} is not text; send every cell as text.")
        most = LONGEST_CELL if name == "geometry" else _LONGEST
        if len(value) > most:
            raise RequestError(f"{name} has {len(value)} characters; {most} are the most.")
        if value.strip():
            cells[name] = value.strip()
    return cells


def check_form(form: Form, store: Store) -> CheckResult:
    """Check a form by the rules of an import; nothing is written.

    Beside these, nothing caught must be said twice: by the outcome, and on purpose.
    """
    frames = {"placements": pd.DataFrame([form.placement])}
    for sheet, rows in (("catches", form.catches), ("lengths", form.lengths)):
        if rows:
            frames[sheet] = pd.DataFrame(rows).assign(placement_id=form.placement_id)
    for column in ("placement_id", "method", "set_at"):  # else the column is missing
        if column not in frames["placements"]:
            frames["placements"][column] = ""
    sheets = sheets_from_frames(frames, file=FORM, audience="form")
    outcome, said = form.placement.get("outcome", ""), ""
    if not outcome:
        said = "value_missing.outcome"
    elif outcome == "nil" and not form.nothing_caught:
        said = "nil_unconfirmed.outcome"
    if said and "placements" in sheets.cells:
        only = pd.Series([True])
        sheets.findings.refuse(sheets.cells["placements"], only, "outcome", said)
    return check(sheets, store, replaces=form.placement_id)


def save_form(form: Form, store: Store, *, who: str) -> Saved:
    """Check a form and store it; sent again, it changes nothing.

    Raises
    ------
    ConflictError
        Somebody changed the record at this very moment.
    """
    result = check_form(form, store)
    if result.records is None:
        return Saved("refused", result, "")
    name = form.placement_id
    digest = str(result.digests.loc[name])
    stored = store.known_placements([name]).get(name)
    if stored == digest:
        return Saved("unchanged", result, digest)
    if (stored is not None and stored != form.base) or (stored is None and form.base is not None):
        if _was_stored(store, name, digest):
            return Saved("unchanged", result, digest)
        if stored is None:
            raise ConflictError(f"Placement {name!r} was removed by somebody else meanwhile.")
        return Saved("conflict", result, str(stored), _differences(store, name, result.records))
    store.keep_operations(result.operations)
    store.put_placement(result.records, who=who, digest=digest, replaces=form.base)
    return Saved("stored", result, digest)


def _document(records: FieldRecords) -> dict[str, Any]:
    return documents(records.placements, records.catches, records.lengths)[0]


def _was_stored(store: Store, name: str, digest: str) -> bool:
    """Whether this very content was stored once: a draft sent again after somebody's change."""
    return any(
        entry.after is not None and content_digest(entry.after) == digest
        for entry in store.history("placement", name)
    )


def _differences(
    store: Store, name: str, records: FieldRecords
) -> tuple[tuple[str, str, str], ...]:
    stored, sent = store.document(name) or {}, _document(records)
    shown = (
        (column, _shown(stored.get(column)), _shown(sent.get(column)))
        for column in dict.fromkeys([*stored, *sent])
    )
    return tuple(one for one in shown if one[1] != one[2])


def _shown(value: Any) -> str:  # noqa: ANN401
    if value == []:
        return ""
    if isinstance(value, list):
        rows = (
            " ".join(
                f"{cell:g}" if isinstance(cell, float) else str(cell)
                for key, cell in row.items()
                if cell is not None and key != "placement_id"
            )
            for row in value
        )
        return "; ".join(sorted(rows))
    return f"{value:.12g}" if isinstance(value, float) else as_typed(value)


def form_of_placement(store: Store, placement_id: str, viewer: Viewer) -> Form:
    """Write a stored placement as the cells of a form.

    Raises
    ------
    NotFoundError
        There is none of this id.
    """
    records = open_records(store, Selection(placements=(placement_id,)), viewer)
    digest = store.known_placements([placement_id]).get(placement_id)
    if len(records.placements) != 1 or digest is None:
        raise NotFoundError(f"There is no placement {placement_id!r}.")
    sheets = field_sheets(
        records,
        access.surveys(store, viewer),
        access.sites(store, viewer),
        store.operations(),
    )
    rows = {
        sheet: [
            {str(name): text for name, value in row.items() if (text := as_typed(value))}
            for row in sheets[sheet].to_dict("records")
        ]
        for sheet in _SHEETS
    }
    placement = rows["placements"][0]
    for row in (*rows["catches"], *rows["lengths"]):
        row.pop("placement_id", None)
    return Form(
        placement,
        rows["catches"],
        rows["lengths"],
        nothing_caught=placement.get("outcome") == "nil",
        base=str(digest),
    )
