"""Accounts in the browser: what keepers and owners may change, and what attackers may not.

The rules on links follow OWASP's Forgot Password Cheat Sheet (random, long, stored hashed, single
use, expiring, one message for all that fails, no automatic login), from memory.
"""

import datetime as dt
import re
import sqlite3
from contextlib import closing

import argon2
import pytest

from service import create_app
from service.access import accounts
from service.errors import LoginError
from service.records import LOCAL_KEEPER, PUBLIC, StoreSettings, Viewer
from service.settings import Settings
from service.store import create_store
from service.store.guards import register_guard
from tests.access.test_accounts import HERE, PASSWORD, enter, form_word, sign_in

NEW = "four dry socks here"
NASTY = "<script>alert(1)</script>"
PAGE = {"Accept": "text/html"}
POSTS = {
    "/accounts/add": {"account": "eve", "role": "keeper"},
    "/accounts/role": {"account": "member1", "role": "keeper"},
    "/accounts/link": {"account": "keeper1"},
    "/accounts/disable": {"account": "viewer1"},
    "/accounts/tokens": {"account": "keeper1", "scope": "write"},
    "/accounts/tokens/revoke": {"token": "1"},
}
OWN_POSTS = {
    "/account/password": {"old": PASSWORD, "new": NEW, "again": NEW},
    "/account/tokens": {"scope": "read"},
    "/account/tokens/revoke": {"token": "1"},
    "/account/log-out": {},
}


pytestmark = pytest.mark.usefixtures("quick_hashes")


@pytest.fixture
def store(tmp_path):
    settings = StoreSettings(crs="EPSG:32629", timezone="Europe/Dublin")
    with closing(create_store(tmp_path / "a.gpkg", settings)) as store:
        yield store


@pytest.fixture
def people(store):
    for role in accounts.GIVEN_ROLES:
        accounts.add_account(store, f"{role}1", role, PASSWORD, who="test")
    accounts.add_token(store, "keeper1", "of the keeper", "read", who="test")
    return store


@pytest.fixture
def app(people):
    return create_app(people, Settings())


def logged_in(app, name, password=PASSWORD):
    client = app.test_client()
    assert sign_in(client, name, password).status_code == 303
    return client


def send(client, address, page="/accounts", **form):
    return client.post(address, data={"csrf_token": form_word(client, page), **form}, headers=PAGE)


def secret_of(answer):
    """The one secret that a page shows."""
    assert answer.status_code == 200, answer.text
    return re.search(r'class="secret"[^>]*\svalue="([^"]+)"', answer.text)[1]


def link_for(keeper, name):
    address = secret_of(send(keeper, "/accounts/link", account=name))
    return address.split("/new-password?link=")[1]


def set_by(client, link, password=NEW, again=None):
    return send(
        client, "/new-password", "/new-password", link=link, new=password,
        again=password if again is None else again,
    )  # fmt: skip


def state_of(store):
    """All that is stored of accounts, but for logins."""
    with closing(sqlite3.connect(store.path)) as file:
        rows = [file.execute(f"SELECT * FROM {name}").fetchall() for name in
                ("password_links", "api_tokens")]  # fmt: skip
        own = "SELECT name, role, password_hash, disabled FROM accounts"
        return [file.execute(own).fetchall(), *rows]


# Links --------------------------------------------------------------------------------------
def test_a_link_sets_a_password_once(app, people):
    """The old password stays until the link is used; then it is gone, with all sessions."""
    keeper, stranger = logged_in(app, "keeper1"), app.test_client()
    before = enter(people, "member1")[0]
    link = link_for(keeper, "member1")
    assert accounts.viewer_of(people, **HERE, session_token=before).name == "member1"
    assert stranger.get(f"/new-password?link={link}").status_code == 200
    answer = set_by(stranger, link)
    assert (answer.status_code, answer.location) == (303, "/login?set=yes")
    assert stranger.get_cookie("rifflebook") is None  # nobody is logged in by a link
    assert accounts.viewer_of(people, **HERE, session_token=before) == PUBLIC
    logged_in(app, "member1", NEW)
    with pytest.raises(LoginError):
        enter(people, "member1", PASSWORD)
    assert set_by(stranger, link, "five wet boots now").status_code == 401
    logged_in(app, "member1", NEW)


