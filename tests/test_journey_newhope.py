"""The whole way at the keyboard: a real stream network, 300 placements by all seven methods.

Network: NHDPlus Version 2.1 (USGS and US EPA, public domain; sample from nhdplusTools, CC0). An
extract of 77 reaches is kept in tests/references/newhope; the whole of 746 reaches, and the
figures that were computed for it apart from this project (figures.json), lie beside the project.
Snapping is compared with a plain Shapely computation that looks at every reach, without index.
"""

import csv
import io
import json

import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj
import pytest
import shapely

from service.commands.summary import SUMMARIES
from service.records import Selection
from service.store import open_store
from tests.command_line import done, run
from tests.conftest import REFERENCES, SHARED

CRS = "EPSG:26917"
METHODS = {
    "kick_net": ("10:00", {"lifts": 8, "minutes": 16, "stretch_length_m": 60}),
    "hand_net": ("11:00", {"lifts": 10, "minutes": 20, "stretch_length_m": 80}),
    "spotlight": ("22:30", {"minutes": 45, "stretch_length_m": 150}),
    "minnow_trap": ("18:00", {"gear_count": 6}),
    "fyke_net": ("17:30", {"gear_count": 2}),
    "seine": ("12:00", {"lifts": 2, "area_m2": 180}),
    "electric_fishing": (
        "13:00",
        {"minutes": 40, "passes": 3, "stretch_length_m": 100, "wetted_width_m": 4.2,
         "operator_certificate": "yes", "machine_check": "yes"},
    ),
}  # fmt: skip
SPECIES = ("Semotilus atromaculatus", "Lepomis auritus", "Anguilla rostrata", "Noturus insignis")


def table(*arguments):
    return pd.DataFrame(list(csv.DictReader(io.StringIO(done(*arguments).stdout))))


def numbers(frame, column):
    return pd.to_numeric(frame[column].replace("", None)).to_numpy(float)


def field_work(lines, count, seed):
    """Placements along and near a network, some beyond the tolerance, and what they caught."""
    rng = np.random.default_rng(seed)
    row = rng.choice(len(lines), count, p=shapely.length(lines) / shapely.length(lines).sum())
    near = shapely.line_interpolate_point(lines[row], rng.random(count), normalized=True)
    xy = shapely.get_coordinates(near) + rng.normal(0, 25, (count, 2))
    xy[::23] += 400  # most of these lie off the network
    to_degrees = pyproj.Transformer.from_crs(CRS, "EPSG:4326", always_xy=True)
    longitude, latitude = to_degrees.transform(*xy.T)
    names = list(METHODS)
    rows, catches = [], []
    for k in range(count):
        method = names[k % len(names)]
        clock, columns = METHODS[method]
        day = pd.Timestamp("2022-05-01") + pd.Timedelta(days=3 * k)
        placement = {
            "placement_id": f"N{k:03d}", "survey": "NH", "site": f"S{k % 90:02d}",
            "method": method, "set_at": f"{day:%Y-%m-%d}T{clock}",
            "longitude": repr(float(longitude[k])), "latitude": repr(float(latitude[k])),
            "outcome": ("caught", "caught", "nil", "caught", "lost", "unrecorded")[k % 6],
            "position_uncertainty_m": (5, 12, "")[k % 3], **columns,
        }  # fmt: skip
        if method in ("minnow_trap", "fyke_net"):
            placement["lifted_at"] = f"{day + pd.Timedelta(days=1):%Y-%m-%d}T08:30"
        rows.append(placement)
        if placement["outcome"] != "caught":
            continue
        for number, species in enumerate(SPECIES[: 1 + k % 3]):
            kind = ("exact", "at_least", "present")[(k + number) % 3]
            catches += [
                {
                    "placement_id": placement["placement_id"],
                    "species": species,
                    "count": "" if kind == "present" else 12 // pass_no + number,
                    "count_kind": kind,
                    "pass_no": pass_no,
                    "fate": "released",
                }
                for pass_no in range(1, 4 if method == "electric_fishing" else 2)
            ]
    return pd.DataFrame(rows), pd.DataFrame(catches)


