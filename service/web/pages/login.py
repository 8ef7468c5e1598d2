"""Logging in and out, passwords set by a link, and looking at the store as the public does."""

from __future__ import annotations

from typing import TYPE_CHECKING
from urllib.parse import urlsplit

from flask import Blueprint, g, make_response, redirect, render_template, request, url_for

from service.access.accounts import LONGEST_PASSWORD, SHORTEST_PASSWORD, log_in, log_out, use_link
from service.errors import LoginError, RequestError
from service.web.answering import unkept
from service.web.context import current_store
from service.web.viewer import AS_PUBLIC_COOKIE, SESSION_COOKIE, give_session, limiter

if TYPE_CHECKING:
    from flask import Response
    from werkzeug.wrappers import Response as AnyResponse

__all__ = ["blueprint"]

blueprint = Blueprint("login", __name__)


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
        return _form(name, str(problem)), *_refusal(problem)
    _end_session()  # whoever was logged in here before
    answer = redirect(_own_address(request.form.get("next", "")), 303)
    give_session(answer, token, expires)
    answer.delete_cookie(AS_PUBLIC_COOKIE)
    return answer


@blueprint.get("/new-password")
def new_password() -> Response:
    """Ask for a new password; whether the link works is not looked up before it is sent."""
    return _password_form(request.args.get("link", ""))


@blueprint.post("/new-password")
def set_password() -> AnyResponse | tuple[Response, int, dict[str, str]]:
    """Set a password by a link, once."""
    link, password = request.form.get("link", ""), request.form.get("new", "")
    try:
        if password != request.form.get("again", ""):
            raise RequestError("The password was not written twice alike.")
        use_link(
            current_store(), link, password, address=request.remote_addr or "", limiter=limiter()
        )
    except RequestError as problem:
        return _password_form(link, str(problem)), 400, {}
    except LoginError as problem:
        return _password_form(link, str(problem)), *_refusal(problem)
    return redirect(url_for("login.show", set="yes"), 303)


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
    return render_template(
        "login.html", name=name, problem=problem, goal=goal, longest=LONGEST_PASSWORD
    )


def _password_form(link: str, problem: str = "") -> Response:
    body = render_template(
        "new_password.html",
        link=link,
        problem=problem,
        longest=LONGEST_PASSWORD,
        shortest=SHORTEST_PASSWORD,
    )
    return unkept(make_response(body))  # the link is in it


def _refusal(problem: LoginError) -> tuple[int, dict[str, str]]:
    """Status and headers of a login that was refused."""
    after = problem.retry_after_s
    return (401, {}) if after is None else (429, {"Retry-After": str(after)})


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
