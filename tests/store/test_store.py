"""What the store promises: nothing lost, nothing half-written, everything in the history."""

import datetime as dt
import sqlite3
from dataclasses import replace

import pandas as pd
import pytest
import sqlalchemy as sa
from pandas.testing import assert_frame_equal

from service.errors import ConflictError, NotFoundError, StoreError
from service.records import Selection
from service.store.guards import register_guard
from tests.store_records import CRS, FRAMES, X0, Y0, add, digests, field_records, whole


def test_records_come_back_as_they_went_in(store):
    """Every column of every frame, missing values and odd text included."""
    records = field_records(store, 12)
    add(store, records)
    back = whole(store)
    for column in records.placements:
        if column not in ("shape", "geometry"):
            want, got = records.placements[column], back.placements[column]
            assert got[want.notna()].tolist() == want[want.notna()].tolist(), column
            assert got.isna().equals(want.isna()), column
    assert back.placements.geometry.geom_equals(records.placements.geometry).all()
    drawn = records.placements["shape"].notna()
    assert (back.placements["shape"].notna() == drawn).all()
    assert all(
        one.equals(other)
        for one, other in zip(
            back.placements["shape"][drawn], records.placements["shape"][drawn], strict=True
        )
    )
    for name in FRAMES:
        want = pd.DataFrame(getattr(records, name)).drop(columns="geometry", errors="ignore")
        if "placement_id" in want:
            want = want.sort_values("placement_id", kind="stable")
        got = getattr(back, name)[list(want.columns)].reset_index(drop=True)
        assert_frame_equal(got, want.reset_index(drop=True).astype(got.dtypes))
    assert store.surveys().loc["Spring", "timezone"] == "Europe/Dublin"
    assert store.sites().loc["Spring ford", "survey"] == "Spring"


def test_frames_have_their_types_also_when_empty(store):
    """An empty store gives frames of the same columns and types as a full one."""
    empty = whole(store)
    add(store, field_records(store, 8))
    full = whole(store)
    for name in ("placements", *FRAMES):
        one, other = getattr(empty, name), getattr(full, name)
        assert one.dtypes.astype("str").to_dict() == other.dtypes.astype("str").to_dict(), name
        assert one.index.name == other.index.name
    assert full.placements["set_at"].dtype == "datetime64[us, UTC]"
    assert full.placements.crs == CRS


def test_selection_by_local_date_takes_both_days(store):
    """The day counts where the gear stood: 23:30 UTC in June is the next day in Dublin."""
    records = field_records(store, 3)
    records.placements["set_at"] = pd.to_datetime(
        ["2024-06-01T22:30Z", "2024-06-01T23:30Z", "2024-06-03T10:00Z"]
    )
    add(store, records)

    def found(since, until):
        asked = Selection(since=dt.date(2024, 6, since), until=dt.date(2024, 6, until))
        return store.records(asked).placements.index.tolist()

    assert found(1, 1) == ["P000000"]
    assert found(2, 2) == ["P000001"]
    assert found(1, 3) == ["P000000", "P000001", "P000002"]


@pytest.mark.parametrize(
    "asked",
    [
        Selection(methods=("seine",)),
        Selection(surveys=("Spring",)),
        Selection(surveys=("none such",)),
        Selection(placements=("P000003", "P000007", "' OR 1=1 --")),
        Selection(species=("Salmo trutta",)),
        Selection(bbox=(X0, Y0, X0 + 600, Y0 + 1500), methods=("electric_fishing",)),
    ],
)
def test_selection_equals_choosing_from_the_whole(store, asked):
    """A selection in SQL equals the same choice made in the frames."""
    add(store, field_records(store, 60))
    full, part = whole(store), store.records(asked)
    keep = pd.Series(True, full.placements.index)
    if asked.methods:
        keep &= full.placements["method"].isin(asked.methods)
    if asked.surveys:
        keep &= full.placements["survey"].isin(asked.surveys)
    if asked.placements:
        keep &= full.placements.index.isin(asked.placements)
    if asked.bbox:
        west, south, east, north = asked.bbox
        x, y = full.placements.geometry.x, full.placements.geometry.y
        keep &= (x >= west) & (x <= east) & (y >= south) & (y <= north)
    ids = keep.index[keep]
    assert part.placements.index.tolist() == ids.tolist()
    for name in FRAMES:
        want = getattr(full, name)
        owner = want.index if name == "snaps" else want["placement_id"]
        want = want[owner.isin(ids)]
        if asked.species and name in ("catches", "lengths"):
            want = want[want["species"].isin(asked.species)]
        got = getattr(part, name)
        if name not in ("catches", "snaps"):
            want = want.reset_index(drop=True)
        assert_frame_equal(got, want)


