"""Checks at loading: what is refused, changed or odd, in words and as places."""

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from layers.errors import CrsError, NetworkError
from layers.network.checks import check_network, prepare_reaches
from layers.network.graph import build_network

CRS = "EPSG:25830"
PLACE = np.array([500_000, 4_600_000, 0])


def raw_of(crs=CRS, **lines):
    """Rows as GDAL reads them, from WKT by id, in metres from a place within the zone."""
    shapes = shapely.transform(
        shapely.from_wkt(list(lines.values())), lambda xyz: xyz + PLACE[: xyz.shape[1]],
        include_z=None,
    )  # fmt: skip
    return gpd.GeoDataFrame({"reach_id": list(lines)}, geometry=shapes, crs=crs)


def codes(report):
    """Codes with their severity and count."""
    return {finding.code: (finding.severity, finding.count) for finding in report.findings}


def test_the_drawn_network_has_nothing_to_report(drawn_reaches):
    """A sound network: no finding, no place, lines unchanged."""
    reaches, report = prepare_reaches(drawn_reaches, CRS)
    assert report.findings == []
    assert not report.refused
    assert reaches.geometry.geom_equals_exact(drawn_reaches.geometry.sort_index(), 0).all()
    checked = check_network(build_network(reaches))
    assert (checked.findings, len(checked.places)) == ([], 0)
    assert checked.places.crs == CRS


def test_newhope_is_sound_and_degrees_are_reprojected(newhope):
    """The GeoJSON in degrees comes out as the projected layer: same order and length."""
    reaches, report = prepare_reaches(gpd.read_file(newhope / "reaches.geojson"), "EPSG:26917")
    assert not report.refused
    said = next(f.message for f in report.findings if f.code == "transformed")
    assert "degrees" in said
    assert "accuracy" in said
    network = build_network(reaches)
    assert network.total_length_m / 1000 == pytest.approx(577.0517, abs=2e-3)
    assert len(network.outlets) == 1
    joined = report.joined(check_network(network))
    assert "directed_loop" not in codes(joined)
    assert "disconnected" not in codes(joined)
    assert "further_outlet" not in codes(joined)


def test_lines_are_mended_only_in_words():
    """3-D and one-part multi-lines are taken, lines without length or shape left out, and said."""
    raw = raw_of(
        A="LINESTRING Z (0 0 9, 100 0 8)",
        B="MULTILINESTRING ((100 0, 200 0))",
        C="LINESTRING (5 5, 5 5)",
        D=None,
        E="LINESTRING EMPTY",
    )
    reaches, report = prepare_reaches(raw, CRS)
    assert reaches.index.tolist() == ["A", "B"]
    assert not shapely.has_z(reaches.geometry.to_numpy()).any()
    assert codes(report) == {
        "heights_dropped": ("changed", 0),
        "no_geometry": ("changed", 2),
        "one_part_multi": ("changed", 0),
        "zero_length": ("changed", 1),
    }
    assert report.places["reach_id"].tolist() == ["D", "E", "C"]
    assert any("'C'" in sentence for sentence in report.sentences)


def test_what_cannot_be_understood_is_refused_all_at_once():
    """Twins, missing ids, true multi-parts and other shapes: each named, with its place."""
    raw = raw_of(
        A="LINESTRING (0 0, 9 0)",
        M="MULTILINESTRING ((0 0, 1 1), (2 2, 3 3))",
        P="POINT (1 1)",
        X="LINESTRING (0 1, 9 1)",
    )
    twin = pd.concat([raw, raw_of(A="LINESTRING (0 2, 9 2)"), raw_of(N="LINESTRING (0 3, 9 3)")])
    twin["reach_id"] = twin["reach_id"].replace("N", None)
    reaches, report = prepare_reaches(gpd.GeoDataFrame(twin, crs=CRS), CRS)
    assert report.refused
    assert codes(report) == {
        "not_a_line": ("refused", 1),
        "multi_part": ("refused", 1),
        "missing_id": ("refused", 1),
        "duplicate_id": ("refused", 2),
    }
    assert reaches.index.tolist() == ["X"]
    assert len(report.places) == 5


