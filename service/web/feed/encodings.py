"""Which encoding is wanted, and sending it, or nothing if it is unchanged."""

from __future__ import annotations

import hashlib
import itertools
import secrets
from typing import TYPE_CHECKING, Final, Literal

from flask import Response, request
from werkzeug.exceptions import NotAcceptable

from layers.drawing.geojson import MEDIA_TYPE
from service.errors import RequestError
from service.web.answering import in_pieces
from service.web.context import current_store, current_viewer

if TYPE_CHECKING:
    from collections.abc import Iterable

__all__ = [
    "GEOJSON",
    "HTML",
    "JSON",
    "OPENAPI",
    "SCHEMA",
    "Encoding",
    "send",
    "tag",
    "unchanged",
    "wanted",
]

Encoding = Literal["json", "html"]
JSON: Final = "application/json"
GEOJSON: Final = MEDIA_TYPE
HTML: Final = "text/html"
SCHEMA: Final = "application/schema+json"
OPENAPI: Final = "application/vnd.oai.openapi+json;version=3.0"
_LARGE: Final = 1_000_000  # bytes
# Another run of the program may answer in other words.
_RUN: Final = secrets.token_hex(8)


def wanted(json_type: str = JSON) -> Encoding:
    """Tell which encoding is requested, by `f` or else by its Accept header.

    Raises RequestError where `f` names none, NotAcceptable (HTTP 406) where the client takes none.
    """
    named = request.args.get("f")
    if named is not None:
        if named == "json":
            return "json"
        if named == "html":
            return "html"
        raise RequestError(f"f {named!r} is no encoding here; there are json and html.")
    if "Accept" not in request.headers:
        return "json"
    kinds = dict.fromkeys((json_type, json_type.partition(";")[0], JSON, HTML))
    best = request.accept_mimetypes.best_match(list(kinds))
    if best is None:
        raise NotAcceptable(f"This address answers as {' or '.join(kinds)}.")
    return "html" if best == HTML else "json"


def tag(*parts: str) -> str | None:
    """ETag of what this address answers, known before the answer is made.

    Only for whoever sees exact places. The public's is made from the answer itself
    (:func:`send`), so that a change that they may not see does not show in it.
    """
    if not current_viewer().sees_exact_places:
        return None
    store = current_store()
    words = (_RUN, str(store.version), request.host_url, request.full_path, *parts)
    return _digest([word.encode() for word in words])


def _digest(pieces: Iterable[bytes]) -> str:
    digest = hashlib.blake2b(digest_size=12, key=current_store().public_key)
    for piece in pieces:
        digest.update(piece)
    return digest.hexdigest()


def unchanged(etag: str | None) -> Response | None:
    """Answer 304 if the client holds what bears this ETag already."""
    if etag is None or not request.if_none_match.contains_weak(etag):
        return None
    return _marked(Response(status=304), etag)


def send(
    pieces: Iterable[bytes], kind: str, *, etag: str | None = None, last: bytes = b""
) -> Response:
    """Send an answer made of pieces of one media type; a large one while it is made.

    The ETag is made from the pieces where :func:`tag` gave none; `last` is a piece at the end that
    does not count for it, as the time of the answer.
    """
    if etag is None:
        pieces = list(pieces)
        etag = _digest([kind.encode(), *pieces])
    same = unchanged(etag)
    if same is not None:
        return same
    body, left = b"", itertools.chain(pieces, [last])
    for piece in left:
        if len(body) + len(piece) > _LARGE:
            return _marked(in_pieces(itertools.chain([body, piece], left), kind), etag)
        body += piece
    return _marked(Response(body, content_type=kind), etag)


def _marked(response: Response, etag: str) -> Response:
    # Weak: compressed and plain, now and a second later, say the same in other bytes.
    response.set_etag(etag, weak=True)
    response.headers.add("Vary", "Accept")
    response.cache_control.no_cache = True
    response.cache_control.private = True
    return response
