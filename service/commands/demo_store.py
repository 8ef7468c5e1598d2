"""The demonstration store: the invented island, loaded and imported as anybody's data would be."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Final

import demo_sites
from service.errors import FieldFileError, StoreError
from service.intake.importing import check, take
from service.intake.lists import load_list, read_list
from service.intake.sheets import read_sheets
from service.records import StoreSettings
from service.reference.files import read_features
from service.reference.loading_layers import load_catchments, load_reaches
from service.reference.method_files import shipped_methods
from service.store import create_store

if TYPE_CHECKING:
    from collections.abc import Callable

__all__ = ["FILE_NAME", "build_demo"]

FILE_NAME: Final = "demo_island.gpkg"
_WHO: Final = "demo"


def build_demo(folder: Path, *, tell: Callable[[str], None] = lambda _: None) -> Path:
    """Make the demonstration store in a folder, unless it is there; it appears whole or not at all.

    `tell` is called with what is done next. Raises StoreError where the folder cannot be written,
    FieldFileError where the shipped field sheets contain a value that was refused.
    """
    path = folder / FILE_NAME
    if path.is_file():
        return path
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(prefix=".unfinished-", dir=folder) as workshop:
            made = Path(workshop) / FILE_NAME
            _fill(made, tell)
            made.rename(path)
    except OSError as problem:
        raise StoreError(
            f"The demonstration cannot be written to {folder}: {problem.strerror}; "
            "choose another place with --dir."
        ) from problem
    return path


def _fill(path: Path, tell: Callable[[str], None]) -> None:
    settings = StoreSettings(
        crs=demo_sites.ISLAND_CRS, timezone=demo_sites.TIMEZONE, title=demo_sites.ISLAND_NAME
    )
    store = create_store(path, settings)
    try:
        tell("loading reaches, catchments and species")
        store.put_methods(shipped_methods(), who=_WHO)
        load_catchments(store, read_features(*demo_sites.CATCHMENTS), who=_WHO)
        load_reaches(store, read_features(*demo_sites.REACHES), who=_WHO)
        load_list(store, "species", read_list(demo_sites.SPECIES), who=_WHO)
        tell("importing field sheets")
        sheets = read_sheets(
            placements=demo_sites.PLACEMENTS,
            catches=demo_sites.CATCHES,
            lengths=demo_sites.LENGTHS,
            surveys=demo_sites.SURVEYS,
            sites=demo_sites.SITES,
        )
        result = check(sheets, store)
        if result.refused:
            raise FieldFileError(result.refused)
        take(result, store, _WHO)
    finally:
        store.close()
