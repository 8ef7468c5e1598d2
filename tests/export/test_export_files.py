"""GeoJSON and GeoPackage as other programs see them, and the command that writes them.

RFC 7946 (2016) for GeoJSON; OGC 12-128r19 (GeoPackage 1.4) for the GeoPackage. GDAL, through
pyogrio, is the other program.
"""

import datetime as dt
import json
import sqlite3
import zipfile
from contextlib import closing
from xml.etree import ElementTree as ET

import numpy as np
import pandas as pd
import pyogrio
import pyproj
import pytest
import shapely
from click.testing import CliRunner

from service.answers import features, summaries
from service.answers.hand_over import FORMS, HandOver, what_it_holds
from service.answers.written_figures import as_written
from service.columns import column
from service.errors import ConflictError, RequestError, StoreError
from service.export import geojson
from service.export import write_hand_over as write
from service.export.contents import gather
from service.export.geopackage import write_geopackage, write_pieces
from service.export.geopackage_stream import stream_geopackage
from service.export.layer_styles import STYLED, layer_rules, qml, sld
from service.intake.columns import SHEETS
from service.program import main
from service.records import LOCAL_KEEPER, PUBLIC, Selection
from service.store import open_store
from tests.command_line import run
from tests.handed_over import demo_path, hand_over

LAYERS = (
    "placements", "detections", "stretches", "reaches", "streams", "catchments", "gaps",
)  # fmt: skip
TABLES = ("catches", "lengths", "surveys", "sites", "species", "methods", "placement_sheet",
          "occurrence", "sampled_length", "effort")  # fmt: skip


# GeoJSON ------------------------------------------------------------------------------------
@pytest.mark.parametrize(("audience", "viewer"), [("public", PUBLIC), ("precise", LOCAL_KEEPER)])
def test_geojson_holds_every_placement_with_its_catch(demo, audience, viewer):
    """Sections 3.2, 3.3 and 4: a FeatureCollection on WGS 84; each feature bears its id."""
    told = json.loads(hand_over("geojson", audience).read_text())
    assert told["type"] == "FeatureCollection"
    assert "crs" not in told
    wanted = features.placements(demo, Selection(), viewer)
    assert [feature["id"] for feature in told["features"]] == wanted.index.tolist()
    individuals = {f["id"]: f["properties"]["individuals"] for f in told["features"]}
    assert individuals == wanted["individuals"].to_dict()
    for feature in told["features"]:
        caught = feature["properties"]["catch"]
        assert sum(row["individuals"] for row in caught) == feature["properties"]["individuals"]
    degrees = wanted.geometry.to_crs(4326)
    at = np.array([feature["geometry"]["coordinates"] for feature in told["features"]])
    np.testing.assert_allclose(at, np.column_stack([degrees.x, degrees.y]), atol=1e-7)


@pytest.mark.parametrize("audience", ["public", "precise"])
def test_sheets_in_pieces_are_the_whole(demo, tmp_path, monkeypatch, audience):
    """However many placements are in memory at once, the zip holds the same bytes."""
    written = []
    for at_once in (37, 100_000):
        monkeypatch.setattr("service.export.csv_sheets._AT_ONCE", at_once)
        path = tmp_path / f"{at_once}.zip"
        write(demo, path, HandOver(Selection(), "csv", audience))
        written.append(path.read_bytes())
    assert written[0] == written[1]
    with zipfile.ZipFile(tmp_path / "37.zip") as archive:
        rows = archive.read("placements.csv").decode("utf-8-sig").splitlines()
    assert len(rows) > what_it_holds(demo, Selection(), audience).placements
    assert sum(row.startswith("placement_id,") for row in rows) == 1


