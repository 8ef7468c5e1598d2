"""Answers packed by gzip for whoever takes them so: whole, or while they are made.

**Why this gives no secret away.** Packed and encrypted text shows by its length whether a guess
that a stranger placed in it also stands elsewhere in it (BREACH, Gluck, Harris and Prado 2013, from
memory). The stranger must make the victim's browser send many requests. The mark of a form alone
would be safe, as it bears a new signature every second; places and names are not. So what a page
of others requested is sent unpacked: a browser says so itself (`Sec-Fetch-Site`,
W3C Fetch Metadata), and cannot be made to say otherwise.
"""

from __future__ import annotations

import gzip
import zlib
from typing import TYPE_CHECKING, Final

from flask import Flask, g, request

from service.answers.opening import today
from service.cache import given_once
from service.web.context import current_store, current_viewer

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from flask import Response

__all__ = ["register_compression"]

_KINDS: Final = ("text/", "application/json", "application/geo+json", "image/svg+xml")
_ENDINGS: Final = ("+json", "+xml")
_SMALLEST: Final = 1_000  # bytes; less is not worth the work
_LARGE: Final = 1_000_000  # bytes; more is packed faster, and less well
_LEVEL: Final = 4
_FAST: Final = 1


def register_compression(app: Flask) -> None:
    """Pack every answer of text; register it before whatever else changes answers."""

    @app.after_request
    def pack(response: Response) -> Response:
        etag, weak = response.get_etag()
        if etag and not weak:
            # Packed and plain say the same in other bytes: a strong mark would be false.
            response.set_etag(etag, weak=True)
        response.headers.add("Vary", "Accept-Encoding")
        kind = response.mimetype or ""
        is_text = kind.startswith(_KINDS) or kind.endswith(_ENDINGS)
        if response.status_code in (204, 206, 304) or not is_text:
            return response
        response.headers.add("Vary", "Sec-Fetch-Site")
        takes = request.accept_encodings
        if not takes or not takes.quality("gzip") or _from_other_site():
            return response
        # A file in the server's own wrapper has a length, yet is to be read in pieces.
        if response.is_streamed or response.direct_passthrough:
            source = response.response
            if close := getattr(source, "close", None):
                response.call_on_close(close)
            response.direct_passthrough = False
            pieces = _packed(response.iter_encoded())
            if response.headers.pop("Content-Length", None) is None:
                pieces = _once(pieces, kind)
            response.response = pieces
        else:
            body = response.get_data()
            if len(body) < _SMALLEST:
                return response
            level = _LEVEL if len(body) < _LARGE else _FAST
            response.set_data(gzip.compress(body, level, mtime=0))
        response.headers["Content-Encoding"] = "gzip"
        response.headers.pop("Accept-Ranges", None)  # of the plain bytes
        return response


def _from_other_site() -> bool:
    """Whether a page of others may have made a browser send this request, with our cookies."""
    site = request.headers.get("Sec-Fetch-Site")
    if site is not None:
        return site not in ("same-origin", "none")
    # Browsers before 2023, or no encryption and so nothing to guess; a program sends no cookies.
    return request.is_secure and bool(request.cookies)


def _once(pieces: Iterator[bytes], kind: str) -> Iterator[bytes]:
    """Give what is made in pieces as it was packed before, where nothing was written since.

    Nor a day has passed: years since a visit are counted in days. For the public it is made each
    time, since its time and its speed would show that something was written which they may not see.
    """
    viewer = current_viewer()
    if not viewer.sees_exact_places:
        return pieces
    store = current_store()
    return given_once(store, viewer, (request.url, kind, today(store)), g.version, pieces)


def _packed(pieces: Iterable[bytes]) -> Iterator[bytes]:
    packer = zlib.compressobj(_FAST, wbits=31)  # 31: with the head and tail of gzip
    for piece in pieces:
        packed = packer.compress(piece)
        if packed:
            yield packed
    yield packer.flush()
