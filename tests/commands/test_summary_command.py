"""`rifflebook summary`, `map` and `export`: what is printed and what is written."""

import csv
import io
import json

import geopandas as gpd
import pandas as pd
import pyproj
import pytest

from service.answers import summaries
from service.answers.methods_texts import METHODS_TEXTS
from service.answers.tables import summary_csv
from service.columns import SUMMARY_COLUMNS
from service.commands.summary import _PER, SUMMARIES
from service.records import LOCAL_KEEPER, Selection
from tests.command_line import run
from tests.small_store import make_small_store


@pytest.fixture(scope="module")
def path(tmp_path_factory):
    file = tmp_path_factory.mktemp("brook") / "brook.gpkg"
    make_small_store(file, "=HYPERLINK(1)").close()
    return file


def rows_of(result):
    assert result.exit_code == 0, result.output
    return list(csv.DictReader(io.StringIO(result.stdout)))


def test_help_says_what_each_summary_takes_as_its_unit():
    """Detection takes reaches and change, as a rule, sites: each with its default."""
    text = " ".join(run("summary", "--help").output.split())
    assert "detection: what is occupied or not; reach." in text
    assert "change: what was visited again, reach or site; site where half" in text


@pytest.mark.parametrize("what", list(SUMMARIES))
def test_every_summary_in_every_format(path, what):
    """CSV, JSON and GeoJSON hold the same rows and the same columns."""
    table = rows_of(run("summary", path, what))
    document = json.loads(run("summary", path, what, "--format", "json").stdout)
    collection = json.loads(run("summary", path, what, "--format", "geojson").stdout)
    assert document["summary"] == what
    assert document["inputs"]["placements_used"] > 0 or what == "richness"
    assert len(document["rows"]) == len(table) == len(collection["features"])
    assert list(document["rows"][0]) == list(table[0])
    assert list(collection["features"][0]["properties"]) == list(table[0])
    assert [feature["properties"] for feature in collection["features"]] == document["rows"]
    assert [feature["id"] for feature in collection["features"]] == [*range(1, len(table) + 1)]
    assert collection["inputs"] == document["inputs"]


def test_a_line_has_its_own_row(path):
    """Each gap is as long, on the ellipsoid within a thousandth, as its row says."""
    told = json.loads(run("summary", path, "gaps", "--format", "geojson").stdout)
    frame = gpd.GeoDataFrame.from_features(told, crs=4326)
    geod = pyproj.Geod(ellps="WGS84")
    lengths = [geod.geometry_length(line) for line in frame.geometry]
    assert lengths == pytest.approx(frame["length_m"].tolist(), rel=1e-3)


def test_columns_are_the_public_ones(path):
    """The command prints the columns of the summary functions, groupings first."""
    assert tuple(rows_of(run("summary", path, "gaps"))[0])[:9] == SUMMARY_COLUMNS["gaps"]
    by = rows_of(run("summary", path, "sampled-length", "--by", "year,strahler"))
    assert tuple(by[0])[:8] == ("year", "strahler", *SUMMARY_COLUMNS["sampled_length"])
    per = rows_of(run("summary", path, "nearest-reach", "--per", "reach"))
    assert tuple(per[0])[:11] == SUMMARY_COLUMNS["reach_summary"]


def test_selection_options(path):
    """Options choose records as they say, with commas or several times."""
    chosen = rows_of(run("summary", path, "nearest-reach", "--methods", "kick_net,seine"))
    assert [row["placement_id"] for row in chosen] == ["T1", "T2", "T7"]
    twice = run("summary", path, "nearest-reach", "--methods", "kick_net", "--methods", "seine")
    assert rows_of(twice) == chosen
    late = rows_of(run("summary", path, "nearest-reach", "--since", "2024"))
    assert [row["placement_id"] for row in late] == ["T6", "T7", "T8"]


def test_formulas_stay_asleep():
    """A text cell that a spreadsheet would run gets an apostrophe; a number stays a number."""
    frame = pd.DataFrame({"note": ["=1+1", "+a", "-b", "@c", "\td", "plain"], "adds_m": [-1.0] * 6})
    frame.attrs["summary"] = "next_places"
    cells = list(csv.reader(io.StringIO(b"".join(summary_csv(frame)).decode())))[1:]
    assert [row[0] for row in cells] == ["'=1+1", "'+a", "'-b", "'@c", "'\td", "plain"]
    assert {row[1] for row in cells} == {"-1.0"}


