"""Accounts: who gets in, who does not, and what is kept of secrets."""

import datetime as dt
import re
import sqlite3
from contextlib import closing

import argon2
import pytest

from service import create_app
from service.access import accounts
from service.errors import AccessError, ConflictError, LoginError, NotFoundError, RequestError
from service.records import LOCAL_KEEPER, PUBLIC, StoreSettings, Viewer
from service.settings import Settings
from service.store import create_store
from service.store.guards import register_guard

PASSWORD = "three wet boots"
HERE = {"host": "localhost", "address": "127.0.0.1"}


REAL_HASHER = accounts._HASHER


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
    return store


@pytest.fixture
def browser(people):
    return create_app(people, Settings()).test_client()


def enter(store, name, password=PASSWORD, limiter=None):
    return accounts.log_in(
        store, name, password, address="192.0.2.1", limiter=limiter or accounts.LoginLimiter()
    )


def form_word(client, address="/login"):
    return re.search(r'name="csrf_token" value="([^"]+)"', client.get(address).text)[1]


def sign_in(client, name, password=PASSWORD, **more):
    form = {"name": name, "password": password, "csrf_token": form_word(client), **more}
    return client.post("/login", data=form)


# Passwords ----------------------------------------------------------------------------------
def test_password_is_kept_as_argon2id_only(people, monkeypatch):
    """The stored text names Argon2id with at least the second parameters that RFC 9106, section
    4, recommends (64 MiB, 3 passes, 4 lanes); the password is nowhere in the file."""
    monkeypatch.setattr(accounts, "_HASHER", REAL_HASHER)
    accounts.change_password(people, "keeper1", PASSWORD, who="test")
    held = people.accounts.password_hash("keeper1")
    assert held.startswith("$argon2id$v=19$")
    found = argon2.extract_parameters(held)
    assert (found.memory_cost, found.time_cost, found.parallelism) >= (65536, 3, 4)
    argon2.PasswordHasher().verify(held, PASSWORD)
    raw = people.path.read_bytes() + people.path.with_name("a.gpkg-wal").read_bytes()
    assert PASSWORD.encode() not in raw
    assert held not in str(people.history())


def test_tokens_are_kept_as_digests_only(people):
    """Neither a session's nor a program's word can be read out of the file."""
    session, _ = enter(people, "member1")
    _, word = accounts.add_token(people, "member1", "logger", "read", who="test")
    raw = people.path.read_bytes() + people.path.with_name("a.gpkg-wal").read_bytes()
    assert session.encode() not in raw
    assert word.encode() not in raw


@pytest.mark.parametrize(
    ("name", "password"),
    [("anna", "short"), ("anna", "x" * 1001), ("annabella", "annabella-123"), ("anna", "")],
)
def test_weak_passwords_are_refused(store, name, password):
    """Length counts, composition does not."""
    with pytest.raises(RequestError, match="password"):
        accounts.add_account(store, name, "viewer", password, who="test")
    accounts.add_account(store, name, "viewer", "only small letters here", who="test")


@pytest.mark.parametrize(
    "name", ["", " anna", "a b", "-anna", "a" * 65, "<b>", "a\nb", "local user"]
)
def test_names_that_mislead_are_refused(store, name):
    """A name stands in the history; nobody may take that of the local user."""
    with pytest.raises(RequestError, match="name"):
        accounts.add_account(store, name, "viewer", PASSWORD, who="test")


def test_letters_other_than_a_to_z_are_letters(store):
    """SQLite's lower() changes A to Z alone (its documentation of the function)."""
    word, _ = accounts.add_with_link(store, "Åsa", "keeper", who="test")
    limiter = accounts.LoginLimiter()
    accounts.use_link(store, word, PASSWORD, address="192.0.2.1", limiter=limiter)
    for name in ("Åsa", "åsa", "ÅSA"):
        assert enter(store, name)
        with pytest.raises(ConflictError, match="already"):
            accounts.add_account(store, name, "member", PASSWORD, who="test")
    accounts.add_token(store, "åsa", "sheets", "read", who="test")
    assert [token.account for token in store.accounts.tokens("ÅSA")] == ["Åsa"]


def test_old_hashes_are_renewed(people, monkeypatch):
    """Logging in stores the password anew when the parameters have grown."""
    weak = people.accounts.password_hash("member1")
    monkeypatch.setattr(accounts, "_HASHER", REAL_HASHER)
    enter(people, "member1")
    held = people.accounts.password_hash("member1")
    assert held != weak
    assert not REAL_HASHER.check_needs_rehash(held)
    enter(people, "member1")


