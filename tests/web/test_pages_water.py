"""Pages of a reach, a stream and all water above a point, against plain loops and networkx."""

import html
import re
from urllib.parse import parse_qs, parse_qsl, urlsplit

import networkx as nx
import numpy as np
import pyproj
import pytest
import shapely

from layers.estimates.coverage_bands import BANDS
from layers.network.cutting import ReachLines, cut_lines
from service import create_app, reference
from service.access import open_records
from service.answers import summaries, water_account
from service.commands.demo_store import build_demo
from service.records import LOCAL_KEEPER, PUBLIC, Selection
from service.settings import Settings
from service.store import open_store
from tests.small_store import make_small_store
from tests.web.test_pages_catchments import text_of


@pytest.fixture(scope="module")
def island(tmp_path_factory):
    held = open_store(build_demo(tmp_path_factory.mktemp("island")))
    yield held
    held.close()


def client_of(store, viewer=LOCAL_KEEPER):
    return create_app(store, Settings(), viewer=viewer).test_client()


def water_above(joined, row, measure):
    """Measures of each reach that drains through a point, by networkx (edges turned to nodes)."""
    flow = nx.line_graph(
        nx.MultiDiGraph(
            zip(
                joined.from_node.tolist(),
                joined.to_node.tolist(),
                range(len(joined.length_m)),
                strict=True,
            )
        )
    )
    edge = (int(joined.from_node[row]), int(joined.to_node[row]), row)
    above = {found[2]: (0.0, joined.length_m[found[2]]) for found in nx.ancestors(flow, edge)}
    return above | {row: (0.0, measure)}


def placements_in(records, joined, water):
    """Placements whose place or stretch lies in some water, one by one."""
    ids = joined.reaches.index
    found = set()
    for name, snap in records.snaps.iterrows():
        for row, (low, high) in water.items():
            if snap["reach_id"] == ids[row] and low <= snap["measure_m"] <= high:
                found.add(name)
    for _, cut in records.stretches.iterrows():
        for row, (low, high) in water.items():
            on = cut["reach_id"] == ids[row]
            if on and min(high, cut["to_m"]) > max(low, cut["from_m"]):
                found.add(cut["placement_id"])
    return found


@pytest.mark.parametrize("viewer", [LOCAL_KEEPER, PUBLIC])
@pytest.mark.parametrize("seed", range(4))
def test_all_above_a_point_equals_a_plain_loop(island, viewer, seed):
    """Placements, their species and their years upstream of any point, as networkx walks up."""
    rng = np.random.default_rng(seed)
    joined = reference.network(island)
    records = open_records(island, Selection(), viewer)
    # The larger rivers come first, so that there is something to compare.
    row = int(np.argsort(-joined.upstream_length_m)[rng.integers(0, 8)])
    measure = float(rng.uniform(0.2, 1.0) * joined.length_m[row])
    above = water_above(joined, row, measure)
    wanted = placements_in(records, joined, above)
    water, _ = water_account.upstream_water(island, joined.reaches.index[row], measure)
    account = water_account.water_account(island, water, viewer)
    assert account.length_m == pytest.approx(sum(high - low for low, high in above.values()))
    assert account.placement_count == len(wanted)
    assert wanted, "choose another seed"
    assert sum(line["placements"] for line in account.effort) == len(wanted)
    own = records.catches[records.catches["placement_id"].isin(wanted)]
    caught = set(own.loc[~(own["count"] == 0), "species"])
    assert {line["species"] for line in account.species if line["state"] == "found"} == caught
    years = set(records.placements.loc[sorted(wanted), "set_at"].dt.year)
    assert {line["year"] for line in account.effort} == years


@pytest.mark.parametrize(("measure", "there"), [(399.0, False), (420.0, True), (500.0, True)])
def test_a_stretch_counts_where_a_part_of_it_lies(tmp_path, measure, there):
    """T3 stands at 449 m of R1 and fished from 400 to 500 m (tests/small_store.py)."""
    store = make_small_store(tmp_path / "brook.gpkg")
    water, _ = water_account.upstream_water(store, "R1", measure)
    account = water_account.water_account(store, water, LOCAL_KEEPER)
    assert ("T3" in {row["placement_id"] for row in account.placements}) == there
    store.close()


