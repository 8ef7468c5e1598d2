"""`rifflebook load`: real open networks in every common format, and every odd line in words.

Outside reference: the open New Hope Creek data (NHDPlus Version 2.1, CC0) and the figures that
were computed for it apart from this project (its figures.json); GDAL writes the other formats.
"""

import json
import sqlite3
import struct
import subprocess
import sys
import warnings
from contextlib import closing

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from click.testing import CliRunner

from service.errors import RequestError
from service.program import main
from service.records import StoreSettings
from service.store import create_store, open_store
from tests.store_records import CRS, X0, Y0, add, field_records, reaches, small_store, whole

NEWHOPE = ("--map", "stream_name=name", "--map", "kind=feature_kind")


def load(what, store, file, *options):
    arguments = ["load", what, str(store), str(file), *map(str, options)]
    return CliRunner().invoke(main, arguments)


@pytest.fixture
def store(tmp_path):
    small_store(tmp_path / "fork.gpkg", network=False).close()
    return tmp_path / "fork.gpkg"


@pytest.fixture
def creek(tmp_path):
    """An empty store in the CRS of New Hope Creek."""
    path = tmp_path / "creek.gpkg"
    create_store(path, StoreSettings("EPSG:26917", "America/New_York")).close()
    return path


def stored_reaches(path):
    store = open_store(path, read_only=True)
    found = store.reaches()
    store.close()
    return found


# A real network -----------------------------------------------------------------------------
@pytest.mark.parametrize("form", ["gpkg", "shp", "fgb", "geojson"])
def test_a_real_network_loads_from_every_format(creek, newhope, tmp_path, form):
    """Lengths by Strahler order are those of figures.json; nothing is lost on the way."""
    figures = json.loads((newhope / "figures.json").read_text())
    source = gpd.read_file(newhope / "newhope.gpkg", layer="reaches")
    columns = ["reach_id", "name", "feature_kind", "strahler_order", "geometry"]
    if form == "gpkg":
        file, renames = newhope / "newhope.gpkg", ("--layer", "reaches", *NEWHOPE)
        order = "strahler_order"
    elif form == "shp":  # ten letters are all that a Shapefile's column names hold
        file, renames = tmp_path / "r.shp", ("--map", "stream_name=name", "--map", "kind=kind_")
        short = source[columns].rename(columns={"feature_kind": "kind_", "strahler_order": "so"})
        short.to_file(file)
        order = "so"
    else:
        file, renames = tmp_path / f"r.{form}", NEWHOPE
        source[columns].to_file(file)
        order = "strahler_order"
    done = load("reaches", creek, file, *renames, "--map", f"strahler={order}")
    assert done.exit_code == 0, done.output
    assert "Reaches stored: 746" in done.output
    assert "746 as given, 0 computed" in done.output
    found = stored_reaches(creek)
    total = found["length_m"].sum() / 1000
    assert total == pytest.approx(577.052, abs=0.0005 if form != "geojson" else 0.1)
    by_order = found.groupby("strahler")["length_m"].sum() / 1000
    close = 0.0001 if form != "geojson" else 0.1
    for number, stated in figures["by_strahler_order"].items():
        assert by_order[int(number)] == pytest.approx(stated["length_km"], abs=close)
    for stated in figures["upstream_of"]:
        length = found.loc[str(stated["reach_id"]), "upstream_length_m"] / 1000
        assert length == pytest.approx(stated["length_km_including_itself"], abs=close)
    assert found["stream_name"].notna().sum() == figures["named_reaches"]