def test_links_that_fail_say_the_same_and_cost_the_same(app, people, monkeypatch):
    """Never made, used, replaced, expired, of a disabled account, of a changed role: one answer,
    byte for byte but for the link, and one hash each. Nothing is stored."""
    keeper, stranger = logged_in(app, "keeper1"), app.test_client()
    links = {"never made": "x" * 43}
    links["replaced"] = link_for(keeper, "viewer1")
    newer = link_for(keeper, "viewer1")
    links["used"] = link_for(keeper, "editor1")
    assert set_by(stranger, links["used"]).status_code == 303
    links["changed role"] = link_for(keeper, "member1")
    send(keeper, "/accounts/role", account="member1", role="viewer")
    links["disabled"] = link_for(keeper, "member1")
    send(keeper, "/accounts/disable", account="member1")
    links["expired"] = link_for(keeper, "editor1")
    with closing(sqlite3.connect(people.path)) as file, file:
        register_guard(file)
        assert file.execute("SELECT count(*) FROM password_links").fetchone() == (2,)
        file.execute(
            "UPDATE password_links SET expires = '2020-01-01T00:00:00.000Z' "
            "WHERE account = 'editor1'"
        )
    hashed = []
    plain = argon2.PasswordHasher.hash
    monkeypatch.setattr(
        argon2.PasswordHasher, "hash", lambda self, word: hashed.append(word) or plain(self, word)
    )
    before, said = state_of(people), set()
    for link in links.values():
        answer = set_by(stranger, link, "five wet boots now")
        assert answer.status_code == 401
        page = re.sub(r'name="csrf_token" value="[^"]+"', "", answer.text)
        said.add(re.sub(r'(href="|value="|nonce=)[^"]*"', "", page.replace(link, "LINK")))
    assert len(said) == 1
    assert hashed == ["five wet boots now"] * len(links)
    assert state_of(people) == before
    assert set_by(stranger, newer).status_code == 303


def test_a_link_is_random_hashed_and_runs_out(app, people):
    """256 bits; the file has its SHA-256 alone; the page says when it expires, as the store does;
    the history says that it was made, and not what it is."""
    keeper = logged_in(app, "keeper1")
    answer = send(keeper, "/accounts/link", account="member1")
    link = secret_of(answer).split("link=")[1]
    assert len(link) == 43  # 256 bits in base64, RFC 4648
    assert link != link_for(keeper, "viewer1")
    raw = b"".join(path.read_bytes() for path in people.path.parent.glob("a.gpkg*"))
    assert link.encode() not in raw
    assert link not in str(people.history())
    assert people.history("account", "member1")[0].who == "keeper1"
    with closing(sqlite3.connect(people.path)) as file:
        (until,) = file.execute(
            "SELECT expires FROM password_links WHERE account = 'member1'"
        ).fetchone()
    until = dt.datetime.fromisoformat(until)
    marked = f'<time datetime="{until:%Y-%m-%dT%H:%MZ}">{until:%Y-%m-%d %H:%M} UTC</time>'
    assert f"until {marked}" in " ".join(answer.text.split())
    left = until - dt.datetime.now(dt.UTC)
    assert abs(left - dt.timedelta(hours=accounts.LINK_HOURS)) < dt.timedelta(hours=1)


def test_pages_with_secrets_are_kept_nowhere_and_show_them_once(app, people):
    """`no-store`; opened again, the page has neither link nor token."""
    keeper = logged_in(app, "keeper1")
    for address in ("/accounts/link", "/accounts/tokens"):
        answer = send(keeper, address, account="member1", label="", scope="read")
        assert answer.headers["Cache-Control"] == "no-store"
        assert secret_of(answer) not in keeper.get("/accounts").text
    viewer = logged_in(app, "viewer1")
    answer = send(viewer, "/account/tokens", "/account", scope="read")
    assert "no-store" in answer.headers["Cache-Control"]
    assert "no-store" in app.test_client().get("/new-password?link=x").headers["Cache-Control"]


@pytest.mark.parametrize(
    ("password", "again"),
    [("short", None), (NEW, "another one altogether"), ("x" * 1001, None), ("MEMBER1 of it", None)],
)  # fmt: skip
def test_a_password_that_cannot_be_used_leaves_the_link(app, people, password, again):
    """Said with 400; the link then still works."""
    link = link_for(logged_in(app, "keeper1"), "member1")
    before = state_of(people)
    stranger = app.test_client()
    assert set_by(stranger, link, password, again).status_code == 400
    assert state_of(people) == before
    assert set_by(stranger, link).status_code == 303


