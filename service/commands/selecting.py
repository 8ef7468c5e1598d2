"""The options that choose records, the same for every command that shows or writes some."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, TypeVar

import click

from service.answers.selecting import PARAMETERS, read_selection

if TYPE_CHECKING:
    from collections.abc import Callable

    from service.records import Selection

__all__ = ["selection_of", "selection_options"]

Command = TypeVar("Command", bound="Callable[..., Any]")


def selection_options(command: Command) -> Command:
    """Give a command the options that choose records."""
    for name, parameter in reversed(PARAMETERS.items()):
        command = click.option(
            "--methods" if name == "method" else f"--{name.replace('_', '-')}",
            name,
            multiple=True,
            metavar=parameter.form,
            help=f"{parameter.meaning}{'; several with commas' if parameter.several else ''}.",
        )(command)
    return command


def selection_of(given: dict[str, Any]) -> Selection:
    """Take the options of :func:`selection_options` out of a command's arguments."""
    return read_selection({name: given.pop(name) for name in PARAMETERS}, commas=True)
