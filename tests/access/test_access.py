"""The one gate: who sees what, however it is asked for."""

import datetime as dt
from contextlib import closing
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import shapely

from layers.fieldwork.generalising import own_steps, positions, public_views
from layers.network.graph import build_network
from service import access, reference
from service.access import gate
from service.errors import AccessError, RequestError
from service.records import LOCAL_KEEPER, PUBLIC, Selection, Viewer
from service.store import open_store
from tests.sensitive_store import (
    EAST,
    NORTH,
    PUBLIC_KEY,
    SPECIES,
    add_plan,
    drawn_reaches,
    field_records,
    make_store,
    random_plan,
    twin,
)

MEMBER = Viewer("m", "member")


@pytest.fixture(scope="module")
def plan():
    return random_plan(5, 160)


@pytest.fixture(scope="module")
def store(plan, tmp_path_factory):
    store = make_store(tmp_path_factory.mktemp("access") / "s.gpkg", plan)
    yield store
    store.close()


def covers_in_memory(store):
    """Decide from frames alone, as the twin of what the store keeps."""
    stored = store.records(Selection())
    own = own_steps(stored.placements, stored.catches, stored.lengths, store.species())
    xy = positions(stored.placements.geometry)
    covers = public_views(stored.placements, xy, own, bytes.fromhex(PUBLIC_KEY))
    return covers.sort_values("public_id")


def kept(store):
    return store.public_records(Selection())[1]


def assert_kept_is_decided(store):
    pd.testing.assert_frame_equal(kept(store), covers_in_memory(store), check_dtype=False)


def assert_kept_is_right(store):
    assert_kept_is_decided(store)
    assert [fault for fault in store.faults() if fault.startswith("sensitive")] == []


def test_plan_holds_every_case(store):
    """The store under test has exact, covered and withheld placements of every step."""
    steps = kept(store)["step_km"].value_counts()
    assert set(steps.index) >= {0, 1, 10}
    assert len(kept(store)) < len(store.records(Selection()).placements)


def test_kept_covers_equal_those_decided_from_frames(store):
    """What the store keeps in step with writes is what the rule says of all records."""
    assert_kept_is_right(store)


def test_covers_follow_every_kind_of_write(tmp_path):
    """Import, one entry, change, removal, undo and a change of the list keep the covers right."""
    plan = random_plan(9, 40)
    store = make_store(tmp_path / "w.gpkg", plan.take(np.arange(40) < 25))
    assert_kept_is_right(store)
    batch = add_plan(store, plan.take(np.arange(40) >= 25), "b.csv")
    assert_kept_is_right(store)
    name = kept(store).query("step_km == 1").index[0]
    store.remove_placement(name, who="t")
    assert_kept_is_right(store)
    assert name not in kept(store).index
    changed = SPECIES.copy()
    changed.loc["Cottus gobio", "sensitivity"] = "10"
    changed.loc["Anguilla anguilla", "sensitivity"] = "none"
    store.put_species(changed, who="t")
    assert_kept_is_right(store)
    assert (kept(store)["step_km"] > 0).all()
    store.put_species(SPECIES, who="t")
    store.undo_batch(batch.batch_id, who="t")
    assert_kept_is_right(store)
    store.close()


@pytest.mark.parametrize("column", ["sensitive_from", "sensitive_until"])
def test_a_change_of_season_alone_moves_covers(tmp_path, column):
    """A list that differs from the stored one in one end of a season decides anew."""
    listed = SPECIES.copy()
    listed.loc["Anguilla anguilla", ["sensitive_from", "sensitive_until"]] = ["03-01", "03-02"]
    store = make_store(tmp_path / "w.gpkg", random_plan(9, 40))
    store.put_species(listed, who="t")
    before = kept(store)
    listed.loc["Anguilla anguilla", column] = {"from": "03-03", "until": "02-28"}[column[10:]]
    store.put_species(listed, who="t")  # the season is now all the year but a day
    assert_kept_is_right(store)
    assert (kept(store)["step_km"] > 0).sum() > (before["step_km"] > 0).sum()
    store.close()


