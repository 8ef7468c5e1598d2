"""An older store moves forward, step by step, and its copy stays."""

import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import pandas as pd
import pytest
import sqlalchemy as sa
from click.testing import CliRunner

from service.errors import StoreError
from service.intake.importing import take
from service.program import main
from service.records import Selection
from service.store import open_store
from service.store.geometry_blobs import register_functions
from service.store.guards import register_guard
from service.store.migrations import MIGRATIONS, Migration, migrate
from service.store.session import Session
from tests.intake_sheets import CATCHES, cells, checked, placements
from tests.intake_sheets import make_store as make_intake_store
from tests.sensitive_store import make_store, random_plan
from tests.store_records import add, field_records, small_store, whole

STORES = Path(__file__).parents[1] / "references" / "stores"
OLD = sorted(STORES.glob("*.gpkg"), key=lambda path: int(path.stem[1:]))


@pytest.fixture
def path(tmp_path):
    store = small_store(tmp_path / "fork.gpkg")
    add(store, field_records(store, 6))
    store.close()
    return store.path


def _add_column(connection: sa.Connection) -> None:
    connection.exec_driver_sql("ALTER TABLE sites ADD COLUMN altitude_m DOUBLE")


def _fail(connection: sa.Connection) -> None:
    connection.exec_driver_sql("ALTER TABLE sites ADD COLUMN half TEXT")
    raise RuntimeError("stopped in the middle")


NEWEST = MIGRATIONS[-1].number


def _columns(path):
    connection = sqlite3.connect(path)
    names = [row[1] for row in connection.execute("PRAGMA table_info(sites)")]
    ran = [row[0] for row in connection.execute("SELECT name FROM schema_migrations")]
    connection.close()
    return names, ran


def drop_minutes_of_passes(file):
    """Take out what schema 10 added."""
    for number in range(1, 7):
        file.execute(f"ALTER TABLE placements DROP COLUMN minutes_pass_{number}")
    file.execute("ALTER TABLE lengths DROP COLUMN length_type")


def drop_names_and_mappings(file):
    """Take out what schema 11 added."""
    for column in ("vernacular_names", "group"):
        file.execute(f'ALTER TABLE species DROP COLUMN "{column}"')
    file.execute("DROP TABLE mappings")


def drop_password_links(file):
    """Take out what schema 12 added."""
    file.execute("ALTER TABLE accounts DROP COLUMN last_login")
    file.execute("DROP TABLE password_links")


def drop_backgrounds(file):
    """Take out what schema 13 added."""
    for table in ("gpkg_tile_matrix_set", "gpkg_tile_matrix", "backgrounds"):
        file.execute(f"DROP TABLE {table}")


def put_index_of_surveys(file):
    """Put back what schema 14 replaced."""
    file.execute("DROP INDEX ix_placements_crews")
    file.execute("CREATE INDEX ix_placements_survey ON placements (survey)")


def test_an_older_store_moves_forward_and_a_copy_stays(path):
    steps = (*MIGRATIONS, Migration(NEWEST + 1, "altitude of sites", _add_column))
    session = Session(path)
    copy = migrate(session, steps)
    assert migrate(session, steps) is None  # once is enough
    session.close()
    assert copy == path.with_name(f"fork.before-v{NEWEST + 1}.gpkg")
    names, ran = _columns(path)
    assert "altitude_m" in names
    assert ran[-1] == "altitude of sites"
    assert "altitude_m" not in _columns(copy)[0]
    old = open_store(copy)
    assert len(whole(old).placements) == 6
    assert old.faults() == []
    old.close()


def test_a_step_that_fails_leaves_nothing(path):
    steps = (*MIGRATIONS, Migration(NEWEST + 1, "fails", _fail))
    session = Session(path)
    with pytest.raises(RuntimeError):
        migrate(session, steps)
    session.close()
    names, ran = _columns(path)
    assert "half" not in names
    assert "fails" not in ran


def test_a_newer_store_is_refused(path):
    connection = sqlite3.connect(path)
    register_guard(connection)
    connection.execute("INSERT INTO schema_migrations VALUES (99, 'of the future', '')")
    connection.commit()
    connection.close()
    with pytest.raises(StoreError, match="schema 99"):
        open_store(path)


def test_an_older_store_open_for_reading_is_refused(path):
    steps = (*MIGRATIONS, Migration(NEWEST + 1, "altitude of sites", _add_column))
    session = Session(path, read_only=True)
    with pytest.raises(StoreError, match="once for writing"):
        migrate(session, steps)
    session.close()


@pytest.mark.parametrize("old", OLD, ids=lambda path: path.stem)
def test_stores_of_every_version_still_open(old, tmp_path):
    """Files written by `python -m tests.references.stores` when that schema was new."""
    store = open_store(Path(shutil.copy(old, tmp_path / old.name)))
    records = whole(store)
    assert len(records.placements) == 6
    assert len(records.catches) == 12
    assert records.lengths["length_mm"].tolist() == [101.5] * 3
    assert store.reaches().index.tolist() == ["A", "B", "C"]
    assert store.faults() == []
    add(store, field_records(store, 3, start=50), digest="new")
    assert store.faults() == []
    store.close()