def test_the_geographic_file_is_reprojected_and_says_so(creek, newhope):
    """The same reaches in degrees give the same network to the 7 decimals of the file."""
    done = load("reaches", creek, newhope / "reaches.geojson", *NEWHOPE)
    assert done.exit_code == 0, done.output
    assert "were in degrees (WGS 84)" in done.output
    assert "transformed to NAD83 / UTM zone 17N" in done.output
    assert "accuracy" in done.output
    found = stored_reaches(creek)
    source = gpd.read_file(newhope / "newhope.gpkg", layer="reaches")
    assert found.crs == "EPSG:26917"
    source = source.set_index(source["reach_id"].astype("str")).loc[found.index]
    # 1e-7 degrees are 11 mm; the shift between the datums counts as 0 or within its accuracy.
    assert (
        shapely.hausdorff_distance(np.asarray(found.geometry), np.asarray(source.geometry)).max()
        < 2.5
    )
    assert (found["length_m"] - source.length).abs().max() < 0.5
    assert (found["strahler"] == source["strahler_order"]).mean() > 0.95


def test_node_numbers_agree_with_those_of_the_source(creek, newhope):
    """Reaches share a node here exactly where they do in NHDPlus (663 nodes)."""
    load("reaches", creek, newhope / "newhope.gpkg", "--layer", "reaches")
    found = stored_reaches(creek)
    source = gpd.read_file(newhope / "newhope.gpkg", layer="reaches")
    source = source.set_index(source["reach_id"].astype("str")).loc[found.index]
    pairs = set(zip(source["from_node"], found["from_node"], strict=True))
    pairs |= set(zip(source["to_node"], found["to_node"], strict=True))
    assert len(pairs) == 663
    assert len({one for one, _ in pairs}) == len({other for _, other in pairs}) == 663


def test_catchments_and_basins_load_and_cut_the_reaches(creek, newhope):
    """Stream length per basin equals figures.json, computed apart by looking at every reach."""
    file = newhope / "newhope.gpkg"
    load("reaches", creek, file, "--layer", "reaches")
    done = load("catchments", creek, file, "--layer", "basins", "--map", "catchment_id=huc12")
    assert done.exit_code == 0, done.output
    assert "Catchments stored: 21" in done.output
    store = open_store(creek, read_only=True)
    parts = store.reach_parts()
    assert store.faults() == []
    store.close()
    by_basin = (parts["to_m"] - parts["from_m"]).groupby(parts["catchment_id"]).sum()
    figures = json.loads((newhope / "figures.json").read_text())
    for basin, length in figures["stream_length_km_by_basin"].items():
        assert by_basin.get(basin, 0.0) / 1000 == pytest.approx(length, abs=0.0002)
    done = load("catchments", creek, file, "--layer", "catchments")
    assert "Catchments stored: 695" in done.output


# Odd lines ----------------------------------------------------------------------------------
def test_odd_lines_are_told_and_drawn(store, tmp_path):
    """Heights are dropped and said; a zero-length line is told with its place."""
    frame = reaches()
    high = shapely.force_3d(frame.geometry.iloc[0], 12.0)
    extra = gpd.GeoDataFrame(
        {"reach_id": ["Z"]},
        geometry=[shapely.LineString([(X0, Y0), (X0, Y0)])],
        crs=CRS,
    )
    frame.loc[0, "geometry"] = high
    file, places = tmp_path / "odd.gpkg", tmp_path / "places.geojson"
    pd.concat([frame, extra]).to_file(file)
    done = load("reaches", store, file, "--problems", places)
    assert "heights" in done.output + done.stderr
    assert "zero length" in done.output + done.stderr
    drawn = json.loads(places.read_text())
    assert "crs" not in drawn  # RFC 7946, section 4
    assert [one["properties"]["reach_id"] for one in drawn["features"]] == ["Z"]
    lon, lat = np.ravel(drawn["features"][0]["geometry"]["coordinates"])[:2]
    assert -12 < lon < -6
    assert 52 < lat < 53


def test_multi_part_lines_are_refused_or_split(store, tmp_path):
    frame = reaches()
    frame.loc[2, "geometry"] = shapely.MultiLineString(
        [[(X0 + 600, Y0 + 1200), (X0 + 600, Y0 + 700)], [(X0 + 600, Y0 + 600), (X0 + 600, Y0)]]
    )
    file = tmp_path / "multi.gpkg"
    frame.to_file(file)
    places = tmp_path / "places.geojson"
    done = load("reaches", store, file, "--problems", places)
    assert done.exit_code == 1
    assert "refused" in done.stderr
    assert "nothing was stored" in done.stderr
    assert len(json.loads(places.read_text())["features"]) == 1
    assert stored_reaches(store).empty
    done = load("reaches", store, file, "--split-parts")
    assert done.exit_code == 0, done.output
    assert stored_reaches(store).index.tolist() == ["A", "B", "C.1", "C.2"]


