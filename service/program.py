"""The program: `rifflebook …`, its commands loaded when used, its faces joined here."""

from __future__ import annotations

import importlib
import warnings
from contextlib import contextmanager
from typing import TYPE_CHECKING, Final

import click

from layers.errors import LayersError
from service import create_app
from service.errors import FieldFileError, ServiceError
from service.faces import Faces

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from service.faces import HandOverWriter
    from service.store import Store

__all__ = ["COMMANDS", "main"]

# How a library's warning begins, and what it means to whoever loads the file.
_MEANINGS: Final = {
    "Measured (M) geometry types": "The file carries M values; these were dropped.",
}

# Command: where it is, and what it does in one line. The line stands here so that
# `rifflebook --help` needs to load none of them.
COMMANDS: Final[dict[str, tuple[str, str]]] = {
    "demo": ("service.commands.demo:demo", "Show an invented island with its records."),
    "init": ("service.commands.init:init", "Make a new, empty store."),
    "load": ("service.commands.load:load", "Load reaches, catchments, species and other lists."),
    "import": ("service.commands.import_:import_", "Take field sheets in, whole or not at all."),
    "merge": ("service.commands.merge:merge", "Take the records of another store in."),
    "undo": ("service.commands.undo:undo", "Take one import back."),
    "templates": ("service.commands.templates:templates", "Write empty field sheets."),
    "summary": ("service.commands.summary:summary", "Print what the records say."),
    "map": ("service.commands.map:map_", "Write a map that works without a network."),
    "export": ("service.commands.export:export", "Write records for others."),
    "serve": ("service.commands.serve:serve", "Serve the pages and the feed of a store."),
    "account": ("service.commands.account:account", "Add, change and list accounts and tokens."),
    "backup": ("service.commands.backup:backup", "Copy a store while it is in use."),
    "verify": ("service.commands.verify:verify", "Look a store over for faults."),
}


class _LazyCommands(click.Group):
    """A group whose commands are imported when used, and whose errors are one readable line."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Name the commands in the order of a record's way."""
        del ctx
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import the command of this name."""
        del ctx
        if cmd_name not in COMMANDS:
            return None
        module, _, attribute = COMMANDS[cmd_name][0].partition(":")
        command = getattr(importlib.import_module(module), attribute)
        assert isinstance(command, click.Command)  # noqa: S101  a slip in the table above
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the commands without importing them."""
        del ctx
        with formatter.section("Commands"):
            formatter.write_dl([(name, line) for name, (_, line) in COMMANDS.items()])

    def invoke(self, ctx: click.Context) -> object:
        """Run a command; what it cannot do becomes one line and exit code 1."""
        try:
            with _warnings_in_a_line():
                return super().invoke(ctx)
        except FieldFileError as problem:
            for fault in problem.faults:
                click.echo(str(fault), err=True)
            raise click.ClickException(str(problem)) from problem
        except (ServiceError, LayersError) as problem:
            option = getattr(problem, "option", "")
            said = f"{problem} The option is {option}." if option else str(problem)
            raise click.ClickException(" ".join(said.split())) from problem


@contextmanager
def _warnings_in_a_line() -> Iterator[None]:
    """Print each library warning once, as a sentence without the library's own files."""
    said: set[str] = set()

    def show(message: Warning | str, *_: object) -> None:
        text = " ".join(str(message).split())
        ours = [words for begins, words in _MEANINGS.items() if text.startswith(begins)]
        line = f"Note: {ours[0] if ours else text}"
        if line not in said:
            said.add(line)
            click.echo(line, err=True)

    with warnings.catch_warnings():
        warnings.showwarning = show  # type: ignore[assignment]  # what follows the category is unused
        yield


@click.group(cls=_LazyCommands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="rifflebook", prog_name="rifflebook")
@click.pass_context
def main(ctx: click.Context) -> None:
    """Keep where fishing gear was placed and what it caught, and see what that says.

    Every command explains itself: rifflebook COMMAND --help.
    """
    ctx.obj = Faces(_hand_over_writer, _serve)


# Loaded when called: most commands need neither the web nor the export.
def _hand_over_writer() -> HandOverWriter:
    from service.export import write_hand_over

    return write_hand_over


def _serve(
    store: Store, *, host: str | None, port: int | None, report: Callable[[str], None]
) -> None:
    from service.settings import read_settings
    from service.web.serving import serve_store

    settings = read_settings()
    serve_store(
        store,
        settings,
        lambda: create_app(store, settings),
        host=host or settings.host,
        port=port or settings.port,
        report=report,
    )