def every_reach_in_turn(placements, reaches, tolerance_m=100.0):
    """Nearest reach, offset and measure of each placement: Shapely, no index, no project code."""
    move = pyproj.Transformer.from_crs("EPSG:4326", CRS, always_xy=True)
    x, y = move.transform(numbers(placements, "longitude"), numbers(placements, "latitude"))
    reaches = reaches.sort_index()
    lines = np.asarray(reaches.geometry)
    answers = []
    uncertain = np.nan_to_num(numbers(placements, "position_uncertainty_m"))
    for point, margin in zip(shapely.points(x, y), uncertain, strict=True):
        distance = shapely.distance(lines, point)
        at = int(distance.argmin())
        if distance[at] > max(tolerance_m, margin):
            answers.append(("", np.nan, np.nan))
        else:
            answers.append((reaches.index[at], lines[at].project(point), distance[at]))
    return pd.DataFrame(answers, columns=["reach_id", "measure_m", "offset_m"])


@pytest.fixture(scope="module", params=["extract", "whole"])
def journey(request, tmp_path_factory):
    """A store made with the commands alone, and the sheets that went into it."""
    folder = tmp_path_factory.mktemp(request.param)
    store, source = folder / "creek.gpkg", REFERENCES / "newhope" / "reaches.fgb"
    layer = ()
    if request.param == "whole":
        source, layer = SHARED / "data" / "newhope" / "newhope.gpkg", ("--layer", "reaches")
        if not source.exists():
            pytest.skip("the open New Hope data is not beside the project")
    done("init", store, "--crs", CRS, "--timezone", "America/New_York")
    told = done("load", "reaches", store, source, *layer).output
    raw = gpd.read_file(source, **({"layer": "reaches"} if layer else {}))
    raw = raw.set_index(raw["reach_id"].astype("str"))
    if request.param == "whole":
        refused = run("load", "catchments", store, source, "--layer", "basins")
        assert refused.exit_code == 1
        assert "--map catchment_id=THEIRS" in refused.output
        named = ("--map", "catchment_id=huc12")
        done("load", "catchments", store, source, "--layer", "basins", *named)
    else:
        west, south, east, north = raw.total_bounds
        boxes = [shapely.box(west - 500, south - 500, east + 500, north + 500),
                 shapely.box(west - 500, south - 500, (west + east) / 2, north + 500)]  # fmt: skip
        areas = gpd.GeoDataFrame({"ID": ["C1", "C2"], "parent": [None, "C1"]}, geometry=boxes,
                                 crs=CRS)  # fmt: skip
        areas.to_file(folder / "areas.fgb")
        said = done("load", "catchments", store, folder / "areas.fgb").output
        assert "Columns taken: ID as catchment_id, parent as parent_id." in said
    names = pd.DataFrame({"scientific_name": SPECIES, "common_name": ["Chub", "Sunfish", "", ""]})
    names.to_csv(folder / "species.csv", index=False)
    assert "scientific_name as species" in done(
        "load", "species", store, folder / "species.csv"
    ).output  # fmt: skip
    placements, catches = field_work(np.asarray(raw.geometry), 301, seed=7)
    placements.to_csv(folder / "p.csv", index=False)
    catches.to_csv(folder / "c.csv", index=False)
    sheets = ("--placements", folder / "p.csv", "--catches", folder / "c.csv")
    imported = done("import", store, *sheets)
    assert "301" in imported.output
    return request.param, store, raw, placements, catches, told


def test_columns_by_their_usual_names_are_taken_and_told(journey):
    """Orders of the source stand; side channels and lake paths are named."""
    which, store, raw, _, _, told = journey
    assert "name as stream_name, strahler_order as strahler, feature_kind as kind" in told
    assert f"{len(raw)} as given, 0 computed" in told
    lake = int((raw["feature_kind"] == "ArtificialPath").sum())
    # Of the extract's 12 one leaves a branch that does not drain to it.
    side = int((raw["divergence"] == 2).sum()) - (which == "extract")
    assert f"ArtificialPath {lake}" in told
    assert f"into {side} side channels" in told
    if which == "extract":
        assert "52.861 km" in told  # figures.json, upstream_of reach 8893578
    held = open_store(store, read_only=True)
    kinds = held.reaches()["kind"]
    held.close()
    assert kinds.value_counts().to_dict() == raw["feature_kind"].value_counts().to_dict()


