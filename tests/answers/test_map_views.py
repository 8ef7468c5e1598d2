"""What the map fetches: the same placements and states as the records say, bounded in size."""

import contextlib
import datetime as dt
import json
import threading

import geopandas as gpd
import numpy as np
import orjson
import pandas as pd
import pytest
import shapely

from layers.drawing.placement_map import CELL_PX, STATES, MapColumns, MapFilter, PlacementMap
from layers.drawing.record_features import species_caught
from layers.drawing.screen_lines import ScreenLines, grid_positions, grid_window, screen_paths
from layers.fieldwork.looking import detectable
from service import access, create_app, reference
from service.answers import map_views
from service.records import LOCAL_KEEPER, PUBLIC, Selection, StoreSettings, Viewer
from service.store import Moment, create_store
from tests.random_networks import CRS as NETWORK_CRS
from tests.sensitive_store import make_store, random_plan, twin

WORLD = (-180.0, -85.0, 180.0, 85.0)
MEMBER = Viewer("m", "member")
SELECTIONS = [
    Selection(),
    Selection(methods=("kick_net",)),
    Selection(methods=("kick_net", "hand_net"), since=dt.date(2023, 6, 1)),
    Selection(species=("Cottus gobio",)),
    Selection(species=("Anguilla anguilla",), until=dt.date(2024, 3, 31)),
    Selection(species=("Salmo salar", "Osmerus eperlanus")),
    Selection(surveys=("RIVERA",)),
    Selection(since=dt.date(2024, 1, 1), until=dt.date(2024, 12, 31)),
    Selection(since=dt.date(1990, 1, 1), until=dt.date(1990, 12, 31)),
]


@pytest.fixture(scope="module")
def plan():
    return random_plan(5, 160)


@pytest.fixture(scope="module")
def store(plan, tmp_path_factory):
    store = make_store(tmp_path_factory.mktemp("map") / "s.gpkg", plan)
    yield store
    store.close()


def states_by_record(store, selection, viewer):
    """State of each placement worked out record by record from what the gate hands over."""
    records = access.open_records(store, selection, viewer)
    can = detectable(store.species(), store.methods())
    caught = species_caught(records.catches).groupby("placement_id")["species"].agg(set)
    states = {}
    for name, row in records.placements.iterrows():
        if row.geometry is None:
            continue
        if row["outcome"] in ("lost", "disturbed"):
            state = "unusable"
        elif caught.get(name):  # the gate keeps only the chosen species' catches
            state = "caught"
        elif row["outcome"] not in ("caught", "nil"):
            state = "unrecorded"
        elif not selection.species:
            state = row["outcome"]
        else:
            detects = can.loc[list(selection.species), row["method"]].any()
            state = "nil" if detects else "other"
        states[name] = state
    return states


@pytest.mark.parametrize("viewer", [MEMBER, PUBLIC])
@pytest.mark.parametrize("selection", SELECTIONS)
def test_same_placements_and_states_as_the_records(store, selection, viewer):
    """Each selection shows, in each state, the very placements that the gate hands over."""
    answer = map_views.placements_in_view(store, selection, viewer, within=WORLD, zoom=3)
    shown = answer["placements"]
    states = {name: STATES[code] for name, code in zip(shown["id"], shown["state"], strict=True)}
    expected = states_by_record(store, selection, viewer)
    assert answer["total"] == answer["within"] == len(expected)
    placed = access.open_records(store, selection, viewer).placements.to_crs(4326)
    closed = placed.index[placed["generalised_km"] > 0] if "generalised_km" in placed else []
    assert states == {name: state for name, state in expected.items() if name not in closed}
    in_squares = pd.Series({name: expected[name] for name in closed}, dtype=object).value_counts()
    counts = np.array(answer["squares"]["counts"], int).reshape(-1, len(STATES)).sum(axis=0)
    assert dict(zip(STATES, counts, strict=True)) == {
        state: in_squares.get(state, 0) for state in STATES
    }
    at = placed.get_coordinates().loc[shown["id"]].to_numpy()
    assert np.allclose(np.array(shown["at"]).reshape(-1, 2), at, atol=1e-6)


