"""Gear in the water counts nowhere: every route, summary and file is the same without it.

Routes, summaries and forms of files are found, not listed, so that new ones are tried too. After
the lift the same comparison sees the placement, so that it is no empty one.
"""

from contextlib import suppress
from urllib.parse import urlsplit

import numpy as np
import pytest
from click.testing import CliRunner

from service.answers.hand_over import AUDIENCES, FORMS, HandOver
from service.commands.summary import SUMMARIES
from service.errors import RequestError
from service.export import write_hand_over
from service.intake.placement_form import Form, save_form
from service.program import main
from service.records import LOCAL_KEEPER, PUBLIC, Selection, Viewer
from tests.access.test_leaks import Public, degrees, ids_of, members_of, queries_around
from tests.sensitive_store import make_store, random_plan

# What is for whoever may lift the gear.
_OF_GEAR = {"/", "/in-the-water", "/entry/in-the-water"}


@pytest.fixture(scope="module")
def plan():
    return random_plan(31, 30)


@pytest.fixture
def store(tmp_path, plan):
    store = make_store(tmp_path / "one.gpkg", plan)
    yield store
    store.close()


@pytest.fixture
def trap(plan):
    row = plan.placements.iloc[0]
    ((longitude, latitude),) = degrees([row["x"] + 30, row["y"] + 30])
    return {
        "placement_id": "STANDING-1", "survey": "RIVERA", "method": "minnow_trap",
        "set_at": "2025-08-02T20:00:00Z", "longitude": f"{longitude:.7f}",
        "latitude": f"{latitude:.7f}", "crs": "EPSG:4326", "outcome": "in_the_water",
        "notes": "STANDING-NOTE", "crew": "STANDING-CREW",
    }  # fmt: skip


def set_and_lift(store, trap):
    """Yield between setting and lifting, then after it."""
    held = save_form(Form(trap), store, who="crew")
    assert held.outcome == "stored"
    yield
    cells = trap | {"lifted_at": "2025-08-03T07:00:00Z", "outcome": "caught"}
    caught = [{"species": "Anguilla anguilla", "count": "2", "count_kind": "exact"}]
    assert save_form(Form(cells, caught, base=held.digest), store, who="crew").outcome == "stored"
    yield


@pytest.mark.parametrize(
    "viewer", [PUBLIC, LOCAL_KEEPER, Viewer("m", "member")], ids=lambda v: v.role
)
def test_no_route_shows_gear_in_the_water(store, plan, trap, viewer):
    view = Public(store, viewer)
    ids = [*ids_of(plan, store), "STANDING-1"]
    addresses = list(view.addresses(ids, queries_around([plan], 1, 2), most=1, short=True))
    assert len(addresses) > 40
    before = {address: view.get(address) for address in addresses}
    own = _OF_GEAR if viewer.may_edit else set()
    steps = set_and_lift(store, trap)
    next(steps)
    for address, (status, headers, body) in before.items():
        if urlsplit(address).path in own:
            continue
        after = view.get(address)
        assert (after[0], after[2]) == (status, body), address
        if viewer == PUBLIC:
            assert after[1] == headers, address
        # An answer may repeat the words of its address; that it is the same as before shows that
        # it says nothing else.
        if "STANDING" not in address:
            assert b"STANDING" not in after[2], address
    next(steps)
    changed = {address for address in addresses if view.get(address)[2] != before[address][2]}
    assert len(changed) > 5


def test_no_summary_counts_gear_in_the_water(store, trap):
    def printed():
        return {
            what: CliRunner().invoke(main, ["summary", str(store.path), what]).output
            for what in SUMMARIES
        }

    before = printed()
    steps = set_and_lift(store, trap)
    next(steps)
    assert printed() == before
    next(steps)
    after = printed()
    assert {"effort", "occurrence"} <= {w for w in before if after[w] != before[w]}


def test_no_file_holds_gear_in_the_water(store, trap, tmp_path):
    """Each form for each audience; times and sums of the files themselves are set aside."""

    def written():
        files = {}
        for form in FORMS:
            for audience in AUDIENCES:
                path = tmp_path / f"{len(list(tmp_path.iterdir()))}{FORMS[form][0]}"
                with suppress(RequestError):
                    write_hand_over(store, path, HandOver(Selection(), form, audience))
                    files[form, audience] = members_of(path.read_bytes())
        return files

    before = written()
    steps = set_and_lift(store, trap)
    next(steps)
    during = written()
    assert during.keys() == before.keys()
    assert "STANDING" not in repr(during)
    assert _rows(during) == _rows(before)
    next(steps)
    after = written()
    assert all("STANDING" in repr(after[form, "precise"]) for form in FORMS if form != "dwca")


def _rows(files):
    """How long each member of each file is, which any further record changes."""
    return {
        key: {name: len(one) for name, one in body.items()} if isinstance(body, dict) else len(body)
        for key, body in files.items()
    }


def test_gear_lifted_elsewhere_counts_as_any_other(store, plan, trap):
    """The catch is in the totals after the lift, and the gear is gone from the list."""
    steps = set_and_lift(store, trap)
    next(steps)
    assert len(store.in_the_water()) == 1
    count = len(store.records(Selection()).placements)
    next(steps)
    assert store.in_the_water().empty
    assert len(store.records(Selection()).placements) == count + 1
    assert np.isclose(store.records(Selection()).catches["count"].iloc[-1], 2)
    assert store.faults() == []
