"""Answers that a browser keeps and asks about again before each use."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import orjson
from flask import Response, request

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = ["attachment", "in_pieces", "json_answer", "revalidated", "unkept"]


def revalidated(content: bytes | str, kind: str) -> Response:
    """Answer with content, or with 304 where the client has it already.

    The ETag is made from the content itself: a change that this viewer may not see does not
    show in it.
    """
    response = Response(content, mimetype=kind)
    response.cache_control.no_cache = True
    response.add_etag()
    response.make_conditional(request)
    return response


def in_pieces(pieces: Iterator[bytes], kind: str) -> Response:
    """Answer while the content is made; its length does not matter. A client has it anew each time.

    The pieces are made outside of the request.
    """
    response = Response(pieces, mimetype=kind)
    response.cache_control.no_cache = True
    return response


def json_answer(document: dict[str, Any]) -> Response:
    """Answer with a JSON document, as `revalidated`."""
    return revalidated(orjson.dumps(document), "application/json")


def attachment(response: Response, name: str) -> Response:
    """Have an answer stored as a file of this name."""
    response.headers["Content-Disposition"] = f'attachment; filename="{name}"'
    return response


def unkept(response: Response) -> Response:
    """Have no browser keep an answer."""
    response.cache_control.no_store = True
    return response