@pytest.mark.parametrize("viewer", [MEMBER, PUBLIC])
def test_catchments_as_the_gate_judges_them(store, viewer):
    """A catchment holds the same placements here as in every other answer."""
    chosen = store.catchments().index[0]
    selection = Selection(catchments=(chosen,))
    shown = map_views.placements_in_view(store, selection, viewer, within=WORLD, zoom=3)
    records = access.open_records(store, selection, viewer)
    placements = records.placements
    if "generalised_km" in placements:
        placements = placements[~(placements["generalised_km"] > 0)]
    assert set(shown["placements"]["id"]) == set(placements.index)
    assert shown["total"] == len(records.placements) > 0


def test_twin_stores_show_the_public_the_same(plan, tmp_path):
    """Stores that differ only in what is hidden give the public the same bytes, in any window."""
    one = make_store(tmp_path / "one.gpkg", plan)
    two = make_store(tmp_path / "two.gpkg", twin(plan, 22))
    rng = np.random.default_rng(8)
    west, south, east, north = map_views.map_summary(one, Selection(), PUBLIC)["bounds"]
    for _ in range(40):
        x, y = np.sort(rng.uniform(west, east, 2)), np.sort(rng.uniform(south, north, 2))
        selection = SELECTIONS[rng.integers(len(SELECTIONS))]
        answers = [
            orjson.dumps(
                map_views.placements_in_view(
                    held, selection, PUBLIC, within=(x[0], y[0], x[1], y[1]), zoom=12
                )
            )
            for held in (one, two)
        ]
        assert answers[0] == answers[1]
    for held in (one, two):
        held.close()


def test_public_map_holds_no_exact_place_of_a_covered_placement(store):
    """What is kept for the public has cell centres, no survey, no reach and no stretch of them."""
    seen = access.open_placement_map(store, PUBLIC)
    columns = seen.columns
    covered = columns.square_km > 0
    assert covered.any()
    side = columns.square_km[covered] * 1000.0
    assert np.allclose(np.mod(columns.xy[covered], side[:, None]), side[:, None] / 2)
    assert (columns.survey[covered] == -1).all()
    assert np.isnan(columns.snapped_grid_xy[covered]).all()
    assert not covered[columns.stretch_by].any()
    assert (columns.last_day[covered] - columns.first_day[covered] >= 364).all()


def test_squares_hold_the_places_they_stand_for(store):
    """Each covered placement lies in a square that the public map draws; members get none."""
    answer = map_views.placements_in_view(store, Selection(), PUBLIC, within=WORLD, zoom=3)
    squares = shapely.polygons(
        [shapely.linearrings(ring) for (ring,) in answer["squares"]["rings"]]
    )
    _, covers = store.public_records(Selection())
    exact = store.records(Selection()).placements.to_crs(4326).geometry
    hidden = exact.loc[covers.index[(covers["step_km"] > 0) & (covers["step_km"] < 1000)]]
    assert len(hidden) > 0
    held = shapely.contains_xy(squares[:, None], hidden.x.to_numpy(), hidden.y.to_numpy())
    assert held.any(axis=0).all()
    sides = np.sqrt(gpd.GeoSeries(squares, crs=4326).to_crs(store.settings.crs).area) / 1000
    assert np.allclose(sides, answer["squares"]["side_km"], rtol=1e-4)
    told = map_views.placements_in_view(store, Selection(), MEMBER, within=WORLD, zoom=3)
    assert not any(told["squares"].values())


def test_squares_tell_what_was_found_in_them(store):
    """Placements by species and by year of each square are those that the public may open."""
    answer = map_views.placements_in_view(store, Selection(), PUBLIC, within=WORLD, zoom=3)
    seen = access.open_records(store, Selection(), PUBLIC)
    squares = answer["squares"]
    caught = seen.catches[seen.catches["count"] > 0].drop_duplicates(["placement_id", "species"])
    closed = seen.placements[seen.placements["generalised_km"] > 0]
    at = closed.to_crs(4326).get_coordinates().to_numpy()
    assert len(squares["side_km"]) > 3
    counted = 0
    for number, side in enumerate(squares["side_km"]):
        near = np.isclose(at, squares["at"][number], atol=2e-6).all(axis=1)
        mine = closed[near & closed["generalised_km"].eq(side).to_numpy()]
        assert sum(squares["counts"][number]) == len(mine) > 0
        counted += len(mine)
        years = mine["year"].astype(int).astype(str).value_counts().to_dict()
        assert squares["years"][number] == years
        assert squares["looked"][number] == mine["method"].value_counts().to_dict()
        fish = caught[caught["placement_id"].isin(mine.index)]
        assert squares["found"][number] == fish["species"].value_counts().to_dict()
    assert counted == len(closed)