def test_every_placement_lies_where_a_plain_search_puts_it(journey):
    """Reach equal; measure and offset to the millimetre that is printed."""
    _, store, raw, placements, _, _ = journey
    own = table("summary", store, "nearest-reach").set_index("placement_id")
    own = own.loc[placements["placement_id"]]
    twin = every_reach_in_turn(placements, raw)
    assert own["reach_id"].tolist() == twin["reach_id"].tolist()
    assert 5 <= (own["reach_id"] == "").sum() <= 20
    for column in ("measure_m", "offset_m"):
        np.testing.assert_allclose(
            numbers(own, column), twin[column], atol=0.001, equal_nan=True
        )  # fmt: skip


def test_parts_add_up_and_no_fraction_passes_one(journey):
    """By order, by reach and by smallest catchment: parts make the whole, of network and sample.

    By year the union does not add up, since a stretch fished again counts in each year: the
    effort length does, and the union of the years is at least that of the whole.
    """
    _, store, raw, _, _, _ = journey
    whole = table("summary", store, "sampled-length").set_index("method")
    total = {name: float(whole.loc["all", name]) for name in
             ("sampled_length_m", "effort_length_m", "network_length_m")}  # fmt: skip
    assert total["network_length_m"] == pytest.approx(raw.length.sum(), abs=0.01)
    assert 0 < total["sampled_length_m"] <= total["effort_length_m"]
    for by in ("strahler", "reach"):
        rows = table("summary", store, "sampled-length", "--by", by)
        rows = rows[rows["method"] == "all"]
        for name, value in total.items():
            assert numbers(rows, name).sum() == pytest.approx(value, abs=0.001 * len(rows)), by
        assert numbers(rows, "network_share").max() <= 1
    rows = table("summary", store, "sampled-length", "--by", "year")
    rows = rows[rows["method"] == "all"]
    assert numbers(rows, "effort_length_m").sum() == pytest.approx(
        total["effort_length_m"], abs=0.01
    )
    assert numbers(rows, "sampled_length_m").sum() >= total["sampled_length_m"] - 0.01
    rows = table("summary", store, "sampled-length", "--by", "catchment")
    rows = rows[(rows["method"] == "all") & ~rows["catchment"].isin(["C2"])]
    for name, value in total.items():  # C2 lies in C1; what is outside all has a row without name
        assert numbers(rows, name).sum() == pytest.approx(value, abs=0.05), name
    rows = table("summary", store, "coverage")
    fraction, length = numbers(rows, "sampled_fraction"), numbers(rows, "length_m")
    assert fraction.max() <= 1
    assert (fraction * length).sum() == pytest.approx(total["sampled_length_m"], abs=0.5)
    rows = table("summary", store, "gaps", "--count", "sampled")
    assert numbers(rows, "length_m").sum() + total["sampled_length_m"] == pytest.approx(
        total["network_length_m"], abs=0.05
    )


def test_catch_and_effort_are_those_of_the_sheets(journey):
    """Against plain pandas on the sheets: placements that fished, fish, traps by nights."""
    _, store, _, placements, catches, _ = journey
    fished = placements[placements["outcome"].isin(["caught", "nil"])]
    own = table("summary", store, "effort")
    own = own[own["catchment"] == "all"]
    traps = own[own["method"] == "minnow_trap"]
    assert set(traps["effort_unit"]) == {"trap_night"}
    here = fished["method"] == "minnow_trap"
    assert set(numbers(traps, "placements")) == {here.sum()}
    assert set(numbers(traps, "effort")) == {6.0 * here.sum()}  # six traps, one night each
    count = catches.assign(fish=pd.to_numeric(catches["count"]).fillna(1))
    count["method"] = count["placement_id"].map(placements.set_index("placement_id")["method"])
    for method in ("minnow_trap", "fyke_net", "kick_net", "spotlight"):
        rows = own[own["method"] == method].set_index("species")
        for species, fish in (
            count[count["method"] == method].groupby("species")["fish"].sum().items()
        ):
            assert float(rows.loc[species, "individuals"]) == fish
            per = fish / float(rows.loc[species, "effort"])
            assert float(rows.loc[species, "cpue"]) == pytest.approx(per, abs=1e-6)


