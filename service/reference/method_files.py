"""Methods as data: read from a TOML file, checked whole, given as a frame."""

from __future__ import annotations

import tomllib
from importlib import resources
from typing import TYPE_CHECKING, Final

import pandas as pd

from layers.fieldwork.effort import EFFORT_UNITS
from layers.totals import ALL_IS_TOTALS, is_all
from service.errors import Fault, FieldFileError

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

__all__ = ["METHOD_COLUMNS", "read_methods", "shipped_methods", "shipped_text"]


_WORDS: Final = {
    "gear_kind": ("net", "trap", "light", "haul", "current", "other"),
    "hours": ("day", "night", "overnight", "any"),
    "stretch_rule": ("along", "none"),
    "area_rule": ("none", "stated", "polygon", "width_times_length"),
    "cpue_passes": ("first", "all"),
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
    """Return the methods that every new store begins with; columns: DEVELOPERS.md, "methods"."""
    return _methods(shipped_text(), "methods.toml")


def shipped_text() -> str:
    """Return the file of these methods, which explains its entries: an example for others."""
    return resources.files("service.reference").joinpath("methods.toml").read_text(encoding="utf-8")


def read_methods(path: Path) -> pd.DataFrame:
    """Read methods from a TOML file, one table for each method, named by it.

    Returns
    -------
    DataFrame
        Index `method`; columns as in DEVELOPERS.md, "methods".

    Raises
    ------
    FieldFileError
        It is not readable TOML, holds no method, or a value is none that the program knows;
        all faults at once, each naming the method, the entry and what it may be.
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
    faults: list[Fault] = []
    rows: dict[str, dict[str, object]] = {}
    for name, table in tables.items():
        checks = _Checks(file, name, faults)
        if not isinstance(table, dict):
            checks.fault("", table, f"put it into a table of its method, such as [{name}]")
            continue
        rows[name] = checks.row(table)
    if faults:
        raise FieldFileError(faults)
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


class _Checks:
    """The checks of one method's table; faults are gathered, not raised."""

    def __init__(self, file: str, method: str, faults: list[Fault]) -> None:
        self.file = file
        self.method = method
        self.faults = faults

    def fault(self, entry: str, value: object, remedy: str) -> None:
        """Note one fault under the method's and entry's name."""
        column = f"{self.method}.{entry}" if entry else self.method
        self.faults.append(Fault(self.file, 0, column, "" if value is None else str(value), remedy))

    def row(self, table: dict[str, object]) -> dict[str, object]:
        """Check one table and return it as a row."""
        if not (self.method.isascii() and self.method.isidentifier() and self.method.islower()):
            self.fault("", self.method, "name methods in small letters, digits and _")
        if is_all(self.method):
            self.fault("", self.method, ALL_IS_TOTALS)
        for entry, value in table.items():
            if entry not in METHOD_COLUMNS:
                self.fault(entry, value, f"no such entry; there are {', '.join(METHOD_COLUMNS)}")
        for entry in METHOD_COLUMNS:
            if entry not in table and entry not in _OPTIONAL:
                self.fault(entry, None, "is missing; every method says it")
        given: dict[str, object] = {
            entry: table[entry] for entry in METHOD_COLUMNS if entry in table
        }
        for entry, value in given.items():
            self._checker(entry)(entry, value)
        units = given.get("habitats")
        if isinstance(units, list):
            given["habitats"] = ";".join(map(str, units))
        return given

    def _checker(self, entry: str) -> Callable[[str, object], None]:
        if entry in _WORDS:
            return self._word
        if entry in _LISTS:
            return self._list
        if entry in _TRUTHS:
            return self._truth
        if entry in _OPTIONAL:
            return self._number
        return self._cautions if entry == "cautions" else self._label

    def _word(self, entry: str, value: object) -> None:
        if value not in _WORDS[entry]:
            self.fault(entry, value, f"give one of {', '.join(_WORDS[entry])}")

    def _list(self, entry: str, value: object) -> None:
        known = _LISTS[entry]
        if not isinstance(value, list) or not value:
            self.fault(entry, value, f"give a list of one or more of {', '.join(known)}")
            return
        for one in value:
            if one not in known:
                self.fault(entry, one, f"give one or more of {', '.join(known)}")
        if len(set(map(str, value))) < len(value):
            self.fault(entry, value, "name each once")

    def _truth(self, entry: str, value: object) -> None:
        if not isinstance(value, bool):
            self.fault(entry, value, "give true or false")

    def _number(self, entry: str, value: object) -> None:
        number = isinstance(value, (int, float)) and not isinstance(value, bool)
        if not number or not 0 < float(str(value)) < float("inf"):
            self.fault(entry, value, f"give a number of {_UNITS[entry]} above 0, or leave it out")

    def _label(self, entry: str, value: object) -> None:
        if not isinstance(value, str) or not value.strip():
            self.fault(entry, value, "give a short name that people read")

    def _cautions(self, entry: str, value: object) -> None:
        if not isinstance(value, list) or not all(isinstance(one, str) for one in value):
            self.fault(entry, value, "give a list of sentences, or an empty list")
