"""The invented island hangs together: network, catchments, sheets, and hours of work."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import networkx as nx
import numpy as np
import pandas as pd
import pvlib
import pytest
import shapely
from pyproj import Transformer

import demo_sites
from demo_sites.generate_island import write_island

SEVEN = {
    "kick_net", "hand_net", "spotlight", "minnow_trap", "fyke_net", "seine", "electric_fishing",
}  # fmt: skip
GENUS_OR_FAMILY = 4


@pytest.fixture(scope="module")
def reaches() -> gpd.GeoDataFrame:
    return gpd.read_file(demo_sites.REACHES[0], layer=demo_sites.REACHES[1])


@pytest.fixture(scope="module")
def catchments() -> gpd.GeoDataFrame:
    file, layer = demo_sites.CATCHMENTS
    return gpd.read_file(file, layer=layer).set_index("catchment_id")


@pytest.fixture(scope="module")
def sheets() -> dict[str, pd.DataFrame]:
    paths = (
        demo_sites.PLACEMENTS, demo_sites.CATCHES, demo_sites.LENGTHS, demo_sites.SURVEYS,
        demo_sites.SITES, demo_sites.SPECIES,
    )  # fmt: skip
    return {path.stem: pd.read_csv(path) for path in paths}


@pytest.fixture(scope="module")
def graph(reaches) -> nx.MultiDiGraph:
    graph = nx.MultiDiGraph()
    for reach in reaches.itertuples():
        graph.add_edge(reach.geometry.coords[0], reach.geometry.coords[-1], reach.reach_id)
    return graph


@pytest.fixture(scope="module")
def positions(sheets) -> gpd.GeoDataFrame:
    """Positions of all placements in metres, from whichever columns the sheet uses."""
    placements = sheets["placements"]
    points = []
    for row in placements.itertuples():
        if isinstance(row.geometry, str):
            shape = shapely.from_wkt(row.geometry)
            point = (
                shape.centroid if shape.geom_type == "Polygon" else shapely.Point(shape.coords[0])
            )
        elif np.isnan(row.easting):
            point = shapely.Point(row.longitude, row.latitude)
        else:
            point = shapely.Point(row.easting, row.northing)
        project = Transformer.from_crs(row.crs, demo_sites.ISLAND_CRS, always_xy=True)
        points.append(shapely.Point(project.transform(point.x, point.y)))
    return gpd.GeoDataFrame(placements.copy(), geometry=points, crs=demo_sites.ISLAND_CRS)


def test_network_is_a_sound_directed_graph(reaches, graph):
    assert 300 <= len(reaches) <= 450
    assert reaches["reach_id"].is_unique
    assert reaches.geom_type.eq("LineString").all()
    assert reaches.is_simple.all()
    assert reaches.length.min() > 10
    assert set(reaches["kind"]) == {"stream", "lake_path", "connector", "ditch"}
    assert nx.is_directed_acyclic_graph(graph)  # drawn downstream throughout
    assert nx.number_weakly_connected_components(graph) > 10


def test_reaches_meet_only_at_their_ends(reaches):
    pairs = np.array(reaches.sindex.query(reaches.geometry, predicate="intersects"))
    pairs = pairs[:, pairs[0] < pairs[1]]
    one, two = (reaches.geometry.array[side] for side in pairs)
    shared = shapely.intersection(one, two)
    assert set(shapely.get_type_id(shared)) <= {0, 4}  # points, or two points: side channels
    ends = shapely.union_all(reaches.boundary.array)
    assert shapely.covers(ends, shared).all()


def test_ends_that_nearly_meet_do_meet(graph):
    nodes = np.array(graph.nodes)
    near = shapely.STRtree(shapely.points(nodes)).query(
        shapely.points(nodes), predicate="dwithin", distance=5.0
    )
    assert near.shape[1] == len(nodes)


def test_two_channels_part_and_rejoin_and_one_stream_sinks(reaches, graph):
    parting = [node for node in graph if graph.out_degree(node) > 1]
    assert len(parting) == 2
    for node in parting:
        one, two = (target for _, target in graph.out_edges(node))
        assert one == two
    land = shapely.union_all(gpd.read_file(demo_sites.ISLAND, layer="catchments").geometry.array)
    mouths = [node for node in graph if graph.out_degree(node) == 0]
    inland = [node for node in mouths if land.boundary.distance(shapely.Point(node)) > 300]
    assert len(inland) == 1


def test_island_lies_in_open_ocean(reaches):
    west, south, east, north = reaches.to_crs("EPSG:4326").total_bounds
    assert -11.6 < west < east < -10.8
    assert 52.4 < south < north < 52.8


def test_children_tile_their_parent(catchments):
    tops = catchments[catchments["parent_id"].isna()]
    assert catchments.is_valid.all()
    for parent in tops.index:
        children = catchments[catchments["parent_id"] == parent]
        if len(children):
            assert 2 <= len(children) <= 4
            assert children.area.sum() == pytest.approx(catchments.area[parent], rel=1e-9)
            missed = children.union_all().symmetric_difference(catchments.geometry[parent])
            assert missed.area < 1.0
    assert 4 <= catchments["parent_id"].dropna().nunique() <= 8
    assert tops.area.sum() == pytest.approx(tops.union_all().area, rel=1e-9)  # none overlap


def test_catchments_hold_the_whole_network(reaches, catchments):
    ground = catchments.union_all()
    outside = reaches.geometry.difference(ground).length.sum()
    assert outside < 1e-3 * reaches.length.sum()


def test_programme(sheets):
    placements = sheets["placements"]
    assert len(placements) >= 170
    assert placements["placement_id"].is_unique
    assert set(placements["method"]) == SEVEN
    assert set(placements["set_at"].str[:4]) == {"2021", "2022", "2023", "2024", "2025"}
    assert set(placements["outcome"]) == {"caught", "nil", "lost", "disturbed", "unrecorded"}
    assert (placements["site"].value_counts() > 1).sum() >= 25
    assert placements["crs"].nunique() == 2
    assert not placements["set_at"].str.contains(r"[Z+]").any()  # clock times, no offset
    overnight = placements[placements["method"].isin(["minnow_trap", "fyke_net"])]
    assert overnight["set_at"].str[11:].between("17:00", "19:00").all()


def test_enough_repeats_for_occupancy(sheets):
    repeats = sheets["placements"].query("survey == 'OCC24' and outcome in ['caught', 'nil']")
    visits = repeats.groupby("site").size()
    assert (visits >= 3).sum() >= 25
    per_method = repeats.groupby(["method", "site"]).size().groupby("method").size()
    assert (per_method >= 25).sum() >= 3
    found = repeats.merge(sheets["catches"], on="placement_id")
    places = found.groupby("species")["site"].nunique()
    assert ((places >= 5) & (places < len(visits))).sum() >= 3


def test_catches_agree_with_placements(sheets):
    placements, catches = sheets["placements"], sheets["catches"]
    outcome = catches["placement_id"].map(placements.set_index("placement_id")["outcome"])
    assert outcome.eq("caught").all()
    caught = set(placements.loc[placements["outcome"] == "caught", "placement_id"])
    assert caught == set(catches["placement_id"])
    assert set(catches["species"]) <= set(sheets["species"]["species"])
    assert set(sheets["lengths"]["placement_id"]) <= caught
    assert set(catches["count_kind"]) == {"exact", "at_least", "estimate", "present"}
    assert catches["count"].isna().eq(catches["count_kind"] == "present").all()
    assert (catches["count"].dropna() >= 1).all()
    assert set(placements["site"].dropna()) <= set(sheets["sites"]["site"])
    assert set(placements["survey"]) == set(sheets["surveys"]["survey"])


def test_passes_fall_but_for_one(sheets):
    passes = sheets["catches"].dropna(subset="pass_no")
    table = passes.pivot_table("count", ["placement_id", "species"], "pass_no", "sum").fillna(0)
    rising = table[(table[3] > table[1]) & (table.sum(axis=1) >= 10)]
    assert len(rising) == 1
    total = table.sum()
    assert total[1] > total[2] > total[3]


def test_species_list(sheets):
    species = sheets["species"]
    assert species["rank"].value_counts()["species"] >= 20
    assert len(species) == species["species"].nunique()
    assert (species["rank"] != "species").sum() == GENUS_OR_FAMILY
    assert set(species["sensitivity"]) == {"none", "1", "10", "withheld"}
    assert species["sensitive_from"].notna().any()
    assert (species["min_length_mm"] < species["max_length_mm"]).all()


def test_gear_lies_at_the_streams_but_for_one(positions, reaches):
    offset = shapely.distance(positions.geometry.array, reaches.union_all())
    assert (offset > 100).sum() == 1
    assert np.median(offset) < 10


def test_one_position_lies_between_two_reaches(positions, reaches):
    meeting = positions[positions["notes"].eq("at the meeting, bank not noted")]
    near = np.sort(reaches.distance(meeting.geometry.iloc[0]).to_numpy())
    assert near[1] - near[0] < meeting["position_uncertainty_m"].iloc[0]


def test_some_catchments_are_never_sampled(positions, catchments):
    tops = catchments[catchments["parent_id"].isna()]
    sampled = gpd.sjoin(positions, tops[["geometry"]], predicate="within")["catchment_id"]
    assert 2 <= len(set(tops.index) - set(sampled)) <= 5
    assert sampled.nunique() >= 4


def test_hours_of_work_by_the_sun(positions):
    """Sun heights by pvlib (NREL solar position algorithm)."""
    degrees = positions.to_crs("EPSG:4326")
    for column in ("set_at", "lifted_at"):
        local = pd.to_datetime(degrees[column]).dt.tz_localize(demo_sites.TIMEZONE)
        for method, low, high in (("electric_fishing", 5, 90), ("spotlight", -90, -5.9)):
            mine = degrees["method"] == method
            for when, point in zip(local[mine], degrees.geometry[mine], strict=True):
                sun = pvlib.solarposition.get_solarposition(
                    pd.DatetimeIndex([when]), point.y, point.x
                )["elevation"].iloc[0]
                assert low < sun < high, (method, when)


def test_one_night_spans_a_clock_change(sheets):
    placements = sheets["placements"]
    begin, end = (
        pd.to_datetime(placements[name]).dt.tz_localize(demo_sites.TIMEZONE)
        for name in ("set_at", "lifted_at")
    )
    assert (begin < end).all()
    shift = begin.map(lambda t: t.utcoffset()) != end.map(lambda t: t.utcoffset())
    assert 1 <= shift.sum() <= 5


def test_files_are_small():
    folder = Path(demo_sites.__file__).parent
    files = [path for path in folder.iterdir() if path.is_file()]
    assert sum(path.stat().st_size for path in files) < 3_000_000


@pytest.mark.slow
def test_second_run_writes_the_same_files(tmp_path):
    for path in write_island(tmp_path):
        kept = Path(demo_sites.__file__).parent / path.name
        if path.suffix == ".csv":
            assert path.read_bytes() == kept.read_bytes(), path.name
    for layer in ("reaches", "catchments", "waterbodies"):
        again = gpd.read_file(tmp_path / "island.gpkg", layer=layer)
        before = gpd.read_file(demo_sites.ISLAND, layer=layer)
        pd.testing.assert_frame_equal(
            again.drop(columns="geometry"), before.drop(columns="geometry")
        )
        assert again.geom_equals_exact(before, tolerance=1e-6).all()