def test_doubled_ids_are_refused(store, tmp_path):
    file = tmp_path / "doubled.gpkg"
    reaches().assign(reach_id=["A", "A", "C"]).to_file(file)
    done = load("reaches", store, file)
    assert done.exit_code == 1
    assert "'A'" in done.stderr
    assert stored_reaches(store).empty


def test_lines_drawn_upstream_are_turned(store, tmp_path):
    """With --reverse-flow the network is that of lines drawn downstream."""
    up = reaches()
    up["geometry"] = up.geometry.reverse()
    up.to_file(tmp_path / "up.gpkg")
    assert "turned round" in load("reaches", store, tmp_path / "up.gpkg", "--reverse-flow").output
    found = stored_reaches(store)
    assert found["strahler"].tolist() == [1, 1, 2]
    assert found["upstream_length_m"].tolist() == pytest.approx([1000, 1000, 3000])
    assert found.geometry.iloc[2].coords[0] == (X0 + 600, Y0 + 1200)


def test_a_network_loaded_again_places_the_records_anew(store, tmp_path):
    """With C moved 30 m aside, every snap on it changes by 30 m and its stretches follow."""
    reaches().to_file(tmp_path / "r.gpkg")
    load("reaches", store, tmp_path / "r.gpkg")
    opened = open_store(store)
    add(opened, field_records(opened, 30))
    before = whole(opened)
    opened.close()
    ids = {"A": "North", "B": "East", "C": "Main"}
    reaches().assign(reach_id=list(ids.values())).to_file(tmp_path / "r2.gpkg")
    done = load("reaches", store, tmp_path / "r2.gpkg", "--node-tolerance", "2")
    assert done.exit_code == 0, done.output
    assert "Placements snapped anew" in done.output
    opened = open_store(store)
    after = whole(opened)
    assert opened.faults() == []
    assert opened.settings.node_tolerance_m == 2
    assert len(opened.history("reaches")) == 2
    opened.close()
    assert after.snaps["reach_id"].tolist() == before.snaps["reach_id"].map(ids).tolist()
    assert np.allclose(after.snaps["measure_m"], before.snaps["measure_m"], equal_nan=True)
    length = [(one["to_m"] - one["from_m"]).sum() for one in (before.stretches, after.stretches)]
    assert length[0] == pytest.approx(length[1])
    assert length[0] > 0
    assert set(after.stretches["reach_id"]) <= set(ids.values())


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (("--map", "reach_id=none_such"), "no column 'none_such'; there are reach_id"),
        (("--map", "reach_id"), "write OURS=THEIRS"),
        (("--layer", "none_such"), "no layer 'none_such'"),
    ],
)
def test_wrong_options_are_told_in_one_line(store, tmp_path, options, said):
    reaches().to_file(tmp_path / "r.gpkg")
    done = load("reaches", store, tmp_path / "r.gpkg", *options)
    assert done.exit_code == 1
    assert said in done.stderr
    assert done.stderr.count("\n") == 1


def test_files_that_are_no_layer_are_told(store, tmp_path):
    file = tmp_path / "x.geojson"
    for content in (b"", b"no json", b"\xff\xfe\x00"):
        file.write_bytes(content)
        done = load("reaches", store, file)
        assert done.exit_code == 1
        assert "cannot be read as a map layer" in done.stderr
    table = tmp_path / "t.csv"
    table.write_text("reach_id,a\nA,1\n")
    assert "no geometry" in load("reaches", store, table).stderr


