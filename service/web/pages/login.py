"""Logging in and out, and looking at the store as the public does."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING, Final
from urllib.parse import urlsplit

from flask import Blueprint, g, make_response, redirect, render_template, request, url_for

from service.access.accounts import LONGEST_PASSWORD, log_in, log_out
from service.errors import LoginError
from service.web.context import current_store
from service.web.viewer import AS_PUBLIC_COOKIE, SESSION_COOKIE, limiter

if TYPE_CHECKING:
    from flask import Response
    from werkzeug.wrappers import Response as AnyResponse

__all__ = ["blueprint"]

blueprint = Blueprint("login", __name__)

_REMEMBERED: Final = dt.timedelta(days=30)


@blueprint.get("/login")
def show() -> str:
    """Ask for name and password."""
    return _form()


@blueprint.post("/login")
def enter() -> Response | AnyResponse | tuple[str, int, dict[str, str]]:
    """Check name and password, and begin a new session."""
    name = request.form.get("name", "")
    try:
        token, expires = log_in(
            current_store(),
            name,
            request.form.get("password", ""),
            address=request.remote_addr or "",
            limiter=limiter(),
        )
    except LoginError as problem:
        after = problem.retry_after_s
        headers = {} if after is None else {"Retry-After": str(after)}
        return _form(name, str(problem)), 401 if after is None else 429, headers
    _end_session()  # whoever was logged in here before
    answer = redirect(_own_address(request.form.get("next", "")), 303)
    answer.set_cookie(
        # It outlives the session, so that whoever comes back later is told that this has ended.
        SESSION_COOKIE, token, expires=expires + _REMEMBERED, httponly=True, samesite="Lax",
        secure=request.is_secure,
    )  # fmt: skip
    answer.delete_cookie(AS_PUBLIC_COOKIE)
    return answer


@blueprint.post("/logout")
def leave() -> AnyResponse:
    """End the session."""
    _end_session()
    answer = redirect(url_for("map.show"), 303)
    answer.delete_cookie(SESSION_COOKIE, httponly=True, samesite="Lax", secure=request.is_secure)
    answer.delete_cookie(AS_PUBLIC_COOKIE)
    return answer


@blueprint.post("/as-public")
def as_public() -> AnyResponse:
    """See what the public sees, or no longer; it only ever takes rights away."""
    answer = redirect(_own_address(request.form.get("next", "")), 303)
    if request.form.get("on") and g.true_viewer.sees_exact_places:
        answer.set_cookie(AS_PUBLIC_COOKIE, "1", httponly=True, samesite="Lax")
    else:
        answer.delete_cookie(AS_PUBLIC_COOKIE)
    return answer


def _form(name: str = "", problem: str = "") -> str:
    given = request.values.get("next", "")
    goal = _own_address(given) if given else ""
    body = render_template(
        "login.html", name=name, problem=problem, goal=goal, longest=LONGEST_PASSWORD
    )
    answer = make_response(body)
    return str(answer.get_data(as_text=True))


def _end_session() -> None:
    old = request.cookies.get(SESSION_COOKIE)
    if old:
        log_out(current_store(), old)


def _own_address(goal: str) -> str:
    """Return the address if it is one of ours, else that of the map."""
    parts = urlsplit(goal)
    # Browsers read a backslash as a slash, and two of them as the start of a host.
    ours = goal.startswith("/") and not goal.startswith("//") and "\\" not in goal
    if ours and not parts.scheme and not parts.netloc and goal.isprintable():
        return goal
    return url_for("map.show")