def test_closed_squares_are_never_counted_among_exact_places(store, monkeypatch):
    """Too many for single marks: cells of exact places and of closed squares stay apart, and a
    list of each cell's box names whatever its exact count says."""
    monkeypatch.setattr(map_views, "MOST_PLACEMENTS", 4)
    monkeypatch.setattr(map_views, "_MOST_SQUARES", 2)
    answer = map_views.placements_in_view(store, Selection(), PUBLIC, within=WORLD, zoom=9)
    placements = access.open_records(store, Selection(), PUBLIC).placements
    closed = placements["generalised_km"] > 0
    cells = answer["cells"]
    by_kind = pd.Series(np.sum(cells["counts"], axis=1)).groupby(cells["closed"]).sum()
    assert by_kind.to_dict() == {0: (~closed).sum(), 1: closed.sum()}
    assert not answer["placements"]["id"]
    assert not answer["squares"]["at"]
    listed = set()
    for edges, is_closed in zip(cells["edges"], cells["closed"], strict=True):
        piece = [""]
        while piece and not is_closed:
            piece = map_views.placements_in_view(
                store, Selection(), PUBLIC, within=tuple(edges), zoom=9, after=piece[-1]
            )["placements"]["id"]
            listed |= set(piece)
    assert sorted(listed) == sorted(placements.index[~closed])


def many(n=200_000, seed=2):
    """Columns of many placements, strewn over 200 km."""
    rng = np.random.default_rng(seed)
    caught_by = rng.integers(0, n, n)
    return MapColumns(
        names=pd.Index([f"P{k}" for k in range(n)]),
        xy=(xy := rng.normal((400_000, 5_900_000), 60_000, (n, 2))),
        grid_xy=grid_positions(xy, "EPSG:32630"),
        square_km=np.zeros(n, np.int16),
        outcome=rng.integers(0, 5, n).astype(np.int8),
        method=rng.integers(0, 3, n).astype(np.int32),
        survey=rng.integers(-1, 4, n).astype(np.int32),
        first_day=(day := rng.integers(15_000, 19_000, n).astype(np.int32)),
        last_day=day,
        snapped_grid_xy=np.full((n, 2), np.nan),
        ambiguous=np.zeros(n, bool),
        caught_by=caught_by.astype(np.int32),
        caught=rng.integers(0, 9, n).astype(np.int32),
        stretch_by=np.empty(0, np.int32),
        stretch_reach=np.empty(0, np.int32),
        stretch_from_m=np.empty(0),
        stretch_to_m=np.empty(0),
        methods=("a", "b", "c"),
        surveys=("w", "x", "y", "z"),
        species=tuple(f"s{k}" for k in range(9)),
        reaches=(),
    )


def test_windows_and_cells_by_plain_counting():
    """Rows of a window, and counts of its cells, are those found by looking at every placement."""
    columns = many(20_000)
    held = PlacementMap(columns)
    placed = grid_positions(columns.xy, "EPSG:32630")
    rng = np.random.default_rng(4)
    low, high = placed.min(axis=0), placed.max(axis=0)
    asked = MapFilter(methods=("a", "c"), surveys=("x",), species=("s4",), detecting=("a",))
    states = held.states(asked)
    chosen = np.isin(columns.method, [0, 2]) & (columns.survey == 1)
    for zoom in (6, 9, 12):
        corners = np.sort(rng.uniform(low, high, (2, 2)), axis=0)
        window = (*corners[0], *corners[1])
        rows = held.in_window(window, states)
        inside = chosen & (placed >= corners[0]).all(axis=1) & (placed <= corners[1]).all(axis=1)
        assert sorted(held.names_of(rows)) == sorted(columns.names.take(np.flatnonzero(inside)))
        counts = held.counts(rows, states, zoom)
        assert counts.counts.sum() == len(rows)
        cells = np.floor(placed[inside] * 2**zoom * 256 / CELL_PX)
        _, sizes = np.unique(cells, axis=0, return_counts=True)
        assert sorted(sizes) == sorted(counts.counts.sum(axis=1))
        assert (counts.xy >= counts.window[:, :2]).all()
        assert (counts.xy <= counts.window[:, 2:]).all()


