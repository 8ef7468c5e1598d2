"""The picture as a file in the user's cache folder, mapped into memory at the next start.

A file is never needed: whatever is missing, damaged, of another version or another user's is made
again from the store. It is written whole under another name first, so that one that was cut short
is never read. Its columns are arrays in NumPy's own format (NEP 1), one after another; the first
is JSON. The last four bytes are the CRC-32 of all before them.
"""

from __future__ import annotations

import os
import sys
import tempfile
import time
import zlib
from contextlib import suppress
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import orjson
import pandas as pd
import shapely

from layers.coded import known_unique
from layers.narrow_columns import Column, is_shared
from service.access.picture import Picture, read_now
from service.cache import cache_file
from service.store import Stamp

if TYPE_CHECKING:
    from collections.abc import Iterator
    from typing import BinaryIO

    from numpy.typing import NDArray

    from service.store import Store

    Array = NDArray[Any]

__all__ = ["load", "save"]

_FORMAT: Final = 6  # raise it when columns or their meaning change within a release
_ALIGNED: Final = 64  # bytes; the format's own headers keep to it
_CHECK: Final = np.dtype("<u4")
_PIECE: Final = 1 << 22  # bytes that are checked at once; other threads run meanwhile
_UNUSED_S: Final = 60 * 24 * 3600.0


def _file(store: Store, *, public: bool) -> Path:
    return cache_file(store, f"{'public' if public else 'exact'}.picture")


def save(store: Store, stamp: Stamp, picture: Picture, *, public: bool) -> None:
    """Write the picture beside others in the cache folder; what cannot be written is left out."""
    if picture.ids.dtype == object:  # ids of any length
        return
    file = _file(store, public=public)
    with suppress(OSError):
        file.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        descriptor, name = tempfile.mkstemp(".part", f"{file.name}.", file.parent)
        try:
            with os.fdopen(descriptor, "wb") as stream:
                _write(stream, Path(name), store.path, _arrays(stamp, picture))
            Path(name).replace(file)
        finally:
            Path(name).unlink(missing_ok=True)
        _tidy(file)


def _write(stream: BinaryIO, part: Path, store: Path, arrays: list[Array]) -> None:
    for array in arrays:
        np.lib.format.write_array(stream, array, version=(1, 0), allow_pickle=False)
        stream.write(b"\0" * (-stream.tell() % _ALIGNED))
    stream.flush()
    with part.open("rb") as written:
        stream.write(np.array(_sum(written, stream.tell()), _CHECK).tobytes())
    # Rights of a group are for that of the store, never for another that the user is in; and to
    # read only, as a file that others may write is not used.
    rights = store.stat()
    with suppress(PermissionError):
        if hasattr(os, "chown"):
            os.chown(part, -1, rights.st_gid)
        part.chmod(rights.st_mode & 0o644)
    stream.flush()
    os.fsync(stream.fileno())


def _sum(stream: BinaryIO, size: int) -> int:
    """Read what is summed; of what is mapped, all would be in memory from then on."""
    crc, piece = 0, memoryview(bytearray(min(_PIECE, size)))
    for start in range(0, size, _PIECE):
        read = piece[: min(_PIECE, size - start)]
        if stream.readinto(read) != len(read):  # type: ignore[attr-defined]
            raise ValueError
        crc = zlib.crc32(read, crc)
    return crc


def _tidy(file: Path) -> None:
    """Remove what a killed process left, and pictures that nobody wanted for long."""
    now = time.time()
    for other in file.parent.glob("*.picture*"):
        age = now - other.stat().st_mtime
        if age > (3600 if other.suffix == ".part" else _UNUSED_S):
            other.unlink(missing_ok=True)


def load(store: Store, *, public: bool) -> tuple[Stamp, Picture] | None:
    """Map the picture into memory, if there is one; whoever calls looks how old it is."""
    file = _file(store, public=public)
    try:
        with file.open("rb") as stream:
            if not _is_trusted(os.fstat(stream.fileno()), store.path.stat().st_mode):
                return None
            found = _picture(_mapped(stream), store.settings.crs, public=public)
        os.utime(file)
    except Exception:  # noqa: BLE001  what cannot be read fails in the header, the JSON or a shape
        return None
    return found