def test_no_reach_with_a_usable_placement_is_without_visit(island):
    """By the map of coverage and by what a reach says when it is opened, one by one."""
    records = open_records(island, Selection(), LOCAL_KEEPER)
    usable = records.placements.index[records.placements["outcome"].isin(["caught", "nil"])]
    there = set(records.snaps.loc[records.snaps.index.isin(usable), "reach_id"].dropna())
    client = client_of(island)
    view = client.get("/coverage/view.json?bbox=-180,-85,180,85&zoom=18").json
    state = {
        name: BANDS[band].state for name, band in zip(view["reach_id"], view["band"], strict=True)
    }
    assert not {name for name in there if state[name] == "no_visit"}
    assert there - {name for name in there if state[name] == "sampled"}
    for name in sorted(there):
        opened = client.get(f"/map/reach.json?reach={name}&longitude=-11.1&latitude=52.6").json
        assert opened["state"] == state[name]


def test_reach_says_who_was_there(island):
    """Every reach with a placement names it, with gear and year; neighbours are linked."""
    joined = reference.network(island)
    records = open_records(island, Selection(), LOCAL_KEEPER)
    client = client_of(island)
    labels = reference.methods(island)["label"]
    for reach in records.snaps["reach_id"].dropna().unique()[:12]:
        page = text_of(client.get(f"/reaches/{reach}"))
        for name in records.snaps.index[records.snaps["reach_id"] == reach]:
            placement = records.placements.loc[name]
            assert name in page
            assert labels[placement["method"]] in page
            assert str(placement["set_at"].year) in page
        row = joined.reaches.index.get_loc(reach)
        for other in np.flatnonzero(joined.to_node == joined.from_node[row]):
            assert joined.reaches.index[other] in page.split("Comes from")[1].split("Flows to")[0]


@pytest.mark.parametrize("of", ["reaches", "streams"])
def test_lengths_are_those_measured_there(island, of):
    """Species with five measured fish or more at positions on a reach, or a stream, by a loop."""
    joined = reference.network(island)
    records = open_records(island, Selection(), LOCAL_KEEPER)
    client, shown = client_of(island), 0
    number, table = joined.streams
    reach = records.snaps["reach_id"].dropna()
    home = reach if of == "reaches" else reach.map(
        dict(zip(joined.reaches.index, table["stream_id"].to_numpy()[number], strict=True))
    )  # fmt: skip
    measured = records.lengths.dropna(subset="length_mm")
    for name in home.value_counts().index[:6]:
        own = measured[measured["placement_id"].isin(home.index[home == name])]
        count = own["species"].value_counts()
        page = client.get(f"/{of}/{name}").text
        found = re.findall(
            r'src="(/figures/lengths.svg[^"]*)"[^>]*?(\d+) fish measured', page, re.DOTALL
        )
        drawn = {
            parse_qs(urlsplit(html.unescape(at)).query)["species"][0]: int(n) for at, n in found
        }
        assert drawn == count[count >= 5].to_dict()
        shown += len(drawn)
        for address, number_of in found[:2]:
            svg = client.get(html.unescape(address))
            assert svg.status_code == 200
            assert f"{number_of} fish" in svg.text.replace("\n", " ")
    assert shown


def test_stream_has_all_its_reaches(island):
    """A stream's page has the length of its joined reaches of one name."""
    joined = reference.network(island)
    names = joined.reaches["stream_name"]
    name = names.value_counts().index[0]
    rows = np.flatnonzero(names == name)
    ends = nx.Graph(
        zip(joined.from_node[rows].tolist(), joined.to_node[rows].tolist(), strict=True)
    )
    assert nx.is_connected(ends), "choose a stream that is one"
    stream = water_account.stream_of(joined, int(rows[0]))["stream_id"]
    page = text_of(client_of(island).get(f"/streams/{stream}"))
    assert name in page
    assert f"Reaches {len(rows)}" in page
    assert f"Length {joined.length_m[rows].sum() / 1000:.2f}".rstrip("0") in page


