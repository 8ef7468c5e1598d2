"""The parameters that choose records: the same for pages, commands and the feed."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final, NamedTuple

from service.answers.request_words import read_day, read_several
from service.errors import RequestError
from service.records import Selection

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

__all__ = ["PARAMETERS", "read_selection"]


class Parameter(NamedTuple):
    """One of them: what a selection calls it, whether it has several values, what it leaves in."""

    field: str
    meaning: str
    several: bool = False
    form: str = "TEXT"


_PLACE: Final = "REACH[:MEASURE]"
PARAMETERS: Final = {
    "species": Parameter("species", "Only these species", several=True),
    "method": Parameter("methods", "Only these methods", several=True),
    "hours": Parameter(
        "hours",
        "Only gear worked by day, by night or left overnight, by its times",
        several=True,
    ),
    "since": Parameter("since", "Set on this local day or later", form="DATE"),
    "until": Parameter("until", "Set on this local day or before", form="DATE"),
    "survey": Parameter("surveys", "Only this survey", several=True),
    "catchment": Parameter("catchments", "Only here and in what is nested here", several=True),
    "stream": Parameter("streams", "Only on this stream, by its id or name", several=True),
    "upstream_of": Parameter(
        "upstream_of",
        "Only in water that flows through this place; without a measure, its lower end",
        form=_PLACE,
    ),
    "downstream_of": Parameter(
        "downstream_of",
        "Only in water that flows on from this place; without a measure, its upper end",
        form=_PLACE,
    ),
    "able_to_find": Parameter("able_to_find", "Only gear that can find this species", form="NAME"),
}


def read_selection(given: Mapping[str, Sequence[str]], *, commas: bool = False) -> Selection:
    """Read the texts given for each parameter; blank ones count as not given.

    With `commas` one text may name several, as those of `hours` always may. RequestError where a
    day is none, the first is after the last, or several are given where there can be one alone.
    """
    chosen: dict[str, Any] = {}
    for name, parameter in PARAMETERS.items():
        texts = [text.strip() for text in given.get(name, ()) if text.strip()]
        if not texts:
            continue
        if parameter.several:
            split = commas or name == "hours"
            chosen[parameter.field] = read_several(texts) if split else (*dict.fromkeys(texts),)
        elif len(texts) > 1:
            raise RequestError(f"{name} is given {len(texts)} times; give it once.")
        elif parameter.form == "DATE":
            chosen[parameter.field] = read_day(texts[0], name, last=name == "until")
        else:
            chosen[parameter.field] = texts[0]
    selection = Selection(**chosen)
    if selection.since and selection.until and selection.since > selection.until:
        raise RequestError(
            f"since {selection.since} is after until {selection.until}; exchange them."
        )
    return selection
