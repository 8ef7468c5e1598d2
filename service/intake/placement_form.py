"""One placement from a form: which fields its method needs, checked and stored as any import.

A form sends cells of text under the headers of the field sheets, so that it is read and checked
by the same rules. What is sent again is known by its content: it is stored once, also when the
record was changed in between.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, Final

import pandas as pd

from layers.fieldwork.effort import EFFORT_UNITS
from layers.frames import PASS_MINUTES
from service import access
from service.access import open_records
from service.errors import ConflictError, NotFoundError, RequestError
from service.intake.cell_texts import filled_cells
from service.intake.columns import SHEETS
from service.intake.importing import check
from service.intake.merging import merge_forms
from service.intake.sheets import sheets_from_frames
from service.intake.stored_sheets import field_sheets
from service.intake.text_bounds import LONGEST_CELL
from service.records import IN_THE_WATER, LOCAL_KEEPER, Selection
from service.store import content_digest

if TYPE_CHECKING:
    from collections.abc import Mapping

    from service.intake.importing import CheckResult
    from service.records import FieldRecords, Records, Viewer
    from service.store import Store

__all__ = ["Form", "check_form", "fields_of_method", "form_of_placement", "read_form", "save_form"]

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
    seen
        That content.
    draft
        The device's own name of the draft that gear was set with.
    """

    placement: dict[str, str]
    catches: list[dict[str, str]] = field(default_factory=list)
    lengths: list[dict[str, str]] = field(default_factory=list)
    nothing_caught: bool = False
    base: str | None = None
    seen: Form | None = None
    draft: str | None = None

    @property
    def placement_id(self) -> str:
        """Its own number."""
        return self.placement.get("placement_id", "")


@dataclass(frozen=True)
class Saved:
    """What became of a form: `stored`, `unchanged`, `taken`, `conflict` or `refused`.

    `differences` holds column, what is stored, and what was sent, for a conflict, and `form` the
    rest of both put together, with what was sent where they differ. `kept` are columns that
    somebody else had changed and that stay so. `next_number` is free where one is taken.
    """

    outcome: str
    result: CheckResult
    digest: str
    differences: tuple[tuple[str, str, str], ...] = ()
    kept: tuple[str, ...] = ()
    form: Form | None = None
    next_number: str = ""