@pytest.mark.parametrize("what", list(SUMMARIES))
def test_every_summary_runs_and_its_geojson_is_sound(journey, what):
    """RFC 7946: degrees only, no crs member, closed rings; rows where placements are."""
    _, store, _, _, _, _ = journey
    collection = json.loads(done("summary", store, what, "--format", "geojson").stdout)
    assert collection["features"]
    sound(collection)


def sound(collection):
    assert collection["type"] == "FeatureCollection"
    assert "crs" not in collection
    for feature in collection["features"]:
        assert feature["type"] == "Feature"
        assert isinstance(feature["properties"], dict)
        if feature["geometry"] is None:
            continue
        shape = shapely.from_geojson(json.dumps(feature["geometry"]))
        west, south, east, north = shape.bounds
        assert -79.6 < west <= east < -78.4
        assert 35.4 < south <= north < 36.4


def test_map_and_records_are_written(journey, tmp_path):
    """The map is one page; the records are all there, and the unsnapped ones too."""
    _, store, _, placements, _, _ = journey
    done("map", store, "-o", tmp_path / "map.html")
    page = (tmp_path / "map.html").read_text()
    assert page.count("<html") == 1
    assert all(f"N{k:03d}" in page for k in (0, 150, 300))
    done("export", store, "-o", tmp_path / "records.geojson", "--audience", "precise")
    collection = json.loads((tmp_path / "records.geojson").read_text())
    sound(collection)
    ids = {feature["properties"].get("placement_id") for feature in collection["features"]}
    assert ids >= set(placements["placement_id"])


def test_the_file_in_degrees_is_reprojected_and_says_so(tmp_path):
    """Ids and all else by the usual names; lengths to the seven decimals of the file."""
    source = gpd.read_file(REFERENCES / "newhope" / "reaches.fgb").rename(
        columns={"reach_id": "id"}
    )
    source.to_crs("EPSG:4326").to_file(tmp_path / "reaches.geojson")
    store = tmp_path / "creek.gpkg"
    done("init", store, "--crs", CRS, "--timezone", "America/New_York")
    told = done("load", "reaches", store, tmp_path / "reaches.geojson").output
    assert "were in degrees (WGS 84); they were transformed to NAD83 / UTM zone 17N" in told
    assert "id as reach_id, name as stream_name" in told
    held = open_store(store, read_only=True)
    length = held.reaches()["length_m"].sum()
    held.close()
    assert length == pytest.approx(source.length.sum(), abs=0.05)


# The ten stretches -----------------------------------------------------------------------------
@pytest.fixture(scope="module")
def ten(newhope, tmp_path_factory):
    """The ten intervals of figures.json as field teams would note them, each way that there is."""
    folder = tmp_path_factory.mktemp("ten")
    store = folder / "creek.gpkg"
    figures = json.loads((newhope / "figures.json").read_text())
    source = newhope / "newhope.gpkg"
    done("init", store, "--crs", CRS, "--timezone", "America/New_York")
    done("load", "reaches", store, source, "--layer", "reaches")
    names = ("--map", "catchment_id=huc12")
    done("load", "catchments", store, source, "--layer", "basins", *names)
    lines = gpd.read_file(source, layer="reaches").set_index("reach_id").geometry
    rows = []
    for stretch in figures["ten_intervals"]["intervals"]:
        line, length = lines[stretch["reach_id"]], abs(stretch["to_m"] - stretch["from_m"])
        upper, lower = sorted((stretch["from_m"], stretch["to_m"]))
        row = {
            "placement_id": f"T{stretch['no']}", "survey": "TEN", "crs": CRS, "minutes": 30,
            "method": stretch["method"].replace(" ", "_"), "outcome": "nil", "passes": 1,
            "set_at": f"2023-06-{stretch['no']:02d}T"
            + ("22:30" if stretch["method"] == "spotlight" else "10:00"),
        }  # fmt: skip
        way = ("downstream_end", "upstream_end", "centre", "ends")[stretch["no"] % 4]
        at = {"downstream_end": lower, "upstream_end": upper, "centre": (upper + lower) / 2,
              "ends": stretch["from_m"]}[way]  # fmt: skip
        start = line.interpolate(at)
        row |= {"easting": repr(start.x), "northing": repr(start.y)}
        if way == "ends":
            end = line.interpolate(stretch["to_m"])
            row |= {"end_easting": repr(end.x), "end_northing": repr(end.y)}
        else:
            row |= {"stretch_length_m": length, "stretch_anchor": way}
        rows.append(row)
    pd.DataFrame(rows).to_csv(folder / "p.csv", index=False)
    done("import", store, "--placements", folder / "p.csv")
    return store, figures