def test_gdal_reads_the_geojson(demo):
    """The right CRS and count, and the same places."""
    path = hand_over("geojson", "precise")
    read = pyogrio.read_dataframe(path)
    wanted = features.placements(demo, Selection(), LOCAL_KEEPER)
    assert read.crs.equals(pyproj.CRS.from_epsg(4326), ignore_axis_order=True)
    assert len(read) == len(wanted)
    back = read.set_index("placement_id").geometry.to_crs(wanted.crs)
    assert back.distance(wanted.geometry).max() < 0.02  # seven decimals of a degree


def test_pieces_do_not_change_the_file(demo, tmp_path, monkeypatch):
    """Placements come in chunks; the size of a chunk changes nothing."""
    chunks = geojson.open_record_chunks
    monkeypatch.setattr(geojson, "open_record_chunks", lambda *given, **_: chunks(*given, size=7))
    path = tmp_path / "small.geojson"
    write(demo, path, HandOver(Selection(), "geojson", "precise", licence="CC BY 4.0"))
    assert path.read_bytes() == hand_over("geojson", "precise").read_bytes()


# GeoPackage ---------------------------------------------------------------------------------
@pytest.mark.parametrize("crs", [None, "EPSG:25829", "EPSG:4326"])
def test_gdal_opens_every_layer_in_the_crs_asked_for(demo, crs):
    """Counts are those of the store; places agree with a transformation of our own choosing."""
    path = hand_over("gpkg", "precise", crs)
    listed = dict(pyogrio.list_layers(path))
    assert set(LAYERS) | set(TABLES) <= set(listed)
    wanted = {
        "placements": features.placements(demo, Selection(), LOCAL_KEEPER),
        "detections": features.detections(demo, Selection(), LOCAL_KEEPER),
        "stretches": features.stretches(demo, Selection(), LOCAL_KEEPER),
        "reaches": features.reaches(demo),
        "catchments": features.catchments(demo),
    }
    for name in LAYERS:
        read = pyogrio.read_dataframe(path, layer=name)
        assert read.crs == pyproj.CRS(crs or demo.settings.crs), name
        assert len(read), name
        if name in wanted:
            assert len(read) == len(wanted[name]), name
            np.testing.assert_allclose(
                read.total_bounds, wanted[name].to_crs(read.crs).total_bounds, atol=5, rtol=1e-5
            )
    for name in TABLES:
        assert pyogrio.read_info(path, layer=name)["geometry_type"] is None, name


def test_the_geopackage_follows_the_standard():
    """Requirements by number of OGC 12-128r19."""
    path = hand_over("gpkg", "public", "EPSG:29902")
    with closing(sqlite3.connect(path)) as file:
        ask = lambda text: file.execute(text).fetchall()  # noqa: E731
        assert ask("PRAGMA application_id") == [(0x47504B47,)]  # requirement 2
        assert ask("PRAGMA user_version") == [(10400,)]  # requirement 2, version 1.4
        assert ask("PRAGMA integrity_check") == [("ok",)]  # requirement 6
        assert ask("PRAGMA foreign_key_check") == []  # requirement 7
        tables = {name for (name,) in ask("SELECT name FROM sqlite_master WHERE type = 'table'")}
        contents = {name for (name,) in ask("SELECT table_name FROM gpkg_contents")}
        assert contents <= tables  # requirement 14
        assert {"layer_styles", *LAYERS, *TABLES} <= contents
        # Requirements 103 and following, schema extension: columns exist and are described.
        for table, column in ask("SELECT table_name, column_name FROM gpkg_data_columns"):
            assert column in {row[1] for row in ask(f"PRAGMA table_info('{table}')")}
        described = set(ask("SELECT table_name, column_name FROM gpkg_data_columns"))
        for table in (*LAYERS, *TABLES):
            for row in ask(f"PRAGMA table_info('{table}')"):
                assert row[1] in ("fid", "geom") or (table, row[1]) in described, (table, row[1])
        extensions = set(ask("SELECT table_name, extension_name FROM gpkg_extensions"))
        assert ("gpkg_data_columns", "gpkg_schema") in extensions
        assert ("gpkg_metadata", "gpkg_metadata") in extensions  # requirement 93
        uri, text = ask("SELECT md_standard_uri, metadata FROM gpkg_metadata")[0]
        assert ET.fromstring(text).tag == f"{{{uri}}}eml"
        rtrees = {name for (name,) in ask("SELECT table_name FROM gpkg_extensions WHERE"
                                          " extension_name = 'gpkg_rtree_index'")}  # fmt: skip
        assert set(LAYERS) <= rtrees


