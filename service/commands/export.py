"""`rifflebook export`: write records for others."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from service.commands.options import opened, store_argument
from service.commands.selecting import selection_of, selection_options
from service.export.geojson import write_geojson
from service.export.writing import written_whole

__all__ = ["export"]


@click.command()
@store_argument
@click.option(
    "-o",
    "--output",
    type=click.Path(dir_okay=False, path_type=Path),
    required=True,
    metavar="FILE",
    help="The file; replaced when all went well.",
)
@selection_options
def export(store: Path, output: Path, **given: Any) -> None:  # noqa: ANN401
    """Write the placements in STORE, with their catch, as GeoJSON (RFC 7946).

    Example: rifflebook export island.gpkg -o records.geojson --species "Salmo trutta"
    """
    selection = selection_of(given)
    with opened(store, read_only=True) as held, written_whole(output, overwrite=True) as path:
        count = write_geojson(path, held, selection, "precise")
    click.echo(f"Wrote {output}: {count} placements, exact places.", err=True)