def test_ten_overlapping_stretches_per_method(ten):
    """Union, effort length and share of figures.json, computed by counting quarter metres."""
    store, figures = ten
    stated = figures["ten_intervals"]
    own = table("summary", store, "sampled-length").set_index("method")
    own = own.drop(columns="assumes").astype(float)
    for method, lengths in stated["per_method"].items():
        row = own.loc[method.replace(" ", "_")]
        assert row["sampled_length_m"] == pytest.approx(lengths["union_m"], abs=0.002)
        assert row["effort_length_m"] == pytest.approx(lengths["sum_m"], abs=0.002)
    assert own.loc["all", "sampled_length_m"] == pytest.approx(stated["union_length_m"], abs=0.002)
    assert own.loc["all", "effort_length_m"] == pytest.approx(stated["sum_of_lengths_m"], abs=0.002)
    assert own.loc["all", "network_share"] == pytest.approx(
        stated["share_of_network_sampled"], abs=1e-6
    )


def test_network_length_by_order_and_basin(ten):
    """Stream length by Strahler order and by basin of figures.json."""
    store, figures = ten
    rows = table("summary", store, "sampled-length", "--by", "strahler")
    rows = rows[rows["method"] == "all"].set_index("strahler")["network_length_m"].astype(float)
    for order, stated in figures["by_strahler_order"].items():
        assert rows[order] / 1000 == pytest.approx(stated["length_km"], abs=0.0001)
    rows = table("summary", store, "sampled-length", "--by", "catchment")
    rows = rows[rows["method"] == "all"].set_index("catchment")["network_length_m"].astype(float)
    for basin, length in figures["stream_length_km_by_basin"].items():
        assert rows.get(basin, 0.0) / 1000 == pytest.approx(length, abs=0.0002)


def test_gaps_that_remain(ten):
    """Number, total and the lengths of the gaps of figures.json, by the same rule."""
    store, figures = ten
    stated = figures["gaps_after_ten_intervals"]
    own = numbers(table("summary", store, "gaps"), "length_m") / 1000
    assert len(own) == stated["gap_count"]
    assert own.sum() == pytest.approx(stated["total_gap_km"], abs=0.0001)
    assert own.tolist() == pytest.approx(stated["largest_km"], abs=0.0001)


def test_a_stretch_through_a_side_channel_says_which_way_it_went(ten, newhope, tmp_path):
    """2 km up from below each meeting of a side channel: told, and along higher order."""
    store, _ = ten
    raw = gpd.read_file(newhope / "newhope.gpkg", layer="reaches").set_index("reach_id")
    meets = raw.groupby("to_node").size()
    below = raw[raw["from_node"].map(meets).fillna(0).ge(2) & (raw["divergence"] == 0)].iloc[:12]
    at = below.geometry.interpolate(np.minimum(below.length, 30))
    pd.DataFrame(
        {"placement_id": [f"U{k}" for k in range(len(below))], "survey": "UP", "crs": CRS,
         "method": "kick_net", "outcome": "nil", "set_at": "2023-07-01T10:00",
         "easting": at.x.map(repr).to_list(), "northing": at.y.map(repr).to_list(),
         "stretch_length_m": 500}
    ).to_csv(tmp_path / "u.csv", index=False)  # fmt: skip
    copy = tmp_path / "creek.gpkg"
    copy.write_bytes(store.read_bytes())
    done("import", copy, "--placements", tmp_path / "u.csv")
    held = open_store(copy, read_only=True)
    records = held.records(Selection(surveys=("UP",)))
    held.close()
    told = records.flags[records.flags["code"] == "stretch_confluence"]
    assert set(told["placement_id"]) == {f"U{k}" for k in range(len(below))}
    length = records.stretches["to_m"] - records.stretches["from_m"]
    by = length.groupby(records.stretches["placement_id"]).sum()
    short = records.flags.loc[records.flags["code"] == "stretch_cut_short", "placement_id"]
    assert by.drop(short, errors="ignore").to_numpy() == pytest.approx(500, abs=1e-6)
