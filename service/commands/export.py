"""`rifflebook export`: write records for others."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from layers.plurals import counted
from service.answers.hand_over import AUDIENCES, FORMS, HandOver, form_of, what_it_holds
from service.commands.options import opened, store_argument
from service.commands.selecting import selection_of, selection_options

if TYPE_CHECKING:
    from service.faces import Faces

__all__ = ["export"]


@click.command()
@store_argument
@click.option(
    "-o",
    "--output",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="The file; replaced when all went well. A store is never replaced.",
)
@click.option(
    "--to",
    "form",
    type=click.Choice(list(FORMS)),
    help="Form of the file; taken from the ending .geojson or .gpkg when not given.",
)
@click.option(
    "--audience",
    type=click.Choice(AUDIENCES),
    default="public",
    show_default=True,
    help="public: sensitive places generalised, no names of people; precise: as recorded.",
)
@click.option("--crs", help="CRS of the GeoPackage, such as EPSG:29902; else the store's.")
@click.option("--licence", default="", help="Words of the licence, stated in the files.")
@click.option("--preview", is_flag=True, help="Only say what the file would contain.")
@selection_options
@click.pass_obj
def export(
    faces: Faces,
    /,
    path: Path,
    output: Path | None,
    form: str | None,
    audience: str,
    crs: str | None,
    licence: str,
    preview: bool,
    **given: Any,  # noqa: ANN401
) -> None:
    """Write records of STORE into one file for others, whole or not at all.

    \b
    geojson  placements with their catch (RFC 7946)
    gpkg     GeoPackage: layers with styles, tables, described columns
    csv      the field sheets again, in one zip; text that a spreadsheet would run as a
             formula gets an apostrophe before it, which import takes off again
    dwca     Darwin Core Archive with event core and Humboldt table
    bundle   all of it for a council, with map, account, dictionary and checksums

    Example: rifflebook export island.gpkg -o council.zip --to bundle --crs EPSG:29902
    """  # noqa: D301  click knows the sign itself, not the two letters
    selection = selection_of(given)
    who: Any = audience
    with opened(path, read_only=True) as store:
        holds = what_it_holds(store, selection, who)
        said = (
            f"{counted(holds.placements, 'placement')}, {counted(holds.catches, 'catch')}, "
            f"{counted(holds.lengths, 'length')}, "
            f"{len(holds.species)} species; audience {audience}, "
            f"{counted(holds.generalised, 'place')} generalised"
        )
        if preview:
            click.echo(said)
            return
        if output is None:
            raise click.UsageError("Name the file with -o FILE, or give --preview.")
        request = HandOver(
            selection, form_of(output, form), who, crs=crs, licence=licence, overwrite=True
        )
        faces.hand_over_writer()(store, output, request, progress=_tell)
    click.echo(f"Wrote {output}: {said}.", err=True)


def _tell(words: str, done: int, total: int, unit: str) -> None:
    of_all = f" of {total:,}" if total else ""
    click.echo(f"{words}: {counted(done, unit)}{of_all} …" if done else f"{words} …", err=True)
