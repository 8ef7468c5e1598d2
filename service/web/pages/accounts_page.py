"""Accounts and tokens of the store, for its keepers."""

from __future__ import annotations

from typing import TYPE_CHECKING

from flask import Blueprint, redirect, render_template, request, url_for
from markupsafe import Markup

from service.access import accounts, require_role
from service.errors import ConflictError, NotFoundError, RequestError
from service.web.context import current_store, current_viewer
from service.web.problems import problem_of
from service.web.wording import marked, moment

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Callable

    from werkzeug.wrappers import Response as AnyResponse

    Answer = AnyResponse | tuple[str, int] | str

__all__ = ["ShownOnce", "blueprint"]

blueprint = Blueprint("accounts", __name__)

ShownOnce = tuple[str, str]  # a secret, and what to do with it


@blueprint.before_request
def _require_keeper() -> None:
    require_role(current_viewer(), "keeper")


@blueprint.get("/accounts")
def show() -> str:
    """List accounts and tokens, with what can be changed of each."""
    return _page()


@blueprint.post("/accounts/add")
def add() -> Answer:
    """Add an account; who has it sets the password by a link."""
    name, role = _field("account"), _field("role")
    if current_store().accounts.any():
        return _tried(
            lambda: _link(name, accounts.add_with_link(current_store(), name, role, who=_who()))
        )

    def add_first() -> None:
        if role != "keeper":
            raise RequestError("The first account must be a keeper's, who then adds the others.")
        accounts.add_account(current_store(), name, role, _field("password"), who=_who())

    return _tried(add_first, then="login.show")


@blueprint.post("/accounts/role")
def change_role() -> Answer:
    """Give an account another role."""
    role = accounts.known_role(_field("role"))
    return _tried(lambda: current_store().accounts.set_role(_field("account"), role, who=_who()))


@blueprint.post("/accounts/link")
def make_link() -> Answer:
    """Make a link by which somebody sets a new password."""
    name = _field("account")
    return _tried(lambda: _link(name, accounts.make_link(current_store(), name, who=_who())))


@blueprint.post("/accounts/disable")
def disable() -> Answer:
    """Shut an account out, or let it in again."""
    return _tried(
        lambda: current_store().accounts.set_disabled(
            _field("account"), disabled=_field("let_in") != "yes", who=_who()
        )
    )


@blueprint.post("/accounts/tokens")
def add_token() -> Answer:
    """Make a token of an account."""
    name = _field("account")
    return _tried(lambda: new_token(name, who=_who()))


@blueprint.post("/accounts/tokens/revoke")
def revoke_token() -> Answer:
    """Make a token useless."""
    return _tried(lambda: _revoke(request.form.get("token", -1, type=int)))


def new_token(name: str, *, who: str) -> ShownOnce:
    """Make the token that a form describes."""
    _, word = accounts.add_token(current_store(), name, _field("label"), _field("scope"), who=who)
    return word, (
        f"Token of {name}. Give it to the program that needs it, which sends it as "
        "“Authorization: Bearer”, a space, and the token."
    )


def _revoke(number: int) -> None:
    book = current_store().accounts
    if number not in {token.token_id for token in book.tokens()}:  # it may be too large for SQLite
        raise NotFoundError(f"There is no token {number}.")
    book.revoke_token(number, who=_who())


def _link(name: str, made: tuple[str, dt.datetime]) -> ShownOnce:
    word, expires = made
    words = Markup(
        "Link for {}, with which the password of this account is set. Send it so that "
        "nobody else reads it. It works once, until {}."
    ).format(name, marked(moment(expires)))
    return url_for("login.new_password", link=word, _external=True), words


def _tried(change: Callable[[], ShownOnce | None], then: str = "accounts.show") -> Answer:
    """Make a change: show what came of it this once, or go on; else say why it was refused."""
    try:
        once = change()
    except (ConflictError, NotFoundError, RequestError) as problem:
        return _page(problem=str(problem)), problem_of(problem).status
    return redirect(url_for(then), 303) if once is None else _page(once=once)


def _page(once: ShownOnce | None = None, problem: str = "") -> str:
    book = current_store().accounts
    return render_template(
        "accounts.html",
        accounts=book.all(),
        tokens=[token for token in book.tokens() if token.revoked is None],
        roles=accounts.GIVEN_ROLES,
        scopes=accounts.SCOPES,
        longest=accounts.LONGEST_PASSWORD,
        hours=accounts.LINK_HOURS,
        once=once,
        problem=problem,
    )


def _field(name: str) -> str:
    return request.form.get(name, "")


def _who() -> str:
    return current_viewer().name
