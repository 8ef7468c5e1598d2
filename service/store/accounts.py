"""People, their sessions, links and tokens. Of every secret only a hash gets here."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING, Any, Literal

import sqlalchemy as sa

from service.errors import ConflictError, NotFoundError
from service.records import Account, ApiToken
from service.store import history, schema
from service.store.columns import instant_text

if TYPE_CHECKING:
    from service.records import Role
    from service.store.session import Session

__all__ = ["AccountBook"]

ACCOUNTS, SESSIONS, TOKENS = schema.accounts, schema.sessions, schema.api_tokens
LINKS = schema.password_links


class AccountBook:
    """Accounts of one store; changes are in the history, secrets are not."""

    def __init__(self, session: Session) -> None:
        self._session = session

    # Accounts -------------------------------------------------------------------------
    def any(self) -> bool:
        """Whether there is any account at all."""
        with self._session.reading() as connection:
            return connection.execute(sa.select(ACCOUNTS.c.fid).limit(1)).first() is not None

    def all(self) -> list[Account]:
        """All accounts, by name."""
        with self._session.reading() as connection:
            rows = connection.execute(sa.select(ACCOUNTS).order_by(ACCOUNTS.c.name))
            return [_account(row) for row in rows]

    def find(self, name: str) -> Account | None:
        """One account, by name without regard to case."""
        with self._session.reading() as connection:
            row = self._row(connection, name)
        return None if row is None else _account(row)

    def password_hash(self, name: str) -> str | None:
        """Hash of the password of an account, if there is such an account."""
        with self._session.reading() as connection:
            row = self._row(connection, name)
        return None if row is None else str(row.password_hash)

    def add(self, name: str, role: Role, password_hash: str, *, who: str) -> None:
        """Add an account; ConflictError where there is one of this name, in whatever case."""
        with self._session.writing() as connection:
            if self._row(connection, name) is not None:
                raise ConflictError(f"There is an account {name!r} already.")
            connection.execute(
                ACCOUNTS.insert().values(
                    name=name, role=role, password_hash=password_hash, created=history.now_text()
                )
            )
            self._note(connection, who, name, "add", after={"role": role})

    def set_role(self, name: str, role: Role, *, who: str) -> None:
        """Give an account another role; its sessions and its link for a password end.

        Raises ConflictError for the last keeper that is not disabled, NotFoundError for no such
        account.
        """
        with self._session.writing() as connection:
            row = self._known(connection, name)
            if role != "keeper":
                self._refuse_last_keeper(connection, row)
            self._change(connection, row, {"role": role})
            if role != row.role:
                self._end(connection, row, SESSIONS, LINKS)
            self._note(
                connection, who, row.name, "change", before={"role": row.role}, after={"role": role}
            )

    def set_password(self, name: str, password_hash: str, *, who: str) -> None:
        """Replace a password; all sessions of the account end, and its link for a password."""
        with self._session.writing() as connection:
            row = self._known(connection, name)
            self._set_password(connection, row, password_hash, who=who, how="changed")

    def renew_hash(self, name: str, password_hash: str) -> None:
        """Store the same password hashed with newer parameters."""
        with self._session.writing() as connection:
            self._change(
                connection, self._known(connection, name), {"password_hash": password_hash}
            )

    def set_disabled(self, name: str, *, disabled: bool, who: str) -> None:
        """Shut an account out, or let it in again; its sessions end, its tokens rest.

        Raises as :meth:`set_role`.
        """
        with self._session.writing() as connection:
            row = self._known(connection, name)
            if disabled:
                self._refuse_last_keeper(connection, row)
                self._end(connection, row, SESSIONS, LINKS)
            self._change(connection, row, {"disabled": history.now_text() if disabled else None})
            self._note(connection, who, row.name, "change", after={"disabled": disabled})

    # Links that set a password --------------------------------------------------------
    def add_link(self, token_hash: str, name: str, expires: dt.datetime, *, who: str) -> None:
        """Keep a link that sets a password once, in place of an earlier one of the account.

        Raises ConflictError where the account is disabled, NotFoundError where there is none.
        """
        with self._session.writing() as connection:
            row = self._known(connection, name)
            if row.disabled is not None:
                raise ConflictError(f"{row.name} is shut out; let the account in again first.")
            self._end(connection, row, LINKS)
            self._keep(connection, LINKS, token_hash, row, expires)
            after = {"password link": "made", "expires": instant_text(expires)}
            self._note(connection, who, row.name, "change", after=after)

    def use_link(self, token_hash: str, password_hash: str) -> bool:
        """Set the password by a link, once; False where it is of no use (any more)."""
        with self._session.writing() as connection:
            row = self._row_by(connection, LINKS, token_hash)
            if row is not None:
                self._set_password(connection, row, password_hash, who=row.name, how="set by link")
        return row is not None

    # Sessions -------------------------------------------------------------------------
    def open_session(self, token_hash: str, name: str, expires: dt.datetime) -> None:
        """Keep a session, note the login, and drop sessions that have run out."""
        with self._session.writing() as connection:
            connection.execute(SESSIONS.delete().where(SESSIONS.c.expires <= history.now_text()))
            row = self._known(connection, name)
            self._change(connection, row, {"last_login": history.now_text()})
            self._keep(connection, SESSIONS, token_hash, row, expires)

    def account_by(self, by: Literal["session", "link"], token_hash: str) -> Account | None:
        """Account of a session, or of a link that was not used, unless expired or shut out."""
        table = SESSIONS if by == "session" else LINKS
        with self._session.reading() as connection:
            row = self._row_by(connection, table, token_hash)
        return None if row is None else _account(row)

    def close_session(self, token_hash: str) -> None:
        """End a session, if there is one."""
        with self._session.writing() as connection:
            connection.execute(SESSIONS.delete().where(SESSIONS.c.token_hash == token_hash))

    def close_sessions(self, name: str) -> None:
        """End every session of an account."""
        with self._session.writing() as connection:
            self._end(connection, self._known(connection, name), SESSIONS)

    # Tokens ---------------------------------------------------------------------------
    def add_token(self, token_hash: str, name: str, label: str, scope: str, *, who: str) -> int:
        """Keep a token of an account; returns its number."""
        with self._session.writing() as connection:
            row = self._known(connection, name)
            made = connection.execute(
                TOKENS.insert().values(
                    token_hash=token_hash, account=row.name, label=label, scope=scope,
                    created=history.now_text(),
                )
            )  # fmt: skip
            assert made.inserted_primary_key is not None  # noqa: S101  an INSERT of one row
            number = int(made.inserted_primary_key[0])
            token = {"token": number, "label": label, "scope": scope}
            self._note(connection, who, row.name, "change", after=token)
            return number

    def tokens(self, name: str | None = None) -> list[ApiToken]:
        """Tokens of one account, or of all, newest first."""
        wanted = sa.select(TOKENS).order_by(TOKENS.c.fid.desc())
        with self._session.reading() as connection:
            return [
                _token(row)
                for row in connection.execute(wanted)
                if name is None or row.account.casefold() == name.casefold()
            ]

    def token_account(self, token_hash: str) -> tuple[Account, ApiToken] | None:
        """Account and token of a hash, if neither is revoked or shut out."""
        with self._session.reading() as connection:
            token = connection.execute(
                sa.select(TOKENS).where(
                    TOKENS.c.token_hash == token_hash, TOKENS.c.revoked.is_(None)
                )
            ).first()
            row = None if token is None else self._row(connection, token.account)
        if token is None or row is None or row.disabled is not None:
            return None
        return _account(row), _token(token)

    def note_use(self, token_id: int) -> None:
        """Note that a token was used just now."""
        with self._session.writing() as connection:
            connection.execute(
                TOKENS.update().where(TOKENS.c.fid == token_id).values(last_used=history.now_text())
            )

    def revoke_token(self, token_id: int, *, who: str) -> ApiToken:
        """Make a token useless; NotFoundError where there is none, or it is revoked already."""
        with self._session.writing() as connection:
            row = connection.execute(
                sa.select(TOKENS).where(TOKENS.c.fid == token_id, TOKENS.c.revoked.is_(None))
            ).first()
            if row is None:
                raise NotFoundError(f"There is no token {token_id} in use.")
            connection.execute(
                TOKENS.update().where(TOKENS.c.fid == token_id).values(revoked=history.now_text())
            )
            self._note(
                connection, who, row.account, "change",
                after={"token": token_id, "label": row.label, "revoked": True},
            )  # fmt: skip
            return _token(row)

    # Within a transaction -------------------------------------------------------------
    def _row(self, connection: sa.Connection, name: str) -> sa.Row[Any] | None:
        """Account of a name in whatever letter case; lower() of SQLite knows A to Z alone."""
        alike = [
            row
            for row in connection.execute(sa.select(ACCOUNTS))
            if row.name.casefold() == name.casefold()
        ]
        return next((row for row in alike if row.name == name), alike[0] if alike else None)

    def _known(self, connection: sa.Connection, name: str) -> sa.Row[Any]:
        row = self._row(connection, name)
        if row is None:
            raise NotFoundError(f"There is no account {name!r}.")
        return row

    def _row_by(
        self, connection: sa.Connection, secrets: sa.Table, token_hash: str
    ) -> sa.Row[Any] | None:
        """Account of a session or link that has not run out, unless the account is shut out."""
        wanted = (
            sa.select(ACCOUNTS)
            .join(secrets, secrets.c.account == ACCOUNTS.c.name)
            .where(
                secrets.c.token_hash == token_hash,
                secrets.c.expires > history.now_text(),
                ACCOUNTS.c.disabled.is_(None),
            )
        )
        return connection.execute(wanted).first()

    def _keep(
        self,
        connection: sa.Connection,
        secrets: sa.Table,
        token_hash: str,
        row: sa.Row[Any],
        expires: dt.datetime,
    ) -> None:
        values = {"token_hash": token_hash, "account": row.name, "expires": instant_text(expires)}
        connection.execute(secrets.insert().values(values))

    def _set_password(
        self, connection: sa.Connection, row: sa.Row[Any], password_hash: str, *, who: str, how: str
    ) -> None:
        self._change(connection, row, {"password_hash": password_hash})
        self._end(connection, row, SESSIONS, LINKS)
        self._note(connection, who, row.name, "change", after={"password": how})

    def _end(self, connection: sa.Connection, row: sa.Row[Any], *of: sa.Table) -> None:
        """End the sessions or links of an account."""
        for table in of:
            connection.execute(table.delete().where(table.c.account == row.name))

    def _refuse_last_keeper(self, connection: sa.Connection, row: sa.Row[Any]) -> None:
        others = connection.scalar(
            sa.select(sa.func.count())
            .select_from(ACCOUNTS)
            .where(
                ACCOUNTS.c.role == "keeper",
                ACCOUNTS.c.disabled.is_(None),
                ACCOUNTS.c.name != row.name,
            )
        )
        if row.role == "keeper" and row.disabled is None and not others:
            raise ConflictError(
                f"{row.name} is the last keeper; make another account keeper first."
            )

    def _change(
        self, connection: sa.Connection, row: sa.Row[Any], values: dict[str, object]
    ) -> None:
        connection.execute(ACCOUNTS.update().where(ACCOUNTS.c.fid == row.fid).values(values))

    def _note(
        self,
        connection: sa.Connection,
        who: str,
        name: str,
        action: str,
        *,
        before: dict[str, Any] | None = None,
        after: dict[str, Any] | None = None,
    ) -> None:
        history.note(
            connection, who=who, entity="account", keys=[name], action=action,
            before=[before], after=[after],
        )  # fmt: skip


def _moment(text: str | None) -> dt.datetime | None:
    return None if text is None else dt.datetime.fromisoformat(text)


def _account(row: sa.Row[Any]) -> Account:
    return Account(
        name=row.name,
        role=row.role,
        created=dt.datetime.fromisoformat(row.created),
        disabled=_moment(row.disabled),
        last_login=_moment(row.last_login),
    )


def _token(row: sa.Row[Any]) -> ApiToken:
    return ApiToken(
        token_id=row.fid,
        account=row.account,
        label=row.label or "",
        scope=row.scope,
        created=dt.datetime.fromisoformat(row.created),
        revoked=_moment(row.revoked),
        last_used=_moment(row.last_used),
    )
