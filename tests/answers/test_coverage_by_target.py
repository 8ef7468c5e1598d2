"""Coverage, gaps and streams by target, and upstream sets, against NetworkX and Shapely.

On the invented island and, where it lies beside the project, on New Hope Creek (NHDPlus Version
2.1, USGS and US EPA, public domain) with 200 seeded placements of seven methods. The graph is built
here from the ends of the lines, water from NetworkX distances, lengths from Shapely unions.
"""

import geopandas as gpd
import networkx as nx
import numpy as np
import pandas as pd
import pytest
import shapely
from shapely import LineString

from layers.estimates.coverage_bands import BANDS
from layers.fieldwork.counted_water import COUNTS
from layers.fieldwork.daylight import light_state
from service.answers import coverage_answers, summaries
from service.answers.coverage_answers import CoverageQuestion
from service.commands.demo_store import build_demo
from service.export.contents import network_layers
from service.records import LOCAL_KEEPER, Selection
from service.store import open_store
from tests.answers.test_invariance import creek_store
from tests.random_networks import SHARED
from tests.test_journey_newhope import field_work

ALL = Selection()
NIGHT = Selection(hours=("night", "overnight"))


class Plain:
    """One store, and the same water worked out slowly."""

    def __init__(self, path):
        self.store = open_store(path, read_only=True)
        self.records = self.store.records(ALL)
        self.lines = self.store.reaches().geometry
        self.length = self.lines.length
        ends = np.array([line.coords[k] for line in self.lines for k in (0, -1)])
        near = nx.Graph()
        near.add_nodes_from(range(len(ends)))
        near.add_edges_from(shapely.STRtree(shapely.points(ends)).query(
            shapely.points(ends), predicate="dwithin", distance=0.5).T.tolist())  # fmt: skip
        node = {}
        for number, group in enumerate(nx.connected_components(near)):
            node |= dict.fromkeys(group, number)
        self.feet, self.graph, self.flow = {}, nx.MultiGraph(), nx.MultiDiGraph()
        for row, reach in enumerate(self.lines.index):
            upper, lower = self.feet[reach] = node[2 * row], node[2 * row + 1]
            self.graph.add_edge(upper, lower, key=reach, weight=self.length[reach])
            self.flow.add_edge(upper, lower, key=reach)

    def used(self):
        outcome = self.records.placements["outcome"]
        return set(outcome.index[outcome.isin(["caught", "nil"])])

    def by_night(self):
        """Usable placements that worked by night or overnight, one by one."""
        methods = self.store.methods()
        places = self.records.placements.to_crs(4326)
        chosen = set()
        for name, row in places.loc[sorted(self.used())].iterrows():
            times = [row["set_at"], row["lifted_at"]]
            local = [t.tz_convert(row["timezone"]).tz_localize(None) for t in times if pd.notna(t)]
            at_two = [
                day + pd.Timedelta(hours=2)
                for day in pd.date_range(local[0].normalize(), local[-1].normalize())
            ]
            if methods.loc[row["method"], "passive"]:
                dark = any(local[0] <= hour <= local[-1] for hour in at_two)
            else:
                known = pd.DatetimeIndex([t for t in times if pd.notna(t)])
                dark = (light_state(row.geometry.x, row.geometry.y, known) != "day").any()
            if dark:
                chosen.add(name)
        return chosen

    def able(self, species):
        methods, own = self.store.methods(), self.store.species().loc[species]
        used = self.records.placements.loc[sorted(self.used())]

        def words(text):
            return {w.strip() for w in text.split(";")} if isinstance(text, str) else set()

        by, waters = words(own["detected_by"]), words(own["habitats"])
        can = {
            name
            for name, row in methods.iterrows()
            if (name in by if by else not waters or waters & words(row["habitats"]))
        }
        return set(used.index[used["method"].isin(can)])

    def water(self, names, count, represents_m=50.0):
        """Union of what counts on each reach, as lines on the x axis."""
        parts, stretched = {reach: [] for reach in self.lines.index}, set()
        for row in self.records.stretches.itertuples():
            if row.placement_id in names:
                parts[row.reach_id].append((row.from_m, row.to_m))
                stretched.add(row.placement_id)
        snaps = self.records.snaps[self.records.snaps["reach_id"].notna()]
        for name, snap in snaps.iterrows() if count == "visited" else ():
            if name in names and name not in stretched:
                self._around(snap["reach_id"], snap["measure_m"], represents_m, parts)
        drawn = self.records.placements["shape"].dropna()
        for name, polygon in drawn.items() if count == "visited" else ():
            if name in names and name not in stretched:
                for reach, line in self.lines.items():
                    for piece in shapely.get_parts(line.intersection(polygon)):
                        if piece.is_empty:
                            continue
                        ends = [line.project(shapely.Point(xy)) for xy in piece.coords]
                        parts[reach].append((min(ends), max(ends)))
        return {
            reach: shapely.union_all([LineString([(a, 0), (b, 0)]) for a, b in own if a < b])
            for reach, own in parts.items()
        }

    def _around(self, reach, at, most, parts):
        length = self.length[reach]
        parts[reach].append((max(at - most, 0), min(at + most, length)))
        for node, off in zip(self.feet[reach], (at, length - at), strict=True):
            if off >= most:
                continue
            near = nx.single_source_dijkstra_path_length(self.graph, node, cutoff=most - off)
            for other, way in near.items():
                left = most - off - way
                for *_, key in self.graph.edges(other, keys=True):
                    if self.feet[key][0] == other:
                        parts[key].append((0, min(left, self.length[key])))
                    if self.feet[key][1] == other:
                        parts[key].append((max(self.length[key] - left, 0), self.length[key]))

    def gaps(self, water):
        """Lengths of the connected parts that are left, longest first."""
        graph = nx.Graph()
        for reach, done in water.items():
            length = self.length[reach]
            whole = LineString([(0, 0), (length, 0)])
            for k, piece in enumerate(shapely.get_parts(whole.difference(done))):
                low, _, high, _ = piece.bounds
                if not high - low >= 1e-6:  # nothing is left of it
                    continue
                graph.add_node((reach, k), length=high - low)
                for at_end, node in zip(
                    (low < 1e-6, high > length - 1e-6), self.feet[reach], strict=True
                ):
                    if at_end:
                        graph.add_edge((reach, k), node)
        sums = [
            sum(graph.nodes[node].get("length", 0.0) for node in part)
            for part in nx.connected_components(graph)
        ]
        return sorted((metres for metres in sums if metres), reverse=True)