def test_window_beyond_all_placements_is_empty():
    """A view of the other side of the earth, and one across 180 degrees, hold what they hold."""
    held = PlacementMap(many(1_000))
    states = held.states(MapFilter())
    assert not len(held.in_window(grid_window(100, -50, 120, -40), states))
    assert not len(held.in_window(grid_window(170, -50, -170, -40), states))
    assert len(held.in_window(grid_window(170, -85, 169, 85), states)) == 1_000


def test_placements_without_a_position_are_in_no_view(store):
    """A placement without a position is counted in all, and shown nowhere."""
    columns = many(100)
    columns.grid_xy[:7] = np.nan
    held = PlacementMap(columns)
    states = held.states(MapFilter())
    assert len(held.in_window((0.0, 0.0, 1.0, 1.0), states)) == 93
    assert np.count_nonzero(states < len(STATES)) == 100


def test_answers_stay_small():
    """Counts of any number of placements on a wide screen stay under 300 kB."""
    held = PlacementMap(many())
    states = held.states(MapFilter())
    for zoom in range(4, 14):
        metres = 2 * np.pi * 6_378_137 / (256 * 2**zoom)
        half = np.array([1920, 1080]) * 1.6 * metres / 2 / (2 * np.pi * 6_378_137)
        middle = np.array([np.median(held.x), np.median(held.y)])
        rows = held.in_window((*(middle - half), *(middle + half)), states)
        cells = map_views._cells([(held.counts(rows, states, zoom), False)])
        assert len(orjson.dumps(cells)) < 300_000


def test_a_map_keeps_few_bytes_beside_the_records():
    """A placement takes 4 bytes beside its columns, a vertex 1 at each zoom that it is left at."""
    held = PlacementMap(many())
    kept = sum(getattr(value, "nbytes", 0) for value in vars(held).values())
    assert kept < 4 * len(held) + 600_000
    rng = np.random.default_rng(3)
    xy = np.cumsum(rng.normal(0, 2_000, (500, 60, 2)), axis=1) + np.array([5e5, 5e6])
    lines = ScreenLines(shapely.linestrings(xy), np.ones(500, int), NETWORK_CRS)
    view = lines.in_view((0.0, 0.0, 1.0, 1.0), 12, most_vertices=100_000)
    assert sum(map(len, view.paths)) / 2 > 10_000
    assert sum(part.nbytes for part in lines._simple[12]) <= 500 * 60 + 500