# Logging in ---------------------------------------------------------------------------------
def test_login_names_the_viewer(people):
    """A session's word stands for its account, letter case of the name aside."""
    token, expires = enter(people, "EDITOR1")
    assert expires > dt.datetime.now(dt.UTC)
    assert accounts.viewer_of(people, **HERE, session_token=token) == Viewer("editor1", "editor")
    accounts.log_out(people, token)
    assert accounts.viewer_of(people, **HERE, session_token=token) == PUBLIC


def test_unknown_name_costs_and_says_the_same(people, monkeypatch):
    """A wrong name is hashed like a wrong password and told in the same words."""
    checked = []
    verify = argon2.PasswordHasher.verify
    monkeypatch.setattr(
        argon2.PasswordHasher, "verify",
        lambda self, held, word: checked.append(held) or verify(self, held, word),
    )  # fmt: skip
    said = []
    for name in ("nobody", "member1"):
        with pytest.raises(LoginError) as refused:
            enter(people, name, "wrong password")
        said.append(str(refused.value))
    assert said[0] == said[1]
    asked = [argon2.extract_parameters(held) for held in checked]
    assert asked[0] == asked[1]  # same parameters, same cost


def test_disabled_account_is_out_at_once(people):
    """Sessions and tokens of a disabled account stop working; enabling brings back no session."""
    token, _ = enter(people, "member1")
    _, word = accounts.add_token(people, "member1", "", "read", who="test")
    people.accounts.set_disabled("member1", disabled=True, who="test")
    assert accounts.viewer_of(people, **HERE, session_token=token) == PUBLIC
    with pytest.raises(LoginError):
        accounts.viewer_of(people, **HERE, authorization=f"Bearer {word}")
    with pytest.raises(LoginError):
        enter(people, "member1")
    people.accounts.set_disabled("member1", disabled=False, who="test")
    assert accounts.viewer_of(people, **HERE, session_token=token) == PUBLIC
    assert accounts.viewer_of(people, **HERE, authorization=f"Bearer {word}").role == "member"


def test_new_password_ends_sessions(people):
    """Whoever was in with the old password is out."""
    token, _ = enter(people, "member1")
    accounts.change_password(people, "member1", "another long word", who="test")
    assert accounts.viewer_of(people, **HERE, session_token=token) == PUBLIC


def test_sessions_run_out(people):
    """After its hours a session is nobody's, and the next login clears it away."""
    token, _ = enter(people, "member1")
    with closing(sqlite3.connect(people.path)) as file, file:
        register_guard(file)
        file.execute("UPDATE sessions SET expires = '2020-01-01T00:00:00.000Z'")
    assert accounts.viewer_of(people, **HERE, session_token=token) == PUBLIC
    enter(people, "viewer1")
    with closing(sqlite3.connect(people.path)) as file:
        assert file.execute("SELECT count(*) FROM sessions").fetchone() == (1,)


class Clock:
    now = 1_000.0

    def __call__(self):
        return self.now


def test_guessing_is_slowed_down(people):
    """Five failures of a name from an address close that pair for a quarter of an hour, also
    for the right password; others are not held up."""
    clock = Clock()
    limiter = accounts.LoginLimiter(clock)
    for _ in range(5):
        with pytest.raises(LoginError, match="wrong"):
            enter(people, "member1", "bad", limiter)
    with pytest.raises(LoginError, match="Too many") as refused:
        enter(people, "member1", PASSWORD, limiter)
    assert 890 <= refused.value.retry_after_s <= 901
    assert limiter.wait_s("member1", "192.0.2.9") == 0
    enter(people, "viewer1", PASSWORD, limiter)
    clock.now += 901
    enter(people, "member1", PASSWORD, limiter)


def test_limits_by_address_and_by_account():
    """Many names from one address, or one name from many addresses, are held up too; logging in
    rightly is not counted."""
    limiter = accounts.LoginLimiter(Clock())
    for k in range(60):
        limiter.failed(f"n{k}", "192.0.2.1")
        limiter.succeeded(f"n{k}", "192.0.2.1")
    assert limiter.wait_s("new", "192.0.2.1") == 0
    for k in range(limiter.ADDRESS):
        limiter.failed(f"n{k}", "192.0.2.1")
    assert limiter.wait_s("new", "192.0.2.1") > 0
    assert limiter.wait_s("new", "192.0.2.2") == 0
    for k in range(limiter.ACCOUNT):
        limiter.failed("Anna", f"198.51.100.{k}")
    assert limiter.wait_s("anna", "203.0.113.1") > 0


