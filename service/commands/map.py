"""`rifflebook map`: write one page with a map that works without a network."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from layers.plurals import counted
from service.commands.options import opened, store_argument, write_out
from service.commands.selecting import selection_of, selection_options
from service.records import LOCAL_KEEPER

__all__ = ["map_"]


@click.command("map")
@store_argument
@click.option(
    "-o",
    "--output",
    type=click.Path(dir_okay=False, path_type=Path),
    required=True,
    metavar="FILE",
    help="The page; replaced when all went well.",
)
@selection_options
@click.option("--title", help="Title of the page; the store's own when not given.")
def map_(path: Path, output: Path, title: str | None, **given: Any) -> None:  # noqa: ANN401
    """Write the records in STORE as one HTML page with a map.

    The page contains all it needs; it opens from disk, without a network.

    Example: rifflebook map island.gpkg -o map.html --since 2023
    """
    from service.answers.map_files import offline_map

    selection = selection_of(given)
    with opened(path, read_only=True) as store:
        page, count = offline_map(store, selection, LOCAL_KEEPER, title=title)
    write_out([page.encode()], output)
    click.echo(f"Wrote {output}: {counted(count, 'placement')}.", err=True)