# Lists --------------------------------------------------------------------------------------
@pytest.mark.parametrize("separator", [",", ";", "\t"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig"])
def test_species_load_from_any_csv(store, tmp_path, separator, encoding):
    rows = [
        ["species", "vernacular_name", "max_length_mm", "sensitivity", "sensitive_from", "extra"],
        ["Cottus perifretum", "Rivierdonderpad ø", "120.5", "10", "03-15", "x"],
        ["Lampetra", "", "", "1.0", "", ""],
    ]
    file = tmp_path / "s.csv"
    file.write_text("\n".join(separator.join(row) for row in rows), encoding=encoding)
    done = load("species", store, file)
    assert done.exit_code == 0, done.output
    assert "2 added, 0 changed" in done.output
    assert "Columns not used: extra" in done.output
    opened = open_store(store)
    row = opened.species().loc["Cottus perifretum"]
    assert (row["vernacular_name"], row["max_length_mm"]) == ("Rivierdonderpad ø", 120.5)
    assert opened.species().loc["Lampetra", "sensitivity"] == "1"
    assert pd.isna(opened.species().loc["Lampetra", "vernacular_name"])
    opened.close()
    assert "0 added, 0 changed, 2 the same" in load("species", store, file).output


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "is empty"),
        ("name\nx\n", "no column species"),
        ("species,rank\nA,species\n,genus\nB,\n", "row 3, column species: it is empty"),
        (
            "species\nA\nB\nA\n",
            "row 4, column species, value 'A': it stands there twice, first in row 2",
        ),
        (
            "species,habitats\nA,stream;sky\n",
            "row 2, column habitats, value 'stream;sky': 'sky' is not known",
        ),
        ("species,sensitivity\nA,secret\n", "column sensitivity, value 'secret'"),
        ("species,rank\nA,order\n", "column rank, value 'order'"),
        ("species,detected_by\nA,harpoon\n", "column detected_by, value 'harpoon'"),
        (
            "species,max_length_mm\nA,long\n",
            "value 'long': give a number in mm, such as 12.5, and nothing else",
        ),
        ("species,max_length_mm\nA,-3\n", "value '-3': give a number above 0 mm"),
        (
            "species,min_length_mm,max_length_mm\nA,9,3\n",
            "row 2, column min_length_mm, value '9': min_length_mm is above",
        ),
        ("species,sensitive_from\nA,02-30\n", "value '02-30': it is not a day"),
        ("species,rank\nA,species,genus\n", "row 2: has 3 cells under 2 headers"),
    ],
)
def test_faulty_lists_are_refused_with_row_and_remedy(store, tmp_path, text, said):
    file = tmp_path / "s.csv"
    file.write_text(text, encoding="utf-8")
    done = load("species", store, file)
    assert done.exit_code == 1
    assert said in done.stderr
    opened = open_store(store)
    assert len(opened.species()) == 2
    opened.close()


def test_all_faults_of_a_list_are_told_at_once(store, tmp_path):
    """By row as a spreadsheet counts, blank ones too; nothing is stored."""
    file = tmp_path / "s.csv"
    file.write_text(
        "species,rank,habitats,max_length_mm,sensitive_from\n"
        "Cottus one,specie,stream,long,2024-03-15\n"
        ",,,,\n"
        "\n"
        "Cottus two,species,strem;still,90,\n"
        "Cottus one,species,,0,\n",
        encoding="utf-8",
    )
    done = load("species", store, file)
    assert done.exit_code == 1
    told = [line.split(":")[0] for line in done.stderr.strip().splitlines()]
    assert told == [
        "s.csv, row 2, column max_length_mm, value 'long'",
        "s.csv, row 2, column rank, value 'specie'",
        "s.csv, row 2, column sensitive_from, value '2024-03-15'",
        "s.csv, row 5, column habitats, value 'strem;still'",
        "s.csv, row 6, column max_length_mm, value '0'",
        "s.csv, row 6, column species, value 'Cottus one'",
        "Error",
    ]
    assert "did you mean species?" in done.stderr
    assert "did you mean stream?" in done.stderr
    assert "here 03-15" in done.stderr
    file.write_text("species\n\nCottus\n\n", encoding="utf-8")
    assert "1 added" in load("species", store, file).output
    file.write_text("survey,timezone\nA,Mars/One\nB,Mars/Two\n", encoding="utf-8")
    assert load("surveys", store, file).stderr.count("give an IANA time zone") == 2
    file.write_text("species,rank\nA\nB,species\nC,species,x\n", encoding="utf-8")
    done = load("species", store, file)
    assert "row 2: has 1 cell under 2 headers" in done.stderr
    assert "row 4: has 3 cells under 2 headers" in done.stderr
    opened = open_store(store)
    assert len(opened.species()) == 3
    opened.close()