def test_limiter_does_not_grow_without_end(monkeypatch):
    """What ran out is dropped once many names were tried."""
    clock = Clock()
    limiter = accounts.LoginLimiter(clock)
    monkeypatch.setattr(accounts.LoginLimiter, "_MOST_KEYS", 100)
    for k in range(200):
        limiter.failed(f"n{k}", f"a{k}")
        clock.now += 60
    assert len(limiter._failures) < 150


# Tokens -------------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("role", "scope", "seen"),
    [
        ("viewer", "read", "viewer"),
        ("member", "read", "member"),
        ("editor", "read", "member"),
        ("editor", "write", "editor"),
        ("keeper", "write", "editor"),
        ("keeper", "read", "member"),
    ],
)
def test_token_may_no_more_than_scope_and_account(people, role, scope, seen):
    """A program gets the lesser of what its token and its account allow, never accounts."""
    _, word = accounts.add_token(people, f"{role}1", "logger", scope, who="test")
    assert accounts.viewer_of(people, **HERE, authorization=f"bearer {word}").role == seen
    assert people.accounts.tokens(f"{role}1")[0].last_used is not None


def test_token_follows_its_account_and_can_be_revoked(people):
    """A demoted account's token sinks with it; a revoked one is refused."""
    number, word = accounts.add_token(people, "editor1", "", "write", who="test")
    people.accounts.set_role("editor1", "viewer", who="test")
    assert accounts.viewer_of(people, **HERE, authorization=f"Bearer {word}").role == "viewer"
    people.accounts.revoke_token(number, who="test")
    for header in (f"Bearer {word}", "Bearer rb_none", "Bearer ", "Bearer"):
        with pytest.raises(LoginError):
            accounts.viewer_of(people, **HERE, authorization=header)
    with pytest.raises(NotFoundError):
        people.accounts.revoke_token(number, who="test")


def test_who_may_not_edit_gets_no_writing_token(people):
    """Asked for too much, nothing is made."""
    with pytest.raises(RequestError, match="read"):
        accounts.add_token(people, "member1", "", "write", who="test")
    with pytest.raises(NotFoundError):
        accounts.add_token(people, "nobody", "", "read", who="test")


# Keepers and local use ----------------------------------------------------------------------
def test_last_keeper_stays(people):
    """A store with accounts is never left without a keeper."""
    with pytest.raises(ConflictError, match="last keeper"):
        people.accounts.set_role("keeper1", "editor", who="test")
    with pytest.raises(ConflictError, match="last keeper"):
        people.accounts.set_disabled("keeper1", disabled=True, who="test")
    people.accounts.set_role("editor1", "keeper", who="test")
    people.accounts.set_disabled("keeper1", disabled=True, who="test")


def test_without_accounts_only_this_machine(store):
    """The local user is keeper; a name of elsewhere, a far address and a proxy are refused."""
    assert accounts.viewer_of(store, **HERE) == LOCAL_KEEPER
    assert accounts.viewer_of(store, host="::1", address="::1") == LOCAL_KEEPER
    with pytest.raises(RequestError, match="not as 'evil"):
        accounts.viewer_of(store, host="evil.example", address="127.0.0.1")
    with pytest.raises(AccessError):
        accounts.viewer_of(store, host="localhost", address="192.0.2.4")
    with pytest.raises(AccessError):
        accounts.viewer_of(store, **HERE, forwarded=True)


def test_keeper_is_needed_before_others_can_reach_the_store(store):
    """Any other address waits for a keeper who is not shut out."""
    for host in ("127.0.0.1", "localhost", "::1", "[::1]", "127.8.8.8"):
        accounts.require_keeper_for(host, store)
    for host in ("0.0.0.0", "::", "192.0.2.7", "fish.example", "", "localhost.evil.example"):
        with pytest.raises(AccessError, match="no keeper"):
            accounts.require_keeper_for(host, store)
    accounts.add_account(store, "anna", "editor", PASSWORD, who="test")
    with pytest.raises(AccessError, match="no keeper"):
        accounts.require_keeper_for("0.0.0.0", store)
    store.accounts.set_role("anna", "keeper", who="test")
    accounts.require_keeper_for("0.0.0.0", store)


def test_history_says_who_did_what_to_accounts(people):
    """Every change of an account is on record, without any secret."""
    people.accounts.set_role("viewer1", "member", who="keeper1")
    accounts.change_password(people, "viewer1", "another long word", who="keeper1")
    entries = people.history("account", "viewer1")
    assert [(e.who, e.action) for e in entries] == [
        ("keeper1", "change"), ("keeper1", "change"), ("test", "add"),
    ]  # fmt: skip
    assert entries[1].before == {"role": "viewer"}
    assert entries[1].after == {"role": "member"}
    assert not re.search(r"argon2|another long", str(entries))


