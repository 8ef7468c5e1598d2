"""Arguments and options that several commands share, and where their text goes."""

from __future__ import annotations

import getpass
import sys
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import click

from service.answers.writing import written_whole
from service.errors import StoreOutdatedError
from service.settings import read_settings
from service.store import open_store

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from service.store import Store

__all__ = [
    "file_argument", "in_file", "opened", "out_file", "output_option", "store_argument",
    "who_changes", "write_out",
]  # fmt: skip

in_file = click.Path(exists=True, dir_okay=False, path_type=Path)
out_file = click.Path(dir_okay=False, path_type=Path)
store_argument = click.argument("path", type=click.Path(path_type=Path), metavar="STORE")
file_argument = click.argument("file", type=in_file, metavar="FILE")
output_option = click.option(
    "-o",
    "--output",
    type=out_file,
    metavar="FILE",
    help="Write to this file, replacing it when all went well; else to the terminal.",
)


@contextmanager
def opened(path: Path, *, read_only: bool = False) -> Iterator[Store]:
    """Open a store for one command; one of an older schema is brought up to date first."""
    busy_seconds = read_settings().busy_seconds
    try:
        store = open_store(path, read_only=read_only, busy_seconds=busy_seconds)
    except StoreOutdatedError:
        open_store(path, busy_seconds=busy_seconds).close()  # keeps a copy beside the store
        click.echo(f"{path.name} was brought to the newest schema; a copy is kept.", err=True)
        store = open_store(path, read_only=read_only, busy_seconds=busy_seconds)
    try:
        yield store
    finally:
        store.close()


def who_changes() -> str:
    """Name for the history: RIFFLEBOOK_USER, the login name, or `local user`."""
    named = read_settings().user
    if named:
        return named
    try:
        return getpass.getuser()
    except (KeyError, OSError):  # an account without a name, as in some containers
        return "local user"


def write_out(pieces: Iterable[bytes], output: Path | None) -> None:
    """Write pieces of text; raises StoreError, and leaves what stood there, where it cannot."""
    if output is None or str(output) == "-":
        stream = sys.stdout.buffer
        for piece in pieces:
            stream.write(piece)
        stream.flush()
        return
    with written_whole(output, overwrite=True) as path, path.open("wb") as file:
        for piece in pieces:
            file.write(piece)
