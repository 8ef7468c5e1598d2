"""Reading the query of a request to the feed."""

from __future__ import annotations

import base64
import binascii
import datetime as dt
import re
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final

import orjson

from service.errors import RequestError
from service.web.context import current_store
from service.web.feed.reference_systems import CRS84, read_area, read_system
from service.web.parameters import only_value, refuse_unknown

if TYPE_CHECKING:
    from werkzeug.datastructures import MultiDict

    from service.web.feed.reference_systems import Area, ReferenceSystem

__all__ = ["LIMIT", "MOST", "FeatureQuery", "read_period", "read_query", "write_mark"]

LIMIT: Final = 100
MOST: Final = 10_000
_COMMON: Final = ("f", "limit", "bbox", "bbox-crs", "datetime", "crs", "after", "before")
_MOMENT: Final = re.compile(
    r"(\d{4}-\d{2}-\d{2})[Tt](\d{2}:\d{2}):(\d{2})(\.\d+)?([Zz]|[+-]\d{2}:\d{2})", re.ASCII
)
_DAY: Final = re.compile(r"\d{4}-\d{2}-\d{2}", re.ASCII)
_LAST_OF_DAY: Final = dt.time(23, 59, 59, 999_000)  # instants are kept to the millisecond


@dataclass(frozen=True)
class Period:
    """A moment, or a time from … to; None = open."""

    start: dt.datetime | None = None
    end: dt.datetime | None = None


@dataclass(frozen=True)
class FeatureQuery:
    """Query for features of a collection."""

    system: ReferenceSystem
    limit: int = LIMIT
    area: Area | None = None
    period: Period = Period()
    filters: dict[str, str] = field(default_factory=dict)
    after: tuple[Any, ...] | None = None
    before: tuple[Any, ...] | None = None

    @property
    def meaning(self) -> tuple[Any, ...]:
        """All that decides which features are meant: neither paging nor coordinates."""
        box = None if self.area is None else (self.area.system.uri, self.area.box)
        return (box, self.period, tuple(sorted(self.filters.items())))

    def refuse_marks(self, *kinds: type | tuple[type, ...]) -> None:
        """Raise RequestError where `after` or `before` is no key of parts of these kinds."""
        for mark in (self.after, self.before):
            if mark is not None and not _fits(mark, kinds):
                raise RequestError(
                    "after or before is no mark of this collection; follow its next and prev links."
                )


def read_query(
    args: MultiDict[str, str],
    systems: tuple[ReferenceSystem, ...],
    filters: tuple[str, ...],
    *,
    paged: bool = True,
) -> FeatureQuery:
    """Read the parameters of a request for features.

    `systems` are the CRS that the feed offers, `filters` the properties by which this collection
    can be filtered; `paged` says whether the answer comes in pages. RequestError where a parameter
    is unknown (/req/core/query-param-unknown) or its value cannot be used
    (/req/core/query-param-invalid).
    """
    paging = ("limit", "after", "before")
    known = tuple(name for name in _COMMON if paged or name not in paging)
    given = read_parameters(args, (*known, *filters))
    bbox_system = read_system(given.get("bbox-crs", CRS84), "bbox-crs", systems, current_store())
    if "bbox-crs" in given and "bbox" not in given:
        raise RequestError("bbox-crs is given without bbox; give both, or none.")
    if "after" in given and "before" in given:
        raise RequestError("after and before are both given; follow one link.")
    return FeatureQuery(
        system=read_system(given.get("crs", CRS84), "crs", systems, current_store()),
        limit=_limit(given["limit"]) if "limit" in given else LIMIT,
        area=read_area(given["bbox"], bbox_system) if "bbox" in given else None,
        period=read_period(given["datetime"]) if "datetime" in given else Period(),
        filters={name: given[name] for name in filters if name in given},
        after=read_mark(given["after"]) if "after" in given else None,
        before=read_mark(given["before"]) if "before" in given else None,
    )


