"""`rifflebook init` and `undo`."""

import re

import pytest
from click.testing import CliRunner

from service.program import COMMANDS, main
from service.store import open_store
from tests.store_records import add, field_records, small_store


def run(*arguments):
    return CliRunner().invoke(main, [str(one) for one in arguments])


def test_init_makes_a_store_with_the_methods(tmp_path):
    path = tmp_path / "s.gpkg"
    done = run("init", path, "--crs", "EPSG:32629", "--timezone", "Europe/Dublin", "--title",
               "Öland", "--tolerance", "50")  # fmt: skip
    assert done.exit_code == 0, done.output
    store = open_store(path)
    assert (store.settings.crs, store.settings.title) == ("EPSG:32629", "Öland")
    assert store.settings.snap_tolerance_m == 50
    assert len(store.methods()) == 8
    assert store.faults() == []
    store.close()


@pytest.mark.parametrize(
    ("crs", "zone", "said"),
    [
        ("EPSG:4326", "Europe/Dublin", "in degrees"),
        ("EPSG:3857", "Europe/Dublin", "stretches lengths"),
        ("EPSG:2225", "Europe/Dublin", "not metres"),  # California zone 1, US survey feet
        ("EPSG:99999999", "Europe/Dublin", "unknown"),
        ("EPSG:32629", "Europe/Atlantis", "no time zone"),
        ("EPSG:32629", "../../etc/passwd", "no time zone"),
    ],
)
def test_init_refuses_in_one_line(tmp_path, crs, zone, said):
    path = tmp_path / "s.gpkg"
    done = run("init", path, "--crs", crs, "--timezone", zone)
    assert done.exit_code == 1
    assert said in done.stderr
    assert done.stderr.count("\n") == 1
    assert list(tmp_path.iterdir()) == []


def test_init_does_not_overwrite(tmp_path):
    path = tmp_path / "s.gpkg"
    path.write_text("precious")
    done = run("init", path, "--crs", "EPSG:32629", "--timezone", "Europe/Dublin")
    assert done.exit_code == 1
    assert "never overwritten" in done.stderr
    assert path.read_text() == "precious"


def test_undo_lists_and_takes_back(tmp_path):
    store = small_store(tmp_path / "s.gpkg")
    add(store, field_records(store, 4))
    store.close()
    listed = run("undo", store.path)
    assert "sheet.csv  4 placements, 8 catches" in listed.output
    assert run("undo", store.path, "1").exit_code == 0
    assert "taken back by" in run("undo", store.path).output
    again = run("undo", store.path, "1")
    assert again.exit_code == 1
    assert re.search(r"undone already, on \d{4}-\d\d-\d\d \d\d:\d\d UTC by ", again.stderr)


def test_help_names_every_command_without_loading_them():
    done = run("--help")
    assert done.exit_code == 0
    assert all(f"\n  {name} " in done.output for name in COMMANDS)
    assert run("no-such").exit_code == 2
