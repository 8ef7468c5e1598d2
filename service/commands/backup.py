"""`rifflebook backup`: copy a store while it is in use."""

from __future__ import annotations

from pathlib import Path

import click

from service.commands.options import opened, store_argument

__all__ = ["backup"]


@click.command()
@store_argument
@click.argument("destination", type=click.Path(path_type=Path), metavar="DEST")
def backup(path: Path, destination: Path) -> None:
    """Copy STORE to the new file DEST, or into the folder DEST, while others use it.

    The copy is of one consistent state and is a store itself: to restore it, stop the service,
    put the copy in the store's place, remove any files of the same name that end in -wal and
    -shm, and run `rifflebook verify`. An existing file is never overwritten.

    Example: rifflebook backup island.gpkg backups/island-2026-05-01.gpkg
    """
    target = destination / path.name if destination.is_dir() else destination
    with opened(path, read_only=True) as store:
        store.backup(target)
    with opened(target, read_only=True) as copy:
        faults = copy.faults()
    if faults:
        raise click.ClickException(f"{target} was written, but is not sound: {faults[0]}")
    size = target.stat().st_size
    click.echo(f"Wrote {target}: {size:,} bytes, looked over and sound.")
