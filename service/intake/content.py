"""A digest of what a placement says, the same whatever file or format it came in.

Every filled cell is hashed with its column's name, every distinct value once. Cells add up to a
row and rows to a placement, so that the order of columns and of catch rows does not matter, and a
column that a later version adds changes nothing where it is empty.
"""

from __future__ import annotations

import struct
from hashlib import blake2b
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import shapely

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Lanes = NDArray[np.uint64]  # (n, 2): 128 bits a row

__all__ = ["placement_digests"]


def placement_digests(
    placements: pd.DataFrame, catches: pd.DataFrame, lengths: pd.DataFrame
) -> pd.Series:
    """Digest of each placement with its catches and lengths.

    Parameters
    ----------
    placements
        Index `placement_id`; every column counts. Numbers, texts, times, truths and shapes.
    catches, lengths
        With `placement_id`; all of them among the placements.

    Returns
    -------
    Series of str
        32 hexadecimal digits, index of `placements`.
    """
    total = _mixed(_rows("placement", placements))
    for sheet, frame in (("catch", catches), ("length", lengths)):
        if not len(frame):
            continue
        owner = placements.index.get_indexer(pd.Index(frame["placement_id"]))
        lanes = _mixed(_rows(sheet, frame.drop(columns="placement_id")))
        order = np.argsort(owner, kind="stable")
        first = np.flatnonzero(np.diff(owner[order], prepend=-1))
        sums = np.add.reduceat(lanes[order], first, axis=0)  # wraps at 2**64, as meant
        total[owner[order][first]] += sums
    digits = total.astype(">u8").tobytes().hex()
    texts = [digits[k : k + 32] for k in range(0, len(digits), 32)]
    return pd.Series(texts, index=placements.index, dtype="str", name="digest")


def _rows(sheet: str, frame: pd.DataFrame) -> Lanes:
    """Sum of the hashes of the filled cells of each row."""
    total = np.zeros((len(frame), 2), dtype=np.uint64)
    for name in frame.columns:
        codes, uniques = pd.factorize(_plain(frame[name]))
        if not len(uniques):
            continue
        start = f"{sheet}\x1f{name}\x1f".encode()
        hashed = b"".join(
            [blake2b(start + value, digest_size=16).digest() for value in _encoded(uniques)]
        )
        # One lane more, of zeros: a missing cell has the number -1 and adds nothing.
        lanes = np.zeros((len(uniques) + 1, 2), dtype=np.uint64)
        lanes[:-1] = np.frombuffer(hashed, dtype=">u8").reshape(-1, 2)
        total += lanes[codes]
    return total


def _plain(column: pd.Series) -> Any:  # noqa: ANN401  floats or objects
    """Values in a form that does not depend on the frame's types."""
    kind = column.dtype
    if isinstance(kind, pd.DatetimeTZDtype):
        micros = column.dt.tz_convert("UTC").dt.tz_localize(None).to_numpy("datetime64[us]")
        values = micros.astype(np.int64).astype(np.float64)
        values[np.isnat(micros)] = np.nan
        return values
    if pd.api.types.is_bool_dtype(kind) or pd.api.types.is_numeric_dtype(kind):
        return column.to_numpy(np.float64, na_value=np.nan) + 0.0  # no negative zero
    values = column.to_numpy(dtype=object).copy()
    values[column.isna().to_numpy(bool)] = None
    if not isinstance(kind, np.dtype):
        return values
    shaped = shapely.is_geometry(values)
    if shaped.any():
        values = values.copy()
        values[shaped] = shapely.to_wkb(values[shaped], byte_order=1)
    return values


def _encoded(uniques: Any) -> list[bytes]:  # noqa: ANN401  floats or objects
    """Bytes of each distinct value."""
    if uniques.dtype == np.float64:
        raw = uniques.astype("<f8").tobytes()
        return [raw[place : place + 8] for place in range(0, len(raw), 8)]
    return [value if isinstance(value, bytes) else _bytes(value) for value in uniques.tolist()]


def _bytes(value: object) -> bytes:
    if isinstance(value, float):
        return struct.pack("<d", value)
    return str(value).encode()


def _mixed(lanes: Lanes) -> Lanes:
    """Scramble sums, so that rows that swap values with each other differ from before.

    The finaliser of SplitMix64 (Steele, Lea and Flood, OOPSLA 2014), from memory; it needs no
    more than to be one-to-one and far from linear.
    """
    mixed = lanes.copy()
    mixed[:, 1] ^= mixed[:, 0] * np.uint64(0x9E3779B97F4A7C15)
    for shift, factor in ((30, 0xBF58476D1CE4E5B9), (27, 0x94D049BB133111EB)):
        mixed ^= mixed >> np.uint64(shift)
        mixed *= np.uint64(factor)
    mixed ^= mixed >> np.uint64(31)
    return mixed
