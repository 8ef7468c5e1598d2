"""Loading a background: tiles taken as they are, or cut from a picture; whole or not at all."""

from __future__ import annotations

import hashlib
import html
import io
import re
import tempfile
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import IO, TYPE_CHECKING, Final

from layers.drawing.tile_grid import HALF_M, Tile, degrees, span_m
from layers.plurals import counted
from service.errors import RequestError
from service.records import Background
from service.reference.loading_layers import Loaded
from service.reference.raster_tiles import MOST_TILES, cut_picture
from service.store import SQLITE_BEGINS, tile_file

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator
    from pathlib import Path

    from service.store import Store

__all__ = ["background_words", "load_background", "plain_attribution"]

NO_BACKGROUND: Final = "none"  # in addresses, where no background is chosen
_TIFF: Final = (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")
_FORMS: Final = ("PNG", "JPEG", "WEBP")
_MOST_PX: Final = 1024
_LONGEST_NAME: Final = 60
_LONGEST_WORDS: Final = 300
# A view may give one picture for many tiles, such as those of the sea, but not without end.
_MOST_TIMES, _ALWAYS_BYTES = 10, 100_000_000


@dataclass
class _Source:
    """Tiles as a file gives them, and what it says of itself."""

    tiles: Iterable[Tile]
    words: str
    name: str = ""
    attribution: str = ""
    bounds: tuple[float, float, float, float] | None = None
    count: int = 0  # of those that are looked at
    cut: bool = False


@dataclass
class _Seen:
    """What was seen of tiles that passed by."""

    pixels: dict[int, int] = field(default_factory=dict)
    count: int = 0
    size_bytes: int = 0
    digest: hashlib._Hash = field(default_factory=hashlib.sha256)
    edges_m: tuple[float, float, float, float] = (HALF_M, HALF_M, -HALF_M, -HALF_M)


def load_background(
    store: Store,
    path: Path,
    *,
    who: str,
    name: str = "",
    attribution: str = "",
    layer: str = "",
    max_zoom: int | None = None,
    most_tiles: int = MOST_TILES,
    check_only: bool = False,
    seconds: float | None = None,
    progress: Callable[[str, int, int, str], None] = lambda *_: None,
) -> Loaded:
    """Store the tiles of a file under a name, in place of a background of that name.

    Tiles on the usual grid are taken as they are; tiles on another grid, and pictures, are drawn
    anew on it. RequestError where the file, its tiles or a name cannot be used; nothing is stored
    then.

    Parameters
    ----------
    path
        MBTiles, a GeoPackage with tiles, or a GeoTIFF.
    name, attribution
        By default what the file says; a file without a name gives its own.
    layer
        Table of tiles of a GeoPackage that has several.
    max_zoom, most_tiles
        Finest level to cut a picture to, by default the one nearest to its resolution; and how many
        tiles it may be cut into.
    check_only
        Store nothing; say what would be stored.
    seconds
        How long queries of the file may take together.
    progress
        Called as `service.progress.report` is, with the tiles read or cut, then those stored.
    """
    with _source(path, layer, seconds, max_zoom, most_tiles) as source:
        name = _checked_name(name or source.name or path.stem)
        attribution = plain_attribution(attribution or source.attribution)
        if not attribution:
            raise RequestError(
                f"{path.name} does not say whose picture it is; give the words that its owner "
                "wants shown, as the attribution."
            )
        with tempfile.TemporaryFile() as spool:
            seen = _Seen()
            sizes = _spool(path, source, spool, seen, progress)
            if not seen.count:
                raise RequestError(f"{path.name} holds no tile; write or fetch it anew.")
            background = Background(
                name=name,
                attribution=attribution,
                zooms=(min(seen.pixels), max(seen.pixels)),
                bounds=source.bounds or (*degrees(*seen.edges_m[:2]), *degrees(*seen.edges_m[2:])),
                tiles=seen.count,
                size_bytes=seen.size_bytes,
                digest=seen.digest.hexdigest(),
            )
            before = {one.name for one in store.backgrounds()}
            if not check_only:
                spool.seek(0)
                tiles = _spooled(spool, sizes, progress)
                store.put_background(background, tiles, seen.pixels, who=who)
    done = "read, nothing stored" if check_only else "stored"
    sentences = [f"Background {done}: {background_words(background)}", source.words]
    if name in before:
        sentences.append("It takes the place of the background of that name.")
    return Loaded(sentences, name=name)


def background_words(one: Background) -> str:
    """Say what a background is, in one line."""
    first, last = one.zooms
    levels = f"level {first}" if first == last else f"levels {first} to {last}"
    return (
        f"{one.name}, {counted(one.tiles, 'tile')} of {levels}, {one.size_bytes / 1e6:.1f} MB. "
        f"Attribution: {one.attribution}"
    )


def _checked_name(text: str) -> str:
    name = " ".join(text.split())[:_LONGEST_NAME]
    if not re.search(r"\w", name) or re.search(r"[/\\\x00-\x1f\x7f]", name):
        raise RequestError(f"The name {name!r} has no letter, or a slash; give another name.")
    if name.casefold() == NO_BACKGROUND:
        raise RequestError(f"{name!r} stands for no background; give another name.")
    return name


def plain_attribution(text: str) -> str:
    """Words of an attribution without its markup, which files of tiles often have.

    Examples
    --------
    >>> plain_attribution('&copy; <a href="https://example.org">The survey</a>')
    '© The survey'
    """
    return " ".join(html.unescape(re.sub(r"<[^<>]*>", " ", text)).split())[:_LONGEST_WORDS]


@contextmanager
def _source(
    path: Path, layer: str, seconds: float | None, max_zoom: int | None, most_tiles: int
) -> Iterator[_Source]:
    with path.open("rb") as file:
        begins = file.read(len(SQLITE_BEGINS))
    if begins == SQLITE_BEGINS:
        with tile_file(path, layer, seconds=seconds) as found:
            if found.usual:
                words = f"Taken from the {found.kind} as they are."
                yield _Source(
                    found.tiles(), words, found.name, found.attribution, found.bounds, found.count
                )
                return
            table, title = found.table, found.name
        with cut_picture(path, table=table, max_zoom=max_zoom, most_tiles=most_tiles) as cut:
            yield _Source(cut.tiles(), cut.words, title, "", cut.bounds, cut.count, cut=True)
    elif begins.startswith(_TIFF):
        with cut_picture(path, max_zoom=max_zoom, most_tiles=most_tiles) as cut:
            yield _Source(
                cut.tiles(), cut.words, "", cut.copyright, cut.bounds, cut.count, cut=True
            )
    else:
        raise RequestError(
            f"{path.name} is no GeoTIFF, MBTiles or GeoPackage; export the picture as one of these."
        )


def _spool(
    path: Path,
    source: _Source,
    spool: IO[bytes],
    seen: _Seen,
    progress: Callable[[str, int, int, str], None],
) -> list[tuple[int, int, int, int]]:
    """Look at each tile and put its bytes aside; zoom, column, row and size of each."""
    sizes = []
    most_bytes = max(_MOST_TIMES * path.stat().st_size, _ALWAYS_BYTES)
    words = "cutting" if source.cut else "reading"
    for done, tile in enumerate(source.tiles, 1):
        progress(words, done, source.count, "tile")
        zoom, column, row, content = tile
        if source.cut and not content:
            continue
        px = _side(path, tile)
        if seen.pixels.setdefault(zoom, px) != px:
            raise RequestError(
                f"{path.name}: tiles of level {zoom} are {seen.pixels[zoom]} and {px} pixels wide; "
                "write the file anew with tiles of one size."
            )
        span = span_m(zoom)
        west, north = column * span - HALF_M, HALF_M - row * span
        seen.edges_m = (
            min(seen.edges_m[0], west), min(seen.edges_m[1], north - span),
            max(seen.edges_m[2], west + span), max(seen.edges_m[3], north),
        )  # fmt: skip
        seen.count += 1
        seen.size_bytes += len(content)
        if not source.cut and seen.size_bytes > most_bytes:
            raise RequestError(
                f"{path.name}: its tiles are more than {_MOST_TIMES} times as large as the file; "
                "write it anew with tiles that are stored, not computed."
            )
        seen.digest.update(f"{zoom} {column} {row} {len(content)} ".encode())
        seen.digest.update(content)
        spool.write(content)
        sizes.append((zoom, column, row, len(content)))
    return sizes


def _spooled(
    spool: IO[bytes],
    sizes: list[tuple[int, int, int, int]],
    progress: Callable[[str, int, int, str], None],
) -> Iterator[Tile]:
    """Yield the tiles that were put aside."""
    for done, (zoom, column, row, size) in enumerate(sizes, 1):
        progress("storing", done, len(sizes), "tile")
        yield Tile(zoom, column, row, spool.read(size))


def _side(path: Path, tile: Tile) -> int:
    """Side of a tile in pixels."""
    from PIL import Image, UnidentifiedImageError

    place = f"{path.name}, zoom {tile.zoom}, column {tile.column}, row {tile.row}"
    try:
        with Image.open(io.BytesIO(tile.content), formats=_FORMS) as picture:
            width, height = picture.size
    except (UnidentifiedImageError, OSError, ValueError, Image.DecompressionBombError):
        raise RequestError(
            f"{place}: neither PNG, JPEG nor WebP; export the file as raster tiles."
        ) from None
    if width != height or not 0 < width <= _MOST_PX:
        raise RequestError(
            f"{place}: {width} by {height} pixels; tiles are squares of up to {_MOST_PX}."
        )
    return int(width)
