"""Gear in the water: set, listed, lifted over HTTP; it counts nowhere while it stands."""

import datetime as dt

import pytest

from service.answers.gear_in_water import gear_in_water
from service.errors import AccessError
from service.records import LOCAL_KEEPER, PUBLIC, Selection, Viewer
from tests.intake_sheets import make_store
from tests.web.test_pages_entry import client_of

TRAP = {
    "placement_id": "T-01",
    "survey": "S24",
    "method": "minnow_trap",
    "set_at": "2025-05-02T20:15",
    "longitude": "-11.2128",
    "latitude": "52.6035",
    "crs": "EPSG:4326",
    "bait": "cat food",
    "gear_count": "1",
    "outcome": "in_the_water",
}
CATCH = [{"species": "Cottus gobio", "count": "3", "count_kind": "exact"}]


@pytest.fixture
def store(tmp_path):
    held = make_store(tmp_path / "brook.gpkg")
    yield held
    held.close()


@pytest.fixture
def client(store):
    return client_of(store, "editor")


def form(base=None, catches=(), seen=None, draft=None, **cells):
    placement = {name: value for name, value in (TRAP | cells).items() if value}
    return {
        "placement": placement, "catches": list(catches), "base": base, "seen": seen,
        "draft": draft, "nothing_caught": placement["outcome"] == "nil",
    }  # fmt: skip


def lifted(base, **more):
    cells = {"lifted_at": "2025-05-03T08:40", "outcome": "caught", "catches": CATCH} | more
    return form(base, **cells)


def save(client, sheet):
    answer = client.post("/entry/save", json=sheet)
    return answer.status_code, answer.json


def test_set_in_the_evening_and_lifted_in_the_morning(store, client):
    """The record that is stored at last has the time it was set at and the time it was lifted."""
    code, told = save(client, form())
    assert (code, told["outcome"]) == (201, "stored")
    assert len(store.records(Selection()).placements) == 0
    gear = store.in_the_water().loc["T-01"]
    assert gear["set_at"].isoformat() == "2025-05-02T19:15:00+00:00"  # summer time in Ireland
    assert gear["longitude"] == pytest.approx(-11.2128, abs=1e-6)
    assert save(client, form())[1]["outcome"] == "unchanged"
    code, told = save(client, lifted(told["digest"]))
    assert (code, told["outcome"]) == (201, "stored")
    assert store.in_the_water().empty
    kept = store.records(Selection()).placements.loc["T-01"]
    assert kept["set_at"].isoformat() == "2025-05-02T19:15:00+00:00"
    assert kept["lifted_at"].isoformat() == "2025-05-03T07:40:00+00:00"
    assert kept["bait"] == "cat food"
    assert save(client, lifted(told["digest"]))[1]["outcome"] == "unchanged"
    assert store.faults() == []


@pytest.mark.parametrize(
    ("cells", "column"),
    [
        ({"lifted_at": "2025-05-03T08:40"}, "lifted_at"),
        ({"method": "kick_net"}, "outcome"),
        ({"set_at": "2025-05-02"}, "set_at"),
        ({"longitude": "", "latitude": ""}, "longitude"),
        ({"catches": CATCH}, "placement_id"),
    ],
)
def test_what_cannot_stand_in_the_water_is_refused(store, client, cells, column):
    code, told = save(client, form(**cells))
    assert code == 422
    assert column in [one["column"] for one in told["refused"]]
    assert store.in_the_water().empty


def test_what_can_hurt_is_flagged_when_the_gear_is_set(client):
    """Little oxygen and no air space is said at once; what only lifting tells is not."""
    told = client.post(
        "/entry/check", json=form(dissolved_oxygen_mg_l="3", trap_air_space="no")
    ).json
    codes = {one["code"] for one in told["flagged"]}
    assert "low_oxygen" in codes
    assert not codes & {"lift_time_missing", "effort_missing"}