# In the browser -----------------------------------------------------------------------------
def test_browser_logs_in_and_out(browser):
    """The cookie is for the server alone; its word changes at every login and dies at logout."""
    assert "Log in" in browser.get("/").text
    answer = sign_in(browser, "member1", next="/?since=2024")
    assert (answer.status_code, answer.location) == (303, "/?since=2024")
    cookie = next(c for c in answer.headers.getlist("Set-Cookie") if c.startswith("rifflebook="))
    assert "HttpOnly" in cookie
    assert "SameSite=Lax" in cookie
    assert "Secure" not in cookie
    first = browser.get_cookie("rifflebook").value
    assert "member1, member" in browser.get("/").text
    sign_in(browser, "member1")
    second = browser.get_cookie("rifflebook").value
    assert second != first
    browser.set_cookie("rifflebook", first)
    assert "member1" not in browser.get("/").text  # the former session has ended
    browser.set_cookie("rifflebook", second)
    browser.post("/logout", data={"csrf_token": form_word(browser, "/")})
    browser.set_cookie("rifflebook", second)
    assert "member1" not in browser.get("/").text


def test_cookie_is_secure_over_https(people):
    """Over HTTPS the cookie never travels in the clear."""
    client = create_app(people, Settings()).test_client()
    base = {"base_url": "https://fish.example"}
    page = client.get("/login", **base).text
    word = re.search(r'name="csrf_token" value="([^"]+)"', page)[1]
    form = {"name": "member1", "password": PASSWORD, "csrf_token": word}
    answer = client.post(
        "/login", data=form, headers={"Referer": "https://fish.example/login"}, **base
    )
    assert any(
        c.startswith("rifflebook=") and "Secure" in c for c in answer.headers.getlist("Set-Cookie")
    )


@pytest.mark.parametrize(
    "goal",
    ["https://evil.example/", "//evil.example", "/\\evil.example", "javascript:alert(1)", "", "x",
     "/\t/evil.example", "\\\\evil.example"],
)  # fmt: skip
def test_login_leads_nowhere_else(browser, goal):
    """After logging in one lands on a page of ours."""
    assert sign_in(browser, "viewer1", next=goal).location == "/"


def test_wrong_login_is_told_and_slowed(browser):
    """401 for what is wrong, 429 with a time for too many; the name is escaped."""
    answer = sign_in(browser, "<b>me</b>", "wrong password")
    assert answer.status_code == 401
    assert "<b>me</b>" not in answer.text
    for _ in range(5):
        answer = sign_in(browser, "member1", "wrong password")
    answer = sign_in(browser, "member1")
    assert answer.status_code == 429
    assert int(answer.headers["Retry-After"]) > 800


def test_forms_of_other_pages_are_refused(browser):
    """A form without our mark changes nothing, whoever is logged in."""
    sign_in(browser, "keeper1")
    assert browser.post("/logout").status_code == 400
    assert browser.post("/logout", data={"csrf_token": "made up"}).status_code == 400
    assert "keeper1" in browser.get("/").text


@pytest.mark.parametrize(
    "header", ["", "Basic YTpi", "Bearer", "Bearer ", "Bearer rb_none", "Digest x", "bearer\trb"]
)
def test_no_header_but_a_valid_token_spares_the_mark(browser, header):
    """An empty header, a proxy's own login or a made up token is no reason to trust a form."""
    sign_in(browser, "keeper1")
    answer = browser.post("/logout", headers={"Authorization": header})
    assert answer.status_code in (400, 401)
    assert "keeper1" in browser.get("/").text


def test_without_accounts_no_header_spares_the_mark(store):
    """Tokens are of accounts; where there are none, nobody's is valid."""
    client = create_app(store, Settings()).test_client()
    for header in ("", "Basic YTpi", "Bearer rb_none"):
        answer = client.post("/entry/check", json={}, headers={"Authorization": header})
        assert (answer.status_code, "CSRF" in answer.text) == (400, True)


def test_a_login_of_the_proxy_in_front_breaks_nothing(browser):
    """A proxy that asks for its own password passes it on; who asks is told by our cookie."""
    before = {"Authorization": "Basic YTpi", "Accept": "text/html"}
    assert browser.get("/", headers=before).status_code == 200
    sign_in(browser, "keeper1")
    assert "keeper1" in browser.get("/", headers=before).text
    data = {"csrf_token": form_word(browser, "/")}
    assert browser.post("/logout", data=data, headers=before).status_code == 303