@pytest.fixture(scope="module", params=["island", "creek"])
def plain(request, tmp_path_factory):
    folder = tmp_path_factory.mktemp(request.param)
    if request.param == "island":
        return Plain(build_demo(folder))
    source = SHARED / "data" / "newhope" / "newhope.gpkg"
    if not source.exists():
        pytest.skip("the open New Hope data is not beside the project")
    raw = gpd.read_file(source, layer="reaches")
    return Plain(creek_store(folder, raw, *field_work(np.asarray(raw.geometry), 200, seed=11)))


def targets(plain):
    species = plain.store.species()
    stated = species.index[species["detected_by"].notna() & species["rank"].eq("species")]
    name = stated[0] if len(stated) else species.index[0]
    return {
        "all": (ALL, plain.used()),
        "night": (NIGHT, plain.by_night()),
        "species": (Selection(able_to_find=name), plain.able(name)),
        "traps": (
            Selection(methods=("minnow_trap",)),
            {
                name
                for name in plain.used()
                if plain.records.placements.loc[name, "method"] == "minnow_trap"
            },
        ),
    }


@pytest.mark.parametrize("target", ["all", "night", "species", "traps"])
def test_coverage_and_gaps_of_a_target_are_networkxs(plain, target):
    selection, names = targets(plain)[target]
    assert names
    coverage = summaries.coverage(plain.store, selection, LOCAL_KEEPER).set_index("reach_id")
    for count in COUNTS:
        water = plain.water(names, count)
        metres = pd.Series({reach: done.length for reach, done in water.items()})
        stated = coverage[f"{count}_fraction"] * coverage["length_m"]
        np.testing.assert_allclose(stated, metres[coverage.index], atol=1e-5)
        gaps = summaries.gaps(plain.store, selection, LOCAL_KEEPER, counts=count)
        np.testing.assert_allclose(gaps["length_m"], plain.gaps(water), atol=1e-4)
        assert gaps["length_m"].sum() + metres.sum() == pytest.approx(plain.length.sum())
    assert (coverage["state"].eq("sampled") == (coverage["sampled_fraction"] > 0)).all()
    assert (coverage["state"].ne("no_visit") == (coverage["placements"] > 0)).all()


