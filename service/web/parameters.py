"""Reading the query of a page: which records it selects."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Final

from service.answers.request_words import read_box, read_day, read_several, read_whole
from service.errors import RequestError
from service.records import Selection

if TYPE_CHECKING:
    from werkzeug.datastructures import MultiDict

    from service.answers.features import Box

__all__ = [
    "CARRIED",
    "FILTERS",
    "PageQuery",
    "only_value",
    "read_choice",
    "read_order",
    "read_query",
    "refuse_unknown",
]

FILTERS: Final = (
    "species", "method", "hours", "since", "until", "survey", "catchment", "stream", "upstream_of",
    "downstream_of", "able_to_find",
)  # fmt: skip
# What every address may have, and links carry, though it leaves no record out.
CARRIED: Final = ("background",)


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

    These are `species`, `method`, `hours`, `survey`, `catchment`, `stream`, each also several
    times, hours with commas too; `since` and `until`, a day or a year; `upstream_of` and
    `downstream_of`, REACH or REACH:MEASURE; `able_to_find`, a species; `bbox` if named among the
    further parameters in `also`. Raises RequestError where a parameter is unknown or its value
    cannot be used.
    """
    refuse_unknown(args, (*FILTERS, *also, *CARRIED))
    since_text, until_text = _single(args, "since"), _single(args, "until")
    since = read_day(since_text, "since", last=False) if since_text else None
    until = read_day(until_text, "until", last=True) if until_text else None
    box = _single(args, "bbox") if "bbox" in also else ""
    if since and until and since > until:
        raise RequestError(f"since {since} is after until {until}; exchange them.")
    selection = Selection(
        species=_several(args, "species"),
        methods=_several(args, "method"),
        surveys=_several(args, "survey"),
        catchments=_several(args, "catchment"),
        streams=_several(args, "stream"),
        upstream_of=_single(args, "upstream_of"),
        downstream_of=_single(args, "downstream_of"),
        hours=read_several(args.getlist("hours")),
        able_to_find=_single(args, "able_to_find"),
        since=since,
        until=until,
    )
    return PageQuery(selection, read_box(box) if box else None)


def _several(args: MultiDict[str, str], name: str) -> tuple[str, ...]:
    return tuple(dict.fromkeys(text for text in args.getlist(name) if text.strip()))


def _single(args: MultiDict[str, str], name: str) -> str:
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
    word = _single(args, name) or usual
    if word not in words:
        raise RequestError(f"{name} {word!r} is none of {', '.join(words)}.")
    return word


def read_order(args: MultiDict[str, str], name: str) -> int:
    """Read a whole number from 1 up; 1 when not given."""
    text = _single(args, name)
    return read_whole(text, name, least=1) if text else 1