def test_nothing_with_exact_places_stays_in_a_browser(people):
    """`no-store` (RFC 9111, 5.2.2.5) for who sees them; a program's feed may ask what changed."""
    client = create_app(people, Settings()).test_client()
    feed = "/feed/collections/placements/items"
    for address in ("/", "/records", "/placements.geojson", "/catchments", feed):
        assert client.get(address).headers["Cache-Control"] != "no-store"
    sign_in(client, "viewer1")
    assert client.get("/records").headers["Cache-Control"] == "private"
    client.post("/logout", data={"csrf_token": form_word(client, "/")})
    sign_in(client, "member1")
    for address in ("/", "/records", "/placements.geojson", "/catchments", "/nowhere", feed):
        assert client.get(address).headers["Cache-Control"] == "no-store"
    style = client.get("/static/layout.css", buffered=True)
    assert style.headers["Cache-Control"] != "no-store"
    _, word = accounts.add_token(people, "member1", "", "read", who="test")
    program = create_app(people, Settings()).test_client()
    headers = {"Authorization": f"Bearer {word}"}
    first = program.get(feed, headers=headers)
    assert {"private", "no-cache"} <= set(re.split(r",\s*", first.headers["Cache-Control"]))
    again = program.get(feed, headers=headers | {"If-None-Match": first.headers["ETag"]})
    assert again.status_code == 304


def test_programs_ask_by_token(people):
    """A token works without form marks; a bad one is 401, never the public view in silence."""
    client = create_app(people, Settings()).test_client()
    _, word = accounts.add_token(people, "member1", "", "read", who="test")
    good = {"Authorization": f"Bearer {word}"}
    assert client.get("/placements.geojson", headers=good).status_code == 200
    bad = client.get("/placements.geojson", headers={"Authorization": "Bearer rb_x"})
    assert bad.status_code == 401
    assert bad.mimetype == "application/problem+json"
    assert client.post("/logout", headers=good).status_code == 303


def test_answers_are_not_shared_by_caches(browser):
    """A cache in between keeps nothing that depends on who asks."""
    for address in ("/", "/placements.geojson", "/login"):
        headers = browser.get(address).headers
        assert "private" in headers["Cache-Control"] or "no-store" in headers["Cache-Control"]
        assert {"Cookie", "Authorization"} <= set(
            re.split(r",\s*", ", ".join(headers.getlist("Vary")))
        )


def test_see_as_public_takes_rights_away_only(browser):
    """A member may look at the public view and come back; the cookie alone gives nobody more."""
    browser.set_cookie("rifflebook_as_public", "1")
    assert "Log in" in " ".join(browser.get("/").text.split())
    sign_in(browser, "member1")
    assert "See as public" in " ".join(browser.get("/").text.split())
    browser.post("/as-public", data={"csrf_token": form_word(browser, "/"), "on": "1", "next": "/"})
    assert "As the public sees it" in " ".join(browser.get("/").text.split())
    assert (
        "Yours has the role member" in browser.get("/import", headers={"Accept": "text/html"}).text
    )
    browser.post("/as-public", data={"csrf_token": form_word(browser, "/"), "next": "/"})
    assert "See as public" in " ".join(browser.get("/").text.split())


def test_local_mode_is_for_names_of_this_machine(store):
    """A page elsewhere that points its own name at this machine gets nothing."""
    client = create_app(store, Settings()).test_client()
    assert client.get("/").status_code == 200
    assert "Log in" not in client.get("/").text
    for host in ("evil.example", "evil.example:8765", "127.0.0.1.evil.example"):
        assert client.get("/", headers={"Host": host}).status_code == 400
    assert client.get("/", headers={"X-Forwarded-For": "192.0.2.9"}).status_code == 403
    assert client.get("/", environ_base={"REMOTE_ADDR": "192.0.2.9"}).status_code == 403


@pytest.mark.parametrize("accept", ["text/html", "application/json"])
@pytest.mark.parametrize("trusted", [["localhost"], None])
@pytest.mark.parametrize("host", ["x" * 9_000, "[::1", "a/b", "\xff", ""])
def test_hosts_that_cannot_be_are_no_fault_of_the_program(store, caplog, host, trusted, accept):
    """Said in words, not by a traceback; RFC 9110, section 7.4."""
    app = create_app(store, Settings())
    app.config["TRUSTED_HOSTS"] = trusted
    headers = {"Accept": accept}
    answer = app.test_client().get("/", headers=headers, environ_overrides={"HTTP_HOST": host})
    assert answer.status_code == 400
    assert not caplog.records
