"""One zip for a council: layers, tables, map, account, dictionary, checksums."""

from __future__ import annotations

import hashlib
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Final

import pandas as pd

from layers.drawing.maps import map_page, view_of_frames
from layers.plurals import counted, plural
from service.answers.methods_texts import assumed_of_layer
from service.answers.writing import zip_members
from service.answers.written_figures import as_written
from service.columns import TABLE_WORDS
from service.export.contents import stated_transformation
from service.export.eml import withheld_words
from service.export.geojson import layer_geojson
from service.export.geopackage import dictionary_rows, flat, geopackage_tables, write_geopackage
from service.export.report import account_page
from service.intake.stored_sheets import csv_text

if TYPE_CHECKING:
    from collections.abc import Callable

    from service.export.contents import Contents

__all__ = ["write_bundle"]

GEOPACKAGE: Final = "records.gpkg"
MOST_ON_MAP: Final = 20_000  # a page with more placements opens too slowly to be of use


def write_bundle(
    path: Path,
    contents: Contents,
    crs: str | None = None,
    *,
    progress: Callable[[str, int, int, str], None] = lambda *_: None,
) -> None:
    """Write the bundle; the same records on the same day give the same bytes.

    `progress` is called as `service.progress.report` is: with the rows written, of all files.
    """
    wanted = crs or contents.crs
    members: dict[str, bytes | Path] = {}
    words: list[tuple[str, str]] = []

    once = [*contents.layers.values(), *contents.sheets.values(), *contents.tables.values()]
    twice = (*contents.layers.items(), *geopackage_tables(contents).items())
    total = sum(map(len, once)) + sum(len(frame) for _, frame in twice)
    done = 0

    def count_on(frame: pd.DataFrame) -> None:
        nonlocal done
        done += len(frame)
        progress("writing", done, total, "row")

    def add(name: str, content: bytes | Path, what: str) -> None:
        members[name] = content
        words.append((name, what))

    with tempfile.TemporaryDirectory(dir=path.parent, prefix=".unfinished-") as folder:
        geopackage = Path(folder) / GEOPACKAGE
        write_geopackage(geopackage, contents, wanted, progress=count_on)
        add(GEOPACKAGE, geopackage, f"all layers and tables in {wanted}, with styles")
        stated = {"licence": contents.licence, "audience": contents.audience}
        for name, layer in contents.layers.items():
            assumed = assumed_of_layer(name)
            own = stated | ({"assumes": assumed} if assumed else {})
            text = layer_geojson(layer, name, members=own)
            add(f"geojson/{name}.geojson", text, TABLE_WORDS[name])
            count_on(layer)
        for name, sheet in contents.sheets.items():
            add(f"sheets/{name}.csv", csv_text(sheet), f"{name} in the columns that import takes")
            count_on(sheet)
        for name, table in contents.tables.items():
            add(f"tables/{name}.csv", csv_text(as_written(table, name)), TABLE_WORDS[name])
            count_on(table)
        progress("drawing the map and packing", 0, 0, "")
        if len(contents.layers["placements"]) <= MOST_ON_MAP:
            add("map.html", _map(contents), "map that works without a network")
        layers = {
            name: layer.drop(columns=layer.geometry.name) for name, layer in contents.layers.items()
        }
        layers |= geopackage_tables(contents)
        tables = {name: flat(frame, name) for name, frame in layers.items()}
        rows = dictionary_rows(tables, public=contents.keeps_places)
        described = pd.DataFrame(rows, columns=["table", "column", "unit", "meaning"])
        add("data_dictionary.csv", csv_text(described), "what every column means")
        listed = [("account.html", "this account"), *words, ("SHA256SUMS", "checksums")]
        page = account_page(
            contents,
            crs=wanted,
            transformation=stated_transformation(contents, wanted),
            members=listed,
        )
        members = {"account.html": page, **members}
        members["SHA256SUMS"] = _checksums(members)
        zip_members(path, members)


def _map(contents: Contents) -> bytes:
    layers = contents.layers
    view = view_of_frames(
        placements=layers["placements"],
        reaches=layers["reaches"].set_index("reach_id"),
        catchments=layers["catchments"].set_index("catchment_id"),
        stretches=layers["stretches"],
        species=contents.species,
        methods=contents.methods,
    )
    cells = int(contents.generalised.notna().sum())
    note = f"Handed over on {contents.made_on}, audience {contents.audience}."
    so = f" ({counted(cells, 'placement')} {plural(cells, 'is', 'are')} shown so)"
    if contents.keeps_places:
        note += (
            " Some squares of the map are closed: what lies in them is shown as the square, or not "
            f"at all{so if cells else ''}; its stretches are "
            "not public. More in account.html."
        )
    else:
        note += f" {withheld_words(contents.facts)}"
    return map_page(view, title=contents.title, note=note).encode()


def _checksums(members: dict[str, bytes | Path]) -> bytes:
    """Lines as `sha256sum --check` reads them."""
    lines = []
    for name, content in members.items():
        digest = hashlib.sha256(content if isinstance(content, bytes) else content.read_bytes())
        lines.append(f"{digest.hexdigest()}  {name}\n")
    return "".join(lines).encode()
