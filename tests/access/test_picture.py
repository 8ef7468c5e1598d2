"""The picture of the records: after any writes it equals one made afresh, and so does its file."""

import os
import shutil
import signal
import subprocess
import sys
import time
from contextlib import closing
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, Phase, example, given, settings
from hypothesis import strategies as some

from layers.fieldwork.looking import local_dates
from layers.network.graph import build_network
from service import access
from service.access import current_picture, gate, picture_file
from service.access.picture import OWNED
from service.answers import record_list, summaries
from service.answers.hand_over import what_it_holds
from service.cache import at_hand
from service.records import LOCAL_KEEPER, OF_FIGURES, PUBLIC, Selection
from service.settings import read_settings
from service.store import Moment, Store, open_store
from tests.sensitive_store import (
    SPECIES,
    add_plan,
    drawn_catchments,
    drawn_reaches,
    field_records,
    make_store,
    random_plan,
)

BOTH = (LOCAL_KEEPER, PUBLIC)
PLAN = random_plan(3, 40)
NETWORK = build_network(drawn_reaches())


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    with closing(make_store(tmp_path_factory.mktemp("picture") / "s.gpkg", PLAN)) as store:
        return store.path


@pytest.fixture
def store(made, tmp_path):
    with closing(open_store(shutil.copy(made, tmp_path / "s.gpkg"))) as store:
        yield store


def plain(frame):
    """A frame with words in place of codes."""
    coded = frame.select_dtypes("category").columns
    return pd.DataFrame(frame).astype(dict.fromkeys(coded, "str")).reset_index()


def assert_same(one, other):
    assert one.rows.tolist() == other.rows.tolist()
    assert one.names.tolist() == [each.decode() for each in one.ids]
    pd.testing.assert_frame_equal(plain(one.placements), plain(other.placements))
    assert one.beside.keys() == other.beside.keys()
    for name, values in other.beside.items():
        np.testing.assert_array_equal(one.beside[name], values)
    for name in OWNED:
        pd.testing.assert_frame_equal(plain(one.owned[name]), plain(other.owned[name]))


def assert_no_word_of_hidden_rows(picture):
    """All words of the public picture are those of rows that are in it."""
    for columns in picture.columns.values():
        for name, column in columns.items():
            if column.words is not None:
                assert set(column.words.categories) == set(column.read().dropna()), name


def assert_knows_what_changed(picture, older):
    """What a picture says of an older one, placement by placement; or that it does not know."""
    found = picture.since(older.version)
    if found is None:  # the network is another, or the file was lost
        assert picture.journal[0].version > older.version
        return
    source, gone = found
    old, new = (
        [*zip(one.rows.tolist(), one.ids.tolist(), one.read_as.tolist(), strict=True)]
        for one in (older, picture)
    )
    assert source.tolist() == [old.index(each) if each in old else -1 for each in new]
    assert gone.tolist() == [each not in new for each in old]


def afresh(store, viewer):
    """A picture made from the store alone."""
    public = not viewer.sees_exact_places
    with store.moment(public=public) as moment:
        return current_picture._mended(store, moment, None).picture


def files():
    return sorted(Path(read_settings().cache_dir).glob("*"))


@pytest.mark.parametrize("viewer", BOTH)
def test_it_holds_what_the_store_holds(store, viewer):
    """Frames of the picture are those that are read from the store and shown to this viewer."""
    seen = access.open_records(store, Selection(), viewer, OF_FIGURES)
    ids = seen.placements.index
    whole = access.open_records(store, Selection(placements=tuple(ids)), viewer, OF_FIGURES)
    placements = seen.placements.drop(columns=["catchment_id", "set_on"])
    pd.testing.assert_frame_equal(
        plain(placements), plain(whole.placements), check_like=True, check_dtype=False
    )
    for name in ("catches", "lengths", "stretches"):
        one, other = plain(getattr(seen, name)), plain(getattr(whole, name))
        same = [column for column in other if column not in ("catch_id", "index")]
        pd.testing.assert_frame_equal(one[same], other[same], check_dtype=False)
        assert len(one) > 0
    pd.testing.assert_frame_equal(plain(seen.snaps), plain(whole.snaps), check_dtype=False)
    inside = access.placement_catchments(store, placements)
    assert seen.placements["catchment_id"].astype("str").equals(inside.astype("str"))
    assert seen.placements["set_on"].equals(local_dates(whole.placements))


