"""`rifflebook verify`: look a store over for faults."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from layers.plurals import counted
from service.answers.verification import place_anew
from service.answers.verification import verify as look_over
from service.commands.options import opened, store_argument

if TYPE_CHECKING:
    from pathlib import Path

__all__ = ["verify"]


@click.command()
@store_argument
@click.option(
    "--place-anew",
    "anew",
    is_flag=True,
    help="Where snaps and stretches alone do not follow, compute and store them anew.",
)
def verify(path: Path, *, anew: bool) -> None:
    """Look STORE over: whether the file is sound and what was derived still follows.

    Integrity, foreign keys, the rules of a GeoPackage, the history against the tables; every
    snap and stretch is computed anew. An older version may have cut some by an older rule;
    --place-anew cuts them by the rules of this one. Without it nothing is changed. Exit code 1
    when anything is wrong.
    """

    def tell(words: str) -> None:
        click.echo(f"Looking at {words} …", err=True)

    with opened(path, read_only=not anew) as store:
        verdict = look_over(store, progress=tell)
        if anew and verdict.faults and verdict.only_derived:
            for fault in verdict.faults:
                click.echo(f"Was: {fault}")
            place_anew(store)
            click.echo("Every placement was placed anew.")
            verdict = look_over(store, progress=tell)
    for words in verdict.checked:
        click.echo(f"Looked at: {words}.")
    for fault in verdict.faults:
        click.echo(f"Fault: {fault}")
    if verdict.faults:
        raise click.ClickException(
            f"{path} has {counted(len(verdict.faults), 'fault')}; restore it from a "
            "backup, or give --place-anew where only snaps and stretches are at fault."
        )
    click.echo(f"{path} is sound.")
