"""One's own account: password, tokens, and being logged out everywhere."""

from __future__ import annotations

from typing import TYPE_CHECKING

from flask import Blueprint, g, redirect, render_template, request, url_for

from service.access import accounts
from service.errors import AccessError, LoginError, NotFoundError, RequestError
from service.records import LOCAL_KEEPER
from service.web.answering import unkept
from service.web.context import current_store
from service.web.pages.accounts_page import new_token
from service.web.problems import problem_of
from service.web.viewer import give_session, limiter

if TYPE_CHECKING:
    from werkzeug.wrappers import Response as AnyResponse

    from service.records import Viewer
    from service.web.pages.accounts_page import ShownOnce

__all__ = ["blueprint"]

blueprint = Blueprint("own_account", __name__)


@blueprint.before_request
def _require_login() -> AnyResponse | None:
    """Let in who has logged in by a password, also while they look as the public does.

    Where there are no accounts, the page of accounts says so, and what to do.
    """
    if g.true_viewer == LOCAL_KEEPER:
        return redirect(url_for("accounts.show"), 303)
    if not g.has_accounts or g.by_token or g.true_viewer.role == "public":
        raise AccessError("This is for who has logged in with an account.")
    return None


blueprint.after_request(unkept)


@blueprint.get("/account")
def show() -> str:
    """Show the account of whoever has logged in."""
    return _page()


@blueprint.post("/account/password")
def change_password() -> AnyResponse | tuple[str, int]:
    """Replace the password; all other sessions end."""
    new = request.form.get("new", "")
    try:
        if new != request.form.get("again", ""):
            raise RequestError("The new password was not written twice alike.")
        token, expires = accounts.change_own_password(
            current_store(),
            _own().name,
            request.form.get("old", ""),
            new,
            address=request.remote_addr or "",
            limiter=limiter(),
        )
    except (LoginError, RequestError) as problem:
        late = isinstance(problem, LoginError) and problem.retry_after_s is not None
        return _page(problem=str(problem)), 429 if late else problem_of(problem).status
    answer = redirect(url_for("own_account.show", changed="yes"), 303)
    give_session(answer, token, expires)
    return answer


@blueprint.post("/account/tokens")
def add_token() -> str | tuple[str, int]:
    """Make a token of one's own."""
    try:
        return _page(once=new_token(_own().name, who=_own().name))
    except RequestError as problem:
        return _page(problem=str(problem)), problem_of(problem).status


@blueprint.post("/account/tokens/revoke")
def revoke_token() -> AnyResponse:
    """Make a token of one's own useless; those of others are none of these."""
    book, number = current_store().accounts, request.form.get("token", -1, type=int)
    if number not in [token.token_id for token in book.tokens(_own().name)]:
        raise NotFoundError(f"You have no token {number}.")
    book.revoke_token(number, who=_own().name)
    return redirect(url_for("own_account.show"), 303)


@blueprint.post("/account/log-out")
def log_out_everywhere() -> AnyResponse:
    """End every session of this account, that of this browser too."""
    current_store().accounts.close_sessions(_own().name)
    return redirect(url_for("login.show"), 303)


def _page(once: ShownOnce | None = None, problem: str = "") -> str:
    book, own = current_store().accounts, _own()
    return render_template(
        "account.html",
        account=book.find(own.name),
        tokens=[token for token in book.tokens(own.name) if token.revoked is None],
        scopes=accounts.SCOPES if own.may_edit else accounts.SCOPES[:1],
        longest=accounts.LONGEST_PASSWORD,
        shortest=accounts.SHORTEST_PASSWORD,
        once=once,
        problem=problem,
    )


def _own() -> Viewer:
    own: Viewer = g.true_viewer
    return own