def test_every_layer_has_a_default_style():
    """In `layer_styles`, as SLD and QML that are well-formed and name columns that exist."""
    path = hand_over("gpkg")
    styles = pyogrio.read_dataframe(path, layer="layer_styles").set_index("f_table_name")
    assert set(styles.index) == set(STYLED) == set(LAYERS)
    assert (styles["f_geometry_column"] == "geom").all()
    assert styles["useAsDefault"].astype(bool).all()
    for name in LAYERS:
        columns = set(pyogrio.read_info(path, layer=name)["fields"])
        tree = ET.fromstring(styles.loc[name, "styleSLD"])
        named = {node.text for node in tree.iter("{http://www.opengis.net/ogc}PropertyName")}
        assert named <= columns
        rules = ET.fromstring(styles.loc[name, "styleQML"]).findall("renderer-v2/rules/rule")
        cells = "generalised_km" in columns
        assert [rule.get("label") for rule in rules] == [
            told.label for told in layer_rules(name, cells=cells)
        ]


def test_styles_tell_gear_and_outcome_apart_without_colour():
    """No two rules of the placements agree in shape, filling's lightness and cross."""
    seen = {
        (rule.mark, rule.crossed, sum(int(rule.fill[at : at + 2], 16) for at in (1, 3, 5)) // 60)
        for rule in layer_rules("placements")
    }
    assert len(seen) == len(layer_rules("placements"))
    assert sld("placements").count("<Rule>") == qml("placements").count("<rule ")


def test_a_column_that_is_not_described_is_refused():
    """A new column without a meaning fails here, not at the council."""
    with pytest.raises(KeyError, match=r"reaches\.new_column"):
        column("reaches", "new_column")


# The command --------------------------------------------------------------------------------
def test_the_ending_tells_the_form(tmp_path):
    """`-o records.geojson` and `-o records.gpkg` need no more; other endings ask."""
    assert run("export", demo_path(), "-o", tmp_path / "a.geojson").exit_code == 0
    assert json.loads((tmp_path / "a.geojson").read_text())["type"] == "FeatureCollection"
    answer = run("export", demo_path(), "-o", tmp_path / "a.zip")
    assert answer.exit_code == 1
    assert all(form in answer.output for form in FORMS)


def test_the_public_is_the_default_audience(tmp_path):
    """Nobody hands exact places over by forgetting an option."""
    path = tmp_path / "a.geojson"
    assert run("export", demo_path(), "-o", path).exit_code == 0
    ids = {feature["id"] for feature in json.loads(path.read_text())["features"]}
    store = open_store(demo_path(), read_only=True)
    assert ids == set(features.placements(store, Selection(), PUBLIC).index)
    store.close()


def test_a_store_is_never_replaced(tmp_path):
    """`-o` may replace an earlier hand-over, never a store."""
    store = open_store(demo_path(), read_only=True)
    before = demo_path().read_bytes()
    with pytest.raises(ConflictError, match="never replaced"):
        write(store, demo_path(), HandOver(Selection(), "gpkg", overwrite=True))
    store.close()
    assert demo_path().read_bytes() == before
    path = tmp_path / "a.gpkg"
    assert run("export", demo_path(), "-o", path).exit_code == 0
    assert run("export", demo_path(), "-o", path).exit_code == 0


def test_without_leave_nothing_is_replaced(demo, tmp_path):
    """From Python the default is to refuse."""
    path = tmp_path / "a.geojson"
    path.write_text("mine")
    with pytest.raises(ConflictError, match="exists already"):
        write(demo, path, HandOver(Selection(), "geojson"))
    assert path.read_text() == "mine"


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--crs", "EPSG:999999"], "unknown"),
        (["--survey", "NOPE"], "no survey"),
        (["--species", "Salmo truta"], "Salmo trutta"),
        (["--to", "shapefile"], "shapefile"),
    ],
)
def test_bad_options_are_answered_in_one_line(tmp_path, options, words):
    """What is wrong, and what would be right; nothing written."""
    answer = run("export", demo_path(), "-o", tmp_path / "a.gpkg", *options)
    assert answer.exit_code != 0
    assert words in answer.output
    assert "Traceback" not in answer.output
    assert list(tmp_path.iterdir()) == []


