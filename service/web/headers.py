"""Headers that keep a browser from running or lending what it should not."""

from __future__ import annotations

import secrets
from typing import TYPE_CHECKING
from urllib.parse import urlsplit

from flask import Flask, g

if TYPE_CHECKING:
    from flask import Response

__all__ = ["csp_nonce", "register_headers"]


def csp_nonce() -> str:
    """Word that marks the scripts and styles of this one answer as ours."""
    if "csp_nonce" not in g:
        g.csp_nonce = secrets.token_urlsafe(16)
    nonce: str = g.csp_nonce
    return nonce


def register_headers(app: Flask) -> None:
    """Put the headers on every answer, and give templates `csp_nonce()`."""
    app.jinja_env.globals["csp_nonce"] = csp_nonce
    settings = app.extensions["rifflebook"].settings
    pictures = "'self' data:"
    if settings.shows_tiles:
        address = urlsplit(settings.tile_url.replace("{s}", "*"))
        pictures += f" {address.scheme}://{address.netloc}"

    @app.after_request
    def guard(response: Response) -> Response:
        word = f"'nonce-{csp_nonce()}'"
        response.headers.setdefault(
            "Content-Security-Policy",
            f"default-src 'self'; script-src 'self' {word}; style-src 'self' {word}; "
            f"img-src {pictures}; object-src 'none'; base-uri 'none'; form-action 'self'; "
            "frame-ancestors 'none'",
        )
        response.headers.setdefault("X-Content-Type-Options", "nosniff")
        response.headers.setdefault("Referrer-Policy", "same-origin")
        response.headers.setdefault("Cross-Origin-Opener-Policy", "same-origin")
        response.headers.setdefault("Cross-Origin-Resource-Policy", "same-origin")
        return response
