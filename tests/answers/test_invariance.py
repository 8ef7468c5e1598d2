"""What must not change the answers: direction of drawing, order of sheets, reaches cut in two.

On the invented island and on a real extract of New Hope Creek (NHDPlus Version 2.1, USGS and US
EPA, public domain; see tests/references/newhope). Every network distance is compared with
NetworkX on a graph that is built here from the ends of the lines.
"""

import datetime as dt
import shutil

import geopandas as gpd
import networkx as nx
import numpy as np
import pandas as pd
import pytest
import shapely
import shapely.ops
from click.testing import CliRunner

import demo_sites
from layers.fieldwork.counted_water import COUNTS
from service.answers import summaries
from service.commands.demo_store import build_demo
from service.program import main
from service.records import LOCAL_KEEPER, Selection
from service.reference.files import read_features
from service.reference.loading_layers import load_reaches
from service.store import open_store
from tests.conftest import REFERENCES
from tests.test_journey_newhope import SPECIES, field_work

AS_OF = dt.date(2026, 1, 1)
ALL = Selection()


def command(*arguments):
    result = CliRunner().invoke(main, [str(argument) for argument in arguments])
    assert result.exit_code == 0, result.output


def creek_store(folder, raw, placements, catches):
    """The extract of New Hope Creek with seeded field work, made by commands."""
    folder.mkdir(exist_ok=True)
    store = folder / "creek.gpkg"
    west, south, east, north = raw.total_bounds
    boxes = [shapely.box(west - 500, south - 500, east + 500, north + 500),
             shapely.box(west - 500, south - 500, (west + east) / 2, north + 500)]  # fmt: skip
    areas = gpd.GeoDataFrame(
        {"catchment_id": ["C1", "C2"], "parent_id": [None, "C1"]}, geometry=boxes, crs=raw.crs
    )
    areas.to_file(folder / "areas.fgb")
    raw.to_file(folder / "reaches.fgb")
    pd.DataFrame({"species": SPECIES}).to_csv(folder / "species.csv", index=False)
    placements.to_csv(folder / "p.csv", index=False)
    catches.to_csv(folder / "c.csv", index=False)
    command("init", store, "--crs", "EPSG:26917", "--timezone", "America/New_York")
    command("load", "catchments", store, folder / "areas.fgb")
    command("load", "reaches", store, folder / "reaches.fgb")
    command("load", "species", store, folder / "species.csv")
    command("import", store, "--placements", folder / "p.csv", "--catches", folder / "c.csv")
    return store


@pytest.fixture(scope="module")
def creek_sheets():
    raw = gpd.read_file(REFERENCES / "newhope" / "reaches.fgb")
    return raw, *field_work(np.asarray(raw.geometry), 180, seed=3)


@pytest.fixture(scope="module", params=["island", "creek"])
def case(request, tmp_path_factory, creek_sheets):
    """A store file and the reaches that went into it."""
    folder = tmp_path_factory.mktemp(request.param)
    if request.param == "island":
        return build_demo(folder), read_features(*demo_sites.REACHES)
    return creek_store(folder, *creek_sheets), creek_sheets[0]


@pytest.fixture(scope="module")
def base(case):
    return answers(case[0])


def answers(path):
    """What the records say, in figures that reaches' names and numbers do not enter."""
    store = open_store(path, read_only=True)
    by = {
        groups: summaries.sampled_length(store, ALL, LOCAL_KEEPER, by=groups)
        for groups in ((), ("catchment",), ("strahler",), ("year", "survey"))
    }
    gaps = {
        count: summaries.gaps(store, ALL, LOCAL_KEEPER, counts=count)[
            ["length_m", "highest_strahler", "farthest_m"]
        ]
        for count in COUNTS
    }
    occurrence = summaries.occurrence(store, ALL, LOCAL_KEEPER)
    coverage = summaries.coverage(store, ALL, LOCAL_KEEPER, as_of=AS_OF)
    effort = summaries.effort(store, ALL, LOCAL_KEEPER)
    store.close()
    same = ["catchment", "species", "state", "placements", "placements_found",
            "placement_proportion", "first_date", "last_date",
            "first_looked", "last_looked", "looked_methods", "effort", "individuals", "methods",
            "note"]  # fmt: skip
    rates = ["method", "catchment", "species", "placements", "effort", "individuals", "cpue"]
    # Numbers of reaches are another thing where reaches are cut.
    occurrence["note"] = occurrence["note"].str.replace(r", \d+ of \d+ reaches$", "", regex=True)
    return {
        "sampled": by,
        "gaps": gaps,
        "occurrence": occurrence[same],
        "effort": effort[rates],
        "coverage": coverage,
    }


