"""`rifflebook verify`: look a store over for faults."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from layers.plurals import counted
from service.answers.verification import verify as look_over
from service.commands.options import opened, store_argument

if TYPE_CHECKING:
    from pathlib import Path

__all__ = ["verify"]


@click.command()
@store_argument
def verify(path: Path) -> None:
    """Look STORE over: whether the file is sound and what was derived still follows.

    Integrity, foreign keys, the rules of a GeoPackage, the history against the tables; every
    snap and stretch is computed anew. Changes nothing. Exit code 1 when anything is wrong.
    """
    with opened(path, read_only=True) as store:
        verdict = look_over(
            store, progress=lambda words: click.echo(f"Looking at {words} …", err=True)
        )
    for words in verdict.checked:
        click.echo(f"Looked at: {words}.")
    for fault in verdict.faults:
        click.echo(f"Fault: {fault}")
    if verdict.faults:
        raise click.ClickException(
            f"{path} has {counted(len(verdict.faults), 'fault')}; restore it from a "
            "backup, or load the "
            "network again where only snaps and stretches are at fault."
        )
    click.echo(f"{path} is sound.")
