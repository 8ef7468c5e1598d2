"""Reading the query of a page: which records it selects."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Final

from service.answers.request_words import read_box, read_number, read_whole
from service.answers.selecting import PARAMETERS, read_selection
from service.errors import RequestError
from service.records import Selection

if TYPE_CHECKING:
    from werkzeug.datastructures import MultiDict

    from service.answers.features import Box

__all__ = [
    "CARRIED",
    "PageQuery",
    "only_value",
    "read_choice",
    "read_order",
    "read_place",
    "read_query",
    "read_view",
    "refuse_unknown",
    "single",
]

# What every address may have, and links carry, though it leaves no record out.
CARRIED: Final = ("background",)
_FINEST: Final = 20  # zoom level of a map


@dataclass(frozen=True)
class PageQuery:
    """Query of a page: the records it selects, and a box."""

    selection: Selection
    within: Box | None = None
    own: Selection = field(default_factory=Selection)  # what the page is about whatever its query

    @property
    def filtered(self) -> bool:
        """Whether anything is left out of what the page is about."""
        return self.selection != self.own

    @property
    def narrowed(self) -> Selection:
        """What leaves something out, without what the page is about."""
        if self.own.species:
            return replace(self.selection, species=())
        return replace(self.selection, catchments=()) if self.own.catchments else self.selection


def read_query(args: MultiDict[str, str], *, also: tuple[str, ...] = ()) -> PageQuery:
    """Read the filters of a query; blank values count as not given.

    These are those of `service.answers.selecting`, and `bbox` if named among the further parameters
    in `also`. Raises RequestError where a parameter is unknown or its value cannot be used.
    """
    refuse_unknown(args, (*PARAMETERS, *also, *CARRIED))
    box = single(args, "bbox") if "bbox" in also else ""
    return PageQuery(read_selection(args.to_dict(flat=False)), read_box(box) if box else None)


def single(args: MultiDict[str, str], name: str) -> str:
    """Read a parameter that may be given once; empty where it is not given."""
    return only_value(name, [text.strip() for text in args.getlist(name) if text.strip()])


def refuse_unknown(args: MultiDict[str, str], known: tuple[str, ...]) -> None:
    """Raise RequestError for a parameter that an address does not know."""
    for name in args:
        if name not in known:
            raise RequestError(f"There is no parameter {name!r}; there are {', '.join(known)}.")


def only_value(name: str, values: list[str]) -> str:
    """Return the one value of a parameter, empty without any; RequestError for several."""
    if len(values) > 1:
        raise RequestError(f"{name} is given {len(values)} times; give it once.")
    return values[0] if values else ""


def read_choice(args: MultiDict[str, str], name: str, words: tuple[str, ...], usual: str) -> str:
    """Read one of some words, the usual one when not given; RequestError for any other."""
    word = single(args, name) or usual
    if word not in words:
        raise RequestError(f"{name} {word!r} is none of {', '.join(words)}.")
    return word


def read_order(args: MultiDict[str, str], name: str) -> int:
    """Read a whole number from 1 up; 1 when not given."""
    text = single(args, name)
    return read_whole(text, name, least=1) if text else 1


def read_place(args: MultiDict[str, str]) -> tuple[float, float]:
    """Read `longitude` and `latitude`, degrees; RequestError where one is missing or no use."""
    return (
        read_number(args.get("longitude", ""), "longitude", least=-180, most=180),
        read_number(args.get("latitude", ""), "latitude", least=-90, most=90),
    )


def read_view(args: MultiDict[str, str], within: Box | None) -> tuple[Box, int]:
    """Take the box and read the `zoom` of a map; RequestError where one is missing."""
    zoom = read_whole(args.get("zoom", ""), "zoom", least=0)
    if within is None:
        raise RequestError("bbox is missing; write west,south,east,north in degrees.")
    return within, min(zoom, _FINEST)