def assert_same(one, other, *, coverage=True):
    for groups, frame in one["sampled"].items():
        pd.testing.assert_frame_equal(frame, other["sampled"][groups], rtol=0, atol=1e-5)
    for name in ("occurrence", "effort"):
        pd.testing.assert_frame_equal(one[name], other[name], rtol=1e-9, atol=1e-9)
    for count, frame in one["gaps"].items():
        for column in frame:
            np.testing.assert_allclose(
                frame[column].astype(float), other["gaps"][count][column].astype(float), atol=1e-5
            )
    if coverage:
        columns = ["reach_id", "state", "placements", "visited_fraction", "sampled_fraction",
                   "distance_to_visited_m", "distance_to_sampled_m"]  # fmt: skip
        pd.testing.assert_frame_equal(
            pd.DataFrame(one["coverage"])[columns], pd.DataFrame(other["coverage"])[columns],
            rtol=0, atol=1e-6,
        )  # fmt: skip


def reloaded(case, folder, raw, **options):
    path = shutil.copy(case[0], folder / "other.gpkg")
    store = open_store(path)
    load_reaches(store, raw, who="test", **options)
    store.close()
    return answers(path)


def test_lines_drawn_upstream_say_the_same(case, base, tmp_path):
    """Every line turned round in the file, and turned back by --reverse-flow."""
    raw = case[1]
    turned = raw.set_geometry(shapely.reverse(np.asarray(raw.geometry)), crs=raw.crs)
    assert_same(base, reloaded(case, tmp_path, turned, reverse_flow=True))


def test_reaches_cut_in_two_say_the_same(case, base, tmp_path):
    """Every reach above 60 m is cut at a new node; its name and order go on in both parts."""
    raw = case[1].reset_index(drop=True)
    rng = np.random.default_rng(5)
    length = raw.length.to_numpy()
    cut = np.flatnonzero(length > 60)
    at = length[cut] * rng.uniform(0.2, 0.8, len(cut))
    lines = np.asarray(raw.geometry)
    upper, lower = raw.iloc[cut].copy(), raw.iloc[cut].copy()
    parts = [
        (shapely.ops.substring(line, 0, m), shapely.ops.substring(line, m, line.length))
        for line, m in zip(lines[cut], at, strict=True)
    ]
    upper["reach_id"] = upper["reach_id"].astype("str") + "a"
    lower["reach_id"] = lower["reach_id"].astype("str") + "b"
    upper = upper.set_geometry([part[0] for part in parts], crs=raw.crs)
    lower = lower.set_geometry([part[1] for part in parts], crs=raw.crs)
    rest = raw.drop(raw.index[cut])
    rest["reach_id"] = rest["reach_id"].astype("str")
    other = reloaded(case, tmp_path, pd.concat([rest, upper, lower], ignore_index=True))
    assert_same(base, other, coverage=False)
    joined = other["coverage"].assign(whole=other["coverage"]["reach_id"].str.rstrip("ab"))
    own = base["coverage"].set_index("reach_id")
    for count in COUNTS:
        joined["metres"] = joined[f"{count}_fraction"] * joined["length_m"]
        whole = joined.groupby("whole").agg(
            metres=("metres", "sum"), far=(f"distance_to_{count}_m", "max")
        )
        whole = whole.loc[own.index]
        np.testing.assert_allclose(whole["far"], own[f"distance_to_{count}_m"], atol=1e-5)
        expected = own[f"{count}_fraction"] * own["length_m"]
        np.testing.assert_allclose(whole["metres"], expected, atol=1e-5)


def test_sheets_in_another_order_say_the_same(creek_sheets, tmp_path):
    """Rows of placements and of catches shuffled before the import."""
    raw, placements, catches = creek_sheets
    one = answers(creek_store(tmp_path / "one", raw, placements, catches))
    mixed = (frame.sample(frac=1, random_state=2) for frame in (placements, catches))
    shuffled = raw.sample(frac=1, random_state=4)
    assert_same(one, answers(creek_store(tmp_path / "two", shuffled, *mixed)))