def test_guessing_links_is_slowed_down(app, people):
    """As many failures of one address as at the login: then 429, for every link, no hash made."""
    link = link_for(logged_in(app, "keeper1"), "member1")
    guesser = app.test_client()
    limit = accounts.LoginLimiter.ADDRESS
    statuses = [set_by(guesser, f"guess {k}").status_code for k in range(limit + 1)]
    assert statuses == [401] * limit + [429]
    answer = set_by(guesser, link)
    assert answer.status_code == 429
    assert int(answer.headers["Retry-After"]) > 800


# Keepers ------------------------------------------------------------------------------------
def test_a_keeper_adds_an_account_without_knowing_its_password(app, people):
    """The new account cannot log in before its owner has set a password by the link."""
    keeper = logged_in(app, "keeper1")
    link = secret_of(send(keeper, "/accounts/add", account="bo", role="editor")).split("link=")[1]
    with pytest.raises(LoginError):
        enter(people, "bo", "")
    assert set_by(app.test_client(), link).status_code == 303
    assert "bo, editor" in logged_in(app, "bo", NEW).get("/").text
    assert people.history("account", "bo")[-1].who == "keeper1"


@pytest.mark.parametrize(
    ("form", "status"),
    [({"account": "bo", "role": "king"}, 400), ({"account": "a b", "role": "viewer"}, 400),
     ({"account": NASTY, "role": "viewer"}, 400), ({"account": "MEMBER1", "role": "viewer"}, 409),
     ({}, 400)],
)  # fmt: skip
def test_accounts_that_cannot_be_are_refused_in_words(app, people, form, status):
    """Unknown roles, names that mislead or are taken: nothing is stored, markup is text."""
    keeper = logged_in(app, "keeper1")
    before = state_of(people)
    answer = send(keeper, "/accounts/add", **form)
    assert answer.status_code == status
    assert 'role="alert"' in answer.text
    assert NASTY not in answer.text
    assert state_of(people) == before


def test_a_new_role_ends_the_sessions_of_its_account(app, people):
    """Whoever was logged in has to do so again; the same role given again ends nothing."""
    keeper, member = logged_in(app, "keeper1"), logged_in(app, "member1")
    send(keeper, "/accounts/role", account="member1", role="member")
    assert "member1" in member.get("/").text
    send(keeper, "/accounts/role", account="member1", role="editor")
    assert "member1" not in member.get("/").text
    assert "member1, editor" in logged_in(app, "member1").get("/").text


def test_the_last_keeper_can_neither_step_down_nor_shut_the_door(app, people):
    """Said on the page with 409; with a second keeper it goes, and ends the own session."""
    keeper = logged_in(app, "keeper1")
    for address, form in (("role", {"role": "editor"}), ("disable", {})):
        answer = send(keeper, f"/accounts/{address}", account="keeper1", **form)
        assert answer.status_code == 409
        assert "last keeper" in answer.text
    send(keeper, "/accounts/role", account="editor1", role="keeper")
    assert send(keeper, "/accounts/role", account="keeper1", role="viewer").status_code == 303
    assert keeper.get("/accounts", headers=PAGE).location.startswith("/login?")
    assert logged_in(app, "keeper1").get("/accounts").status_code == 403


def test_shutting_out_and_letting_in(app, people):
    """Out at once; back in only by a new login."""
    keeper, member = logged_in(app, "keeper1"), logged_in(app, "member1")
    send(keeper, "/accounts/disable", account="member1")
    assert "member1" not in member.get("/").text
    assert "Shut out since" in keeper.get("/accounts").text
    assert send(keeper, "/accounts/link", account="member1").status_code == 409
    send(keeper, "/accounts/disable", account="member1", let_in="yes")
    assert "member1" not in member.get("/").text
    logged_in(app, "member1")


def test_tokens_are_made_listed_and_revoked(app, people):
    """By keepers for all; what they are for is shown as text, when they were used last too."""
    keeper = logged_in(app, "keeper1")
    form = {"account": "member1", "label": NASTY, "scope": "read"}
    word = secret_of(send(keeper, "/accounts/tokens", **form))
    headers = {"Authorization": f"Bearer {word}"}
    assert app.test_client().get("/placements.geojson", headers=headers).status_code == 200
    page = keeper.get("/accounts").text
    assert NASTY not in page
    assert "&lt;script&gt;" in page
    token = people.accounts.tokens("member1")[0]
    assert f"{token.last_used:%Y-%m-%d %H:%M} UTC" in page
    send(keeper, "/accounts/tokens/revoke", token=str(token.token_id))
    assert app.test_client().get("/placements.geojson", headers=headers).status_code == 401
    for none in ("x", "999", "9" * 25):  # the last is longer than SQLite's integers
        assert send(keeper, "/accounts/tokens/revoke", token=none).status_code == 404
    assert send(keeper, "/accounts/tokens", **form | {"scope": "write"}).status_code == 400


