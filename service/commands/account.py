"""`rifflebook account`: who may see and change what."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

import click

from service.access import accounts
from service.commands.options import opened, store_argument, who_changes
from service.errors import NotFoundError, RequestError

if TYPE_CHECKING:
    from pathlib import Path

__all__ = ["account"]

name_argument = click.argument("name", metavar="NAME")
role_option = click.option(
    "--role",
    type=click.Choice(accounts.GIVEN_ROLES),
    required=True,
    help="viewer: the public view; member: exact places; editor: also changes records; "
    "keeper: also accounts, undoing imports, files for others.",
)
password_option = click.option(
    "--password-stdin", "from_stdin", is_flag=True, help="Read the password from standard input."
)


@click.group(no_args_is_help=True)
def account() -> None:
    """Add, change and list the accounts of a store, and tokens for programs.

    Without any account a store is served on this machine only, and whoever sits at it may do
    everything. With accounts, others see the public view until they log in.
    """


@account.command()
@store_argument
@name_argument
@role_option
@password_option
def add(path: Path, name: str, role: str, *, from_stdin: bool) -> None:
    """Add the account NAME to STORE; the password is prompted for.

    At least 12 characters; there are no rules about which. Example: rifflebook account add
    island.gpkg anna --role keeper
    """
    password = _password(from_stdin=from_stdin)
    with opened(path) as store:
        accounts.add_account(store, name, role, password, who=who_changes())
    click.echo(f"Added {name} as {role}.")


@account.command("list")
@store_argument
def list_(path: Path) -> None:
    """List the accounts of STORE."""
    with opened(path, read_only=True) as store:
        listed = store.accounts.all()
    if not listed:
        click.echo("There are no accounts: the store is served on this machine only.")
    for one in listed:
        disabled = f"  disabled {one.disabled:%Y-%m-%d}" if one.disabled else ""
        click.echo(f"{one.name}  {one.role}  since {one.created:%Y-%m-%d}{disabled}")


@account.command()
@store_argument
@name_argument
@role_option
def role(path: Path, name: str, role: str) -> None:
    """Give the account NAME another role; whoever is logged in as NAME is logged out."""
    with opened(path) as store:
        store.accounts.set_role(name, accounts.known_role(role), who=who_changes())
    click.echo(f"{name} is {role} now.")


@account.command()
@store_argument
@name_argument
@password_option
def password(path: Path, name: str, *, from_stdin: bool) -> None:
    """Replace the password of NAME; whoever is logged in as NAME is logged out."""
    with opened(path) as store:
        if store.accounts.find(name) is None:  # said before the password is prompted for
            raise NotFoundError(f"There is no account {name!r}.")
        accounts.change_password(store, name, _password(from_stdin=from_stdin), who=who_changes())
    click.echo(f"{name} has a new password.")


@account.command()
@store_argument
@name_argument
@click.option("--enable", is_flag=True, help="Let the account in again instead.")
def disable(path: Path, name: str, *, enable: bool) -> None:
    """Shut the account NAME out at once, with its sessions and tokens."""
    with opened(path) as store:
        store.accounts.set_disabled(name, disabled=not enable, who=who_changes())
    click.echo(f"{name} is {'let in again' if enable else 'shut out'}.")


@account.group(no_args_is_help=True)
def token() -> None:
    """Add, list and revoke tokens, with which programs act in the name of an account.

    A program sends one with each request: Authorization: Bearer TOKEN.
    """


@token.command("add")
@store_argument
@name_argument
@click.option(
    "--scope",
    type=click.Choice(accounts.SCOPES),
    default="read",
    show_default=True,
    help="read: sees what the account sees; write: also changes records, never accounts.",
)
@click.option("--label", default="", help="What it is for.")
def token_add(path: Path, name: str, scope: str, label: str) -> None:
    """Make a token of the account NAME; it is shown this once."""
    with opened(path) as store:
        number, word = accounts.add_token(store, name, label, scope, who=who_changes())
    click.echo(f"Token {number} of {name}, {scope}; it is not shown again:", err=True)
    click.echo(word)


@token.command("list")
@store_argument
@click.argument("name", required=False, metavar="[NAME]")
def token_list(path: Path, name: str | None) -> None:
    """List tokens, of all accounts or of NAME."""
    with opened(path, read_only=True) as store:
        listed = store.accounts.tokens(name)
    if not listed:
        click.echo("There are no tokens.")
    for one in listed:
        used = f"last used {one.last_used:%Y-%m-%d}" if one.last_used else "never used"
        state = f"revoked {one.revoked:%Y-%m-%d}" if one.revoked else used
        words = [str(one.token_id), one.account, one.scope, state, one.label]
        click.echo("  ".join(word for word in words if word))


@token.command("revoke")
@store_argument
@click.argument("number", type=int, metavar="NUMBER")
def token_revoke(path: Path, number: int) -> None:
    """Make the token NUMBER useless at once."""
    with opened(path) as store:
        gone = store.accounts.revoke_token(number, who=who_changes())
    click.echo(f"Token {number} of {gone.account} is revoked.")


def _password(*, from_stdin: bool) -> str:
    """Prompt for a password; never take it from the command line, where others see it."""
    if not from_stdin:
        return str(click.prompt("Password", hide_input=True, confirmation_prompt=True))
    given = sys.stdin.readline().rstrip("\r\n")
    if not given:
        raise RequestError("Nothing came on standard input; send the password there.")
    return given