def farthest_by_networkx(lines, sampled):
    """Distance from each reach's farthest unsampled point to the nearest sampled stretch.

    `lines` by reach; `sampled` lists (from, to) by reach. Ends within half a metre are a node.
    """
    ends = np.array([line.coords[k] for line in lines for k in (0, -1)])
    near = nx.Graph()
    near.add_nodes_from(range(len(ends)))
    near.add_edges_from(shapely.STRtree(shapely.points(ends)).query(
        shapely.points(ends), predicate="dwithin", distance=0.5).T.tolist())  # fmt: skip
    node = {}
    for number, group in enumerate(nx.connected_components(near)):
        node |= dict.fromkeys(group, number)
    graph, pieces, sources = nx.MultiGraph(), {}, set()
    for row, (reach, line) in enumerate(lines.items()):
        stops = sorted({0.0, line.length, *(m for pair in sampled.get(reach, ()) for m in pair)})
        names = [(reach, stop) for stop in stops]
        names[0], names[-1] = node[2 * row], node[2 * row + 1]
        pieces[reach] = []
        for k in range(len(stops) - 1):
            middle = (stops[k] + stops[k + 1]) / 2
            graph.add_edge(names[k], names[k + 1], weight=stops[k + 1] - stops[k])
            if any(a <= middle <= b for a, b in sampled.get(reach, ())):
                sources |= {names[k], names[k + 1]}
            else:
                pieces[reach].append((names[k], names[k + 1], stops[k + 1] - stops[k]))
    distance = nx.multi_source_dijkstra_path_length(graph, sources)
    return {
        reach: max(
            ((distance.get(a, np.inf) + distance.get(b, np.inf) + length) / 2
             for a, b, length in own), default=0.0,
        )
        for reach, own in pieces.items()
    }  # fmt: skip


def test_every_distance_along_the_network_is_networkxs(case, base):
    """Coverage of every reach, and the farthest point of every gap."""
    store = open_store(case[0], read_only=True)
    lines = store.reaches().geometry
    records = store.records(ALL)
    store.close()
    fished = records.placements.index[records.placements["outcome"].isin(["caught", "nil"])]
    used = records.stretches[records.stretches["placement_id"].isin(fished)]
    sampled = {
        reach: list(zip(own["from_m"], own["to_m"], strict=True))
        for reach, own in used.groupby("reach_id")
    }
    assert len(sampled) > 20
    stated = pd.Series(farthest_by_networkx(lines, sampled))
    own = base["coverage"].set_index("reach_id")["distance_to_sampled_m"]
    expected = stated.loc[own.index].replace(np.inf, np.nan)
    np.testing.assert_allclose(own, expected, atol=1e-5)
    assert base["gaps"]["sampled"]["farthest_m"].max() == pytest.approx(expected.max(), abs=1e-5)


def test_parts_make_the_whole(case, base):
    """Smallest catchments with what lies outside all, and orders; the years only by effort."""
    store = open_store(case[0], read_only=True)
    parents = store.catchments()["parent_id"]
    store.close()
    top = parents.index[parents.isna()]
    whole = base["sampled"][()].set_index("method").loc["all"]
    lengths = ["sampled_length_m", "effort_length_m", "network_length_m"]
    for group in ("strahler", "catchment"):
        rows = base["sampled"][(group,)]
        rows = rows[rows["method"] == "all"]
        assert (rows["network_share"] <= 1).all()
        if group == "catchment":
            rows = rows[rows["catchment"].isin(top) | rows["catchment"].isna()]
        for name in lengths:
            assert rows[name].sum() == pytest.approx(whole[name], rel=1e-9), (group, name)
    years = base["sampled"]["year", "survey"]
    years = years[years["method"] == "all"]
    assert years["effort_length_m"].sum() == pytest.approx(whole["effort_length_m"], rel=1e-9)
    assert years["sampled_length_m"].sum() >= whole["sampled_length_m"] - 1e-6
    reaches = base["coverage"]
    visited = (reaches["visited_fraction"] * reaches["length_m"]).sum()
    for count, metres in (("sampled", whole["sampled_length_m"]), ("visited", visited)):
        total = base["gaps"][count]["length_m"].sum() + metres
        assert total == pytest.approx(whole["network_length_m"], rel=1e-7)