def test_many_threads_make_the_map_once(plan, tmp_path, monkeypatch):
    """Twenty first visitors at once read the placements once; a change reads what it touched."""
    store = make_store(tmp_path / "t.gpkg", plan)
    made = []
    read = Moment.pieces
    monkeypatch.setattr(
        Moment,
        "pieces",
        lambda self, rows, **how: made.append((self.public, len(rows))) or read(self, rows, **how),
    )
    threads = [
        threading.Thread(target=access.open_placement_map, args=(store, MEMBER)) for _ in range(20)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert made == [(False, len(store.records(Selection()).placements))]
    before = len(access.open_placement_map(store, MEMBER))
    store.remove_placement("TRAP-0003", who="t")
    assert len(access.open_placement_map(store, MEMBER)) == before - 1
    assert made[1:] == [(False, 0)]
    access.open_placement_map(store, PUBLIC)
    assert made[-1][0]
    store.close()


# EPSG Guidance Note 7-2 (2019), section 3.2.1.2, Popular Visualisation Pseudo-Mercator, worked
# example: 24°22'54.433" N, 100°20'00.000" W is E -11 169 055.58 m, N 2 800 000.00 m (from memory).
def test_grid_positions_by_the_published_example():
    """The web map grid is EPSG:3857, brought to a square of one."""
    latitude, longitude = 24 + 22 / 60 + 54.433 / 3600, -(100 + 20 / 60)
    half = np.pi * 6_378_137
    at = grid_positions(np.array([[longitude, latitude]]), 4326)[0]
    assert at * 2 * half - [half, half] == pytest.approx([-11_169_055.58, -2_800_000.0], abs=0.01)
    assert grid_window(longitude, -10, 10, latitude)[:2] == pytest.approx(tuple(at))


def decoded(path, zoom):
    steps = np.cumsum(np.array(path).reshape(-1, 2), axis=0)
    return shapely.LineString(steps / (512 * 2.0**zoom))


def test_paths_keep_within_a_pixel():
    """A path read back lies within a pixel of its line, at every zoom."""
    rng = np.random.default_rng(1)
    lines = shapely.linestrings(0.5 + np.cumsum(rng.normal(0, 2e-6, (20, 60, 2)), axis=1))
    for zoom in (8, 12, 16, 20):
        pixel = 1 / (256 * 2.0**zoom)
        for line, path in zip(lines, screen_paths(lines, zoom), strict=True):
            if path:
                assert shapely.hausdorff_distance(decoded(path, zoom), line) < 1.1 * pixel
            else:
                assert max(np.ptp(shapely.get_coordinates(line), axis=0)) < 3 * pixel
    assert screen_paths(np.empty(0, object), 5) == []


@pytest.mark.parametrize("zoom", [6, 11, 15])
def test_lines_in_view_keep_their_shape_and_box(zoom):
    """Thinned lines stay within two pixels of the true ones; their box is PROJ's, in degrees."""
    rng = np.random.default_rng(5)
    xy = np.cumsum(rng.normal(0, 2_000, (20, 60, 2)), axis=1) + np.array([5e5, 5e6])
    lines = shapely.linestrings(xy)
    held = ScreenLines(lines, np.ones(20, int), NETWORK_CRS)
    view = held.in_view((0.0, 0.0, 1.0, 1.0), zoom, most_vertices=100_000)
    pixel = 1 / (256 * 2.0**zoom)
    for row, path in zip(view.rows, view.paths, strict=True):
        true = shapely.LineString(grid_positions(xy[row], NETWORK_CRS))
        assert shapely.hausdorff_distance(decoded(path, zoom), true) < 2 * pixel
    degrees = gpd.GeoSeries(lines, crs=NETWORK_CRS).to_crs(4326)
    assert held.bounds(np.arange(20)) == pytest.approx(degrees.total_bounds.tolist(), abs=1e-6)


def test_lines_left_out_are_the_lowest_ranks():
    """Where there are too many lines the lowest orders go, and the answer says from where."""
    rng = np.random.default_rng(3)
    start = rng.uniform(500_000, 600_000, (3_000, 1, 2)) + np.array([0, 5_000_000])
    lines = shapely.linestrings(np.concatenate([start, start + 900], axis=1))
    ranks = rng.choice([1, 2, 3, 4], 3_000, p=[0.6, 0.25, 0.1, 0.05])
    held = ScreenLines(lines, ranks, NETWORK_CRS)
    whole = (0.0, 0.0, 1.0, 1.0)
    every = held.in_view(whole, 12, most_vertices=100_000)
    assert every.least_rank == 1
    assert len(every.rows) == 3_000
    some = held.in_view(whole, 12, most_vertices=2_000)
    assert some.least_rank == 3
    assert sorted(some.rows) == np.flatnonzero(ranks >= 3).tolist()
    assert (np.diff(ranks[some.rows]) >= 0).all()
    few = held.in_view(whole, 12, most_vertices=100_000, most_lines=10)
    assert few.least_rank == 4
    assert len(few.rows) == 10


@pytest.fixture(scope="module")
def client(store):
    return create_app(store, viewer=LOCAL_KEEPER).test_client()


@pytest.mark.parametrize(
    ("address", "words"),
    [
        ("/map/placements.json?zoom=4", "bbox is missing"),
        ("/map/placements.json?bbox=0,0,1,1", "zoom"),
        ("/map/lines.json?bbox=0,0,1,1&zoom=-1", "zoom"),
        ("/map/placements.json?bbox=0,0,1&zoom=4", "not four numbers"),
        ("/map/placements.json?bbox=0,0,1,1&zoom=4&species=Perca+nulla", "no species"),
        ("/map/cards.json", "at least one"),
        ("/map/position.json?longitude=x&latitude=1", "longitude"),
        ("/map/position.json?longitude=1&latitude=91", "latitude"),
        ("/map/placements.json?bbox=0,0,1,1&zoom=4&colour=red", "no parameter"),
    ],
)
def test_addresses_that_cannot_be_answered(client, address, words):
    """What is wrong with an address is said, with status 400."""
    answer = client.get(address)
    assert answer.status_code == 400
    assert words in answer.json["detail"]


def test_position_in_the_crs_of_the_store(client, store):
    """The pointer's place in metres is that of the store's CRS, and names it."""
    point = gpd.GeoSeries([shapely.Point(345_000, 5_825_000)], crs=store.settings.crs).to_crs(4326)
    answer = client.get(f"/map/position.json?longitude={point.x[0]}&latitude={point.y[0]}")
    assert answer.json["position"] == "345000 5825000 EPSG:32629"


def test_position_is_told_in_metres_where_the_survey_is_in_degrees(client, monkeypatch):
    """A survey in a projected CRS tells its own; one in degrees leaves that of the store."""
    known = pd.DataFrame({"crs": ["EPSG:4326", "EPSG:25829"]}, index=["Degrees", "Metres"])
    monkeypatch.setattr("service.web.pages.map_views.surveys", lambda *_: known)
    asked = "/map/position.json?longitude=-11.2&latitude=52.6&survey="
    assert client.get(asked + "Degrees").json["position"].endswith(" EPSG:32629")
    assert client.get(asked + "Metres").json["position"].endswith(" EPSG:25829")


def test_cards_are_the_features_of_the_records(client):
    """A card says what the placements layer says of the same placement, all its catch included."""
    card = client.get("/map/cards.json?placement=TRAP-0004&species=Salmo+salar")
    whole = json.loads(client.get("/placements.geojson").data)
    stored = {one["id"]: one for one in whole["features"]}
    found = json.loads(card.data)
    assert found["count"] == 1
    assert found["features"] == [stored["TRAP-0004"]]
    assert json.loads(client.get("/map/cards.json?placement=nobody").data)["features"] == []


def test_empty_store_answers_empty(tmp_path):
    """Without reaches, catchments and placements every view is empty, and the page says so."""
    store = create_store(tmp_path / "e.gpkg", StoreSettings("EPSG:32629", "UTC"))
    client = create_app(store, viewer=LOCAL_KEEPER).test_client()
    view = "bbox=-12,50,-10,54&zoom=9"
    shown = client.get(f"/map/placements.json?{view}").json
    assert shown["total"] == shown["within"] == 0
    assert shown["placements"]["id"] == []
    lines = client.get(f"/map/lines.json?{view}").json
    assert lines["reaches"]["path"] == lines["catchments"]["path"] == []
    assert "There are no placements yet" in client.get("/").text
    store.close()


def test_lines_of_a_view(client, store):
    """Reaches and catchments of a view are those that meet it, each catchment named once."""
    lines = client.get("/map/lines.json?bbox=-12,50,-10,54&zoom=14").json
    assert lines["least_order"] == 1
    assert len(lines["reaches"]["path"]) == len(reference.network(store).reaches)
    names = pd.Series(lines["catchments"]["name"], dtype=object)
    assert names[names != ""].notna().sum() <= len(store.catchments())
    far = client.get("/map/lines.json?bbox=100,10,101,11&zoom=14").json
    assert far["reaches"]["path"] == far["catchments"]["path"] == []


def test_what_the_first_page_says_of_the_network_is_read_without_joining_it(tmp_path):
    """Its box and the names of its streams are those of the reaches, as GeoPandas has them."""
    names = [" Alder Burn", "Mill Race", "Alder Burn ", "", "  ", None]
    with contextlib.closing(make_store(tmp_path / "n.gpkg")) as store:
        reaches, parts = store.reaches(), store.reach_parts().iloc[:0]
        reaches["stream_name"] = [names[k % len(names)] for k in range(len(reaches))]
        without = access.open_records(store, Selection(), LOCAL_KEEPER)
        nothing = without.snaps, without.stretches, without.flags
        store.replace_network(reaches, parts, *nothing, who="t")
        _, table = reference.network(store).streams
        offered = reference.stream_names(store)
        assert offered == sorted(table.loc[table["named"], "stream"].unique())
        assert offered == ["Alder Burn", "Mill Race"]
        box, own = np.array(map_views.network_bounds(store)), reaches.to_crs(4326).total_bounds
        assert (box[:2] <= own[:2]).all()
        assert (own[2:] <= box[2:]).all()
        np.testing.assert_allclose(box, own, atol=2e-3)
        store.replace_network(reaches.iloc[:0], parts, *nothing, who="t")
        assert reference.stream_names(store) == []
        assert map_views.network_bounds(store) is None