def test_chunks_together_are_the_whole(store):
    add(store, field_records(store, 53))
    full = whole(store)
    parts = list(store.record_chunks(Selection(), size=10))
    assert [len(part.placements) for part in parts] == [10, 10, 10, 10, 10, 3]
    for name in FRAMES:
        joined = pd.concat([getattr(part, name) for part in parts])
        want = getattr(full, name)
        assert_frame_equal(joined.reset_index(drop=True), want.reset_index(drop=True))


def test_chunks_see_one_state_while_others_write(store):
    """A removal between two pieces does not show in the second."""
    add(store, field_records(store, 20))
    pieces = store.record_chunks(Selection(), size=10)
    first = next(pieces)
    store.remove_placement("P000015", who="tester")
    rest = list(pieces)
    assert sum(len(part.placements) for part in [first, *rest]) == 20
    assert len(whole(store).placements) == 19


def test_known_placements_answers_for_very_many_ids(store):
    records = field_records(store, 4)
    add(store, records)
    asked = [f"P{k:06d}" for k in range(300_000)]
    known = store.known_placements(asked)
    assert known.sort_index().tolist() == digests(records).sort_index().tolist()
    assert store.known_placements([]).empty


def test_version_grows_with_every_write_and_only_then(store):
    seen = [store.version]
    batch = add(store, field_records(store, 3))
    seen.append(store.version)
    whole(store)
    store.put_species(store.species(), who="tester")  # nothing new in it
    assert store.version == seen[-1]
    store.remove_placement("P000001", who="tester")
    seen.append(store.version)
    store.undo_batch(batch.batch_id, who="tester")
    seen.append(store.version)
    assert seen == sorted(set(seen))


# History ------------------------------------------------------------------------------------
def test_every_placement_has_its_entry_with_all_it_held(store):
    batch = add(store, field_records(store, 5))
    for name in whole(store).placements.index:
        (entry,) = store.history("placement", name)
        assert (entry.action, entry.who, entry.batch_id) == ("add", "tester", batch.batch_id)
        assert entry.before is None
        assert entry.after == store.document(name)
        assert [row["species"] for row in entry.after["catches"]] == [
            "Salmo trutta", "Anguilla anguilla",
        ]  # fmt: skip
    assert [entry.key for entry in store.history("survey")] == ["Spring"]


@pytest.mark.parametrize("statement", ["UPDATE history SET who = 'x'", "DELETE FROM history"])
def test_history_cannot_be_rewritten(store, statement):
    connection = sqlite3.connect(store.path)
    register_guard(connection)
    with pytest.raises(sqlite3.IntegrityError, match="only ever added to"):
        connection.execute(statement)
    connection.close()


def test_changes_of_lists_say_before_and_after(store):
    store.put_species(
        pd.DataFrame({"sensitivity": ["10"]}, index=pd.Index(["Salmo trutta"], name="species")),
        who="keeper",
    )
    entry = store.history("species", "Salmo trutta")[0]
    assert entry.before == {
        "species": "Salmo trutta", "vernacular_name": "trout", "habitats": "stream",
    }  # fmt: skip
    assert entry.after == entry.before | {"sensitivity": "10"}
    assert store.species().loc["Salmo trutta", "vernacular_name"] == "trout"


