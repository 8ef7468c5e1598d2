"""Who the viewer is: accounts, passwords, sessions and tokens.

Passwords: at least 12 characters and no rules about which, as NIST SP 800-63B advises for
length over composition; hashed with Argon2id by the parameters of argon2-cffi (RFC 9106).
Sessions, links and tokens are random words of 256 bits, of which the store keeps only SHA-256; so
much chance needs no slow hash. A store without accounts belongs to whoever sits at the
machine: it is served on loopback only, and the local user is its keeper.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import ipaddress
import re
import secrets
import threading
import time
from collections import deque
from functools import lru_cache
from typing import TYPE_CHECKING, Final, Literal

import argon2

from layers.plurals import counted
from service.errors import AccessError, LoginError, RequestError
from service.records import LOCAL_KEEPER, PUBLIC, Viewer

if TYPE_CHECKING:
    from collections.abc import Callable

    from service.records import Account, Role
    from service.store import Store

__all__ = [
    "GIVEN_ROLES",
    "LINK_HOURS",
    "LONGEST_PASSWORD",
    "SCOPES",
    "SHORTEST_PASSWORD",
    "LoginLimiter",
    "add_account",
    "add_token",
    "add_with_link",
    "bearer_token",
    "change_own_password",
    "change_password",
    "is_loopback",
    "log_in",
    "log_out",
    "make_link",
    "require_keeper_for",
    "use_link",
    "viewer_of",
]

GIVEN_ROLES: Final[tuple[Role, ...]] = ("viewer", "member", "editor", "keeper")
SCOPES: Final = ("read", "write")
Scope = Literal["read", "write"]
SHORTEST_PASSWORD: Final = 12
LONGEST_PASSWORD: Final = 1_000  # hashing a novel would keep the service busy
SESSION_HOURS: Final = 12
LINK_HOURS: Final = 48
_TOKEN_START: Final = "rb_"  # noqa: S105  lets a found token be known for what it is
_NAME: Final = re.compile(r"[^\W_][\w.@+-]{0,63}")
_USE_NOTED: Final = dt.timedelta(hours=1)
_HASHER: Final = argon2.PasswordHasher()


# Accounts ----------------------------------------------------------------------------------
def add_account(store: Store, name: str, role: str, password: str, *, who: str) -> None:
    """Add an account; raises ConflictError where there is one of this name.

    Raises RequestError where the name, role or password cannot be used.
    """
    if not _NAME.fullmatch(name):
        raise RequestError(
            f"The name {name!r} cannot be used; give up to 64 letters, digits and . @ + - _, "
            "beginning with a letter or digit."
        )
    _refuse_password(name, password)
    store.accounts.add(name, known_role(role), _HASHER.hash(password), who=who)


def add_with_link(store: Store, name: str, role: str, *, who: str) -> tuple[str, dt.datetime]:
    """Add an account without a password that anybody knows: the link to set one, as `make_link`."""
    add_account(store, name, role, secrets.token_urlsafe(32), who=who)
    return make_link(store, name, who=who)


def known_role(role: str) -> Role:
    """Return a role that accounts can have; raises RequestError where it is none."""
    for known in GIVEN_ROLES:
        if role == known:
            return known
    raise RequestError(f"There is no role {role!r}; give one of {', '.join(GIVEN_ROLES)}.")


def change_password(store: Store, name: str, password: str, *, who: str) -> None:
    """Replace a password; every session of the account ends.

    Raises NotFoundError where there is no such account, RequestError where the password cannot be
    used.
    """
    _refuse_password(name, password)
    store.accounts.set_password(name, _HASHER.hash(password), who=who)


def _refuse_password(name: str, password: str) -> None:
    if len(password) < SHORTEST_PASSWORD:
        raise RequestError(
            f"The password has {len(password)} characters; give at least {SHORTEST_PASSWORD}. "
            "A few words in a row will do; there are no rules about which characters."
        )
    if len(password) > LONGEST_PASSWORD:
        raise RequestError(f"The password is longer than {LONGEST_PASSWORD} characters.")
    if name.casefold() in password.casefold() and len(name) > SHORTEST_PASSWORD // 2:
        raise RequestError("The password holds the name of the account; choose another.")


# Links that set a password -----------------------------------------------------------------
def make_link(store: Store, name: str, *, who: str) -> tuple[str, dt.datetime]:
    """Make the word of a link by which somebody sets their own password, once: and until when.

    An earlier link of the account is of no use any more; the password and sessions stay until the
    link is used. Raises NotFoundError where there is no such account, ConflictError where it is
    disabled.
    """
    word = secrets.token_urlsafe(32)
    expires = dt.datetime.now(dt.UTC) + dt.timedelta(hours=LINK_HOURS)
    store.accounts.add_link(_digest(word), name, expires, who=who)
    return word, expires


def use_link(
    store: Store, word: str, password: str, *, address: str, limiter: LoginLimiter
) -> None:
    """Set a password by a link; every session of the account ends, and the link with them.

    A link that never was, was used, replaced or has expired costs as much as one that works, and
    all get the same message. Raises LoginError for these or too many tries, RequestError where the
    password cannot be used; the link then stays.
    """
    _refuse_password("", password)
    digest = _digest(word)
    limiter.refuse_too_many(f"link {digest}", address)  # no account can have this name
    hashed = _HASHER.hash(password)
    account = store.accounts.account_by("link", digest)
    if account is not None:
        limiter.succeeded(f"link {digest}", address)
        _refuse_password(account.name, password)
    if account is None or not store.accounts.use_link(digest, hashed):
        raise LoginError(
            "This link does not work: it was used, replaced by a newer one, or has expired. Ask a "
            "keeper of the store for another."
        )


# Logging in --------------------------------------------------------------------------------
class LoginLimiter:
    """Slows down guessing: failures per account and address, per address, and per account.

    Kept in memory: a restart forgives, and nobody can fill the store with names.
    """

    PAIR, ADDRESS, ACCOUNT = 5, 30, 100
    WINDOW_S: Final = 15 * 60.0
    _MOST_KEYS: Final = 20_000

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._lock = threading.Lock()
        self._failures: dict[tuple[str, str], deque[float]] = {}

    def _keys(self, name: str, address: str) -> list[tuple[tuple[str, str], int]]:
        key = name.casefold()[:64]
        return [
            ((key, address), self.PAIR),
            (("", address), self.ADDRESS),
            ((key, ""), self.ACCOUNT),
        ]

    def wait_s(self, name: str, address: str) -> float:
        """Seconds until another try is taken; 0 = now."""
        now, waits = self._clock(), [0.0]
        with self._lock:
            for key, most in self._keys(name, address):
                failures = self._fresh(key, now)
                if len(failures) >= most:
                    waits.append(failures[-most] + self.WINDOW_S - now)
        return max(waits)

    def refuse_too_many(self, name: str, address: str) -> None:
        """Count a try as a failure before its slow check, so that tries side by side count too.

        Raises LoginError where there were too many.
        """
        wait = self.wait_s(name, address)
        if wait > 0:
            raise LoginError(
                f"Too many tries; try again in {counted(max(1, round(wait / 60)), 'minute')}.",
                retry_after_s=int(wait) + 1,
            )
        self.failed(name, address)

    def failed(self, name: str, address: str) -> None:
        """Count a failure; taken back by :meth:`succeeded`."""
        now = self._clock()
        with self._lock:
            if len(self._failures) > self._MOST_KEYS:
                for key in list(self._failures):
                    self._fresh(key, now)
            for key, _ in self._keys(name, address):
                self._failures.setdefault(key, deque(maxlen=self.ACCOUNT)).append(now)

    def succeeded(self, name: str, address: str) -> None:
        """Forget the failures of this account from this address."""
        pair, *others = (key for key, _ in self._keys(name, address))
        with self._lock:
            self._failures.pop(pair, None)
            for key in others:
                if self._failures.get(key):
                    self._failures[key].pop()  # the one counted before the check

    def _fresh(self, key: tuple[str, str], now: float) -> deque[float]:
        failures = self._failures.get(key, deque())
        while failures and failures[0] <= now - self.WINDOW_S:
            failures.popleft()
        if not failures:
            self._failures.pop(key, None)
        return failures


def log_in(
    store: Store, name: str, password: str, *, address: str, limiter: LoginLimiter
) -> tuple[str, dt.datetime]:
    """Check a password and open a session: the word for its cookie, and when it runs out (UTC).

    A wrong name takes as long as a wrong password and gets the same message. Raises LoginError
    where either is wrong, the account is disabled, or there were too many tries.
    """
    limiter.refuse_too_many(name, address)
    account = _account_by_password(store, name, password[: LONGEST_PASSWORD + 1])
    if account is None:
        raise LoginError("The name or the password is wrong.")
    limiter.succeeded(name, address)
    return _open_session(store, account.name)


def change_own_password(
    store: Store, name: str, old: str, new: str, *, address: str, limiter: LoginLimiter
) -> tuple[str, dt.datetime]:
    """Replace one's own password by the old one: a new session, as `log_in`; all others end.

    Raises LoginError as `log_in`, RequestError where the new password cannot be used.
    """
    _refuse_password(name, new)
    limiter.refuse_too_many(name, address)
    if _account_by_password(store, name, old[: LONGEST_PASSWORD + 1]) is None:
        raise LoginError("The present password is wrong.")
    limiter.succeeded(name, address)
    change_password(store, name, new, who=name)
    return _open_session(store, name)


def _open_session(store: Store, name: str) -> tuple[str, dt.datetime]:
    token = secrets.token_urlsafe(32)
    expires = dt.datetime.now(dt.UTC) + dt.timedelta(hours=SESSION_HOURS)
    store.accounts.open_session(_digest(token), name, expires)
    return token, expires


def _account_by_password(store: Store, name: str, password: str) -> Account | None:
    known_hash = store.accounts.password_hash(name)
    try:
        _HASHER.verify(known_hash or _nobodys_hash(), password)
    except argon2.exceptions.VerificationError:
        return None
    account = store.accounts.find(name)
    if known_hash is None or account is None or account.disabled is not None:
        return None
    if _HASHER.check_needs_rehash(known_hash):
        store.accounts.renew_hash(name, _HASHER.hash(password))
    return account


@lru_cache(maxsize=1)
def _nobodys_hash() -> str:
    return _HASHER.hash(secrets.token_urlsafe(32))


def log_out(store: Store, session_token: str) -> None:
    """End a session; one that has ended already is no fault."""
    store.accounts.close_session(_digest(session_token))


def _digest(token: str) -> str:
    return hashlib.sha256(token.encode()).hexdigest()


# Tokens ------------------------------------------------------------------------------------
def add_token(store: Store, name: str, label: str, scope: str, *, who: str) -> tuple[int, str]:
    """Make a token for programs; it never may more than its account, and is given only now.

    With the scope `read` it sees what the account sees, with `write` it also changes records, never
    accounts. `label` says what it is for. Raises NotFoundError where there is no such account,
    RequestError where the scope is unknown, or the account may not edit.
    """
    if scope not in SCOPES:
        raise RequestError(f"There is no scope {scope!r}; give one of {', '.join(SCOPES)}.")
    account = store.accounts.find(name)
    if scope == "write" and account is not None and not Viewer(name, account.role).may_edit:
        raise RequestError(f"{name} is {account.role} and may not edit; give the scope read.")
    token = _TOKEN_START + secrets.token_urlsafe(32)
    return store.accounts.add_token(_digest(token), name, label[:200], scope, who=who), token


def _token_viewer(store: Store, token: str) -> Viewer:
    found = store.accounts.token_account(_digest(token))
    if found is None:
        raise LoginError("The token is unknown or revoked, or its account is disabled.")
    account, stored = found
    now = dt.datetime.now(dt.UTC)
    if stored.last_used is None or now - stored.last_used > _USE_NOTED:
        store.accounts.note_use(stored.token_id)
    role: Role = account.role
    if role == "keeper":
        role = "editor"  # accounts are kept by people, not by programs
    if stored.scope == "read" and role == "editor":
        role = "member"
    return Viewer(account.name, role)


# The viewer --------------------------------------------------------------------------------
def viewer_of(
    store: Store,
    *,
    host: str,
    address: str | None,
    session_token: str | None = None,
    authorization: str | None = None,
    forwarded: bool = False,
) -> Viewer:
    """Say who sends a request: by its bearer token, else by the session of its cookie.

    Parameters
    ----------
    host
        Name, without port, that the request was sent to. Without accounts only names of this
        machine are answered, as a page elsewhere may point a name of its own at it.
    address
        Address that the request came from; None where the server does not know it.
    authorization
        The header of that name; of its schemes `Bearer` is ours, and others are left to whatever
        stands in front of the service.
    forwarded
        Whether a proxy says that it passes the request on for somebody else.

    Raises
    ------
    AccessError, RequestError
        There are no accounts, and the request comes from, or was sent to a name of, elsewhere.
    LoginError
        The token is not, or no longer, one of this store.
    """
    if not store.accounts.any():
        if not is_loopback(host):
            raise RequestError(
                "This store has no accounts; it answers as localhost or 127.0.0.1, "
                f"not as {host!r}."
            )
        if forwarded or not (address is None or is_loopback(address)):
            raise AccessError("This store has no accounts; it answers on its own machine only.")
        return LOCAL_KEEPER
    token = bearer_token(authorization)
    if token is not None:
        return _token_viewer(store, token)
    if not session_token:
        return PUBLIC
    account = store.accounts.account_by("session", _digest(session_token))
    return PUBLIC if account is None else Viewer(account.name, account.role)


def bearer_token(authorization: str | None) -> str | None:
    """Take the token out of an `Authorization` header (RFC 6750); None where it has none.

    Examples
    --------
    >>> bearer_token("Bearer rb_x"), bearer_token("Basic YTpi"), bearer_token("")
    ('rb_x', None, None)
    """
    kind, _, token = (authorization or "").partition(" ")
    return token.strip() if kind.lower() == "bearer" else None


def is_loopback(host: str) -> bool:
    """Whether an address or name can be reached from this machine only."""
    bare = host.strip("[]").lower()
    if bare == "localhost":
        return True
    try:
        return ipaddress.ip_address(bare).is_loopback
    except ValueError:
        return False


def require_keeper_for(host: str, store: Store) -> None:
    """Make sure that a store may be served on an address.

    Raises AccessError where others can reach it, and no keeper's account guards the store.
    """
    if is_loopback(host):
        return
    keepers = [a for a in store.accounts.all() if a.role == "keeper" and a.disabled is None]
    if not keepers:
        raise AccessError(
            f"Other machines can reach {host}, and this store has no keeper yet. Add one with "
            "`rifflebook account add STORE NAME --role keeper`, or serve on 127.0.0.1."
        )
