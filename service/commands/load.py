"""`rifflebook load`: reference layers and lists from whatever a GIS writes."""

from __future__ import annotations

from contextlib import contextmanager
from typing import TYPE_CHECKING

import click
from tqdm import tqdm

from layers.drawing.tile_grid import FINEST_ZOOM
from service.commands.options import (
    file_argument,
    in_file,
    opened,
    out_file,
    output_option,
    store_argument,
    who_changes,
    write_out,
)
from service.intake.kept_mappings import keep_mapping, missing_from
from service.intake.lists import load_list, read_list
from service.intake.stored_sheets import csv_text
from service.reference.files import read_features, rename_columns, write_places
from service.reference.loading_backgrounds import background_words, load_background
from service.reference.loading_layers import (
    LOADING_STEPS,
    LayerRefusedError,
    Loaded,
    load_catchments,
    load_reaches,
)
from service.reference.method_files import read_methods, shipped_text

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

__all__ = ["load"]

_optional_file = click.argument("file", type=in_file, metavar="[FILE]", required=False)
_layer = click.option("--layer", help="Layer of the file, where it has several.")
_map = click.option(
    "--map",
    "columns",
    multiple=True,
    metavar="OURS=THEIRS",
    help="Name of one of our columns in the file; may be given many times.",
)


@click.group()
def load() -> None:
    """Load reference layers, lists and backgrounds into STORE.

    FILE may be anything that GDAL reads (GeoPackage, GeoJSON, Shapefile, FlatGeobuf …); for
    lists also CSV. A layer is replaced whole, a list is added to.
    """


@load.command()
@store_argument
@file_argument
@_layer
@_map
@click.option("--reverse-flow", is_flag=True, help="Lines are drawn upstream; turn them round.")
@click.option("--split-parts", is_flag=True, help="Make each part of a multi-part line a reach.")
@click.option(
    "--node-tolerance",
    type=click.FloatRange(0),
    help="Metres within which ends are one node; kept as the store's.",
)
@click.option(
    "--problems",
    type=out_file,
    help="Write the places of all findings to this GeoJSON file.",
)
def reaches(
    path: Path,
    file: Path,
    layer: str | None,
    columns: tuple[str, ...],
    reverse_flow: bool,
    split_parts: bool,
    node_tolerance: float | None,
    problems: Path | None,
) -> None:
    """Replace the stream network; placements are snapped anew.

    Columns: reach_id (needed), stream_name, strahler (computed where missing), kind. Their
    usual other names, such as id, name, strahler_order and feature_kind, are taken too.
    """
    with opened(path) as store, _steps(LOADING_STEPS["reaches"]) as step:
        step("reading the file")
        raw = rename_columns(read_features(file, layer), columns)
        try:
            loaded = load_reaches(
                store,
                raw,
                who=who_changes(),
                reverse_flow=reverse_flow,
                split_parts=split_parts,
                node_tolerance_m=node_tolerance,
                progress=step,
            )
        except LayerRefusedError as refusal:
            for sentence in refusal.report.sentences:
                click.echo(sentence, err=True)
            if problems is not None:
                write_places(refusal.report.places, problems)
            raise
    _tell(loaded)
    if problems is not None and loaded.places is not None:
        count = write_places(loaded.places, problems)
        click.echo(f"Problem places written to {problems}: {count}.")


@load.command()
@store_argument
@file_argument
@_layer
@_map
@click.option("--nest", is_flag=True, help="Find the parent of each catchment by its shape.")
def catchments(
    path: Path, file: Path, layer: str | None, columns: tuple[str, ...], nest: bool
) -> None:
    """Replace the catchments.

    Columns: catchment_id (needed), name, parent_id.
    """
    with opened(path) as store, _steps(LOADING_STEPS["catchments"]) as step:
        step("reading the file")
        raw = rename_columns(read_features(file, layer), columns)
        loaded = load_catchments(store, raw, who=who_changes(), nest=nest, progress=step)
    _tell(loaded)


def _print_shipped(context: click.Context, _: click.Parameter, wanted: bool) -> None:
    if wanted:
        click.echo(shipped_text(), nl=False)
        context.exit()


@load.command()
@store_argument
@file_argument
@click.option(
    "--example",
    is_flag=True,
    is_eager=True,
    expose_value=False,
    callback=_print_shipped,
    help="Print the methods that every store begins with, each entry explained, and stop.",
)
def methods(path: Path, file: Path) -> None:
    """Add methods, or change them, from a TOML file laid out as --example shows."""
    frame = read_methods(file)
    with opened(path) as store:
        added, changed = store.put_methods(frame, who=who_changes())
    click.echo(
        f"Methods: {added} added, {changed} changed, {len(frame) - added - changed} the same."
    )


def _list_command(name: str, words: str) -> None:
    @store_argument
    @file_argument
    @_layer
    @_map
    @click.option("--check", is_flag=True, help="Only say what is found; store nothing.")
    def command(
        path: Path, file: Path, layer: str | None, columns: tuple[str, ...], check: bool
    ) -> None:
        raw = rename_columns(read_list(file, layer), columns)
        with opened(path, read_only=check) as store:
            loaded = load_list(
                store, name, raw, who=who_changes(), file=file.name, check_only=check
            )
        _tell(loaded)

    command.__doc__ = words
    load.command(name)(command)


