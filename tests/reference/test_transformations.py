"""One operation from each CRS into a store, whatever is loaded or imported in which order.

Outside reference: the EPSG data set, as PROJ registers it. From NAD27 to WGS 84 it has operation
1173, "NAD27 to WGS 84 (4)", for the conterminous United States, and 1172, "(3)", for Canada;
their shifts differ by some 8 m.
"""

import contextlib
import warnings

import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj
import pytest
import shapely
from click.testing import CliRunner

from layers.crs import choose_operation
from service import reference
from service.program import main
from service.records import Selection
from service.reference.transformations import Operations
from service.store import open_store
from tests.command_line import done

NAD27, STORE = "EPSG:4267", "EPSG:32617"
REACH = shapely.LineString([(-81.52, 39.52), (-81.50, 39.50)])
NORTH = (-81.0, 60.0)  # in the zone, not in the conterminous United States
HERE, THERE = "NAD27 to WGS 84 (4)", "NAD27 to WGS 84 (3)"


def network(path, line=REACH):
    gpd.GeoDataFrame({"reach_id": ["R"]}, geometry=[line], crs=NAD27).to_file(path, layer="r")
    return path


def sheet(path, *places, name="T"):
    """Minnow traps in NAD27, each with a nil catch."""
    pd.DataFrame(
        [
            {"placement_id": f"{name}{number}", "survey": "S", "method": "minnow_trap",
             "set_at": "2024-05-01T20:00+00:00", "lifted_at": "2024-05-02T08:00+00:00",
             "outcome": "nil", "longitude": lon, "latitude": lat, "crs": NAD27}
            for number, (lon, lat) in enumerate(places)
        ]
    ).to_csv(path, index=False)  # fmt: skip
    return path


@pytest.fixture
def path(tmp_path):
    store = tmp_path / "s.gpkg"
    done("init", store, "--crs", STORE, "--timezone", "America/New_York")
    return store


def kept(path):
    store = open_store(path, read_only=True)
    try:
        return store.operations(), store.records(Selection()), store.reaches()
    finally:
        store.close()


@pytest.mark.parametrize("first", ["network", "placements"])
def test_network_and_placements_come_by_one_operation(tmp_path, path, first):
    """A trap on the reach lies on it, though another of its sheet lies in the far north."""
    steps = [
        ("load", "reaches", path, network(tmp_path / "r.gpkg")),
        ("import", path, "--placements", sheet(tmp_path / "p.csv", REACH.coords[1], NORTH)),
    ]
    said = "".join(done(*step).output for step in (steps if first == "network" else steps[::-1]))
    operations, records, _ = kept(path)
    (way,) = operations.values()
    assert (HERE if first == "network" else THERE) in way.name
    assert way.name in said
    assert records.placements["transformation"].unique().tolist() == [way.name]
    assert records.snaps.loc["T0", "offset_m"] == pytest.approx(0, abs=0.001)
    assert f"transformation from {NAD27}, which is {way.name}" in done("verify", path).output


def test_an_operation_that_is_kept_stays_for_another_network(tmp_path, path):
    """Loaded anew with a reach in the north, the network stays with its placements."""
    done("load", "reaches", path, network(tmp_path / "r.gpkg"))
    done("import", path, "--placements", sheet(tmp_path / "p.csv", REACH.coords[1]))
    far = shapely.LineString([NORTH, (-81.01, 60.01)])
    both = gpd.GeoDataFrame({"reach_id": ["R", "N"]}, geometry=[REACH, far], crs=NAD27)
    both.to_file(tmp_path / "both.gpkg", layer="r")
    assert HERE in done("load", "reaches", path, tmp_path / "both.gpkg").output
    done("import", path, "--placements", sheet(tmp_path / "q.csv", REACH.coords[0], name="U"))
    operations, records, reaches = kept(path)
    assert HERE in operations[NAD27].name
    assert records.snaps["offset_m"].max() == pytest.approx(0, abs=0.001)
    ways = choose_operation(NAD27, STORE, area=(-82, 39, -81, 40))
    assert np.ravel(ways.move(*NORTH)) == pytest.approx(reaches.loc["N"].geometry.coords[0])


def test_a_check_alone_keeps_nothing(tmp_path, path):
    done("import", path, "--placements", sheet(tmp_path / "p.csv", NORTH), "--check-only")
    assert kept(path)[0] == {}


