"""The page without a connection says what the service would say, in the same words."""

import numpy as np
import pandas as pd
import pytest

from layers.fieldwork.daylight import light_state
from service.store import open_store
from tests.browser.conftest import served
from tests.intake_sheets import make_store

READY = "#entry[data-ready=yes]"
GOOD = {
    "placement_id": "N1", "survey": "S24", "method": "minnow_trap",
    "set_at": "2025-05-02T20:00", "lifted_at": "2025-05-03T07:40",
    "longitude": "-11.2128", "latitude": "52.6035", "crs": "EPSG:4326", "outcome": "caught",
}  # fmt: skip
FISH = [{"species": "Cottus gobio", "count": "3", "count_kind": "exact"}]
OTHER = {"species": "Barbatula barbatula", "count": "1", "count_kind": "exact"}
CHANGES = [
    {},
    *({name: ""} for name in ("placement_id", "survey", "method", "set_at", "outcome")),
    {"longitude": "", "latitude": ""},
    {"lifted_at": "2025-05-02T19:00"},
    {"gear_count": "0"},
    {"gear_count": "1.5"},
    {"mesh_mm": "0"},
    {"water_temperature_c": "99"},
    {"dissolved_oxygen_mg_l": "-1"},
    {"outcome": "nil"},
    {"outcome": "lost"},
    {"outcome": "in_the_water"},
    {"outcome": "in_the_water", "method": "kick_net", "lifted_at": ""},
    {"method": "electric_fishing", "set_at": "2025-05-02T23:30", "lifted_at": "2025-05-02T23:50"},
    {"method": "spotlight", "set_at": "2025-05-02T12:00", "lifted_at": "2025-05-02T12:30"},
    {"method": "kick_net", "set_at": "2025-05-02T23:30", "lifted_at": "2025-05-02T23:50"},
]
CATCHES = [
    *({**FISH[0], "count": count} for count in ("", "0", "2.5", "some")),
    {**FISH[0], "count_kind": "present"},
    {**FISH[0], "species": ""},
]


@pytest.fixture
def page(tmp_path, open_page):
    path = tmp_path / "brook.gpkg"
    make_store(path).close()
    with served(open_store(path)) as address:
        yield open_page(f"{address}/placements/new", ready=READY)


def sheets():
    for change in CHANGES:
        cells = {name: value for name, value in (GOOD | change).items() if value}
        yield {"placement": cells, "catches": FISH, "lengths": [], "nothing_caught": False}
    for row in CATCHES:
        kept = {name: value for name, value in row.items() if value}
        yield {"placement": GOOD, "catches": [OTHER, kept], "lengths": [], "nothing_caught": False}


BOTH = """async (sheets) => {
  const { checkSheet } = await import("/static/entry_checks.js");
  const drafts = await import("/static/entry_drafts.js");
  const lists = JSON.parse(document.getElementById("lists").textContent);
  const { token } = await drafts.lend();
  const said = [];
  for (const sheet of sheets) {
    const { placement } = sheet;
    const at = placement.longitude && [Number(placement.longitude), Number(placement.latitude)];
    const method = lists.methods[placement.method];
    const zone = lists.timezone;
    const own = checkSheet(sheet, { rules: lists.rules, method, zone, at });
    said.push([own, (await drafts.post("/entry/check", { ...sheet, base: null }, token)).told]);
  }
  return said;
}"""


def test_page_and_service_refuse_the_same(page):
    """By part, column and sentence; the page knows nothing of what needs other records."""
    tried = list(sheets())
    refusals = 0
    for sheet, (own, told) in zip(tried, page.evaluate(BOTH, tried), strict=True):
        mine = {(one["part"], one["column"], one["message"]) for one in own["refused"]}
        theirs = {(one["part"], one["column"], one["message"]) for one in told["refused"]}
        assert {one[:2] for one in mine} == {one[:2] for one in theirs}, sheet
        assert mine <= theirs, sheet
        refusals += len(theirs)
        if not theirs:
            hours = {one["message"] for one in told["flagged"] if one["code"] == "outside_hours"}
            assert {one["message"] for one in own["flagged"]} == hours, sheet
    assert refusals > 15


def test_day_and_night_are_those_of_the_service(page):
    """Spencer (1971) in the browser against the algorithm of Reda & Andreas (2004) in pvlib.

    Within a degree of sunrise the two may differ; the service decides when it is sent.
    """
    rng = np.random.default_rng(3)
    count = 400
    lon, lat = rng.uniform(-20, 30, count), rng.uniform(35, 68, count)
    seconds = rng.uniform(0, 4 * 365 * 86400, count)
    times = pd.Timestamp("2022-01-01", tz="UTC") + pd.to_timedelta(seconds, unit="s")
    day = light_state(lon, lat, times) == "day"
    asked = [[float(x), float(y), t.isoformat()] for x, y, t in zip(lon, lat, times, strict=True)]
    found = page.evaluate(
        """async (asked) => {
          const { elevation, isDay } = await import("/static/entry_sun.js");
          return asked.map(([x, y, at]) => [isDay(x, y, Date.parse(at)),
            elevation(x, y, Date.parse(at))]);
        }""",
        asked,
    )
    own, height = np.array([one[0] for one in found]), np.array([one[1] for one in found])
    clear = np.abs(height + 0.8333) > 1
    assert clear.sum() > 350
    assert (own == day)[clear].all()


def test_the_nearest_reach_of_the_device_is_that_of_the_service(page):
    """Around the brook, without ambiguity: same reach, and within a metre as far away."""
    page.wait_for_function(
        "() => performance.getEntriesByType('resource').some("
        "(one) => one.name.includes('/reaches.geojson'))"
    )
    rng = np.random.default_rng(4)
    places = np.column_stack([
        -11.2128 + rng.uniform(-1, 1, 40) * 0.0006, 52.6035 + rng.uniform(-1, 1, 40) * 0.0006,
    ])  # fmt: skip
    found = page.evaluate(
        """async (places) => {
          const { nearestReach } = await import("/static/entry_nearest.js");
          const answer = await fetch("/reaches.geojson?bbox=-11.5,52.4,-11,52.8");
          const { features } = await answer.json();
          const both = [];
          for (const at of places) {
            const query = new URLSearchParams({ longitude: at[0], latitude: at[1] });
            const told = await (await fetch("/entry/nearest?" + query)).json();
            both.push([nearestReach(features, at, ""), told]);
          }
          return both;
        }""",
        places.tolist(),
    )
    same = [(own, told) for own, told in found if told["reach_id"] and not told["ambiguous"]]
    assert len(same) > 10
    for own, told in same:
        assert own["reach_id"] == told["reach_id"]
        assert own["offset_m"] == pytest.approx(told["offset_m"], abs=1)
