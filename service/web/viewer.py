"""Before every request: who the viewer is, and whether a form came from our own pages."""

from __future__ import annotations

import datetime as dt
import hashlib
from typing import TYPE_CHECKING, Final
from urllib.parse import urlsplit

from flask import Flask, current_app, g, redirect, request, url_for
from flask_wtf import CSRFProtect
from flask_wtf.csrf import generate_csrf
from markupsafe import Markup

from service.access.accounts import LoginLimiter, bearer_token, viewer_of
from service.records import LOCAL_KEEPER, PUBLIC, Viewer

if TYPE_CHECKING:
    from flask import Response
    from werkzeug.wrappers import Response as AnyResponse

    from service.web.context import Service

__all__ = ["AS_PUBLIC_COOKIE", "SESSION_COOKIE", "give_session", "limiter", "register_viewer"]

SESSION_COOKIE: Final = "rifflebook"
AS_PUBLIC_COOKIE: Final = "rifflebook_as_public"
_REMEMBERED: Final = dt.timedelta(days=30)
_PROXY_HEADERS: Final = ("Forwarded", "X-Forwarded-For", "X-Forwarded-Host", "Via")
_UPLOADS: Final = ("imports.upload", "imports.mend", "loading.upload", "backgrounds.upload")
_MOST_OF_FORM: Final = 4_000_000  # bytes; an entry form of as many rows as it may have is shorter
# Open to everybody, without looking anything up.
_OPEN_ENDPOINTS: Final = (
    "static", "frame.map_asset", "frame.versioned_asset", "frame.versioned_static",
    "entry.worker", "frame.healthz",
)  # fmt: skip


def limiter() -> LoginLimiter:
    """Return what slows down guessing at this application's login."""
    own: LoginLimiter = current_app.extensions["rifflebook_limiter"]
    return own


def give_session(answer: AnyResponse, token: str, expires: dt.datetime) -> None:
    """Give a browser the cookie of its session."""
    answer.set_cookie(
        # It outlives the session, so that whoever comes back later is told that this has ended.
        SESSION_COOKIE, token, expires=expires + _REMEMBERED, httponly=True, samesite="Lax",
        secure=request.is_secure,
    )  # fmt: skip


def register_viewer(app: Flask) -> None:
    """Set `g.viewer` for every request, and guard forms against pages of others.

    `g.true_viewer` keeps who it is while they look at what the public sees.
    """
    service: Service = app.extensions["rifflebook"]
    app.extensions["rifflebook_limiter"] = LoginLimiter()
    # Of the store, so that forms outlive a restart, and kept apart from what it else makes.
    app.config["SECRET_KEY"] = hashlib.blake2b(
        b"form marks", key=service.store.public_key, digest_size=32
    ).hexdigest()
    app.config["SESSION_COOKIE_NAME"] = "rifflebook_form"
    app.config["SESSION_COOKIE_HTTPONLY"] = True
    app.config["SESSION_COOKIE_SAMESITE"] = "Lax"
    app.config["WTF_CSRF_CHECK_DEFAULT"] = False  # checked below, once the viewer is known
    app.config["WTF_CSRF_TIME_LIMIT"] = None  # entering a field day takes hours
    csrf = CSRFProtect(app)
    app.jinja_env.globals["mark"] = _form_mark

    @app.before_request
    def find_viewer() -> AnyResponse | None:
        if request.endpoint in _OPEN_ENDPOINTS:
            return None
        authorization = request.headers.get("Authorization")
        viewer = service.viewer or viewer_of(
            service.store,
            host=urlsplit(f"//{request.host}").hostname or "",
            address=request.remote_addr,
            session_token=request.cookies.get(SESSION_COOKIE),
            authorization=authorization,
            forwarded=any(name in request.headers for name in _PROXY_HEADERS),
        )
        g.true_viewer = viewer
        g.has_accounts = service.viewer is None and viewer != LOCAL_KEEPER
        if viewer.sees_exact_places and request.cookies.get(AS_PUBLIC_COOKIE):
            viewer = Viewer(viewer.name, "public")
        g.viewer = viewer
        g.version = service.store.version  # before anything is read that this may be said of
        # Before anything is read. All but files is small; lists in JSON grow tenfold in memory.
        if request.endpoint not in _UPLOADS or not viewer.may_edit:
            request.max_content_length = min(
                _MOST_OF_FORM, request.max_content_length or _MOST_OF_FORM
            )
        # A browser never adds a Bearer token by itself, so no page of others can borrow one. With
        # accounts it was found valid above, without them nobody looked at it.
        g.by_token = g.has_accounts and bearer_token(authorization) is not None
        if _session_ended(g.true_viewer):
            return _to_login()
        if app.config["WTF_CSRF_ENABLED"] and not g.by_token and request.routing_exception is None:
            csrf.protect()  # lets safe methods pass
        return None

    @app.after_request
    def mark_private(response: Response) -> Response:
        if request.endpoint not in _OPEN_ENDPOINTS:
            # What one viewer may see must not be handed to the next by a cache in between.
            response.headers.add("Vary", "Cookie")
            response.headers.add("Vary", "Authorization")
            if _leaves_no_trace(response):
                response.headers["Cache-Control"] = "no-store"
            elif not response.cache_control.no_store:
                response.cache_control.private = True
        return response


def _form_mark() -> Markup:
    """Field that marks a form as one of ours."""
    return Markup('<input type="hidden" name="csrf_token" value="{}">').format(generate_csrf())


def _session_ended(viewer: Viewer) -> bool:
    """Whether a page is opened by somebody whose session has ended since they logged in."""
    return bool(
        g.has_accounts
        and viewer.role == "public"
        and SESSION_COOKIE in request.cookies
        and request.method == "GET"
        and request.blueprint != "login"
        and "text/html" in request.headers.get("Accept", "")
    )


def _to_login() -> AnyResponse:
    """Send to the login, once: whoever does not log in again goes on as the public."""
    here = request.full_path.rstrip("?")
    answer = redirect(url_for("login.show", next=here, ended="yes"), 303)
    answer.delete_cookie(SESSION_COOKIE, httponly=True, samesite="Lax", secure=request.is_secure)
    return answer


def _leaves_no_trace(response: Response) -> bool:
    """Whether a browser may keep nothing of an answer, since it may hold exact places.

    A browser keeps on disk what it showed, for whoever sits there next, logged out or not.
    A program with a token keeps what it fetches on purpose: it may check whether that
    has changed (`private, no-cache` and an ETag), which spares making it anew.
    """
    viewer = g.get("viewer") or PUBLIC
    return viewer.sees_exact_places and not response.cache_control.public and not g.by_token
