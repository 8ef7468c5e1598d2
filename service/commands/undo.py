"""`rifflebook undo`: take one import back."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from layers.plurals import counted
from service.commands.options import opened, store_argument, who_changes

if TYPE_CHECKING:
    from pathlib import Path

__all__ = ["undo"]


@click.command()
@store_argument
@click.argument("batch", type=int, required=False, metavar="[BATCH]")
def undo(path: Path, batch: int | None) -> None:
    """Take back all that import BATCH added; without BATCH, list the imports.

    Refused where a placement of the import was changed since. The history keeps both.
    """
    if batch is None:
        _list(path)
        return
    with opened(path) as store:
        undone = store.undo_batch(batch, who=who_changes())
    click.echo(
        f"Import {undone.batch_id} is taken back: "
        f"{counted(undone.placements, 'placement')}, {counted(undone.catches, 'catch')}, "
        f"{counted(undone.lengths, 'length')}."
    )


def _list(path: Path) -> None:
    with opened(path, read_only=True) as store:
        batches = store.batches()
    if not batches:
        click.echo("Nothing was imported so far.")
    for batch in batches:
        undone = f"; taken back by {batch.undone_by}" if batch.undone_at else ""
        click.echo(
            f"{batch.batch_id}  {batch.at:%Y-%m-%d %H:%M} UTC  {batch.who}  "
            f"{', '.join(batch.files)}  "
            f"{counted(batch.placements, 'placement')}, {counted(batch.catches, 'catch')}, "
            f"{counted(batch.lengths, 'length')}{undone}"
        )
