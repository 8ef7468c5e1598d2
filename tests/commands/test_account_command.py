"""`rifflebook account …`: every command, its words, and that no password is on a command line."""

import re
from pathlib import Path

import pytest
from click.testing import CliRunner

from service.access import accounts
from service.program import main
from service.store import open_store

PASSWORD = "three wet boots"


pytestmark = pytest.mark.usefixtures("quick_hashes")


@pytest.fixture
def store(tmp_path):
    path = str(tmp_path / "a.gpkg")
    made = CliRunner().invoke(
        main, ["init", path, "--crs", "EPSG:32629", "--timezone", "Europe/Dublin"]
    )
    assert made.exit_code == 0, made.output
    return path


def run(*words, told=None):
    return CliRunner().invoke(main, ["account", *words], input=told)


def added(store, name="anna", role="keeper"):
    result = run("add", store, name, "--role", role, "--password-stdin", told=f"{PASSWORD}\n")
    assert result.exit_code == 0, result.output
    return result


def test_add_list_and_log_in(store):
    """What was added is listed, and its password opens a session."""
    assert "no accounts" in run("list", store).output
    assert added(store).output == "Added anna as keeper.\n"
    listed = run("list", store).output
    assert re.fullmatch(r"anna  keeper  since \d{4}-\d\d-\d\d\n", listed)
    held = open_store(Path(store))
    limiter = accounts.LoginLimiter()
    assert accounts.log_in(held, "anna", PASSWORD, address="", limiter=limiter)[0]
    held.close()


def test_password_by_prompt_is_asked_twice(store):
    """Typed passwords are not shown and must agree."""
    typed = run(
        "add", store, "ben", "--role", "viewer", told=f"{PASSWORD}\nother\n{PASSWORD}\n" * 2
    )
    assert PASSWORD not in typed.output
    assert typed.exit_code in (0, 1)
    good = run("add", store, "carl", "--role", "viewer", told=f"{PASSWORD}\n{PASSWORD}\n")
    assert good.exit_code == 0
    assert PASSWORD not in good.output


def test_there_is_no_way_to_give_a_password_as_an_argument():
    """Others see what stands on a command line."""
    for command in ("add", "password"):
        assert "--password " not in run(command, "--help").output


@pytest.mark.parametrize(
    ("told", "said"),
    [("short\n", "at least 12"), ("", "standard input"), ("\n", "standard input")],
)
def test_unusable_passwords_end_in_one_line(store, told, said):
    """A refusal is one readable line and exit code 1."""
    result = run("add", store, "anna", "--role", "viewer", "--password-stdin", told=told)
    assert result.exit_code == 1
    assert said in result.output
    assert len(result.output.strip().splitlines()) == 1


def test_change_role_password_and_disable(store):
    """Each change is told, and the last keeper is kept."""
    added(store)
    added(store, "ben", "editor")
    assert run("role", store, "ben", "--role", "member").output == "ben is member now.\n"
    assert run("role", store, "anna", "--role", "member").exit_code == 1
    changed = run("password", store, "ben", "--password-stdin", told="another long word\n")
    assert changed.output == "ben has a new password.\n"
    assert run("disable", store, "ben").output == "ben is shut out.\n"
    assert "disabled" in run("list", store).output
    assert run("disable", store, "ben", "--enable").output == "ben is let in again.\n"
    for words in (("role", store, "nobody", "--role", "member"), ("disable", store, "nobody"),
                  ("password", store, "nobody", "--password-stdin")):  # fmt: skip
        result = run(*words, told="another long word\n")
        assert result.exit_code == 1
        assert "no account 'nobody'" in result.output


def test_tokens_are_shown_once_listed_and_revoked(store):
    """The word goes to standard output alone, so that it can be piped; lists never show it."""
    added(store)
    result = run("token", "add", store, "anna", "--scope", "write", "--label", "logger")
    word = result.stdout.strip()
    assert word.startswith("rb_")
    assert "not shown again" in result.stderr
    listed = run("token", "list", store, "ANNA").output
    assert "logger" in listed
    assert word not in listed
    assert "never used" in listed
    assert run("token", "revoke", store, "1").output == "Token 1 of anna is revoked.\n"
    assert "revoked" in run("token", "list", store).output
    assert run("token", "revoke", store, "1").exit_code == 1


def test_commands_write_the_user_into_the_history(store, monkeypatch):
    """The name of whoever ran the command stands beside the change."""
    monkeypatch.setenv("RIFFLEBOOK_USER", "field laptop")
    added(store)
    held = open_store(Path(store))
    assert held.history("account")[0].who == "field laptop"
    held.close()


@pytest.mark.parametrize(
    "words",
    [(), ("add",), ("list",), ("role",), ("password",), ("disable",), ("token",), ("token", "add"),
     ("token", "list"), ("token", "revoke")],
)  # fmt: skip
def test_everything_offers_help(words):
    """Every command explains itself."""
    result = run(*words, "--help")
    assert result.exit_code == 0
    assert "Usage:" in result.output