def test_one_entry_moves_covers_of_its_neighbours(tmp_path):
    """A sensitive catch entered by form closes its square; taken away, it opens again."""
    plan = random_plan(2, 30, shares=[1, 0, 0, 0, 0])
    store = make_store(tmp_path / "e.gpkg", plan)
    assert (kept(store)["step_km"] == 0).all()
    one = plan.take(np.arange(30) == 3)
    network = build_network(drawn_reaches())
    records = field_records(one, network)
    records.catches.loc[:, "species"] = "Anguilla anguilla"
    store.put_placement(records, who="t", digest="new", replaces="d3")
    assert_kept_is_right(store)
    assert kept(store).loc["TRAP-0003", "step_km"] == 1
    away = field_records(one, network)
    moved = away.placements.set_geometry(away.placements.translate(60_000, 0))
    store.put_placement(
        type(records)(**{**vars(records), "placements": moved}), who="t", digest="x", replaces="new"
    )
    assert_kept_is_right(store)
    assert (kept(store)["step_km"] == 1).sum() == 1
    store.put_placement(away, who="t", digest="old", replaces="x")
    assert (kept(store)["step_km"] == 0).all()
    store.close()


@pytest.mark.parametrize("seed", range(2))
def test_covers_stay_right_through_any_series_of_writes(tmp_path, seed):
    """Entries, moves within and between cells, other catches, removals and undone imports.

    Species that close cells of every step, one of them in its season alone, come and go in cells
    that others close as well, or do not.
    """
    rng = np.random.default_rng(seed)
    plan = random_plan(seed + 40, 60, shares=[0.8, 0.08, 0.05, 0.04, 0.03])
    network = build_network(drawn_reaches())
    first = np.arange(60) < 40
    store = make_store(tmp_path / "w.gpkg", plan.take(first))
    batch = add_plan(store, plan.take(~first), "b.csv")
    digests = dict(store.known_placements(plan.placements.index[first].tolist()))
    changed = 0
    for turn in range(25):
        before = kept(store)["step_km"]
        name = rng.choice(list(digests))
        one = plan.take(plan.placements.index == name)
        if rng.random() < 0.2:
            store.remove_placement(name, who="t")
            del digests[name]
        else:
            records = field_records(one, network)
            records.catches.loc[:, "species"] = rng.choice(SPECIES.index)
            away = rng.choice([0, 0, 300, 9_000, 60_000])
            moved = records.placements.set_geometry(records.placements.translate(away, 0))
            records = replace(records, placements=moved, catches=records.catches.iloc[:1])
            store.put_placement(records, who="t", digest=f"n{turn}", replaces=digests[name])
            digests[name] = f"n{turn}"
        assert_kept_is_decided(store)
        after = kept(store)["step_km"].reindex(before.index)
        changed += int((after != before).drop(name, errors="ignore").sum())
    store.undo_batch(batch.batch_id, who="t")
    assert_kept_is_right(store)
    assert changed > 0  # one entry changed how others are shown
    store.close()


def test_a_cell_is_closed_by_one_of_many_that_are_out_of_season(tmp_path, monkeypatch):
    """Of three smelt in a 50 km cell only the last was caught in its season; it closes the cell."""
    monkeypatch.setattr("service.store.public_views._FEW", 2)
    plan = random_plan(2, 30, shares=[1, 0, 0, 0, 0])
    smelt = plan.placements.index[[3, 4, 5]]
    plan.catches.loc[plan.catches["placement_id"].isin(smelt), "species"] = "Osmerus eperlanus"
    plan.placements["x"] = EAST + 4_000 + np.arange(30) * 300  # one 50 km cell, 1 km cells apart
    for name, day in zip(smelt, ["2024-08-01", "2024-09-01", "2024-03-01"], strict=True):
        plan.placements.loc[name, ["set_at", "lifted_at"]] = pd.Timestamp(f"{day}T10:00Z")
    store = make_store(tmp_path / "s.gpkg", plan)
    one = plan.take(np.arange(30) == 20)
    records = field_records(one, build_network(drawn_reaches()))
    store.put_placement(records, who="t", digest="new", replaces="d20")
    assert_kept_is_right(store)
    assert kept(store).loc[one.placements.index[0], "step_km"] == 50
    store.close()