def test_western_bytes_are_read_and_others_refused_with_their_row(store, tmp_path):
    file = tmp_path / "s.csv"
    file.write_bytes("species\nA\nŻaba\n".encode("cp1250"))
    assert "row 3: this is not text in UTF-8" in load("species", store, file).stderr
    file.write_bytes("species\nA\nBäche\n".encode("latin-1"))
    assert "code page 1252), such as Bäche" in load("species", store, file).output


def test_surveys_and_sites_load(store, tmp_path):
    surveys, sites = tmp_path / "u.csv", tmp_path / "t.csv"
    surveys.write_text("survey,leader,timezone\nSpring,A. N.,Atlantic/Azores\nAutumn,B. O.,\n")
    sites.write_text("place,survey\nFord,Spring\n")
    assert load("surveys", store, surveys).exit_code == 0
    assert load("sites", store, sites, "--map", "site=place").exit_code == 0
    opened = open_store(store)
    assert opened.surveys()["timezone"].to_dict() == {
        "Spring": "Atlantic/Azores", "Autumn": "Europe/Dublin",
    }  # fmt: skip
    assert opened.sites().loc["Ford", "survey"] == "Spring"
    opened.close()
    surveys.write_text("survey,timezone\nWinter,Mars/Olympus\n")
    assert "value 'Mars/Olympus': give an IANA time zone" in load("surveys", store, surveys).stderr
    sites.write_text("site,survey\nWeir,None such\n")
    assert load("sites", store, sites).exit_code == 1


def test_library_warnings_are_one_line_of_ours(store, tmp_path):
    """M values, and whatever else a library warns of: a sentence, no path, no line of code."""
    file = tmp_path / "m.gpkg"
    reaches().reset_index().to_file(file, layer="reaches")
    with closing(sqlite3.connect(file)) as held, held:
        for (name,) in held.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'"):
            held.execute(f'DROP TRIGGER "{name}"')
        held.execute("UPDATE gpkg_geometry_columns SET m = 1")
        for fid, blob in held.execute("SELECT fid, geom FROM reaches").fetchall():
            xy = shapely.get_coordinates(shapely.from_wkb(blob[-41:]))  # two vertices, no more
            points = b"".join(struct.pack("<3d", x, y, 7.0) for x, y in xy)
            line = struct.pack("<BII", 1, 2002, len(xy)) + points  # LineString M, OGC 06-103r4
            header = blob[:3] + b"\1" + blob[4:8]
            held.execute("UPDATE reaches SET geom = ? WHERE fid = ?", (header + line, fid))
    start = "from service.program import main; main()"
    done = subprocess.run(
        [sys.executable, "-c", start, "load", "reaches", str(store), str(file)],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert done.stderr == "Note: The file carries M values; these were dropped.\n"


@pytest.mark.filterwarnings("always")
def test_an_unknown_library_warning_is_a_line_too(monkeypatch, store, tmp_path):
    """It is told once, in the library's words, without its place in the code."""

    def warned(*_):
        for _time in range(3):
            warnings.warn("CRS is unnamed;\n  guessed", RuntimeWarning, stacklevel=1)
        raise RequestError("enough")

    monkeypatch.setattr("service.commands.load.read_features", warned)
    file = tmp_path / "r.gpkg"
    file.touch()
    done = load("reaches", store, file)
    assert done.stderr.splitlines() == ["Note: CRS is unnamed; guessed", "Error: enough"]