@load.command()
@store_argument
@_optional_file
@_layer
@_map
@click.option("--check", is_flag=True, help="Only say what is found; store nothing.")
@click.option(
    "--with-parents",
    "parents",
    is_flag=True,
    help="Add an entry for each genus and family, for fish that were not taken further.",
)
@click.option(
    "--missing-from",
    "sheets",
    multiple=True,
    type=in_file,
    metavar="SHEET",
    help="Write a list of the names in this sheet that the store lacks; may be given many times.",
)
@click.option("--mapping", default="", help="Mapping of these sheets: a file, or a kept name.")
@output_option
def species(
    path: Path,
    file: Path | None,
    layer: str | None,
    columns: tuple[str, ...],
    check: bool,
    parents: bool,
    sheets: tuple[Path, ...],
    mapping: str,
    output: Path | None,
) -> None:
    """Add species, or change those of the same scientific name.

    Columns: species (needed), vernacular_name, rank, family, group, habitats, detected_by,
    min_length_mm, max_length_mm, sensitivity, sensitive_from, sensitive_until, taxon_id. Names in
    other languages stand in columns such as vernacular_name_de.

    Says of each sensitive species how many placements the public would see only as squares of
    1, 10 or 50 km, or not at all: --check says it before anything is stored.

    With --missing-from no FILE is loaded: the list is written, to be looked through and loaded.
    """
    if bool(sheets) == (file is not None):
        raise click.UsageError("Give FILE, or sheets by --missing-from.")
    if file is not None and (mapping or output is not None):
        raise click.UsageError("--mapping and -o go with --missing-from; leave them out.")
    with opened(path, read_only=check or bool(sheets)) as store:
        if sheets:
            lacking = missing_from(store, sheets, mapping)
            write_out([csv_text(lacking)], output)
            return
        assert file is not None  # noqa: S101  see above
        loaded = load_list(
            store, "species", rename_columns(read_list(file, layer), columns),
            who=who_changes(), file=file.name, check_only=check, parents=parents,
        )  # fmt: skip
    _tell(loaded)


@load.command()
@store_argument
@file_argument
@click.option("--name", default="", help="Name to keep it under; else that of the file.")
def mapping(path: Path, file: Path, name: str) -> None:
    """Keep a mapping of field sheets under a name, for the next season.

    `rifflebook import STORE SHEET… --mapping NAME` follows it.
    """
    kept = name or file.stem
    try:
        text = file.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as problem:
        line = problem.object[: problem.start].count(b"\n") + 1
        raise click.ClickException(f"{file.name}, row {line}: not UTF-8; save it so.") from problem
    with opened(path) as store:
        keep_mapping(store, kept, text, who_changes())
    click.echo(f"Kept as {kept}.")


@load.command()
@store_argument
@_optional_file
@click.option("--name", default="", help="Name to choose it by; else that of the file.")
@click.option("--attribution", default="", help="Words that the owner of the picture wants shown.")
@click.option("--layer", default="", help="Tiles of a GeoPackage, where it has several.")
@click.option(
    "--max-zoom",
    type=click.IntRange(0, FINEST_ZOOM),
    help="Cut a picture no finer than this level.",
)
@click.option("--check", is_flag=True, help="Only say what is found; store nothing.")
@click.option("--list", "listed", is_flag=True, help="List the backgrounds, and stop.")
@click.option("--remove", default="", metavar="NAME", help="Take a background out, and stop.")
def background(
    path: Path,
    file: Path | None,
    name: str,
    attribution: str,
    layer: str,
    max_zoom: int | None,
    check: bool,
    listed: bool,
    remove: str,
) -> None:
    """Add a picture of the ground that maps draw beneath the records, or replace one of its name.

    FILE is MBTiles or a GeoPackage with raster tiles, or a GeoTIFF of 8-bit colours. Tiles in Web
    Mercator on the usual levels are taken as they are; everything else is drawn anew on these,
    which takes a while.

    Maps show it to everybody who may see them, the public included: see that its licence allows
    that. It is in no export and no hand-over.
    """
    if [file is not None, listed, bool(remove)].count(True) != 1:
        raise click.UsageError("Give FILE, or --list, or --remove NAME.")
    with opened(path, read_only=check or listed) as store:
        if remove:
            if not store.remove_background(remove, who=who_changes()):
                raise click.ClickException(f"There is no background {remove!r}; see --list.")
            click.echo(f"Background removed: {remove}.")
        elif file is None:
            for one in store.backgrounds():
                click.echo(background_words(one))
        else:
            with tqdm(unit="tile", leave=False, disable=None) as bar:

                def tell(words: str, done: int, total: int, _: str) -> None:
                    bar.set_description(words, refresh=False)
                    bar.total = total
                    bar.update(done - bar.n)

                loaded = load_background(
                    store, file, who=who_changes(), name=name, attribution=attribution,
                    layer=layer, max_zoom=max_zoom, check_only=check, progress=tell,
                )  # fmt: skip
            _tell(loaded)


_list_command(
    "surveys",
    """Add surveys, or change those of the same name.

    Columns: survey (needed), name, leader, permit, crs, timezone, note.
    """,
)
_list_command(
    "sites",
    """Add sites, or change those of the same name.

    Columns: site (needed), name, survey, stream_name, note.
    """,
)


def _tell(loaded: Loaded) -> None:
    for sentence in loaded.sentences:
        click.echo(sentence)


@contextmanager
def _steps(count: int) -> Iterator[Callable[[str], None]]:
    """Show a bar of steps on a terminal; elsewhere, as in a pipe, nothing."""
    with tqdm(total=count, unit="step", leave=False, disable=None) as bar:
        begun = False

        def step(words: str) -> None:
            nonlocal begun
            if begun:
                bar.update()
            begun = True
            bar.set_description(words)

        yield step