def test_output_file_appears_whole(path, tmp_path):
    """`-o` writes the same bytes to a file, which is replaced only when all went well."""
    file = tmp_path / "gaps.csv"
    assert run("summary", path, "gaps", "-o", file).exit_code == 0
    before = file.read_bytes()
    assert before == run("summary", path, "gaps").stdout_bytes
    assert run("summary", path, "gaps", "-o", file, "--catchment", "C9").exit_code != 0
    assert file.read_bytes() == before
    nowhere = run("summary", path, "gaps", "-o", tmp_path / "no" / "gaps.csv")
    assert nowhere.exit_code == 1
    assert "folder does not exist" in nowhere.output


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("gaps", "--per", "reach"), "--per belongs to nearest-reach"),
        (("effort", "--effort-unit", "kick_net"), "METHOD=UNIT"),
        (("effort", "--effort-unit", "kick_net=haul"), "kick_net"),
        (("occurrence", "--species", "Cotus gobio"), "did you mean Cottus gobio"),
        (("occurrence", "--species", "Nosuch"), "; known are "),
        (("coverage", "--as-of", "31.5.2024"), "2024-05-31"),
        (("sampled-length", "--by", "moon"), "moon"),
        (("nearest-reach", "--every-reach"), "--per reach"),
        (("detection", "--per", "catchment", "--unit", "site"), "leave out --unit"),
    ],
)
def test_errors_are_one_readable_line(path, arguments, words):
    """What cannot be is said in words, with a status other than 0 and no traceback."""
    result = run("summary", path, *arguments)
    assert result.exit_code in (1, 2)
    assert words in result.output
    assert "Traceback" not in result.output


def test_missing_store_is_said(tmp_path):
    """A store that is not there is not made by looking at it."""
    for command in (("summary", "gaps"), ("map", "-o", "m.html"), ("export", "-o", "r.geojson")):
        result = run(command[0], tmp_path / "none.gpkg", *command[1:])
        assert result.exit_code == 1, result.output
    assert not list(tmp_path.iterdir())


def test_geojson_of_a_summary_opens_in_gdal(path, tmp_path):
    """GDAL reads a summary as a layer: gaps as lines, occurrence on catchment polygons."""
    for what, kind in (("gaps", "MultiLineString"), ("occurrence", "MultiPolygon")):
        file = tmp_path / f"{what}.geojson"
        assert run("summary", path, what, "--format", "geojson", "-o", file).exit_code == 0
        layer = gpd.read_file(file)
        assert layer.crs == "EPSG:4326"
        assert set(layer.geometry.geom_type) == {kind}


def test_map_command(path, tmp_path):
    """`map` writes the page and says how many placements it holds."""
    file = tmp_path / "map.html"
    result = run("map", path, "-o", file, "--methods", "kick_net")
    assert result.exit_code == 0, result.output
    assert "2 placements" in result.stderr
    assert "showRecords(" in file.read_text(encoding="utf-8")


def test_export_command(path, tmp_path):
    """`export` writes RFC 7946 that GDAL reads, with every placement."""
    file = tmp_path / "records.geojson"
    assert run("export", path, "-o", file).exit_code == 0
    layer = gpd.read_file(file)
    assert len(layer) == 8
    assert layer.crs == "EPSG:4326"
    store_columns = {"placement_id", "method", "outcome", "species", "individuals", "reach_id"}
    assert store_columns <= set(layer.columns)


def test_command_and_function_agree(path):
    """The command prints what the function computes: one figure everywhere."""
    from service.store import open_store

    held = open_store(path, read_only=True)
    frame = summaries.sampled_length(held, Selection(), LOCAL_KEEPER, by=("year",))
    held.close()
    printed = rows_of(run("summary", path, "sampled-length", "--by", "year"))
    assert [float(row["sampled_length_m"]) for row in printed] == pytest.approx(
        frame["sampled_length_m"].tolist(), abs=5e-4
    )


@pytest.mark.parametrize("what", list(SUMMARIES))
def test_assumptions_and_methods_travel_with_every_summary(path, what):
    """Each table has `problem` or `assumes`; the methods text names records and assumptions."""
    forms = _PER.get(what, {"": SUMMARIES[what][0]})
    for per, name in forms.items():
        own = ["--per", per] if per else []
        rows = rows_of(run("summary", path, what, *own))
        assert all("problem" in row or row["assumes"] for row in rows)
        text = run("summary", path, what, *own, "--methods-text").stdout
        assert text.startswith(METHODS_TEXTS[name])
        assert "Assumes: " in text
    assert set(METHODS_TEXTS) == set(SUMMARY_COLUMNS)
