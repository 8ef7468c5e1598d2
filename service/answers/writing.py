"""Files that appear whole or not at all."""

from __future__ import annotations

import errno
import os
import shutil
import tempfile
import zipfile
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Final

from service.errors import ConflictError, StoreError

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

__all__ = ["written_whole", "zip_members"]

# Members of a zip bear this time, so that the same records give the same bytes.
_ZIP_TIME: Final = (1980, 1, 1, 0, 0, 0)  # the earliest that the format can hold
_REASONS: Final = {
    errno.ENOSPC: "the disk is full; make room and try again",
    errno.EDQUOT: "your share of the disk is used up; make room and try again",
    errno.EFBIG: "the file would grow beyond the size allowed here",
    errno.EACCES: "this place may not be written; choose another or see its permissions",
    errno.EPERM: "this place may not be written; choose another or see its permissions",
    errno.EROFS: "this disk is read-only; choose another place",
    errno.ENOENT: "the folder does not exist; make it first",
    errno.ENOTDIR: "a part of this path is a file, not a folder",
}


@contextmanager
def written_whole(destination: Path, *, overwrite: bool = False) -> Iterator[Path]:
    """Lend a path beside the destination; put it in its place when all went well.

    The path is in the same folder, with the same ending, and does not exist yet. ConflictError
    where something stands there that `overwrite` does not let go, StoreError where the disk is
    full or the place cannot be written: what stood there stands there still.
    """
    if destination.is_dir():
        raise ConflictError(f"{destination} is a folder; name a file in it.")
    if destination.exists() and not overwrite:
        raise ConflictError(f"{destination} exists already; choose another name, or move it away.")
    try:
        with tempfile.TemporaryDirectory(prefix=".unfinished-", dir=destination.parent) as folder:
            made = Path(folder) / destination.name
            yield made
            _settle(made)
            made.replace(destination)
    except OSError as problem:
        reason = _REASONS.get(problem.errno or 0)
        if reason is None:
            raise
        raise StoreError(f"{destination}: {reason}. Nothing was written.") from problem


def _settle(path: Path) -> None:
    """Have the contents on the disk before the name points at them."""
    with path.open("rb+") as file:
        os.fsync(file.fileno())


def zip_members(path: Path, members: Mapping[str, bytes | Path]) -> None:
    """Write one zip that depends on nothing but its members: names, order, contents."""
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED, compresslevel=6) as archive:
        for name, content in members.items():
            entry = zipfile.ZipInfo(name, date_time=_ZIP_TIME)
            entry.compress_type = zipfile.ZIP_DEFLATED
            entry.external_attr = 0o644 << 16
            if not isinstance(content, Path):
                archive.writestr(entry, content)
                continue
            entry.file_size = content.stat().st_size  # decides whether 32 bits suffice
            with content.open("rb") as source, archive.open(entry, "w") as target:
                shutil.copyfileobj(source, target, 1 << 20)