def test_a_keeper_makes_tokens_of_their_own_unless_they_choose_another(app, people):
    """The first in the list of accounts was offered: somebody else's name for a program's work."""
    form = logged_in(app, "keeper1").get("/accounts").text.split('action="/accounts/tokens"')[1]
    assert re.findall(r"<option selected>(\w+)", form.split("</select>")[0]) == ["keeper1"]


def test_nobody_without_an_account_is_said_to_have_one(app):
    """Nobody is logged in: what is said of an account would be false."""
    text = app.test_client().get("/accounts", headers=PAGE).text
    assert "<h1>You may not see or do this</h1>" in text
    assert "Your account" not in text
    assert "/login?next=/accounts" in text


def test_what_each_role_may_do_stands_where_it_is_given(app, people):
    text = logged_in(app, "keeper1").get("/accounts").text
    for role in accounts.GIVEN_ROLES:
        assert f"<b>{role}</b>" in text


def test_last_login_is_shown(app, people):
    """Nobody's before they logged in."""
    keeper = logged_in(app, "keeper1")
    assert people.accounts.find("member1").last_login is None
    at = people.accounts.find("keeper1").last_login
    assert abs(dt.datetime.now(dt.UTC) - at) < dt.timedelta(hours=1)
    assert f"{at:%Y-%m-%d %H:%M} UTC" in keeper.get("/accounts").text


# Attackers ----------------------------------------------------------------------------------
@pytest.mark.parametrize("name", ["", "viewer1", "member1", "editor1", "as public"])
def test_nobody_but_keepers_sees_or_changes_accounts(app, people, name):
    """403, whatever is sent, with a form mark of their own; nothing changes, no name is said."""
    client = app.test_client()
    if name:
        sign_in(client, "keeper1" if name == "as public" else name)
    if name == "as public":
        send(client, "/as-public", "/", on="1", next="/")
    before = state_of(people)
    answer = client.get("/accounts")
    assert answer.status_code == 403
    assert "editor1" not in answer.text.replace("editor1, editor", "")
    for address, form in POSTS.items():
        assert send(client, address, "/login", **form).status_code == 403, address
    assert state_of(people) == before
    assert 'href="/accounts"' not in client.get("/").text


@pytest.mark.parametrize("address", [*POSTS, *OWN_POSTS, "/new-password"])
def test_every_form_needs_its_mark(app, people, address):
    """A page of others can send a keeper's browser here; without our mark nothing changes."""
    keeper = logged_in(app, "keeper1")
    link = link_for(keeper, "member1")
    form = (POSTS | OWN_POSTS).get(address, {"link": link, "new": NEW, "again": NEW})
    before = state_of(people)
    for mark in ({}, {"csrf_token": "made up"}, {"csrf_token": ""}):
        assert keeper.post(address, data={**form, **mark}).status_code == 400
    assert state_of(people) == before
    assert "keeper1, keeper" in keeper.get("/").text


@pytest.mark.parametrize("scope", ["read", "write"])
def test_no_token_reaches_accounts(app, people, scope):
    """A keeper's token makes no accounts, tokens or links, and changes no password."""
    _, word = accounts.add_token(people, "keeper1", "", scope, who="test")
    headers = {"Authorization": f"Bearer {word}"}
    client, before = app.test_client(), state_of(people)
    for address in ("/accounts", "/account"):
        assert client.get(address, headers=headers).status_code == 403
    for address, form in (POSTS | OWN_POSTS).items():
        assert client.post(address, data=form, headers=headers).status_code == 403, address
    assert state_of(people)[:2] == before[:2]
    assert len(state_of(people)[2]) == len(before[2])


def test_the_public_has_no_account_of_its_own(app, people):
    """Nor does the local user, where there are none."""
    client = app.test_client()
    assert client.get("/account").status_code == 403
    for address, form in OWN_POSTS.items():
        assert send(client, address, "/login", **form).status_code == 403
    fixed = create_app(people, Settings(), viewer=Viewer("keeper1", "keeper")).test_client()
    assert fixed.get("/account").status_code == 403
    local = create_app(people, Settings(), viewer=LOCAL_KEEPER).test_client()
    assert local.get("/account").location == "/accounts"