def test_the_preview_says_what_the_file_will_hold(demo, tmp_path):
    """Counts of the preview are those of the file."""
    asked = Selection(surveys=("LOW22",), methods=("minnow_trap", "fyke_net"))
    holds = what_it_holds(demo, asked, "precise")
    path = tmp_path / "a.gpkg"
    write(demo, path, HandOver(asked, "gpkg", "precise"))
    counts = {name: pyogrio.read_info(path, layer=name)["features"] for name in (*LAYERS, *TABLES)}
    assert holds.placements == counts["placements"] == counts["placement_sheet"] > 0
    assert (holds.catches, holds.lengths) == (counts["catches"], counts["lengths"])
    assert holds.surveys == {"LOW22"}
    assert (
        len(holds.species) == pyogrio.read_dataframe(path, layer="detections")["species"].nunique()
    )
    answer = run("export", demo_path(), "--preview", "--survey", "LOW22", "--audience", "precise")
    assert answer.exit_code == 0
    assert "placements" in answer.output


def test_a_selection_that_finds_nothing_still_makes_a_whole_file(demo, tmp_path):
    """Every form can be written and opened with no placement in it."""
    nothing = Selection(since=dt.date(2050, 1, 1))
    for form, (ending, _) in FORMS.items():
        path = tmp_path / f"{form}{ending}"
        write(demo, path, HandOver(nothing, form))
        assert path.stat().st_size > 0
    read = pyogrio.read_dataframe(tmp_path / "gpkg.gpkg", layer="placements")
    assert len(read) == 0
    assert len(pyogrio.read_dataframe(tmp_path / "gpkg.gpkg", layer="reaches")) > 300


def test_forms_and_audiences_are_checked(demo, tmp_path):
    """A program that asks for what does not exist is told so."""
    with pytest.raises(RequestError, match="no hand-over"):
        write(demo, tmp_path / "a", HandOver(Selection(), "shapefile"))
    with pytest.raises(RequestError, match="no hand-over"):
        write(demo, tmp_path / "a", HandOver(Selection(), "gpkg", "everybody"))