def test_members_see_records_as_stored(store):
    """For those who see exact places nothing is renamed or left out."""
    seen = access.open_records(store, Selection(), MEMBER)
    pd.testing.assert_frame_equal(
        pd.DataFrame(seen.placements), pd.DataFrame(store.records(Selection()).placements)
    )


@pytest.mark.parametrize("viewer", [PUBLIC, Viewer("v", "viewer")])
def test_others_see_cells(store, viewer):
    """Covered placements show as cell centres; no stored id, site, crew or note comes through."""
    stored = store.records(Selection())
    seen = access.open_records(store, Selection(), viewer)
    covered = seen.placements["generalised_km"] > 0
    assert covered.any()
    side = seen.placements.loc[covered, "generalised_km"].to_numpy() * 1000
    xy = seen.placements[covered].get_coordinates().to_numpy()
    assert np.allclose(np.mod(xy, side[:, None]), side[:, None] / 2)
    assert not set(seen.placements.index) & set(stored.placements.index)
    assert seen.placements[["crew", "notes", "permit", "batch_id"]].isna().all(axis=None)
    assert not set(seen.placements["site"].dropna()) & set(stored.placements["site"])
    for frame in (seen.lengths, seen.stretches, seen.snaps.reset_index()):
        assert not set(frame["placement_id"]) & set(seen.placements.index[covered])
        assert len(frame)
    assert seen.flags.empty
    fish = set(seen.catches["species"])
    assert "Misgurnus fossilis" not in fish
    exact = seen.placements.index[~covered]
    assert set(seen.catches.loc[seen.catches["placement_id"].isin(exact), "species"]) <= {
        "Cottus gobio", "Salmo", "Osmerus eperlanus",  # smelt out of season
    }  # fmt: skip


def plainly_asked(seen, selection):
    """Which of all public placements a selection means, worked out on the public frame."""
    frame = seen.placements
    keep = np.ones(len(frame), bool)
    exact = ~(frame["generalised_km"] > 0)
    local = frame["set_at"].dt.tz_convert("Europe/Dublin").dt.date
    if selection.surveys:
        keep &= frame["survey"].isin(selection.surveys)
    if selection.methods:
        keep &= frame["method"].isin(selection.methods)
    if selection.placements:
        keep &= frame.index.isin(selection.placements)
    if selection.since:
        keep &= np.where(exact, local >= selection.since, frame["year"] >= selection.since.year)
    if selection.until:
        keep &= np.where(exact, local <= selection.until, frame["year"] <= selection.until.year)
    if selection.bbox:
        low_x, low_y, high_x, high_y = selection.bbox
        x, y = frame.geometry.x, frame.geometry.y
        keep &= (x >= low_x) & (x <= high_x) & (y >= low_y) & (y <= high_y)
    return frame.index[keep]


def selections():
    rng = np.random.default_rng(4)
    x, y = int(EAST), int(NORTH)
    for _ in range(25):
        w, s = x + rng.uniform(-500, 20_000), y + rng.uniform(-500, 8_000)
        yield Selection(bbox=(w, s, w + rng.uniform(10, 6_000), s + rng.uniform(10, 6_000)))
    for month in range(1, 13):
        yield Selection(since=dt.date(2023, month, 2), until=dt.date(2023, month, 25))
    yield Selection(since=dt.date(2024, 2, 3))
    yield Selection(until=dt.date(2023, 12, 31), surveys=("RIVERA",))
    yield Selection(methods=("kick_net",), species=("Cottus gobio",))
    yield Selection(species=("Anguilla anguilla",), bbox=(x, y, x + 9_000, y + 5_000))


@pytest.mark.parametrize("selection", list(selections()))
def test_questions_are_asked_of_what_is_shown(store, selection):
    """Boxes, dates, surveys and species give what the public frame itself would give."""
    everything = access.open_records(store, Selection(), PUBLIC)
    seen = access.open_records(store, selection, PUBLIC)
    assert seen.placements.index.tolist() == plainly_asked(everything, selection).tolist()
    fish = everything.catches[everything.catches["placement_id"].isin(seen.placements.index)]
    if selection.species:
        fish = fish[fish["species"].isin(selection.species)]
    pd.testing.assert_frame_equal(
        seen.catches.reset_index(drop=True), fish.reset_index(drop=True), check_dtype=False
    )