def read_parameters(args: MultiDict[str, str], known: tuple[str, ...]) -> dict[str, str]:
    """Take each parameter once; refuse those that this address does not know."""
    refuse_unknown(args, known)
    return {name: only_value(name, args.getlist(name)) for name in args}


def _limit(text: str) -> int:
    """Read a limit; above the most is no error, it means the most (fc-limit-response-1)."""
    if not re.fullmatch(r"\d{1,30}", text, re.ASCII) or int(text) < 1:
        raise RequestError(f"limit {text[:40]!r} is no whole number from 1 up.")
    return min(int(text), MOST)


def read_period(text: str) -> Period:
    """Read a moment, a day, or an interval of them, open at one end with `..` or nothing.

    A bare date means that whole day in UTC: more than the standard requires, since many
    programs write dates alone. RequestError for anything else (/req/core/fc-time-definition), or
    an interval that ends before it begins.

    Examples
    --------
    >>> read_period("../2024-06-01T00:00:00Z").start is None
    True
    >>> print(read_period("2024-06-01/2024-06-30").end)
    2024-06-30 23:59:59.999000+00:00
    """
    first, slash, last = text.partition("/")
    if not slash:
        return _span(first)
    start = None if first in ("", "..") else _span(first).start
    end = None if last in ("", "..") else _span(last).end
    if start is None and end is None:
        raise RequestError(f"datetime {text[:80]!r} is open at both ends; leave it out.")
    if start is not None and end is not None and start > end:
        raise RequestError(f"datetime {text[:80]!r} ends before it begins; exchange the two.")
    return Period(start, end)


def _span(text: str) -> Period:
    """Read a day of RFC 3339 (full-date) as the whole of it, all else as a moment."""
    wrong = RequestError(
        f"datetime {text[:60]!r} is no moment and no day; write 2024-05-31T08:00:00Z or "
        "2024-05-31, or an interval as 2024-05-01/2024-05-31, with .. for an open end."
    )
    try:
        if _DAY.fullmatch(text):
            day = dt.date.fromisoformat(text)
            return Period(
                dt.datetime.combine(day, dt.time.min, dt.UTC),
                dt.datetime.combine(day, _LAST_OF_DAY, dt.UTC),
            )
        moment = _moment(text)
    except (ValueError, OverflowError):
        raise wrong from None
    return Period(moment, moment)


def _moment(text: str) -> dt.datetime:
    """Read a date-time of RFC 3339, section 5.6; a leap second counts as the last of its minute."""
    match = _MOMENT.fullmatch(text)
    if match is None:
        raise ValueError(text)
    date, minute, second, part, zone = match.groups()
    second = "59" if second == "60" else second
    fraction = f".{part[1:7]:0<6}" if part else ""
    moment = dt.datetime.fromisoformat(f"{date}T{minute}:{second}{fraction}{zone.upper()}")
    return moment.astimezone(dt.UTC)


def _fits(mark: tuple[Any, ...], kinds: tuple[Any, ...]) -> bool:
    return len(mark) == len(kinds) and all(
        isinstance(part, kind)
        and not isinstance(part, bool)
        and (not isinstance(part, int) or abs(part) < 2**63)
        for part, kind in zip(mark, kinds, strict=True)
    )


def write_mark(key: tuple[Any, ...]) -> str:
    """Write a feature's key as a word for `after` and `before`."""
    return base64.urlsafe_b64encode(orjson.dumps(key)).decode().rstrip("=")


def read_mark(text: str) -> tuple[Any, ...]:
    """Read such a word; raises RequestError where it does not come from a link of the feed."""
    wrong = RequestError("after or before is no mark of this feed; follow its next and prev links.")
    try:
        parts = orjson.loads(base64.b64decode(text + "=" * (-len(text) % 4), b"-_", validate=True))
    except (ValueError, binascii.Error, orjson.JSONDecodeError):
        raise wrong from None
    if not isinstance(parts, list) or not all(isinstance(p, (str, int, float)) for p in parts):
        raise wrong
    return tuple(parts)
