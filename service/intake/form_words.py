"""Findings in the words of the form.

The checks speak of sheets, rows and columns, as files have them; whoever fills a form sees
fields. What a fault is about is known by its column and by whether a value stands there, what a
flag is about by its code; everything else is said as the checks say it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from service.errors import Fault

__all__ = ["fault_words", "flag_words"]

# By column, where the field is empty.
_WHERE_EMPTY: Final = {
    "survey": "say to which survey this placement belongs; the field under Work lists them",
    "count": "give the number of fish, or choose “there, not counted”",
    "length_mm": "give a length or a weight, or take this fish out of the list",
}
# By column and value.
_OF_VALUE: Final = {
    ("count_kind", "present"): "“there, not counted” has no number; empty the count, or say how "
    "it was counted",
    ("count", "0"): "no fish is no catch: take this one out, and choose “Nothing caught” where "
    "there were none at all",
}
_OF_FLAG: Final = {
    "caught_without_rows": "“Fish caught” is chosen, but none is listed.",
    "catch_on_unrecorded": "“Catch not recorded” is chosen, but fish are listed.",
}
# Words of a sheet, and what a form has in their place.
_OTHER_WORDS: Final = (
    ("no such survey in the store or in these sheets; add it, or leave the cell empty",
     "there is no such survey; choose one of those listed"),
    (("the row has no position; give longitude and latitude, easting and northing, a geometry, "
      "or a waypoint"),
     "say where it was: tap the map, use the position of this device, or type coordinates"),
    ("where a row says nothing else", "where nothing else is said"),
    ("a stream name on the sheet would settle it", "the name of the water would settle it"),
    ("set_at and lifted_at must both", "both times must"),
    ("leave the cell empty", "leave the field empty"),
    ("take the row out", "take it out"),
    ("format the cell as date and time", "write date and time"),
)  # fmt: skip


def fault_words(fault: Fault) -> str:
    """Say what would be right, for somebody who fills a form."""
    if not fault.value and fault.column in _WHERE_EMPTY:
        return _WHERE_EMPTY[fault.column]
    known = _OF_VALUE.get((fault.column, fault.value.strip()))
    return known or _reworded(fault.remedy)


def flag_words(code: str, message: str) -> str:
    """Say what looks odd, for somebody who fills a form."""
    return _OF_FLAG.get(code) or _reworded(message)


def _reworded(text: str) -> str:
    for sheet, form in _OTHER_WORDS:
        text = text.replace(sheet, form)
    return text