def add(store, number):
    plan = random_plan(100 + number, 3)
    names = {name: f"NEŴ{number}-{k}" for k, name in enumerate(plan.placements.index)}
    catches = plan.catches.assign(placement_id=plan.catches["placement_id"].map(names))
    plan = type(plan)(plan.placements.rename(index=names), catches)
    add_plan(store, plan, f"{number}.csv")


def add_long(store, name):
    """Add a placement with this id."""
    plan = random_plan(200, 1)
    placements = plan.placements.rename(index=lambda _: name)
    add_plan(store, type(plan)(placements, plan.catches.assign(placement_id=name)), "long.csv")


def change(store, number):
    """Move a placement, and let it catch another species."""
    ids = store.records(Selection()).placements.index
    if not len(ids):
        return
    name = ids[number % len(ids)]
    plan = PLAN.take(PLAN.placements.index == PLAN.placements.index[number % 40])
    old = plan.placements.index[0]
    caught = plan.catches.assign(placement_id=name, species=SPECIES.index[number % 5]).iloc[:1]
    placements = plan.placements.rename(index={old: name}).assign(minutes=number + 0.5)
    records = field_records(type(plan)(placements, caught), NETWORK)
    digest = str(store.known_placements([name])[name])
    store.put_placement(
        records, who="t", digest=f"c{number}-{time.monotonic_ns()}", replaces=digest
    )


def remove(store, number):
    ids = store.records(Selection()).placements.index
    if len(ids) > 1:
        store.remove_placement(ids[number % len(ids)], who="t")


def undo(store, number):
    from service.errors import ConflictError

    batches = [batch for batch in store.batches() if batch.undone_at is None]
    if batches:
        try:
            store.undo_batch(batches[number % len(batches)].batch_id, who="t")
        except ConflictError:
            return