def test_public_ids_open_public_records_and_stored_ids_nothing(store):
    """A stored id is as unknown to the public as one that never was."""
    name = kept(store).index[0]
    shown = kept(store)["public_id"].iloc[0]
    assert len(access.open_records(store, Selection(placements=(shown,)), PUBLIC).placements) == 1
    for other in (name, "never was"):
        asked = Selection(placements=(other,))
        assert access.open_records(store, asked, PUBLIC).placements.empty


@pytest.mark.parametrize("size", [13, 1000])
def test_chunks_hold_the_same_as_one_answer(store, size):
    """Chunks follow each other by public id and hold each placement once."""
    whole = access.open_records(store, Selection(), PUBLIC)
    pieces = list(access.open_record_chunks(store, Selection(), PUBLIC, size=size))
    assert all(len(piece.placements) <= size for piece in pieces)
    for name in ("placements", "catches", "lengths", "snaps", "stretches"):
        joined = pd.concat([pd.DataFrame(getattr(piece, name)) for piece in pieces])
        if name in ("lengths", "stretches"):
            joined = joined.reset_index(drop=True)
        pd.testing.assert_frame_equal(joined, pd.DataFrame(getattr(whole, name)), check_dtype=False)


def test_covered_placements_belong_to_what_holds_the_whole_cell(store):
    """A 10 km cell lies in the basin alone, a 1 km cell in the catchment around it."""
    seen = access.open_records(store, Selection(), PUBLIC)
    inside = access.placement_catchments(store, seen.placements)
    wide = seen.placements["generalised_km"] >= 10
    assert wide.any()
    assert not inside[wide].str.startswith("SMALL").any()
    catchments = reference.catchments(store)
    from layers.fieldwork.generalising import generalised_squares

    for name, square in zip(
        seen.placements.index, generalised_squares(seen.placements), strict=True
    ):
        holders = catchments.index[[shape.covers(square) for shape in catchments.geometry]]
        assert (inside[name] in holders) if len(holders) else pd.isna(inside[name])
    some = access.open_records(store, Selection(catchments=("HALF0",)), PUBLIC)
    members = {"HALF0", "SMALL0", "SMALL1", "SMALL2", "SMALL3"}
    assert set(some.placements.index) == set(inside.index[inside.isin(members)])


def test_surveys_and_sites_hide_those_without_exact_places(tmp_path):
    """A survey or site all of whose places are hidden is unknown to the public, also by error."""
    plan = random_plan(7, 30, shares=[1, 0, 0, 0, 0])
    plan.placements.loc["TRAP-0004", ["survey", "site"]] = ["SECRET", "Secret pool"]
    plan.catches.loc[plan.catches["placement_id"] == "TRAP-0004", "species"] = "Anguilla anguilla"
    store = make_store(tmp_path / "h.gpkg", plan)
    assert "SECRET" in access.surveys(store, MEMBER).index
    shown = access.surveys(store, PUBLIC)
    assert "SECRET" not in shown.index
    assert shown["leader"].isna().all()
    with pytest.raises(RequestError) as hidden:
        access.open_records(store, Selection(surveys=("SECRET",)), PUBLIC)
    with pytest.raises(RequestError) as missing:
        access.open_records(store, Selection(surveys=("SECRUT",)), PUBLIC)
    assert str(hidden.value).replace("SECRET", "?") == str(missing.value).replace("SECRUT", "?")
    assert not set(access.sites(store, PUBLIC).index) & set(plan.placements["site"])
    assert len(access.sites(store, PUBLIC)) < len(access.sites(store, MEMBER))
    store.close()


def test_twin_stores_answer_alike(tmp_path):
    """Records moved within their cells give the same public frames, to the last column."""
    plan = random_plan(21, 120)
    one = make_store(tmp_path / "one.gpkg", plan)
    two = make_store(tmp_path / "two.gpkg", twin(plan, 22))
    for selection in [Selection(), *list(selections())[::4]]:
        first, second = (access.open_records(s, selection, PUBLIC) for s in (one, two))
        for name in ("placements", "catches", "lengths", "snaps", "stretches", "flags"):
            pd.testing.assert_frame_equal(
                pd.DataFrame(getattr(first, name)), pd.DataFrame(getattr(second, name))
            )
    exact = access.open_records(one, Selection(), LOCAL_KEEPER).placements
    moved = access.open_records(two, Selection(), LOCAL_KEEPER).placements
    assert not exact.geometry.equals(moved.geometry)
    one.close()
    two.close()


