"""Mappings by name: those that a store keeps for the sheets of the next season."""

from __future__ import annotations

import tempfile
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Final

from service.errors import FieldFileError, RequestError
from service.intake.file_roles import roles_of
from service.intake.findings import Findings
from service.intake.importing import missing_species
from service.intake.mapping import Mapping
from service.intake.sheets import read_sheets
from service.intake.text_bounds import LONGEST_CELL
from service.reference.spelling import did_you_mean

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    import pandas as pd

    from service.store import Store

__all__ = ["keep_mapping", "kept_mapping", "mapping_file", "missing_from"]

_LONGEST_NAME: Final = 80


def keep_mapping(store: Store, name: str, text: str, who: str) -> None:
    """Keep a mapping under a name, in place of one of the same name.

    Raises RequestError where the name is empty, too long, or says a folder, FieldFileError where
    the text is no mapping.
    """
    plain = name.strip()
    if not plain or len(plain) > _LONGEST_NAME or set(plain) & set("/\\\n"):
        raise RequestError(f"Give a name of 1 to {_LONGEST_NAME} letters, without / and \\.")
    findings = Findings()
    if len(text) > LONGEST_CELL * 10 or Mapping.of_text(text, plain, findings) is None:
        raise FieldFileError(findings.refused)
    store.keep_mapping(plain, text, who=who)


def kept_mapping(store: Store, name: str) -> str:
    """Find the text of a mapping that is kept; RequestError where there is none of the name."""
    kept = store.mappings()
    if name not in kept:
        known = f"; there are {', '.join(kept)}" if kept else ""
        near = did_you_mean(name, list(kept))
        raise RequestError(f"There is no file and no kept mapping {name!r}{known}.{near}")
    return kept[name]


@contextmanager
def mapping_file(store: Store, given: str) -> Iterator[Path | None]:
    """Lend a mapping as a file: of this path, else the one that is kept under this name."""
    if not given or Path(given).is_file():
        yield Path(given) if given else None
        return
    text = kept_mapping(store, given)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"{given}.toml"
        path.write_text(text, encoding="utf-8")
        yield path


def missing_from(store: Store, sheets: Sequence[Path], mapping: str) -> pd.DataFrame:
    """List the names in sheets that the species list lacks, with their ranks, to be loaded.

    Raises FieldFileError where a sheet cannot be read.
    """
    by_role = {role: path for path in sheets for role in roles_of(path)}
    if not mapping and by_role.keys() & {"catches", "lengths"}:
        read = read_sheets(
            catches=by_role.get("catches"), lengths=by_role.get("lengths"), species=store.species()
        )
    else:
        with mapping_file(store, mapping) as path:
            read = read_sheets(files=sheets, mapping=path, species=store.species())
    if not {"catches", "lengths"} & read.cells.keys():
        raise FieldFileError(read.findings.refused)
    return missing_species(read, store)
