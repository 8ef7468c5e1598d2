"""Methods as data: read from a TOML file, checked whole, given as a frame."""

from __future__ import annotations

import tomllib
from importlib import resources
from typing import TYPE_CHECKING, Final

import pandas as pd

from layers.fieldwork.effort import EFFORT_UNITS
from layers.frames import FRAMES
from layers.totals import ALL_IS_TOTALS, is_all
from service.errors import Fault, FieldFileError

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

__all__ = ["METHOD_COLUMNS", "read_methods", "shipped_methods", "shipped_text"]


_WORDS: Final = {
    "gear_kind": ("net", "trap", "light", "haul", "current", "other"),
    "hours": ("day", "night", "overnight", "any"),
    "stretch_rule": FRAMES["methods"].words["stretch_rule"],
    "area_rule": ("none", "stated", "polygon", "width_times_length"),
    "cpue_passes": FRAMES["methods"].words["cpue_passes"],
}
_LISTS: Final = {
    "effort_units": tuple(EFFORT_UNITS),
    "geometry": ("point", "ends", "track", "area"),
    "habitats": ("stream", "still", "brackish"),
}
_TRUTHS: Final = ("passive", "operator_certificate", "machine_check")
METHOD_COLUMNS: Final = (
    "label", "gear_kind", "passive", "effort_units", "geometry", "hours", "stretch_rule",
    "area_rule", "cpue_passes", "max_soak_h", "represents_m", "operator_certificate",
    "machine_check", "habitats", "cautions",
)  # fmt: skip
_UNITS: Final = {"max_soak_h": "hours", "represents_m": "metres"}
_OPTIONAL: Final = tuple(_UNITS)


def shipped_methods() -> pd.DataFrame:
    """Return the methods that every new store begins with, a frame of `methods`."""
    return _methods(shipped_text(), "methods.toml")


def shipped_text() -> str:
    """Return the file of these methods, which explains its entries: an example for others."""
    return resources.files("service.reference").joinpath("methods.toml").read_text(encoding="utf-8")


def read_methods(path: Path) -> pd.DataFrame:
    """Read methods from a TOML file, one table for each method, named by it.

    Raises FieldFileError where it is not readable TOML, holds no method, or a value is none that
    the program knows; all faults at once, each naming the method, the entry and what it may be.
    """
    try:
        text = path.read_text(encoding="utf-8")
    except UnicodeDecodeError as problem:
        remedy = f"save it as UTF-8; byte {problem.start} is not"
        raise FieldFileError([Fault(path.name, 0, "", "", remedy)]) from problem
    return _methods(text, path.name)


def _methods(text: str, file: str) -> pd.DataFrame:
    try:
        tables = tomllib.loads(text.removeprefix("\ufeff"))
    except tomllib.TOMLDecodeError as problem:
        raise FieldFileError([Fault(file, 0, "", "", f"not TOML: {problem}")]) from problem
    if not tables:
        raise FieldFileError(
            [Fault(file, 0, "", "", "it holds no method; give one [name] table for each")]
        )
    faults = [
        Fault(
            file, 0, f"{name}.{entry}" if entry else name, "" if value is None else str(value), said
        )
        for name, table in tables.items()
        for entry, value, said in _table_faults(name, table)
    ]
    if faults:
        raise FieldFileError(faults)
    rows = {
        name: table | {"habitats": ";".join(table["habitats"])} for name, table in tables.items()
    }
    frame = pd.DataFrame.from_dict(rows, orient="index", columns=list(METHOD_COLUMNS))
    frame.index = pd.Index(frame.index, dtype="str", name="method")
    texts = ["label", *_WORDS, "habitats"]
    return frame.astype(
        {
            **dict.fromkeys(texts, "str"),
            **dict.fromkeys(_TRUTHS, bool),
            **dict.fromkeys(_OPTIONAL, float),
        }
    )


def _table_faults(name: str, table: object) -> Iterator[tuple[str, object, str]]:
    """Entry, value and remedy of each fault in the table of one method."""
    if not isinstance(table, dict):
        yield "", table, f"put it into a table of its method, such as [{name}]"
        return
    if not (name.isascii() and name.isidentifier() and name.islower()):
        yield "", name, "name methods in small letters, digits and _"
    if is_all(name):
        yield "", name, ALL_IS_TOTALS
    for entry in (entry for entry in table if entry not in METHOD_COLUMNS):
        yield entry, table[entry], f"no such entry; there are {', '.join(METHOD_COLUMNS)}"
    for entry in METHOD_COLUMNS:
        if entry in table:
            for value, remedy in _value_faults(entry, table[entry]):
                yield entry, value, remedy
        elif entry not in _OPTIONAL:
            yield entry, None, "is missing; every method says it"


def _value_faults(entry: str, value: object) -> Iterator[tuple[object, str]]:
    """Each value that an entry may not have, and what it may be."""
    if entry in _LISTS:
        yield from _list_faults(value, _LISTS[entry])
    elif entry in _WORDS:
        if value not in _WORDS[entry]:
            yield value, f"give one of {', '.join(_WORDS[entry])}"
    elif entry in _TRUTHS:
        if not isinstance(value, bool):
            yield value, "give true or false"
    elif entry in _OPTIONAL:
        number = isinstance(value, (int, float)) and not isinstance(value, bool)
        if not number or not 0 < float(str(value)) < float("inf"):
            yield value, f"give a number of {_UNITS[entry]} above 0, or leave it out"
    elif entry == "cautions":
        if not isinstance(value, list) or not all(isinstance(one, str) for one in value):
            yield value, "give a list of sentences, or an empty list"
    elif not isinstance(value, str) or not value.strip():
        yield value, "give a short name that people read"


def _list_faults(value: object, known: tuple[str, ...]) -> Iterator[tuple[object, str]]:
    if not isinstance(value, list) or not value:
        yield value, f"give a list of one or more of {', '.join(known)}"
        return
    for one in value:
        if one not in known:
            yield one, f"give one or more of {', '.join(known)}"
    if len(set(map(str, value))) < len(value):
        yield value, "name each once"
