"""The options that choose records, the same for every command that shows or writes some."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final, TypeVar

import click

from service.answers.request_words import read_day, read_several
from service.errors import RequestError
from service.records import Selection

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Callable

__all__ = ["DAY", "selection_of", "selection_options"]

Command = TypeVar("Command", bound="Callable[..., Any]")


class _Day(click.ParamType["dt.date"]):
    """A day, a month or a year; its first day, or its last."""

    name = "date"

    def __init__(self, *, last: bool) -> None:
        self.last = last

    def convert(  # click hands over text, or a default
        self, value: object, param: click.Parameter | None, ctx: click.Context | None
    ) -> dt.date:
        """Read the text, or fail with what would be right."""
        try:
            return read_day(str(value), "the date", last=self.last)
        except RequestError as problem:
            self.fail(str(problem), param, ctx)


DAY: Final = _Day(last=False)
_OPTIONS: Final = (
    click.option("--survey", multiple=True, help="Only this survey; several with commas."),
    click.option("--methods", multiple=True, help="Only these methods; several with commas."),
    click.option("--species", multiple=True, help="Only these species; several with commas."),
    click.option(
        "--since", type=_Day(last=False), metavar="DATE", help="Set on this local day or later."
    ),
    click.option(
        "--until", type=_Day(last=True), metavar="DATE", help="Set on this local day or before."
    ),
    click.option(
        "--catchment", multiple=True, help="Only here and in what is nested here; with commas."
    ),
    click.option(
        "--stream", multiple=True, help="Only on this stream, by its id or name; with commas."
    ),
    click.option(
        "--upstream-of",
        metavar="REACH[:MEASURE]",
        default="",
        help="Only in water that flows through this place; without a measure, its lower end.",
    ),
    click.option(
        "--downstream-of",
        metavar="REACH[:MEASURE]",
        default="",
        help="Only in water that flows on from this place; without a measure, its upper end.",
    ),
    click.option(
        "--hours",
        multiple=True,
        help="Only gear worked by day, by night or left overnight, by its times; with commas.",
    ),
    click.option(
        "--able-to-find",
        metavar="SPECIES",
        default="",
        help="Only gear that can find this species.",
    ),
)


def selection_options(command: Command) -> Command:
    """Give a command the options that choose records."""
    for option in reversed(_OPTIONS):
        command = option(command)
    return command


def selection_of(given: dict[str, Any]) -> Selection:
    """Take the options of :func:`selection_options` out of a command's arguments."""
    return Selection(
        surveys=read_several(given.pop("survey")),
        methods=read_several(given.pop("methods")),
        species=read_several(given.pop("species")),
        catchments=read_several(given.pop("catchment")),
        streams=read_several(given.pop("stream")),
        upstream_of=given.pop("upstream_of").strip(),
        downstream_of=given.pop("downstream_of").strip(),
        hours=read_several(given.pop("hours")),
        able_to_find=given.pop("able_to_find").strip(),
        since=given.pop("since"),
        until=given.pop("until"),
    )