def test_a_reach_opens_where_it_was_clicked(island):
    """The place on the reach is shapely's; a placement may begin there, but not by the public."""
    joined = reference.network(island)
    row = 40
    line = joined.reaches.geometry.iloc[row]
    at = shapely.line_interpolate_point(line, 0.3, normalized=True)
    lon, lat = pyproj.Transformer.from_crs(joined.crs, 4326, always_xy=True).transform(at.x, at.y)
    address = (
        f"/map/reach.json?reach={joined.reaches.index[row]}&longitude={lon:.7f}&latitude={lat:.7f}"
    )
    found = client_of(island).get(address).json
    assert found["measure_m"] == pytest.approx(0.3 * line.length, abs=0.2)
    assert (found["longitude"], found["latitude"]) == pytest.approx((lon, lat), abs=2e-6)
    client = client_of(island)
    for link in found["links"].values():
        assert client.get(link).status_code == 200
    assert client_of(island, PUBLIC).get(address).json["links"]["placement"] is None
    home = reference.catchment_names(island)[found["catchment"]]
    inside = reference.catchments(island).geometry[found["catchment"]]
    assert found["catchment_name"] == home
    assert inside.intersects(line)
    # Chances of presence are of the species that the map shows, where it shows any.
    assert "chances" not in found["links"]
    chosen = client.get(f"{address}&species=Esox+lucius&since=2024").json["links"]["chances"]
    assert urlsplit(chosen).path == "/catchments/chances.json"
    assert dict(parse_qsl(urlsplit(chosen).query))["species"] == "Esox lucius"


@pytest.mark.parametrize(
    ("address", "status", "words"),
    [
        ("/reaches/NONE", 404, "There is no reach"),
        ("/streams/NONE", 404, "There is no stream"),
        ("/upstream/NONE", 404, "There is no reach"),
        ("/upstream/R296?measure=1e6", 400, "lies outside reach"),
        ("/upstream/R296?measure=half", 400, "is no number of m"),
        ("/reaches/R296?site=S1", 400, "There is no parameter"),
        ("/map/reach.json?reach=R296&longitude=200&latitude=50", 400, "no number of degrees"),
    ],
)
def test_what_is_not_there_is_refused(island, address, status, words):
    """Unknown water, a measure outside the reach and unknown parameters are named."""
    answer = client_of(island).get(address)
    assert answer.status_code == status
    assert words in html.unescape(re.sub(r"\s+", " ", answer.text))


def test_gaps_of_a_stream_are_found_without_drawing_them(island, monkeypatch):
    """Their length there is that of the pieces that shapely finds along its lines."""
    stream = reference.network(island).streams[1]["stream_id"].iloc[0]
    water, _ = water_account.stream_water(island, stream)
    drawn, draw = [], ReachLines._draw
    monkeypatch.setattr(ReachLines, "_draw", lambda self: drawn.append(len(self)) or draw(self))
    few, count = water_account._gaps(island, water, LOCAL_KEEPER)
    monkeypatch.setattr(water_account, "_MOST_GAPS", count)
    listed, _ = water_account._gaps(island, water, LOCAL_KEEPER)
    assert few == listed[: len(few)]
    assert len(listed) == count >= len(few) > 0
    assert drawn == []
    gaps = summaries.gaps(island, Selection(), LOCAL_KEEPER)
    line = shapely.union_all(
        shapely.buffer(cut_lines(water.network, *water.parts), 0.01, cap_style="flat")
    )
    pieces, gap = shapely.get_parts(np.asarray(gaps.geometry, object), return_index=True)
    inside = shapely.contains(line, shapely.line_interpolate_point(pieces, 0.5, normalized=True))
    metres = np.bincount(gap[inside], shapely.length(pieces[inside]), minlength=len(gaps))
    assert [row["gap"] for row in listed] == gaps["gap"][metres > 0].tolist()
    assert [row["here_m"] for row in listed] == pytest.approx(metres[metres > 0].tolist())