def fields_of_method(method: Mapping[str, Any]) -> list[str]:
    """List the columns of a placement that a method needs beyond where and when."""
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
    """Read what a form sent; RequestError where it is no form, or is larger than any."""
    if not isinstance(document, dict):
        raise RequestError("A form is a JSON object with placement, catches and lengths.")
    seen, base, draft = (document.get(name) for name in ("seen", "base", "draft"))
    if draft is not None and not isinstance(draft, str):
        raise RequestError("draft is not text; send the name of the draft on the device.")
    if base is not None and not isinstance(base, str):
        raise RequestError("base is not text; send the digest that the page was made with.")
    return Form(
        _cells(document.get("placement"), "placements"),
        _rows(document.get("catches") or [], "catches"),
        _rows(document.get("lengths") or [], "lengths"),
        nothing_caught=document.get("nothing_caught") is True,
        base=base,
        seen=None if not isinstance(seen, dict) else read_form({**seen, "seen": None}),
        draft=draft and draft[:64],
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
        sheets.cells["placements"].refuse(only, "outcome", said)
    return check(sheets, store, replaces=form.placement_id)


def save_form(form: Form, store: Store, *, who: str) -> Saved:
    """Check a form and store it; sent again, it changes nothing.

    What somebody else changed since the form was filled stays, field by field; where both changed
    the same, nothing is stored and both are given back. A number that is taken is never
    overwritten.

    Raises
    ------
    ConflictError
        Somebody changed the record at this very moment, or removed it.
    """
    result = check_form(form, store)
    if result.records is None:
        return Saved("refused", result, "")
    name = form.placement_id
    digest = str(result.digests.loc[name])
    lifted, gear = store.known_placements([name]).get(name), store.in_the_water()
    standing = gear.loc[name] if name in gear.index else None
    stored = lifted if standing is None else str(standing["digest"])
    base = form.base
    if standing is not None and form.draft and standing["draft"] == form.draft:
        base = stored  # set by this very device, whose answer may have been lost on the way
    if stored == digest:
        return Saved("unchanged", result, digest)
    if stored is not None and stored != base:
        if _was_stored(store, name, digest):
            return Saved("unchanged", result, digest)
        if base is None:
            return Saved("taken", result, str(stored), next_number=free_number(store, name))
        mine = _as_stored(form, result, store)
        seen = form.seen and _as_stored(form.seen, check_form(form.seen, store), store)
        merged = merge_forms(seen or Form({}), mine, _stored_form(store, name))
        whole = replace(merged.form, base=str(stored))
        if merged.conflicts:
            return Saved("conflict", result, str(stored), merged.conflicts, form=whole)
        return replace(save_form(whole, store, who=who), kept=merged.kept)
    if stored is None and base is not None:
        raise ConflictError(f"Placement {name!r} was removed by somebody else meanwhile.")
    store.keep_operations(result.operations)
    if result.records.in_the_water is not None:
        if lifted is not None:
            raise ConflictError(f"Placement {name!r} was lifted already.")
        set_now = result.records.in_the_water.assign(draft=form.draft)
        store.put_in_the_water(set_now, who=who, replaces=base)
    else:
        own = base if lifted is not None else None
        store.put_placement(result.records, who=who, digest=digest, replaces=own)
    return Saved("stored", result, digest)


def _was_stored(store: Store, name: str, digest: str) -> bool:
    """Whether this very content was stored once: a draft sent again after somebody's change."""
    return any(
        entry.after is not None
        and digest in (entry.after.get("content_digest"), content_digest(entry.after))
        for entity in ("placement", IN_THE_WATER)
        for entry in store.history(entity, name)
    )


def free_number(store: Store, name: str) -> str:
    """Count a number on until no placement and no gear in the water has it.

    The digits at its end grow and keep their width; without any, `-2` is added.
    """
    found = re.fullmatch(r"(.*?)(\d{1,12})", name, re.DOTALL)
    stem, digits = found.groups() if found else (f"{name}-", "1")
    first = int(digits) + 1
    standing = store.in_the_water().index
    while True:
        tries = [f"{stem}{n:0{len(digits)}d}" for n in range(first, first + 200)]
        known = store.known_placements(tries).index.union(standing)
        free = next((one for one in tries if one not in known), None)
        if free is not None:
            return free
        first += 200


def _stored_form(store: Store, name: str) -> Form:
    """Write what is stored under a number as a form, whether it was lifted or not."""
    gear = store.in_the_water()
    if name in gear.index:
        return form_in_the_water(pd.Series(gear.loc[name]))
    return form_of_placement(store, name, LOCAL_KEEPER)


def form_in_the_water(gear: pd.Series) -> Form:
    """Write gear in the water as the cells of a form; `gear` is a row of `Store.in_the_water`."""
    return Form(dict(gear["cells"]), base=str(gear["digest"]), draft=gear["draft"])


def form_of_placement(store: Store, placement_id: str, viewer: Viewer) -> Form:
    """Write a stored placement as the cells of a form; NotFoundError where there is none."""
    records = open_records(store, Selection(placements=(placement_id,)), viewer)
    digest = store.known_placements([placement_id]).get(placement_id)
    if len(records.placements) != 1 or digest is None:
        raise NotFoundError(f"There is no placement {placement_id!r}.")
    form = _written(records, access.surveys(store, viewer), access.sites(store, viewer), store)
    return replace(form, base=str(digest))


def _as_stored(form: Form, result: CheckResult, store: Store) -> Form:
    """Write what was typed the way that what is stored is written, so that they compare."""
    records = result.records
    if records is None:
        return form
    if records.in_the_water is not None:
        return replace(form, placement=dict(records.in_the_water["cells"].iloc[0]))
    if not len(records.placements):
        return form
    own = _written(records, store.surveys(), store.sites(), store)
    return replace(form, placement=own.placement, catches=own.catches, lengths=own.lengths)


def _written(
    records: Records | FieldRecords, surveys: pd.DataFrame, sites: pd.DataFrame, store: Store
) -> Form:
    """Write one placement as the cells of a form."""
    sheets = field_sheets(records, surveys, sites, store.operations())
    rows = {sheet: [*map(filled_cells, sheets[sheet].to_dict("records"))] for sheet in _SHEETS}
    placement = rows["placements"][0]
    for row in (*rows["catches"], *rows["lengths"]):
        row.pop("placement_id", None)
    return Form(
        placement,
        rows["catches"],
        rows["lengths"],
        nothing_caught=placement.get("outcome") == "nil",
    )