def _is_trusted(own: os.stat_result, rights_of_store: int) -> bool:
    """Whether a file is this user's, and others can neither write it nor read it without right."""
    if hasattr(os, "geteuid") and own.st_uid != os.geteuid():
        return False
    return not own.st_mode & (0o022 | ~rights_of_store & 0o666)


def _mapped(stream: BinaryIO) -> Iterator[Array]:
    file = np.asarray(np.memmap(stream, np.uint8, "r"))
    whole, check = file[: -_CHECK.itemsize], file[-_CHECK.itemsize :]
    stream.seek(0)
    if _sum(stream, len(whole)) != check.view(_CHECK)[0]:
        raise ValueError
    at = 0
    while at < len(whole):
        stream.seek(at)
        np.lib.format.read_magic(stream)
        shape, _, dtype = np.lib.format.read_array_header_1_0(stream)
        start = stream.tell()
        end = start + int(np.prod(shape)) * dtype.itemsize
        yield whole[start:end].view(dtype).reshape(shape)
        at = -(-end // _ALIGNED) * _ALIGNED


def _release() -> str:
    """Release of this program; another may show the public less."""
    try:
        return version("rifflebook")
    except PackageNotFoundError:  # run from a folder, not installed
        return ""


def _arrays(stamp: Stamp, picture: Picture) -> list[Array]:
    """All columns, after what says what they are."""
    arrays: list[Array] = [
        picture.rows,
        picture.ids,
        *picture.owners.values(),
        *picture.beside.values(),
    ]
    about = {
        "format": [_FORMAT, _release()],
        "stamp": list(stamp),
        "owners": list(picture.owners),
        "beside": list(picture.beside),
        "columns": {
            table: {name: _add(column, arrays) for name, column in columns.items()}
            for table, columns in picture.columns.items()
        },
    }
    return [np.frombuffer(orjson.dumps(about), np.uint8), *arrays]


def _add(column: Column, arrays: list[Array]) -> list[Any]:
    """Add the arrays of a column, and say its kind, its words, and whether rows share one value."""
    values = column.values
    is_one = is_shared(values)
    if column.kind == "geometry":
        drawn = np.flatnonzero(~shapely.is_missing(values))
        bodies = shapely.to_wkb(values[drawn]).tolist()
        arrays += [drawn, np.array([*map(len, bodies)], np.int64)]
        arrays.append(np.frombuffer(b"".join(bodies), np.uint8))
    else:
        arrays.append(values[:1] if is_one else values)
    words = None if column.words is None else column.words.categories.tolist()
    return [column.kind, words, is_one]


def _picture(arrays: Iterator[Array], crs: str, *, public: bool) -> tuple[Stamp, Picture] | None:
    about = orjson.loads(next(arrays).tobytes())
    if about["format"] != [_FORMAT, _release()]:
        return None
    rows, ids = next(arrays), next(arrays)
    owners = {name: next(arrays) for name in about["owners"]}
    beside = {name: next(arrays) for name in about["beside"]}
    columns = {}
    for table, told in about["columns"].items():
        size = len(owners.get(table, rows))
        columns[table] = {name: _column(arrays, size, *said) for name, said in told.items()}
    return Stamp(*about["stamp"]), Picture(
        rows, ids, crs, columns, owners, beside, *read_now(len(rows)), public
    )


def _column(
    arrays: Iterator[Array],
    size: int,
    kind: str,
    words: list[str] | None,
    is_one: bool,
) -> Column:
    values = next(arrays)
    if kind == "geometry":
        ends, body = np.cumsum(next(arrays)).tolist(), next(arrays).tobytes()
        shapes = shapely.from_wkb(
            [body[begin:end] for begin, end in zip([0, *ends], ends, strict=False)]
        )
        drawn = np.full(1 if is_one else size, None, dtype=object)
        drawn[values] = shapes
        values = drawn
    if is_one:
        values = np.broadcast_to(values, (size,))
    coded = None
    if words is not None:
        # As those of the network and of the other picture: each word is in memory once.
        one_text = pd.Index([*map(sys.intern, words)], dtype="str")
        coded = pd.CategoricalDtype(known_unique(one_text))
    return Column(values, kind, coded)