def test_streams_add_up(plain):
    """Every reach lies on one stream; night is what NetworkX visits by night."""
    streams = summaries.streams(plain.store, ALL, LOCAL_KEEPER)
    coverage = summaries.coverage(plain.store, ALL, LOCAL_KEEPER)
    assert streams["reaches"].sum() == len(coverage)
    assert streams["length_m"].sum() == pytest.approx(plain.length.sum())
    for count in COUNTS:
        water = plain.water(plain.used(), count)
        own = coverage.assign(metres=[water[reach].length for reach in coverage["reach_id"]])
        own = own.groupby("stream_id")["metres"].sum()[streams["stream_id"]]
        np.testing.assert_allclose(streams[f"{count}_length_m"], own, atol=1e-5)
    dark = plain.water(plain.by_night(), "visited")
    night = coverage.assign(metres=[dark[reach].length for reach in coverage["reach_id"]])
    night = night.groupby("stream_id")["metres"].sum()[streams["stream_id"]]
    np.testing.assert_allclose(streams["night_visited_length_m"], night, atol=1e-5)
    assert (streams["species_found"] > 0).any()


@pytest.mark.parametrize("upstream", [True, False])
def test_water_above_and_below_a_place_is_networkxs(plain, upstream):
    """Lengths, placements and their stretches, at 12 places; parts above and not above add up."""
    rng = np.random.default_rng(4)
    snaps, used = plain.records.snaps, plain.used()
    water = plain.water(used, "sampled")
    busy = snaps["reach_id"].dropna().unique()
    for reach in rng.choice(busy, 12, replace=False):
        at = float(np.round(plain.length[reach] * rng.uniform(0.2, 0.8), 2))
        upper, lower = plain.feet[reach]
        start = upper if upstream else lower
        beyond = nx.ancestors(plain.flow, start) if upstream else nx.descendants(plain.flow, start)
        beyond |= {start}
        inside = {
            key: (0.0, plain.length[key])
            for tail, head, key in plain.flow.edges(keys=True)
            if (head if upstream else tail) in beyond
        }
        inside.setdefault(reach, (0.0, at) if upstream else (at, plain.length[reach]))
        place = f"{reach}:{at}"
        chosen = Selection(upstream_of=place) if upstream else Selection(downstream_of=place)
        coverage = summaries.coverage(plain.store, chosen, LOCAL_KEEPER).set_index("reach_id")
        assert set(coverage.index) == set(inside)
        metres = pd.Series({key: b - a for key, (a, b) in inside.items()})
        np.testing.assert_allclose(coverage["length_m"], metres[coverage.index], atol=1e-6)
        lengths = summaries.sampled_length(plain.store, chosen, LOCAL_KEEPER)
        whole = lengths[lengths["method"] == "all"].iloc[0]
        within = {
            key: water[key].intersection(LineString([(a, 0), (b, 0)])).length
            for key, (a, b) in inside.items()
        }
        assert whole["sampled_length_m"] == pytest.approx(sum(within.values()), abs=1e-5)
        assert whole["network_length_m"] == pytest.approx(metres.sum())
        gaps = summaries.gaps(plain.store, chosen, LOCAL_KEEPER, counts="sampled")
        left = whole["network_length_m"] - whole["sampled_length_m"]
        assert gaps["length_m"].sum() == pytest.approx(left, abs=1e-4)
        placed = summaries.placement_reaches(plain.store, chosen, LOCAL_KEEPER)
        expected = {
            name
            for name, snap in snaps[snaps["reach_id"].isin(inside)].iterrows()
            if inside[snap["reach_id"]][0] <= snap["measure_m"] <= inside[snap["reach_id"]][1]
        }
        assert set(placed["placement_id"]) == expected
        parts = plain.store.reach_parts().dropna(subset="catchment_id")
        parents = plain.store.catchments()["parent_id"]
        touched = set()
        for part in parts[parts["reach_id"].isin(inside)].itertuples():
            low, high = inside[part.reach_id]
            at_part = part.catchment_id if min(high, part.to_m) > max(low, part.from_m) else None
            while isinstance(at_part, str):
                touched.add(at_part)
                at_part = parents[at_part]
        found = summaries.occurrence(plain.store, chosen, LOCAL_KEEPER)
        assert set(found["catchment"].dropna()) == touched
        per_reach = summaries.reach_summary(plain.store, chosen, LOCAL_KEEPER)
        assert per_reach["placements"].sum() == len(expected)
        assert per_reach["sampled_length_m"].sum() == pytest.approx(
            whole["sampled_length_m"], abs=1e-5
        )
        places = summaries.next_places(plain.store, chosen, LOCAL_KEEPER, count=3)
        for row in places.itertuples():
            low, high = inside[row.reach_id]
            assert low <= row.measure_m <= high