def test_a_network_is_one_entry_with_its_digest(store):
    (entry,) = store.history("reaches")
    assert entry.after["features"] == 3
    assert len(entry.after["sha256"]) == 64


# One placement ------------------------------------------------------------------------------
def _changed(records, minutes):
    placements = records.placements.copy()
    placements["minutes"] = minutes
    catches = records.catches.assign(count=9.0, count_kind="exact")
    return replace(records, placements=placements, catches=catches)


def test_a_placement_is_added_changed_and_removed(store):
    one = field_records(store, 1)
    store.put_placement(one, who="ann", digest="d1")
    store.put_placement(one, who="ann", digest="d1")  # the same again changes nothing
    assert len(store.history("placement")) == 1
    store.put_placement(_changed(one, 7.5), who="ben", digest="d2", replaces="d1")
    assert whole(store).placements["minutes"].tolist() == [7.5]
    assert whole(store).catches["count"].tolist() == [9.0, 9.0]
    change = store.history("placement", "P000000")[0]
    assert (change.action, change.who) == ("change", "ben")
    assert change.before["minutes"] == one.placements["minutes"].iloc[0]
    assert change.after["minutes"] == 7.5
    store.remove_placement("P000000", who="cat")
    left = whole(store)
    assert all(getattr(left, name).empty for name in ("placements", *FRAMES))
    assert [entry.action for entry in store.history("placement")] == ["remove", "change", "add"]
    assert store.faults() == []
    with pytest.raises(NotFoundError):
        store.remove_placement("P000000", who="cat")


def test_a_change_of_what_another_changed_is_refused(store):
    one = field_records(store, 1)
    store.put_placement(one, who="ann", digest="d1")
    store.put_placement(_changed(one, 2.0), who="ben", digest="d2", replaces="d1")
    with pytest.raises(ConflictError, match="changed by somebody else"):
        store.put_placement(_changed(one, 3.0), who="ann", digest="d3", replaces="d1")
    with pytest.raises(ConflictError, match="other content"):
        store.put_placement(_changed(one, 3.0), who="ann", digest="d3")
    assert whole(store).placements["minutes"].tolist() == [2.0]
    store.remove_placement("P000000", who="ben")
    with pytest.raises(ConflictError, match="removed by somebody else"):
        store.put_placement(_changed(one, 3.0), who="ann", digest="d3", replaces="d2")


# Batches ------------------------------------------------------------------------------------
def test_an_import_is_taken_back_whole(store):
    """Placements, and the survey and site that came with them, go; the history keeps all."""
    batch = add(store, field_records(store, 6))
    assert store.find_batch("files") == batch
    undone = store.undo_batch(batch.batch_id, who="keeper")
    assert undone.undone_by == "keeper"
    assert store.find_batch("files") is None
    assert whole(store).placements.empty
    assert store.surveys().empty
    assert store.sites().empty
    assert len(store.history("placement")) == 12
    assert store.faults() == []
    with pytest.raises(ConflictError, match="undone already"):
        store.undo_batch(batch.batch_id, who="keeper")
    with pytest.raises(NotFoundError):
        store.undo_batch(99, who="keeper")
    assert add(store, field_records(store, 6)).batch_id == 2


def test_undo_keeps_a_survey_that_others_use(store):
    first = add(store, field_records(store, 4), digest="one")
    add(store, field_records(store, 4, start=10), digest="two")
    store.undo_batch(first.batch_id, who="keeper")
    assert whole(store).placements.index.tolist() == [f"P{k:06d}" for k in range(10, 14)]
    assert store.surveys().index.tolist() == ["Spring"]