def close_cells(store, number):
    words = ["none", "1", "10", "50", "withheld"]
    listed = SPECIES.iloc[[number % 5]].assign(sensitivity=words[number // 5 % 5])
    store.put_species(listed, who="t")


def rename(store, number):
    store.put_species(SPECIES.iloc[[0]].assign(vernacular_name=f"fish {number}"), who="t")


def load_catchments(store, number):
    from layers.network.catchments import part_reaches

    frame = drawn_catchments()
    frame = frame if number % 2 else frame.loc[["BASIN", "HALF0"]]
    store.replace_catchments(frame, part_reaches(NETWORK, frame), who="t")


WRITES = (add, change, remove, undo, close_cells, rename, load_catchments)
STEPS = some.tuples(
    some.sampled_from([*WRITES, "look", "restart", "restart", "lose the file"]),
    some.integers(0, 39),
)


@settings(
    max_examples=20,
    deadline=None,
    phases=[Phase.explicit, Phase.reuse, Phase.generate],
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@example(steps=[("look", 0), (remove, 3)])
@example(steps=[("look", 0), (close_cells, 10)])
@example(steps=[("look", 0), (close_cells, 20), ("look", 0), (remove, 5), (change, 7)])
@given(steps=some.lists(STEPS, min_size=1, max_size=9))
def test_after_any_writes_it_equals_one_made_afresh(made, tmp_path_factory, steps, monkeypatch):
    """Imports, edits, removals, undone imports, closed cells, new catchments, with or without
    somebody looking in between, a restart, or the file deleted."""
    monkeypatch.setattr(current_picture, "_FEW", 2)
    store = open_store(shutil.copy(made, tmp_path_factory.mktemp("any") / "s.gpkg"))
    seen = []
    for number, (step, which) in enumerate(steps):
        if step == "look":
            seen += [(viewer, access.open_picture(store, viewer)) for viewer in BOTH]
        elif step == "restart":
            seen.clear()
            store.close()
            store = open_store(store.path)
        elif step == "lose the file":
            for file in files():
                file.unlink()
        else:
            step(store, which if step is not add else number)
    for viewer in BOTH:
        assert_same(access.open_picture(store, viewer), afresh(store, viewer))
    for viewer, older in seen:
        assert_knows_what_changed(access.open_picture(store, viewer), older)
    assert_no_word_of_hidden_rows(access.open_picture(store, PUBLIC))
    store.close()
    again = open_store(store.path)
    for viewer in BOTH:
        assert_same(access.open_picture(again, viewer), afresh(again, viewer))
    again.close()


def test_words_of_places_that_were_hidden_leave_the_public_file(store, monkeypatch):
    """Reaches, surveys and species that only hidden placements had are not in the file after."""
    monkeypatch.setattr(current_picture, "_FEW", 0)
    before = access.open_picture(store, PUBLIC)
    shown = before.owned["snaps"]["reach_id"].cat.categories
    assert len(shown) > 1
    listed = SPECIES.assign(sensitivity="withheld", sensitive_from=None, sensitive_until=None)
    store.put_species(listed, who="t")
    after = access.open_picture(store, PUBLIC)
    assert_no_word_of_hidden_rows(after)
    gone = set(shown) - set(after.owned["snaps"]["reach_id"].dropna())
    assert gone
    stay = after.placements["method"].cat.categories[:1]
    written = picture_file._file(store, public=True).read_bytes()
    assert [word for word in [*stay, *gone] if f'"{word}"'.encode() in written] == [*stay]


QUESTIONS = (
    "depletion", "lengths", "length_classes", "fish_condition", "effort", "effort_by_year",
    "occurrence", "richness", "change", "reach_summary",
)  # fmt: skip


@pytest.mark.parametrize("viewer", BOTH)
def test_figures_and_what_a_hand_over_holds_read_no_records_anew(store, viewer, monkeypatch):
    """Once there is a picture, no question about counts reads placements out of the store."""
    access.open_picture(store, viewer)

    def refuse(*_args, **_more):
        raise AssertionError("read from the store")

    for name in ("records", "public_records", "record_chunks", "public_record_chunks"):
        monkeypatch.setattr(Store, name, refuse)
    for name in QUESTIONS:
        getattr(summaries, name)(store, Selection(), viewer)
    audience = "precise" if viewer.sees_exact_places else "public"
    holds = what_it_holds(store, Selection(), audience, viewer=viewer)
    picture = access.open_picture(store, viewer)
    assert holds.placements == len(picture.rows) > 0
    assert holds.catches == len(picture.owned["catches"])
    assert holds.species == set(picture.owned["catches"].query("count > 0")["species"])


def test_frames_of_a_look_with_the_eyes_of_the_public_do_not_stay(store):
    """A keeper sees what a hand-over to the public holds; who comes next gets the same frames."""
    before = what_it_holds(store, Selection(), "public")
    picture = access.open_picture(store, PUBLIC)
    names, frame = picture.names, picture.placements
    assert what_it_holds(store, Selection(), "public", viewer=LOCAL_KEEPER) == before
    assert access.open_picture(store, PUBLIC) is picture
    assert not {"names", "placements", "owned"} & vars(picture).keys()
    assert picture.names is not names
    pd.testing.assert_frame_equal(plain(picture.placements), plain(frame))
    what_it_holds(store, Selection(), "public", viewer=PUBLIC)
    assert "owned" in vars(picture)


def test_after_a_write_a_look_with_the_eyes_of_the_public_leaves_no_picture(store, monkeypatch):
    """But where answers of the public follow it, or no file could be written."""
    access.open_picture(store, PUBLIC)
    add(store, 1)
    what_it_holds(store, Selection(), "public", viewer=LOCAL_KEEPER)
    assert at_hand(store, PUBLIC, "picture") is None
    assert_same(access.open_picture(store, PUBLIC), afresh(store, PUBLIC))
    summaries.chance_present(store, Selection(), PUBLIC)
    what_it_holds(store, Selection(), "public", viewer=LOCAL_KEEPER)
    assert at_hand(store, PUBLIC, "picture") is not None

    def refused(*_):
        raise OSError

    monkeypatch.setattr(picture_file, "_write", refused)
    with closing(open_store(store.path)) as again:
        for file in files():
            file.unlink()
        access.open_picture(again, PUBLIC)
        add(again, 2)
        what_it_holds(again, Selection(), "public", viewer=LOCAL_KEEPER)
        assert at_hand(again, PUBLIC, "picture") is not None


def test_one_form_reads_one_placement(store, monkeypatch):
    """After a saved form the picture reads that placement, and the public one its 50 km cell's
    where views changed; a restart reads nothing that the file has."""
    for viewer in BOTH:
        access.open_picture(store, viewer)
    read, pieces = [], Moment.pieces
    monkeypatch.setattr(
        Moment,
        "pieces",
        lambda self, rows, **how: (
            read.append((self.public, len(rows))) or pieces(self, rows, **how)
        ),
    )
    name = store.records(Selection()).placements.index[5]
    same = PLAN.take(PLAN.placements.index == name)
    records = field_records(type(same)(same.placements.assign(minutes=7.0), same.catches), NETWORK)
    store.put_placement(
        records, who="t", digest="new", replaces=str(store.known_placements([name])[name])
    )
    seen = access.open_picture(store, LOCAL_KEEPER)
    assert read == [(False, 1)]
    assert seen.placements.loc[name, "minutes"] == 7.0
    access.open_picture(store, PUBLIC)
    assert read[1:] in ([], [(True, 1)])
    read.clear()
    with closing(open_store(store.path)) as again:
        assert_same(access.open_picture(again, LOCAL_KEEPER), seen)
    assert read == [(False, 1)]  # the form, which the file lacks


def test_a_very_long_id_takes_its_own_bytes_alone(store):
    """One of 20,000 letters, come in later or from the first; ids then have no file."""
    access.open_picture(store, LOCAL_KEEPER)
    long = "E" * 20_000
    add_long(store, long)
    seen = access.open_picture(store, LOCAL_KEEPER)
    assert long in seen.names
    with closing(open_store(store.path)) as again:
        picture_file._file(again, public=False).unlink()
        for picture in (seen, access.open_picture(again, LOCAL_KEEPER)):
            assert_same(picture, afresh(again, LOCAL_KEEPER))
            assert picture.ids.nbytes < 20_000
            assert picture_file.load(again, public=False) is None
        add(again, 3)
        assert_same(access.open_picture(again, LOCAL_KEEPER), afresh(again, LOCAL_KEEPER))
        remove(again, 1)
        assert_same(access.open_picture(again, LOCAL_KEEPER), afresh(again, LOCAL_KEEPER))


def saved(store, viewer):
    access.open_picture(store, viewer)
    return picture_file._file(store, public=not viewer.sees_exact_places)


def test_the_file_is_read_by_whoever_may_read_the_store(store):
    """Its rights are those of the store; one that grants more is not used."""
    store.path.chmod(0o640)
    file = saved(store, LOCAL_KEEPER)
    assert file.stat().st_mode & 0o777 == 0o640
    assert picture_file.load(store, public=False) is not None
    store.path.chmod(0o600)
    assert picture_file.load(store, public=False) is None


@pytest.mark.parametrize("cut", [0, 1, 64, 1_000, 20_000, -1, -4_096])
def test_a_damaged_file_is_made_again(store, cut):
    """A file that was cut short is not used, whatever is left of it."""
    file = saved(store, PUBLIC)
    whole = file.read_bytes()
    file.write_bytes(whole[:cut])
    with closing(open_store(store.path)) as again:
        assert_same(access.open_picture(again, PUBLIC), afresh(again, PUBLIC))
    assert file.read_bytes()[:1_000] == whole[:1_000]


def test_a_file_whose_header_is_spoilt_is_made_again(store):
    """NumPy's reader of headers then raises another error than for a file that ends too soon."""
    file = saved(store, PUBLIC)
    whole = file.read_bytes()
    at = whole.index(b"}", whole.index(b"descr"))
    file.write_bytes(whole[:at] + b"(" + whole[at + 1 :])
    with closing(open_store(store.path)) as again:
        assert_same(access.open_picture(again, PUBLIC), afresh(again, PUBLIC))


def assert_made_again(store, viewer):
    """The file as it is is not used, and the next one that is written is."""
    public = not viewer.sees_exact_places
    assert picture_file.load(store, public=public) is None
    with closing(open_store(store.path)) as again:
        assert_same(access.open_picture(again, viewer), afresh(again, viewer))
        assert picture_file.load(again, public=public) is not None


@pytest.mark.parametrize("place", [0.3, 0.9])
def test_a_file_with_one_bit_turned_is_made_again(store, place):
    """A number that is damaged reads as another number; only the sum of all bytes shows it."""
    file = saved(store, PUBLIC)
    spoilt = bytearray(file.read_bytes())
    spoilt[int(len(spoilt) * place)] ^= 1
    file.write_bytes(spoilt)
    assert_made_again(store, PUBLIC)


@pytest.mark.skipif(not hasattr(os, "geteuid"), reason="files have no owner here")
def test_a_file_of_another_user_is_not_used(store, monkeypatch):
    """Whoever owns a file can change it while it is mapped."""
    saved(store, LOCAL_KEEPER)
    assert picture_file.load(store, public=False) is not None
    monkeypatch.setattr(os, "geteuid", lambda: store.path.stat().st_uid + 1)
    assert picture_file.load(store, public=False) is None


@pytest.mark.parametrize("rights", [0o620, 0o602, 0o666])
def test_a_file_that_others_may_write_is_made_again(store, rights):
    """Also where they may write the store: what they change here no history would tell."""
    store.path.chmod(0o666)
    file = saved(store, LOCAL_KEEPER)
    assert file.stat().st_mode & 0o777 == 0o644
    file.chmod(rights)
    assert_made_again(store, LOCAL_KEEPER)


def test_the_name_before_a_file_is_whole_can_be_taken_by_nobody(store, monkeypatch):
    """A link that waits under the name to come would have the file written where it leads."""
    names, victim = [], store.path.with_name("victim")
    victim.write_text("as it was")
    write = picture_file._write

    def noting(stream, part, *rest):
        names.append(part)
        write(stream, part, *rest)

    monkeypatch.setattr(picture_file, "_write", noting)
    file = saved(store, PUBLIC)
    file.unlink()
    for number in range(3):
        names[-1].symlink_to(victim)
        change(store, number)
        with closing(open_store(store.path)) as again:
            saved(again, PUBLIC)
        file.unlink()
    assert len(set(names)) == 4
    assert victim.read_text() == "as it was"
    for name in names:
        name.unlink(missing_ok=True)


def test_a_file_of_another_release_is_made_again(store, monkeypatch):
    """What the public may see is decided by the program that runs, not by the one before."""
    saved(store, PUBLIC)
    assert picture_file.load(store, public=True) is not None
    monkeypatch.setattr(picture_file, "version", lambda _: "0.0.another", raising=False)
    assert picture_file.load(store, public=True) is None


def test_a_group_other_than_that_of_the_store_gets_no_rights(store, monkeypatch):
    """Whoever cannot give the file to the group of the store keeps it to themselves."""

    def refused(*_):
        raise PermissionError

    store.path.chmod(0o660)
    monkeypatch.setattr(os, "chown", refused)
    assert saved(store, LOCAL_KEEPER).stat().st_mode & 0o777 == 0o600


@pytest.mark.parametrize("viewer", BOTH)
def test_places_computed_anew_are_seen(store, viewer):
    """Snaps and stretches are replaced without an entry in the history of any placement."""
    stored = store.records(Selection())
    before = access.open_picture(store, viewer)
    snaps = stored.snaps.assign(measure_m=stored.snaps["measure_m"] + 1.0)
    store.replace_places(snaps, stored.stretches.iloc[:0], stored.flags.iloc[:0])
    after = access.open_picture(store, viewer)
    moved = after.owned["snaps"]["measure_m"] - before.owned["snaps"]["measure_m"]
    assert moved.notna().any()
    assert np.allclose(moved.dropna(), 1.0)
    assert after.owned["stretches"].empty
    assert_same(after, afresh(store, viewer))


def chosen_ids(store, viewer):
    chosen = Selection(methods=tuple(sorted(PLAN.placements["method"].unique())))
    return access.open_records(store, chosen, viewer, OF_FIGURES).placements.index


def listed_ids(store, viewer):
    seen = record_list._looks(store, Selection(), viewer)
    return seen.records.placements.index[seen.places]


def mapped_ids(store, viewer):
    return access.open_placement_map(store, viewer).columns.names


@pytest.mark.parametrize(
    ("ids", "where"),
    [(chosen_ids, (gate, "open_picture")), (mapped_ids, (gate, "open_picture")),
     (listed_ids, (record_list, "open_records"))],
)  # fmt: skip
@pytest.mark.parametrize("viewer", BOTH)
def test_a_write_while_an_answer_is_made_does_not_date_it_anew(
    store, viewer, ids, where, monkeypatch
):
    """Cells that close just after the records were opened are closed in the next answer."""
    opened = getattr(*where)

    def then_a_write(*of):
        found = opened(*of)
        monkeypatch.setattr(*where, opened)
        store.put_species(SPECIES.assign(sensitivity="withheld"), who="t")
        remove(store, 0)
        return found

    monkeypatch.setattr(*where, then_a_write)
    first, second = ids(store, viewer), ids(store, viewer)
    now = set(access.open_picture(store, viewer).placements.index)
    assert not set(first) <= now
    assert set(second) <= now


def test_a_folder_that_cannot_be_written_does_no_harm(store, monkeypatch, tmp_path):
    (tmp_path / "taken").write_text("a file")
    monkeypatch.setenv("RIFFLEBOOK_CACHE_DIR", str(tmp_path / "taken"))
    assert_same(access.open_picture(store, PUBLIC), afresh(store, PUBLIC))


def test_a_copy_that_took_another_course_gets_no_foreign_rows(store, tmp_path):
    """A backup put in the store's place, then written to as often, is not taken for the store."""
    kept = shutil.copy(store.path, tmp_path / "backup.gpkg")
    change(store, 3)
    wrong = access.open_picture(store, LOCAL_KEEPER)
    version = store.version
    for file in files():
        file.unlink()
    with store.moment(public=False) as moment:
        picture_file.save(store, moment.stamp, wrong, public=False)
    store.close()
    shutil.copy(kept, store.path)
    with closing(open_store(store.path)) as back:
        change(back, 8)
        assert back.version == version
        assert_same(access.open_picture(back, LOCAL_KEEPER), afresh(back, LOCAL_KEEPER))


LOOKER = """
import sys
from pathlib import Path
from service import access
from service.access import current_picture
from service.records import LOCAL_KEEPER, PUBLIC
from service.store import open_store
from tests.access.test_picture import change
current_picture._FEW = 0
store = open_store(Path(sys.argv[1]))
print("going", flush=True)
for number in range(1000):
    for viewer in (LOCAL_KEEPER, PUBLIC):
        access.open_picture(store, viewer)
    change(store, number)
"""


def test_a_kill_leaves_it_stale_or_right_and_processes_agree(store):
    """Processes that write, patch and save are killed at any moment; others see what is stored."""
    rng = np.random.default_rng(7)
    for _ in range(6):
        going = [
            subprocess.Popen(
                [sys.executable, "-c", LOOKER, str(store.path)],
                stdout=subprocess.PIPE,
                env=os.environ,
            )
            for _ in range(2)
        ]
        for process in going:
            process.stdout.readline()
        time.sleep(rng.uniform(0.05, 0.6))
        for process in going:
            process.send_signal(signal.SIGKILL)
            process.wait()
            process.stdout.close()
        with closing(open_store(store.path)) as again:
            for viewer in BOTH:
                fresh = afresh(again, viewer)
                assert_same(access.open_picture(again, viewer), fresh)
                assert_same(access.open_picture(store, viewer), fresh)