@pytest.mark.parametrize("audience", ["public", "precise"])
@pytest.mark.parametrize(
    "asked",
    [Selection(), Selection(species=("Cottus gobio",), methods=("kick_net", "spotlight")),
     Selection(catchments=("C1",)), Selection(since=dt.date(2050, 1, 1))],
    ids=["all", "some", "catchment", "none"],
)  # fmt: skip
def test_a_geopackage_in_pieces_is_the_whole(demo, tmp_path, monkeypatch, audience, asked):
    """However many placements are in memory at once: the same layers, rows, words and metadata."""
    day = dt.date(2026, 5, 1)
    write_geopackage(tmp_path / "whole.gpkg", gather(demo, asked, audience, made_on=day))
    monkeypatch.setattr("service.export.geopackage_stream._AT_ONCE", 37)
    stream_geopackage(tmp_path / "pieces.gpkg", demo, asked, audience, made_on=day)
    whole, pieces = (tmp_path / f"{name}.gpkg" for name in ("whole", "pieces"))
    assert pyogrio.list_layers(whole).tolist() == pyogrio.list_layers(pieces).tolist()
    for name, _ in pyogrio.list_layers(whole):
        one, other = (pyogrio.read_info(path, layer=name) for path in (whole, pieces))
        assert one["fields"].tolist() == other["fields"].tolist(), name
        assert one["ogr_types"] == other["ogr_types"], name
        assert (one["crs"], one["geometry_type"]) == (other["crs"], other["geometry_type"]), name
        frames = [pyogrio.read_dataframe(path, layer=name) for path in (whole, pieces)]
        if name == "detections":  # of exact places they go by the order of entry
            key = ["placement_id", "species"]
            frames = [frame.sort_values(key, ignore_index=True) for frame in frames]
        if name == "layer_styles":
            frames = [frame.drop(columns="update_time") for frame in frames]
        pd.testing.assert_frame_equal(*(pd.DataFrame(frame) for frame in frames))
    with closing(sqlite3.connect(whole)) as one, closing(sqlite3.connect(pieces)) as other:
        for asked_of in (
            "SELECT table_name, description, min_x, min_y, max_x, max_y FROM gpkg_contents",
            "SELECT * FROM gpkg_data_columns",
            "SELECT md_standard_uri, metadata FROM gpkg_metadata",
        ):
            assert one.execute(asked_of).fetchall() == other.execute(asked_of).fetchall()
        for layer in ("placements", "detections"):  # the index knows what later pieces brought
            count = f"SELECT count(*) FROM rtree_{layer}_geom JOIN {layer} ON id = fid"
            (rows,) = other.execute(f"SELECT count(*) FROM {layer}").fetchone()
            assert other.execute(count).fetchone() == (rows,)


def test_a_piece_of_another_kind_is_refused(tmp_path):
    """GDAL would bend 1.5 into a column of whole numbers; nothing is written instead."""
    first, more = pd.DataFrame({"count": [1.0, 2.0]}), pd.DataFrame({"count": [1.5]})
    with pytest.raises(StoreError, match="count of catches"):
        write_pieces(
            tmp_path / "a.gpkg",
            [("catches", first), ("catches", more)],
            "EPSG:32629",
            dt.date(2026, 5, 1),
            dict,
            public=False,
        )


def test_counts_are_whole_and_computed_lengths_end_at_the_millimetre(demo):
    """By type of the column in GDAL and digit by digit; what was recorded is not rounded."""
    path = hand_over("gpkg", "precise")
    for layer, columns in {
        "placements": ("individuals", "gear_count", "lifts", "passes"),
        "detections": ("individuals",),
        "occurrence": ("individuals", "placements"),
        "effort": ("individuals", "placements"),
        "catches": ("count", "pass_no"),
        "lengths": ("pass_no",),
        "placement_sheet": ("gear_count", "lifts", "passes"),
    }.items():
        info = pyogrio.read_info(path, layer=layer)
        kinds = dict(zip(info["fields"], info["ogr_types"], strict=True))
        assert {kinds[name] for name in columns} == {"OFTInteger64"}, layer
    for layer, columns in {
        "stretches": ("from_m", "to_m"),
        "reaches": ("length_m", "distance_to_sampled_m"),
        "gaps": ("length_m", "farthest_m"),
        "sampled_length": ("sampled_length_m", "effort_length_m", "network_length_m"),
    }.items():
        table = pyogrio.read_dataframe(path, layer=layer, read_geometry=False)
        for name in columns:
            known = table[name].dropna()
            assert len(known), (layer, name)
            assert (known == known.round(3)).all(), (layer, name)
    kept = features.stretches(demo, Selection(), LOCAL_KEEPER)
    stretches = pyogrio.read_dataframe(path, layer="stretches")
    np.testing.assert_allclose(stretches["from_m"], kept["from_m"], atol=0.000501, rtol=0)
    sheet = pyogrio.read_dataframe(path, layer="placement_sheet").set_index("placement_id")
    stored = demo.records(Selection()).placements
    for name in ("area_m2", "stretch_length_m", "wetted_width_m", "water_velocity_m_s"):
        pd.testing.assert_series_equal(
            sheet[name].sort_index(), stored[name].sort_index(), check_exact=True
        )
    told = json.loads(hand_over("geojson", "precise").read_text())["features"]
    for feature in told:
        counts = [feature["properties"][name] for name in ("individuals", "gear_count", "passes")]
        counts += [row["individuals"] for row in feature["properties"]["catch"]]
        assert all(isinstance(count, int) for count in counts if count is not None)