# One's own account --------------------------------------------------------------------------
def test_ones_own_password(app, people):
    """It needs the present one; then this browser stays in by a new session, all others end."""
    here, there = logged_in(app, "member1"), logged_in(app, "member1")
    first = here.get_cookie("rifflebook").value
    form = {"old": PASSWORD, "new": NEW, "again": NEW}
    for wrong, status in (({"old": "not this"}, 401), ({"again": "x"}, 400), ({"new": "x"}, 400)):
        answer = send(here, "/account/password", "/account", **form | wrong)
        assert answer.status_code == status
    assert "member1" in there.get("/").text
    assert send(here, "/account/password", "/account", **form).status_code == 303
    assert "member1" in here.get("/account").text
    assert here.get_cookie("rifflebook").value != first
    assert "member1" not in there.get("/").text
    logged_in(app, "member1", NEW)
    entry = people.history("account", "member1")[0]
    assert (entry.who, entry.after) == ("member1", {"password": "changed"})


def test_guessing_the_present_password_is_slowed_down(app, people):
    """A session that somebody left open gives as many tries as a login, and counts with it."""
    here = logged_in(app, "member1")
    form = {"new": NEW, "again": NEW}
    for k in range(accounts.LoginLimiter.PAIR):
        assert (
            send(here, "/account/password", "/account", old=f"guess {k}", **form).status_code == 401
        )
    assert send(here, "/account/password", "/account", old=PASSWORD, **form).status_code == 429
    assert sign_in(app.test_client(), "member1").status_code == 429


def test_ones_own_tokens(app, people):
    """Own ones alone are listed and revoked; that of another is as one that never was."""
    member = logged_in(app, "member1")
    assert "of the keeper" not in member.get("/account").text
    theirs = send(member, "/account/tokens/revoke", "/account", token="1")
    none = send(member, "/account/tokens/revoke", "/account", token="999")
    assert theirs.status_code == none.status_code == 404
    mark = r'name="csrf_token" value="[^"]+"'
    alike = [
        re.sub(mark, "", one.text).replace("token 1", "token 999").split("<main")[1]
        for one in (theirs, none)
    ]
    assert alike[0] == alike[1]
    assert people.accounts.tokens("keeper1")[0].revoked is None
    word = secret_of(send(member, "/account/tokens", "/account", label=NASTY, scope="read"))
    headers = {"Authorization": f"Bearer {word}"}
    assert app.test_client().get("/placements.geojson", headers=headers).status_code == 200
    assert NASTY not in member.get("/account").text
    assert send(member, "/account/tokens", "/account", scope="write").status_code == 400
    number = str(people.accounts.tokens("member1")[0].token_id)
    assert send(member, "/account/tokens/revoke", "/account", token=number).status_code == 303
    assert app.test_client().get("/placements.geojson", headers=headers).status_code == 401


def test_logging_out_everywhere(app, people):
    """Every session of this account ends, no other's."""
    here, there = logged_in(app, "member1"), logged_in(app, "member1")
    other = logged_in(app, "viewer1")
    assert send(here, "/account/log-out", "/account").location == "/login"
    for client in (here, there):
        assert "member1" not in client.get("/").text
    assert "viewer1" in other.get("/").text


# The first account --------------------------------------------------------------------------
def test_the_first_account_is_a_keepers(store):
    """Made where nobody can log in yet, by whoever sits there, who then logs in."""
    app = create_app(store, Settings())
    client = app.test_client()
    assert 'href="/accounts"' in client.get("/").text
    form = {"account": "anna", "password": PASSWORD}
    assert send(client, "/accounts/add", **form, role="editor").status_code == 400
    assert not store.accounts.any()
    assert send(client, "/accounts/add", **form, role="keeper").location == "/login"
    assert client.get("/accounts").status_code == 403
    assert logged_in(app, "anna").get("/accounts").status_code == 200


def test_ones_own_account_where_there_are_none(store):
    """The page of accounts says what holds and how to begin; nobody is sent to a keeper."""
    page = create_app(store, Settings()).test_client().get(
        "/account", headers=PAGE, follow_redirects=True
    )  # fmt: skip
    assert page.status_code == 200
    assert "This store has no accounts: it is served on this machine only" in page.text
    assert "Name of the first keeper" in page.text
    assert "ask the keeper" not in page.text