def _with_unused(records, name):
    """The records with a site that no placement is of, its survey, and a survey without sites."""
    names = pd.Index([name, f"{name} plan"], name="survey")
    survey = pd.DataFrame({"name": names}, index=names)
    site = pd.DataFrame(
        {"name": ["Pool"], "survey": [name]}, index=pd.Index([f"{name} pool"], name="site")
    )
    return replace(
        records,
        surveys=pd.concat([records.surveys, survey]),
        sites=pd.concat([records.sites, site]),
    )


def test_undo_takes_unused_sites_and_surveys_of_its_own_import_alone(store):
    """What other imports brought, or nobody imported, stays though no placement is of it."""
    add(store, _with_unused(field_records(store, 2), "Summer"), digest="one")
    second = _with_unused(field_records(store, 2, start=10, survey="Autumn"), "Winter")
    batch = add(store, second, digest="two")
    by_hand = _with_unused(second, "Next")
    store.put_surveys(by_hand.surveys.loc[["Next", "Next plan"]], who="keeper")
    store.put_sites(by_hand.sites.loc[["Next pool"]], who="keeper")
    store.undo_batch(batch.batch_id, who="keeper")
    stay = ["Next", "Next plan", "Spring", "Summer", "Summer plan"]
    assert store.surveys().index.tolist() == stay
    assert store.sites().index.tolist() == ["Next pool", "Spring ford", "Summer pool"]
    assert store.faults() == []


def test_undo_names_what_was_changed_since(store):
    records = field_records(store, 3)
    batch = add(store, records)
    one = field_records(store, 1)
    stored = digests(records)["P000000"]
    store.put_placement(_changed(one, 1.0), who="ann", digest="d2", replaces=stored)
    with pytest.raises(ConflictError, match="P000000"):
        store.undo_batch(batch.batch_id, who="keeper")
    assert len(whole(store).placements) == 3


def test_an_import_with_a_stored_id_is_refused_whole(store):
    add(store, field_records(store, 3), digest="one")
    before = store.version
    with pytest.raises(ConflictError, match="P000002"):
        add(store, field_records(store, 3, start=2, survey="Autumn"), digest="two")
    assert store.version == before
    assert store.surveys().index.tolist() == ["Spring"]


def test_a_fault_in_the_middle_leaves_the_store_as_before(store):
    """A catch of an unlisted species stops the import after placements were written."""
    records = field_records(store, 3)
    bad = replace(records, catches=records.catches.assign(species="Nessiteras rhombopteryx"))
    before = store.version
    with pytest.raises(StoreError):
        add(store, bad)
    assert store.version == before
    assert whole(store).placements.empty
    assert store.surveys().empty
    assert store.faults() == []


def test_fractions_are_not_cut_to_whole_numbers(store):
    records = field_records(store, 2)
    with pytest.raises(StoreError, match="gear_count"):
        add(store, replace(records, placements=records.placements.assign(gear_count=1.5)))


def test_what_crews_set_last_is_found_in_one_index(store):
    """Each form asks for it: of 50,000 placements of a survey no other row may be read.

    Outside reference: SQLite's own account of how it answers.
    """
    add(store, field_records(store, 8))
    said, gear = [], ("electric_fishing",)

    def noting(connection, cursor, statement, given, *_):
        plan = cursor.execute(f"EXPLAIN QUERY PLAN {statement}", given).fetchall()
        said.extend(row[3] for row in plan if "SEARCH placements" in row[3])

    sa.event.listen(sa.Engine, "before_cursor_execute", noting)
    try:
        last = store.last_set((("Spring",), ("",), gear), dt.date(2030, 1, 1))
        store.records(Selection(surveys=("Spring",), methods=gear, since=last, until=last))
    finally:
        sa.event.remove(sa.Engine, "before_cursor_execute", noting)
    assert isinstance(last, dt.date)
    own = "INDEX ix_placements_crews (survey=? AND method=? AND set_on"
    assert [own in row for row in said] == [True, True]
    assert f"COVERING {own}" in said[0]
