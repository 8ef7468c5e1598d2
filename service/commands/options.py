"""Arguments and options that several commands share."""

from __future__ import annotations

import getpass
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import click

from service.errors import StoreOutdatedError
from service.settings import read_settings
from service.store import open_store

if TYPE_CHECKING:
    from collections.abc import Iterator

    from service.store import Store

__all__ = ["file_argument", "opened", "store_argument", "who_changes"]

store_argument = click.argument("path", type=click.Path(path_type=Path), metavar="STORE")
file_argument = click.argument(
    "file", type=click.Path(exists=True, dir_okay=False, path_type=Path), metavar="FILE"
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