def test_no_reach_with_a_usable_placement_is_said_to_be_unvisited(plain):
    """By any route: summary, streams, page's map, hand-over, gaps and next places."""
    snaps = plain.records.snaps
    visited = {snaps.loc[name, "reach_id"] for name in plain.used()} - {None, np.nan}
    visited = {reach for reach in visited if isinstance(reach, str)}
    assert len(visited) > 30
    coverage = summaries.coverage(plain.store, ALL, LOCAL_KEEPER).set_index("reach_id")
    assert (coverage.loc[sorted(visited), "state"] != "no_visit").all()
    assert (coverage.loc[sorted(visited), "visited_fraction"] > 0).all()
    streams = summaries.streams(plain.store, ALL, LOCAL_KEEPER).set_index("stream_id")
    assert (streams.loc[coverage.loc[sorted(visited), "stream_id"], "placements"] > 0).all()
    layers = network_layers(plain.store, ALL, LOCAL_KEEPER)
    handed = layers["reaches"].set_index("reach_id")
    assert (handed.loc[sorted(visited), "state"] != "no_visit").all()
    view = coverage_answers.reaches_in_view(
        plain.store, CoverageQuestion(ALL), LOCAL_KEEPER, within=(-180, -85, 180, 85), zoom=20
    )
    never = [
        reach
        for reach, band in zip(view["reach_id"], view["band"], strict=True)
        if BANDS[band].state == "no_visit"
    ]
    assert never
    assert not visited & set(never)
    # Positions of usable placements lie in no gap, and no next place is sent within 50 m of one.
    on = [name for name in sorted(plain.used()) if isinstance(snaps.loc[name, "reach_id"], str)]
    points = [
        plain.lines[snaps.loc[name, "reach_id"]].interpolate(snaps.loc[name, "measure_m"])
        for name in on
    ]
    stretched = set(plain.records.stretches["placement_id"])
    point_gear = np.array([name not in stretched for name in on])
    gaps = shapely.union_all(np.asarray(layers["gaps"].geometry))
    assert (shapely.distance(np.array(points)[point_gear], gaps) > 1.0).all()
    places = summaries.next_places(plain.store, ALL, LOCAL_KEEPER, count=20)
    water = plain.water(plain.used(), "visited")
    for row in places.itertuples():
        off = shapely.distance(water[row.reach_id], shapely.Point(row.measure_m, 0))
        assert not off < 50.0 - 1e-6


def test_what_was_done_before_is_said(plain):
    """Each next place: the methods within 1,000 m along the network, from NetworkX distances."""
    labels = plain.store.methods()["label"].str.lower()
    placements = plain.records.placements
    places = summaries.next_places(plain.store, NIGHT, LOCAL_KEEPER, count=8)
    for row in places.itertuples():
        near = {reach: [] for reach in plain.lines.index}
        plain._around(row.reach_id, row.measure_m, 1_000.0, near)
        ball = {
            reach: shapely.union_all([LineString([(a, 0), (b, 0)]) for a, b in own if a < b])
            for reach, own in near.items()
            if own
        }
        done = {}
        for name in plain.used():
            water = plain.water({name}, "visited")
            if any(not shapely.is_empty(w) and w.intersects(ball[r]) for r, w in water.items()
                   if r in ball):  # fmt: skip
                year = placements.loc[name, "set_at"].year
                method = labels[placements.loc[name, "method"]]
                done[method] = max(done.get(method, 0), year)
        if done:
            said = row.done_before.rsplit(", ", 1)[0].split(", ")
            assert set(said) == {f"{method} {year}" for method, year in done.items()}
            years = [int(words.rsplit(" ", 1)[1]) for words in said]
            assert years == sorted(years, reverse=True)
        else:
            assert row.done_before == "nothing within 1000 m"