def test_a_count_that_is_not_whole_is_not_rounded():
    """Nothing is changed silently: a half stays a half."""
    frame = pd.DataFrame(
        {"passes": [1.5, 2.0], "from_m": [1.00049, np.nan], "mesh_mm": [0.12345] * 2}
    )
    written = as_written(frame, "placements")
    assert written["passes"].tolist() == [1.5, 2.0]
    assert written["from_m"].iloc[0] == 1.0
    assert np.isnan(written["from_m"].iloc[1])
    assert written["mesh_mm"].tolist() == frame["mesh_mm"].tolist()


def test_times_and_days_keep_their_kind():
    """A moment is a moment in UTC, a day a day: GDAL sees both as such."""
    read = pyogrio.read_dataframe(hand_over("gpkg", "precise"), layer="placements")
    assert isinstance(read["set_at"].dtype, pd.DatetimeTZDtype)
    reaches = pyogrio.read_dataframe(hand_over("gpkg", "precise"), layer="reaches")
    assert pd.api.types.is_datetime64_any_dtype(reaches["last_date"].dtype)
    kinds = shapely.get_type_id(reaches.geometry.to_numpy())
    assert set(kinds) == {1}


@pytest.mark.parametrize("audience", ["public", "precise"])
def test_gdal_gives_every_column_its_kind(tmp_path, audience):
    """Counts, numbers and truths are declared so in the GeoPackage, whatever is missing.

    A GeoJSON file has no such declaration; GDAL takes the kinds from all features, so that a
    number is one wherever a feature has it, and a column without any value is a text.
    """
    kinds = {
        column.name: {"whole": "iu", "number": "f", "yes_no": "b"}[column.kind]
        for column in SHEETS["placements"]
        if column.kind in ("whole", "number", "yes_no")
    }
    for form, layers in (("gpkg", ("placements", "placement_sheet")), ("geojson", (None,))):
        file = tmp_path / f"r.{form}"
        done = CliRunner().invoke(
            main, ["export", str(demo_path()), "-o", str(file), "--audience", audience]
        )
        assert done.exit_code == 0, done.output
        for layer in layers:
            about = pyogrio.read_info(file, layer=layer)
            read = pyogrio.read_dataframe(file, layer=layer, read_geometry=False)
            found = dict(zip(about["fields"], about["dtypes"], strict=True))
            seen = [name for name in found if name in kinds]
            assert len(seen) > 10
            for name in seen:
                if form == "geojson" and read[name].isna().all():
                    continue
                assert np.dtype(found[name]).kind in kinds[name] + "iu" * (form == "geojson"), name


def test_reaches_with_coverage_share_memory_with_both(demo):
    """Of 300,000 reaches a copy of each column would be 40 MB, in the feed and in hand-overs."""
    covered = features.covered_reaches(demo, Selection(), LOCAL_KEEPER)
    coverage = summaries.coverage(demo, Selection(), LOCAL_KEEPER)
    assert covered.index.tolist() == coverage["reach_id"].tolist()
    for name in ("visited_fraction", "last_date", "placements", "stream"):
        one, other = (np.asarray(each[name].array._ndarray) for each in (covered, coverage))
        assert np.shares_memory(one, other), name
