"""Reading the query of a page: which records it selects."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from service.answers.request_words import read_box, read_day, read_whole
from service.errors import RequestError
from service.records import Selection

if TYPE_CHECKING:
    from werkzeug.datastructures import MultiDict

    from service.answers.features import Box

__all__ = ["FILTERS", "PageQuery", "only_value", "read_order", "read_query", "refuse_unknown"]

FILTERS: Final = (
    "species", "method", "hours", "since", "until", "survey", "catchment", "stream", "upstream_of",
    "downstream_of", "able_to_find",
)  # fmt: skip


@dataclass(frozen=True)
class PageQuery:
    """Query of a page: the records it selects, and a box."""

    selection: Selection
    within: Box | None = None

    @property
    def filtered(self) -> bool:
        """Whether anything is left out."""
        return self.selection != Selection()


def read_query(args: MultiDict[str, str], *, also: tuple[str, ...] = ()) -> PageQuery:
    """Read the filters of a query; blank values count as not given.

    These are `species`, `method`, `hours`, `survey`, `catchment`, `stream`, each also several
    times; `since` and `until`, a day or a year; `upstream_of` and `downstream_of`, REACH or
    REACH:MEASURE; `able_to_find`, a species; `bbox` if named among the further parameters in
    `also`. Raises RequestError where a parameter is unknown or its value cannot be used.
    """
    refuse_unknown(args, (*FILTERS, *also))
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
        hours=_several(args, "hours"),
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


def read_order(args: MultiDict[str, str], name: str) -> int:
    """Read a whole number from 1 up; 1 when not given."""
    text = _single(args, name)
    return read_whole(text, name, least=1) if text else 1