@pytest.mark.parametrize("old", OLD, ids=lambda path: path.stem)
def test_a_store_moved_forward_has_the_tables_of_a_new_one(old, path, tmp_path):
    """Same tables, columns, indexes and triggers, whichever way a store came to its schema."""
    moved = Path(shutil.copy(old, tmp_path / old.name))
    open_store(moved).close()

    def shape(file):
        connection = sqlite3.connect(file)
        things = "SELECT type, name FROM sqlite_master WHERE name NOT LIKE 'sqlite_%'"
        found = set(connection.execute(things))
        for kind, name in list(found):
            if kind == "table":
                columns = connection.execute(f"PRAGMA table_info('{name}')")
                found |= {(name, row[1], row[2], row[3]) for row in columns}
        connection.close()
        return found

    assert shape(moved) == shape(path)


def test_extents_that_edits_left_too_small_are_noted_anew(tmp_path):
    """Up to schema 2 an edit did not widen the extent of its layer."""
    path = Path(shutil.copy(OLD[1], tmp_path / "old.gpkg"))
    connection = sqlite3.connect(path)
    noted = "SELECT * FROM gpkg_contents WHERE data_type = 'features' ORDER BY table_name"
    without_time = [row[:4] + row[5:] for row in connection.execute(noted)]
    connection.execute("UPDATE gpkg_contents SET max_x = max_x - 500, min_y = NULL")
    connection.commit()
    connection.close()
    store = open_store(path)
    assert store.faults() == []
    store.close()
    connection = sqlite3.connect(path)
    assert [row[:4] + row[5:] for row in connection.execute(noted)] == without_time
    connection.close()


def test_a_store_that_showed_neighbours_exactly_closes_their_cells(tmp_path):
    """Before schema 4 what lay beside a sensitive placement could be shown as recorded."""
    store = make_store(tmp_path / "old.gpkg", random_plan(5, 40))
    version, right = store.version, store.public_records(Selection())[1]
    store.close()
    with closing(sqlite3.connect(store.path)) as file, file:
        register_guard(file)
        file.execute("DELETE FROM schema_migrations WHERE number > 3")
        file.execute("DROP TABLE transformations")  # of schema 5
        file.execute("ALTER TABLE batches DROP COLUMN readings")  # of schema 7
        file.execute("ALTER TABLE methods DROP COLUMN represents_m")  # of schema 8
        file.execute("DROP TABLE in_the_water")  # of schema 9
        drop_minutes_of_passes(file)
        drop_names_and_mappings(file)
        drop_password_links(file)
        drop_backgrounds(file)
        put_index_of_surveys(file)
        file.execute("UPDATE covers SET step_km = 0, cell_x = NULL, cell_y = NULL")
    moved = open_store(store.path)
    pd.testing.assert_frame_equal(moved.public_records(Selection())[1], right)
    assert (right["step_km"] > 0).sum() > 5
    assert moved.faults() == []
    assert moved.version > version
    moved.close()


def test_a_sheet_taken_before_the_digests_changed_is_known_again(tmp_path):
    """Before schema 6 the digest was another; the same sheet must not count as other content."""
    store = make_intake_store(tmp_path / "old.gpkg")
    track = placements(
        placement_id=["P1", "P2"], outcome=["caught", "nil"],
        end_longitude="-11.2120", end_latitude="52.6040",
    )  # fmt: skip
    again = checked(store, track, cells(CATCHES))
    take(again, store, "tester")
    store.close()
    with closing(sqlite3.connect(store.path)) as file, file:
        register_guard(file)
        register_functions(file)
        file.execute("DELETE FROM schema_migrations WHERE number > 5")
        file.execute("ALTER TABLE batches DROP COLUMN readings")  # of schema 7
        file.execute("ALTER TABLE methods DROP COLUMN represents_m")  # of schema 8
        file.execute("DROP TABLE in_the_water")  # of schema 9
        drop_minutes_of_passes(file)
        drop_names_and_mappings(file)
        drop_password_links(file)
        drop_backgrounds(file)
        put_index_of_surveys(file)
        file.execute("UPDATE placements SET content_digest = 'as it was'")
    moved = open_store(store.path)
    assert checked(moved, track, cells(CATCHES)).unchanged == ("P1", "P2")
    other = track.assign(end_latitude="52.6041")
    assert checked(moved, other, cells(CATCHES)).unchanged == ()
    assert moved.faults() == []
    moved.close()


def test_there_is_a_store_of_the_first_version():
    assert "v1" in [path.stem for path in OLD]


def test_a_reading_command_brings_an_older_store_up_to_date(tmp_path):
    """`summary` on a store of the first schema works, and a copy of the old file is kept."""
    path = Path(shutil.copy(OLD[0], tmp_path / "old.gpkg"))
    answer = CliRunner().invoke(main, ["summary", str(path), "effort"])
    assert answer.exit_code == 0, answer.output
    assert "newest schema" in answer.stderr
    assert list(tmp_path.glob("old.before-v*.gpkg"))