def test_verify_finds_places_that_came_by_two_operations(tmp_path, path, monkeypatch):
    """As in stores that an earlier version filled, sheet by sheet."""
    done("load", "reaches", path, network(tmp_path / "r.gpkg"))
    here = choose_operation(NAD27, STORE, area=(-82, 39, -81, 40))
    there = choose_operation(NAD27, STORE)
    for number, way in enumerate((here, there)):
        monkeypatch.setattr(
            "service.intake.importing.Operations.into_store", lambda *_, way=way: way
        )
        place = sheet(tmp_path / f"{number}.csv", REACH.coords[1], name="TU"[number])
        done("import", path, "--placements", place)
    monkeypatch.undo()
    answer = CliRunner().invoke(main, ["verify", str(path)])
    assert answer.exit_code == 1
    assert "came by 2 operations" in answer.output


def test_tracks_go_out_as_they_came_in(tmp_path, path):
    """Back in the field's CRS by the operation that is kept, to the digit."""
    done("load", "reaches", path, network(tmp_path / "r.gpkg"))
    track = "LINESTRING (-81.505 39.505, -81.504 39.504)"
    file = sheet(tmp_path / "p.csv", REACH.coords[1])
    table = pd.read_csv(file).drop(columns=["longitude", "latitude", "lifted_at"])
    table.assign(method="electric_fishing", geometry=track, minutes=9).to_csv(file, index=False)
    done("import", path, "--placements", file)
    done("export", path, "-o", tmp_path / "a.gpkg", "--audience", "precise")
    out = gpd.read_file(tmp_path / "a.gpkg", layer="placement_sheet")
    assert shapely.from_wkt(out["geometry"][0]).equals(shapely.from_wkt(track))
    assert out["crs"][0] == NAD27


def test_a_choice_does_not_depend_on_the_positions():
    """One place alone comes where it comes among others; the way back is the same operation."""
    lon, lat = np.array([-81.5, -81.0, -82.9]), np.array([39.5, 60.0, 26.0])
    way = choose_operation(NAD27, STORE)
    x, y = way.move(lon, lat)
    for row in range(3):
        (alone_x,), (alone_y,) = way.move(lon[row], lat[row])
        assert (alone_x, alone_y) == (x[row], y[row])
    assert np.allclose(choose_operation(STORE, NAD27).move(x, y), [lon, lat], atol=1e-9)


@pytest.mark.parametrize(
    ("source", "target", "area"),
    [
        (NAD27, STORE, (-82, 39, -81, 40)),
        ("EPSG:4230", "EPSG:25831", None),
        ("EPSG:4326", "EPSG:27700", None),
        ("EPSG:31467", "EPSG:25832", (9, 48, 10, 49)),
        ("EPSG:4326", "EPSG:3812", None),
    ],
)
def test_a_definition_is_the_operation_itself(source, target, area):
    """What is written down moves a place as PROJ's own registered operation does."""
    way = choose_operation(source, target, area=area)
    box = pyproj.aoi.AreaOfInterest(*way.area)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # that a better one needs a grid
        group = pyproj.transformer.TransformerGroup(
            source, target, always_xy=True, area_of_interest=box
        )
    best = group.transformers[0]
    assert way.name.startswith(best.description)
    known = pyproj.CRS(source)
    middle = (way.area[0] + way.area[2]) / 2, (way.area[1] + way.area[3]) / 2
    at = middle if known.is_geographic else pyproj.Proj(known)(*middle)
    assert np.ravel(way.move(*at)) == pytest.approx(best.transform(*at), abs=1e-6)
    assert np.ravel(way.move(*np.ravel(way.move(*at)), inverse=True)) == pytest.approx(at, abs=1e-6)


def test_a_network_replaced_while_its_area_is_asked_for_does_not_stay(tmp_path, path, monkeypatch):
    """Another process loads one in the north, after the first look at the network."""
    done("load", "reaches", path, network(tmp_path / "r.gpkg"))
    store, look, looks = open_store(path), reference.network, []

    def looked(asked):
        seen = look(asked)
        looks.append(seen)
        if len(looks) == 1:
            north = shapely.LineString([NORTH, (-81.0, 60.1)])
            done("load", "reaches", path, network(tmp_path / "n.gpkg", north))
        return seen

    monkeypatch.setattr(reference, "network", looked)
    with contextlib.closing(store):
        _ = Operations(store)._area()
        assert Operations(store)._area() == pytest.approx((-81.0, 60.0, -81.0, 60.1), abs=0.001)
    assert len(looks) > 2