def test_roles_are_ranked():
    """Each role may what the lower ones may."""
    ranks = ["viewer", "member", "editor", "keeper"]
    for have, role in enumerate(ranks):
        for need, wanted in enumerate(ranks):
            if have >= need:
                access.require_role(Viewer("x", role), wanted)
            else:
                with pytest.raises(AccessError):
                    access.require_role(Viewer("x", role), wanted)
    access.require_role(PUBLIC, "viewer")


@pytest.mark.parametrize("viewer", [MEMBER, PUBLIC])
def test_cached_records_are_those_read_anew(store, viewer):
    """A page that needs records several times gets what each reading alone would get."""
    names = store.catchments().index
    selections = [
        Selection(),
        Selection(species=("Cottus gobio",)),
        Selection(species=("Anguilla anguilla", "Salmo salar"), methods=("kick_net",)),
        Selection(catchments=(names[0],)),
        Selection(catchments=(names[0],), species=("Cottus gobio",)),
    ]
    alone = []
    for selection in selections:
        with closing(open_store(store.path, read_only=True)) as fresh:  # shares no cache
            alone.append(access.open_records(fresh, selection, viewer))
    together = [access.open_records(store, selection, viewer) for selection in selections * 2]
    for one, two in zip(alone * 2, together, strict=True):
        for name in ("placements", "catches", "lengths", "snaps", "stretches", "flags"):
            pd.testing.assert_frame_equal(getattr(one, name), getattr(two, name))


@pytest.mark.parametrize(("first", "second"), [(MEMBER, PUBLIC), (PUBLIC, MEMBER)])
def test_records_cached_for_one_viewer_are_not_given_to_another(store, first, second):
    """What was read for a member is not what the public gets after it, nor the other way."""
    with closing(open_store(store.path, read_only=True)) as fresh:
        alone = access.open_records(fresh, Selection(), second)
    access.open_records(store, Selection(), first)
    given = access.open_records(store, Selection(), second)
    pd.testing.assert_frame_equal(given.placements, alone.placements)
    pd.testing.assert_frame_equal(given.catches, alone.catches)


@pytest.mark.parametrize("viewer", [MEMBER, PUBLIC])
def test_reading_near_a_catchment_loses_nothing(store, viewer):
    """What is read by the box of a catchment is what all records hold inside it."""
    everything = access.open_records(store, Selection(), viewer)
    inside = access.placement_catchments(store, everything.placements)
    for name in store.catchments().index:
        wanted = access.within_catchments(store, inside, [name])
        found = access.open_records(store, Selection(catchments=(name,)), viewer)
        assert set(found.placements.index) == set(everything.placements.index[wanted])
        chunks = access.open_record_chunks(store, Selection(catchments=(name,)), viewer, size=7)
        ids = [one for chunk in chunks for one in chunk.placements.index]
        assert set(ids) == set(found.placements.index)


@pytest.mark.parametrize("viewer", [MEMBER, PUBLIC])
def test_a_box_and_a_catchment_narrow_together(store, viewer):
    """Neither takes the place of the other."""
    for name in store.catchments().index:
        of_catchment = access.open_records(store, Selection(catchments=(name,)), viewer).placements
        low_x, low_y, high_x, high_y = store.catchments().loc[[name]].total_bounds
        box = (low_x, low_y, (low_x + high_x) / 2, high_y)
        inside = (of_catchment.geometry.x >= low_x) & (of_catchment.geometry.x <= box[2])
        both = access.open_records(store, Selection(catchments=(name,), bbox=box), viewer)
        assert set(both.placements.index) == set(of_catchment.index[inside])


def test_the_box_that_is_read_goes_past_every_edge_of_the_catchment(store):
    """A place on the line must not hang on how an index rounds."""
    for name, frame in store.catchments().groupby(level=0):
        box = gate.near_catchments(store, Selection(catchments=(name,))).bbox
        assert shapely.box(*box).contains_properly(shapely.box(*frame.total_bounds))
