"""Frames are checked at the doors of layers/ against one schema, which is that of the store."""

import inspect
from importlib import import_module
from pkgutil import walk_packages

import numpy as np
import pandas as pd
import pytest

import layers.estimates
from layers.errors import FrameError
from layers.estimates.occurrence import occurrence
from layers.fieldwork.looking import local_dates
from layers.frames import FRAMES, check_frame, reads
from service.access.gate import open_records
from service.intake.columns import COUNT_KINDS, OUTCOMES
from service.records import PUBLIC, Selection
from service.store.schema import metadata

KIND_OF_SQL = {
    "Text": "text", "Integer": "number", "Double": "number", "Boolean": "truth",
    "Instant": "time", "TextList": "list",
}  # fmt: skip
# Rows of a table point at placements by number, frames by id; drawn shapes have a table.
NOT_IN_TABLES = {"placement_id", "shape"}


def placements(**changes):
    frame = pd.DataFrame(
        {
            "method": pd.Series(["seine", "fyke_net"], dtype="str"),
            "outcome": pd.Series(["caught", "nil"], dtype="str"),
            "set_at": pd.to_datetime(["2024-05-01", None], utc=True).as_unit("us"),
            "timezone": pd.Series(["Europe/Dublin", None], dtype="str"),
            "passes": [np.nan, 2.0],
        }
    ).assign(**changes)
    frame.index = pd.Index(["T1", "T2"], dtype="str", name="placement_id")
    return frame


NEEDED = ("placement_id", *placements().columns)


def test_the_schema_is_that_of_the_tables():
    """What a frame's column holds is what the store's table declares for it."""
    tables = {"views": metadata.tables["covers"], **metadata.tables}
    for kind in FRAMES.keys() & tables.keys():
        sql = {c.name: type(c.type).__name__ for c in tables[kind].columns}
        own = {name: k for name, k in FRAMES[kind].kinds.items() if name not in NOT_IN_TABLES}
        assert own == {name: KIND_OF_SQL[sql[name]] for name in own}, kind


def test_the_allowed_words_are_those_of_the_sheets():
    """What a frame may say is what a field sheet may say."""
    assert FRAMES["placements"].words["outcome"] == OUTCOMES
    assert FRAMES["catches"].words["count_kind"] == COUNT_KINDS


def test_whatever_the_store_hands_out_is_of_its_kind(store):
    """Stored and public frames pass the check with every declared column."""
    public = open_records(store, Selection(), PUBLIC)
    for records in (store.records(Selection()), public):
        for kind in ("placements", "catches", "lengths", "snaps", "stretches", "flags"):
            frame = getattr(records, kind)
            own = [name for name in FRAMES[kind].kinds if name in frame]
            check_frame(kind, frame, (*FRAMES[kind].needed.split(), *own))
    for kind in ("reaches", "catchments", "species", "methods", "reach_parts"):
        check_frame(
            kind, getattr(store, kind)(), (FRAMES[kind].key or "reach_id", *FRAMES[kind].kinds)
        )


def test_every_estimate_checks_its_frames():
    """No public function of the estimates takes a frame without a look at it."""
    unchecked = set()
    for found in walk_packages(layers.estimates.__path__, "layers.estimates."):
        module = import_module(found.name)
        for name in module.__all__:
            function = getattr(module, name)
            if inspect.isfunction(function) and not hasattr(function, "__wrapped__"):
                parameters = inspect.signature(function, eval_str=False).parameters
                if any(
                    key in FRAMES and "DataFrame" in str(parameter.annotation)
                    for key, parameter in parameters.items()
                ):
                    unchecked.add(name)
    assert unchecked == {"fished_area_m2"}  # which needs no column at all


def test_a_good_frame_passes_and_so_does_one_without_rows():
    """Missing values are allowed everywhere; an empty frame has no wrong value."""
    check_frame("placements", placements(), NEEDED)
    check_frame("placements", placements().iloc[:0].astype("float64", errors="ignore"), NEEDED)
    check_frame("placements", placements(timezone=None, set_at=pd.NaT), NEEDED)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        (
            {"outcome": ["Caught", "nil"]},
            "Column outcome .* contains 'Caught'; use one of caught",
        ),
        ({"outcome": pd.Series(["nil", "?"], dtype=object).to_numpy()}, "contains '[?]'; use one"),
        ({"passes": ["2", "3"]}, "Column passes .* contains '2'; give numbers"),
        ({"passes": [1, "two"]}, "Column passes .* contains 'two'; give numbers"),
        ({"passes": [True, False]}, "Column passes .* contains True; give numbers"),
        ({"method": [1, 2]}, "Column method .* contains 1; give text"),
        ({"method": ["seine", 2]}, "Column method .* contains 2; give text"),
        ({"set_at": pd.to_datetime(["2024-05-01"] * 2)}, "Column set_at .*timezone-aware"),
        (
            {"set_at": ["2024-05-01"] * 2},
            "Column set_at .* contains '2024-05-01'; give time",
        ),
    ],
)
def test_a_column_of_another_kind_is_named_with_its_remedy(changes, words):
    with pytest.raises(FrameError, match=words):
        check_frame("placements", placements(**changes), NEEDED)


def test_all_missing_columns_are_named_and_a_key_may_not_repeat():
    with pytest.raises(FrameError, match="placements frame lacks outcome, timezone"):
        check_frame("placements", placements().drop(columns=["timezone", "outcome"]), NEEDED)
    twice = placements()
    twice.index = pd.Index(["T1", "T1"])
    with pytest.raises(FrameError, match="placement_id 'T1' twice"):
        check_frame("placements", twice, NEEDED)
    check_frame("placements", twice, ("method",))  # where no row is looked up


def test_a_door_names_the_frame_by_position_and_by_keyword():
    blank = pd.DataFrame()
    with pytest.raises(FrameError, match="placements frame lacks method"):
        occurrence(blank, blank, blank, blank, place_of=None, snaps=blank, effort=blank)
    with pytest.raises(FrameError, match="placements frame lacks lifted_at"):
        local_dates(column="lifted_at", placements=placements())


def test_frames_handed_on_inside_are_not_read_again():
    """Only the outermost function looks at values; inner ones still miss columns."""
    wrong = placements(outcome=["Caught", "nil"])

    @reads(placements="outcome")
    def inner(placements):
        return len(placements)

    @reads(placements="method")
    def outer(placements):
        return inner(placements)

    assert outer(wrong) == 2
    with pytest.raises(FrameError, match="contains 'Caught'"):
        inner(wrong)
    with pytest.raises(FrameError, match="lacks outcome"):
        outer(wrong.drop(columns="outcome"))


def test_a_door_cannot_read_what_no_schema_declares():
    with pytest.raises(FrameError, match="declares no colour"):
        reads(placements="colour")
