"""The demonstration store and its hand-overs, made once for all tests of files."""

from __future__ import annotations

import shutil
from dataclasses import fields
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import pandas as pd

from service.answers.hand_over import FORMS, HandOver
from service.commands.demo_store import build_demo
from service.export import write_hand_over as write
from service.records import Selection
from service.store import open_store

_WORKSHOP = TemporaryDirectory(prefix="handed-over-")


@cache
def demo_path() -> Path:
    """The demonstration store; not to be changed (see `demo_copy`)."""
    return build_demo(Path(_WORKSHOP.name))


def demo_copy(folder: Path) -> Path:
    """A copy of the demonstration store that a test may change."""
    copy = folder / "copy.gpkg"
    store = open_store(demo_path(), read_only=True)
    store.backup(copy)
    store.close()
    return copy


def hand_over(form: str, audience: str = "public", crs: str | None = None) -> Path:
    """One hand-over of the whole demonstration store."""
    return _made(form, audience, crs)


@cache
def _made(form: str, audience: str, crs: str | None) -> Path:
    name = f"{form}-{audience}-{(crs or 'own').replace(':', '')}{FORMS[form][0]}"
    path = Path(_WORKSHOP.name) / name
    store = open_store(demo_path(), read_only=True)
    write(store, path, HandOver(Selection(), form, audience, crs=crs, licence="CC BY 4.0"))
    store.close()
    return path


def unzipped(path: Path, folder: Path) -> Path:
    """Unpack a zip."""
    shutil.unpack_archive(path, folder, "zip")
    return folder


def assert_same_records(one, other, *, tolerance_m=1e-6, but=("batch_id", "value")):
    """Two stores' records agree: text exactly, numbers to a millionth.

    Not compared: the number of the import, and what a flag quotes from a cell of the sheet.
    """
    for part in fields(one):
        left, right = (_sorted(getattr(side, part.name), but) for side in (one, other))
        assert list(left.columns) == list(right.columns), part.name
        assert len(left) == len(right), part.name
        for column in left.columns:
            _assert_same_column(left[column], right[column], f"{part.name}.{column}", tolerance_m)


def _sorted(frame, but):
    plain = pd.DataFrame(frame)
    named = plain.index.name == "placement_id"
    plain = plain.reset_index(drop=not named).drop(columns=[c for c in but if c in frame])
    text = plain.map(lambda cell: f"{cell:.4f}" if isinstance(cell, float) else str(cell))
    return plain.iloc[np.lexsort(text.drop(columns=[c for c in ("geometry", "shape") if c in plain])
                                 .to_numpy(dtype="U").T[::-1])].reset_index(drop=True)  # fmt: skip


def _assert_same_column(left, right, name, tolerance_m):
    if name.endswith((".geometry", ".shape")):
        for one, other in zip(left, right, strict=True):
            assert (one is None) == (other is None), name
            assert one is None or one.equals_exact(other, tolerance_m), name
    elif pd.api.types.is_float_dtype(left.dtype):
        np.testing.assert_allclose(left, right, rtol=0, atol=tolerance_m, err_msg=name)
    else:
        assert left.isna().tolist() == right.isna().tolist(), name
        assert left.dropna().tolist() == right.dropna().tolist(), name