def test_overdue_comes_first_by_the_hours_of_the_method(store, client):
    """A minnow trap should be lifted within its 24 hours."""
    save(client, form())
    save(client, form(placement_id="T-02", set_at="2025-05-03T09:00"))
    now = dt.datetime(2025, 5, 3, 20, 0, tzinfo=dt.UTC)
    gear = gear_in_water(store, LOCAL_KEEPER, now=now)
    assert gear["overdue"].to_dict() == {"T-01": True, "T-02": False}
    assert gear.loc["T-01", "since_h"] == pytest.approx(24.75)
    page = client.get("/in-the-water", headers={"Accept": "text/html"}).get_data(as_text=True)
    assert page.index("T-01") < page.index("T-02")
    assert "Overdue" in page


def test_only_who_may_lift_it_sees_it(store, client):
    save(client, form())
    for role in ("public", "viewer", "member"):
        other = client_of(store, role)
        for path in ("/in-the-water", "/entry/in-the-water"):
            assert other.get(path).status_code in (401, 403)
        assert "T-01" not in other.get("/", headers={"Accept": "text/html"}).get_data(as_text=True)
        with pytest.raises(AccessError):
            gear_in_water(store, Viewer("x", role))
    with pytest.raises(AccessError):
        gear_in_water(store, PUBLIC)
    assert "T-01" in client.get("/", headers={"Accept": "text/html"}).get_data(as_text=True)


def test_a_taken_number_is_never_overwritten(store, client):
    """The next free number is offered, past gear in the water and past what was lifted."""
    save(client, form())
    save(client, lifted(None, placement_id="T-02"))
    code, told = save(client, form(set_at="2025-05-02T21:00"))
    assert (code, told["outcome"], told["next_number"]) == (409, "taken", "T-03")
    code, told = save(client, lifted(None, placement_id="T-02", catches=[]))
    assert (code, told["outcome"], told["next_number"]) == (409, "taken", "T-03")
    assert store.in_the_water().loc["T-01", "set_at"].hour == 19
    assert len(store.records(Selection()).catches) == 1


def test_a_device_whose_answer_was_lost_goes_on_with_its_gear(store, client):
    """Set, the answer lost on the way, lifted without the digest: still the same gear."""
    save(client, form(draft="d1"))
    assert save(client, lifted(None, draft="d1"))[1]["outcome"] == "stored"
    save(client, form(placement_id="T-02", draft="d2"))
    assert save(client, lifted(None, placement_id="T-02", draft="d3"))[1]["outcome"] == "taken"


def test_changes_of_two_people_are_put_together(store, client):
    """Bait by one, crew by the other; both lifted it otherwise: only that is a conflict."""
    base = save(client, form())[1]["digest"]
    seen = form()
    save(client, form(base, seen=seen, crew="crew B"))
    code, told = save(client, form(base, seen=seen, bait="cheese"))
    assert (code, told["outcome"], told["kept"]) == (201, "stored", ["crew"])
    cells = store.in_the_water().loc["T-01", "cells"]
    assert (cells["crew"], cells["bait"]) == ("crew B", "cheese")
    base, seen = told["digest"], form(crew="crew B", bait="cheese")
    save(client, lifted(base, seen=seen, crew="crew B", bait="cheese"))
    own = lifted(
        base, seen=seen, crew="crew B", bait="cheese", notes="torn",
        catches=[CATCH[0] | {"count": "4"}],
    )  # fmt: skip
    code, told = save(client, own)
    assert (code, told["outcome"]) == (409, "conflict")
    assert told["differences"] == [
        ["catches:Cottus gobio|||", "Cottus gobio 3 exact", "Cottus gobio 4 exact"]
    ]
    assert told["form"]["placement"]["notes"] == "torn"
    assert store.records(Selection()).catches["count"].tolist() == [3]
    code, told = save(client, told["form"] | {"seen": told["form"]})
    assert (code, told["outcome"]) == (201, "stored")
    assert store.records(Selection()).catches["count"].tolist() == [4]


def test_gear_entered_by_mistake_is_taken_out(store, client):
    save(client, form())
    assert client.post("/in-the-water/remove", data={"placement_id": "T-01"}).status_code == 303
    assert store.in_the_water().empty
    assert store.history("in_the_water", "T-01")[0].action == "remove"
    assert client.post("/in-the-water/remove", data={"placement_id": "T-01"}).status_code == 404