def test_parts_are_split_when_asked():
    """Each part becomes a reach, numbered, and it is said."""
    raw = raw_of(M="MULTILINESTRING ((0 0, 1 1), (2 2, 3 3))", N="LINESTRING (0 0, 5 0)")
    reaches, report = prepare_reaches(raw, CRS, split_parts=True)
    assert reaches.index.tolist() == ["M.1", "M.2", "N"]
    assert codes(report) == {"parts_split": ("changed", 1)}
    assert reaches.crs == CRS


def test_reversing_flow_turns_every_line(drawn_reaches):
    """A network drawn upstream, loaded with the flow reversed, has the same orders."""
    drawn = build_network(drawn_reaches)
    upstream = drawn_reaches.set_geometry(drawn_reaches.geometry.reverse())
    suspect = check_network(build_network(upstream))
    assert "drawn_upstream" in codes(suspect)
    reaches, report = prepare_reaches(upstream, CRS, reverse_flow=True)
    assert "reversed" in codes(report)
    network = build_network(reaches)
    assert network.strahler.tolist() == drawn.strahler.tolist()
    assert network.upstream_length_m == pytest.approx(drawn.upstream_length_m)


def test_whole_numbers_as_ids_stay_whole():
    """An id read as 17.0 because another is missing is 17."""
    raw = raw_of(A="LINESTRING (0 0, 9 0)", B="LINESTRING (0 1, 9 1)")
    raw["reach_id"] = [17.0, float("nan")]
    reaches, report = prepare_reaches(raw, CRS)
    assert reaches.index.tolist() == ["17"]
    assert codes(report)["missing_id"] == ("refused", 1)


def test_no_crs_and_no_id_column():
    """Both are errors, with the remedy."""
    raw = raw_of(A="LINESTRING (0 0, 9 0)")
    with pytest.raises(CrsError, match="state one"):
        prepare_reaches(raw.set_crs(None, allow_override=True), CRS)
    with pytest.raises(CrsError, match="degrees"):
        prepare_reaches(raw, "EPSG:4326")
    with pytest.raises(NetworkError, match="reach_id"):
        prepare_reaches(raw.rename(columns={"reach_id": "code"}), CRS)


def test_loose_ends_that_nearly_meet_are_found():
    """An end 3 m from another end and one 2 m from the middle of a line; 20 m is far."""
    raw = raw_of(
        A="LINESTRING (0 1000, 0 500)", B="LINESTRING (0 497, 0 0)",
        C="LINESTRING (500 200, 2 200)", D="LINESTRING (-500 100, -20 100)",
    ).set_index("reach_id")  # fmt: skip
    report = check_network(build_network(raw), near_m=10)
    near = report.places[report.places["code"] == "nearly_meets"].set_index("reach_id")
    assert sorted(near.index) == ["A", "B", "C"]
    assert "2.00 m from B" in near.loc["C", "message"]
    assert codes(check_network(build_network(raw), near_m=1)).keys() == {"disconnected"}
    assert codes(report)["disconnected"] == ("look", 3)


def test_loops_and_flow_against_the_stream_are_found(drawn_reaches):
    """One line turned round shows as inflow only and outflow only; a ring as a loop."""
    turned = drawn_reaches.copy()
    turned.loc["R3", "geometry"] = turned.loc["R3", "geometry"].reverse()
    report = check_network(build_network(turned))
    assert codes(report)["only_inflows"] == ("look", 1)
    assert (
        report.places.loc[report.places["code"] == "only_inflows", "reach_id"]
        .isin(["R2", "R3"])
        .all()
    )
    ring = raw_of(
        A="LINESTRING (0 0, 100 0)", B="LINESTRING (100 0, 50 80)", C="LINESTRING (50 80, 0 0)",
        D="LINESTRING (0 0, 0 -90)", E="LINESTRING (0 -90, 0 -90.3)",
        F="LINESTRING (0 -90, 60 -90, 60 -60, 0 -90)",
    ).set_index("reach_id")  # fmt: skip
    found = codes(check_network(build_network(ring)))
    assert found["directed_loop"] == ("look", 3)
    assert found["very_short"] == ("look", 1)
    assert found["returns_to_start"] == ("look", 1)


def test_an_empty_file_is_refused():
    """No line is no network."""
    reaches, _ = prepare_reaches(raw_of(A="LINESTRING (0 0, 1 1)").iloc[:0], CRS)
    assert check_network(build_network(reaches)).refused
