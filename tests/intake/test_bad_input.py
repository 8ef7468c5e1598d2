"""Stores with hardly anything in them, and files that are not what they seem, at the keyboard.

Every answer is a table with a clear word beside it or one readable line of error: never a
traceback, an infinity, or a nought where nobody looked. What other tests hold is not repeated:
encodings and delimiters in test_intake_reading, numbers in test_intake_numbers, dates in
test_intake_times, positions in test_intake_coordinates, killed imports in test_import_command
and test_store_durability, catchments over 180 degrees in test_catchments.
"""

import csv
import io
import json
import zipfile

import geopandas as gpd
import openpyxl
import pandas as pd
import pytest
import shapely

from service.commands.summary import SUMMARIES
from service.store import open_store
from tests.command_line import done, run

CRS = "EPSG:32629"
X, Y = 350_150.0, 5_829_900.0
CHAIN = {"R1": [(X, Y + 2000), (X, Y + 1000)], "R2": [(X, Y + 1000), (X, Y)]}
NETWORKS = {
    "none": {},
    "one reach": {"R1": CHAIN["R1"]},
    "chain": CHAIN,
    "a loop": {
        "R1": [(X, Y + 2000), (X, Y + 1000)],
        "R2": [(X, Y + 1000), (X + 300, Y + 500), (X, Y + 200)],
        "R3": [(X, Y + 200), (X - 300, Y + 500), (X, Y + 1000)],
    },
    "a part apart": CHAIN | {"R9": [(X + 5000, Y + 900), (X + 5000, Y + 100)]},
}
STORES = {
    "empty": ("none", 0, "nil", None),
    "no network": ("none", 3, "caught", "exact"),
    "one reach, no placement": ("one reach", 0, "nil", None),
    "one placement": ("one reach", 1, "caught", "exact"),
    "all nil": ("chain", 4, "nil", None),
    "all lost": ("chain", 4, "lost", None),
    "all present without count": ("chain", 4, "caught", "present"),
    "a loop": ("a loop", 3, "caught", "exact"),
    "a part apart": ("a part apart", 3, "caught", "exact"),
}


def reaches(lines):
    return gpd.GeoDataFrame(
        {"reach_id": list(lines)},
        geometry=[shapely.LineString(line) for line in lines.values()],
        crs=CRS,
    )


@pytest.fixture(scope="module", params=list(STORES))
def degenerate(request, tmp_path_factory):
    network, count, outcome, kind = STORES[request.param]
    folder = tmp_path_factory.mktemp("thin")
    store = folder / "thin.gpkg"
    done("init", store, "--crs", CRS, "--timezone", "Europe/Dublin")
    if request.param == "empty":
        return request.param, store
    (folder / "s.csv").write_text("species\nCottus gobio\nSalmo trutta\n")
    assert "2 added" in done("load", "species", store, folder / "s.csv").output
    if NETWORKS[network]:
        reaches(NETWORKS[network]).to_file(folder / "r.gpkg")
        done("load", "reaches", store, folder / "r.gpkg")
        area = gpd.GeoDataFrame(
            {"catchment_id": ["C1"]}, geometry=[shapely.box(X - 900, Y - 900, X + 900, Y + 3000)],
            crs=CRS,
        )  # fmt: skip
        area.to_file(folder / "c.gpkg")
        done("load", "catchments", store, folder / "c.gpkg")
    if count:
        placements = pd.DataFrame(
            {"placement_id": [f"P{k}" for k in range(count)], "survey": "S", "crs": CRS,
             "method": "electric_fishing", "set_at": "2024-06-03T11:00", "outcome": outcome,
             "easting": X + 3, "northing": [Y + 1200 + 50 * k for k in range(count)],
             "stretch_length_m": 100, "passes": 2, "minutes": 30, "wetted_width_m": 3}
        )  # fmt: skip
        placements.to_csv(folder / "p.csv", index=False)
        sheets = ["--placements", folder / "p.csv"]
        if kind:
            catches = pd.DataFrame(
                {"placement_id": placements["placement_id"], "species": "Cottus gobio",
                 "count": "" if kind == "present" else 5, "count_kind": kind, "pass_no": 1}
            )  # fmt: skip
            catches.to_csv(folder / "k.csv", index=False)
            sheets += ["--catches", folder / "k.csv"]
        done("import", store, *sheets)
    return request.param, store


def rows_of(result):
    return list(csv.DictReader(io.StringIO(result.stdout)))


@pytest.mark.parametrize("what", list(SUMMARIES))
def test_a_thin_store_answers_in_words(degenerate, what):
    """A table without infinities, or none and the reason; GeoJSON of as many rows."""
    name, store = degenerate
    result = done("summary", store, what)
    rows = rows_of(result)
    cells = {cell.strip().lower() for row in rows for cell in row.values()}
    assert not cells & {"inf", "-inf", "nan", "none", "nat"}
    assert "Traceback" not in result.output
    if not rows:
        assert "no rows" in result.stderr
    if name in ("empty", "one reach, no placement") or (
        name == "all lost" and what not in ("nearest-reach", "returns")  # fish handled all the same
    ):
        words = result.stderr + " ".join(cells)
        assert "no placement" in words.lower() or "nobody looked" in words or "gear lost" in words
    if name in ("empty", "all nil", "a part apart"):
        document = json.loads(done("summary", store, what, "--format", "geojson").stdout)
        assert len(document["features"]) == len(rows)


def test_three_states_are_never_two(degenerate):
    """Nil is looking; lost is not; present without a count is a find of at least one."""
    name, store = degenerate
    rows = {row["species"]: row for row in rows_of(done("summary", store, "occurrence"))}
    if name in ("empty", "no network"):
        assert rows == {}  # without catchments there is no place to speak of
        return
    own, other = rows["Cottus gobio"], rows["Salmo trutta"]
    if name in ("one reach, no placement", "all lost"):
        assert (own["state"], own["placements"], own["proportion"]) == ("never_looked", "0", "")
        assert own["wilson_low"] == ""
    elif name == "all nil":
        assert (own["state"], own["placements_found"]) == ("not_found", "0")
        assert float(own["wilson_high"]) > 0
    else:
        assert own["state"] == "found"
        assert other["state"] == "not_found"
        assert own["individuals_lower_bound"] == str(name == "all present without count")


def test_distance_where_nothing_was_sampled_is_said_not_infinite(degenerate):
    """The part apart has no distance and says so; lost gear sampled nothing."""
    name, store = degenerate
    rows = {row["reach_id"]: row for row in rows_of(done("summary", store, "coverage"))}
    if name == "a part apart":
        assert rows["R9"]["distance_to_sampled_m"] == ""
        assert "nothing visited" in rows["R9"]["note"]
        assert float(rows["R2"]["distance_to_sampled_m"]) == pytest.approx(1200, abs=0.01)
    if name == "all lost":
        assert {row["sampled_fraction"] for row in rows.values()} == {"0.0"}
        assert all("nothing visited" in row["note"] for row in rows.values())
    if name == "a loop":
        assert all(row["distance_to_sampled_m"] for row in rows.values())


def test_map_and_records_of_a_thin_store(degenerate, tmp_path):
    """Both are written whole, however little there is."""
    _, store = degenerate
    done("map", store, "-o", tmp_path / "m.html")
    done("export", store, "-o", tmp_path / "r.geojson")
    assert json.loads((tmp_path / "r.geojson").read_text())["type"] == "FeatureCollection"


# Files that are not what they seem ------------------------------------------------------------
PLACEMENT = (
    "placement_id,survey,method,set_at,longitude,latitude,outcome\n"
    "P1,S,kick_net,2024-06-03T11:00,-11.2127,52.6000,nil\n"
)


@pytest.fixture
def store(tmp_path):
    path = tmp_path / "s.gpkg"
    done("init", path, "--crs", CRS, "--timezone", "Europe/Dublin")
    reaches(CHAIN).to_file(tmp_path / "r.gpkg")
    done("load", "reaches", path, tmp_path / "r.gpkg")
    return path


def untouched(path):
    held = open_store(path, read_only=True)
    found = len(held.reaches())
    held.close()
    return found == len(CHAIN)


def refused(result, *words):
    assert result.exit_code == 1, result.output
    assert isinstance(result.exception, SystemExit), result.exception
    assert "Traceback" not in result.output
    for word in words:
        assert word in result.output


@pytest.mark.parametrize("share", [0.2, 0.6, 0.95])
def test_a_workbook_cut_short_is_refused(store, tmp_path, share):
    """A download that broke off: the file is named, nothing is stored."""
    book = openpyxl.Workbook()
    for row in csv.reader(io.StringIO(PLACEMENT)):
        book.active.append(row)
    book.save(tmp_path / "whole.xlsx")
    content = (tmp_path / "whole.xlsx").read_bytes()
    (tmp_path / "cut.xlsx").write_bytes(content[: int(len(content) * share)])
    refused(run("import", store, "--placements", tmp_path / "cut.xlsx"), "cut.xlsx")
    done("import", store, "--placements", tmp_path / "whole.xlsx")


@pytest.mark.parametrize("share", [0.3, 0.7])
@pytest.mark.parametrize("ending", ["gpkg", "geojson", "fgb"])
def test_a_network_file_cut_short_is_refused(store, tmp_path, ending, share):
    """The network that is stored stays."""
    many = {f"N{k}": [(X + 10 * k, Y), (X + 10 * k, Y - 500)] for k in range(500)}
    reaches(many).to_crs("EPSG:4326").to_file(tmp_path / f"whole.{ending}")
    content = (tmp_path / f"whole.{ending}").read_bytes()
    cut = tmp_path / f"cut.{ending}"
    cut.write_bytes(content[: int(len(content) * share)])
    result = run("load", "reaches", store, cut)
    refused(result, "cut")
    assert untouched(store)


def test_latin_1_and_formulas_through_the_command(store, tmp_path):
    """Latin-1 is read and said; a formula stays text on the way in and is asleep on the way out."""
    sheet = tmp_path / "p.csv"
    notes = PLACEMENT.replace("outcome\n", "outcome,notes\n").replace("nil\n", "nil,Óna\n")
    sheet.write_bytes(notes.encode("latin-1"))
    read = done("import", store, "--placements", sheet, "--check-only")
    assert "code page 1252), such as Óna" in read.output
    live = PLACEMENT.replace("outcome\n", "outcome,notes,site,crew\n").replace(
        "nil\n", 'nil,"=HYPERLINK(""x"")",@SUM(1),+1+1\n'
    )
    sheet.write_text(live)
    done("import", store, "--placements", sheet)
    done("export", store, "-o", tmp_path / "out.zip", "--to", "csv", "--audience", "precise")
    with zipfile.ZipFile(tmp_path / "out.zip") as packed:
        name = next(name for name in packed.namelist() if name.endswith("placements.csv"))
        rows = list(csv.DictReader(io.TextIOWrapper(packed.open(name), "utf-8-sig")))
    assert rows[0]["notes"] == """'=HYPERLINK("x")"""
    assert rows[0]["site"] == "'@SUM(1)"
    assert rows[0]["crew"] == "'+1+1"


@pytest.mark.parametrize("value", ["NaN", "inf", "-Infinity", "1e400", "0x10", "12,5,1"])
def test_numbers_that_are_none_are_refused_at_the_keyboard(store, tmp_path, value):
    """Row, column, value; nothing is stored."""
    sheet = tmp_path / "p.csv"
    text = PLACEMENT.replace("outcome\n", "outcome,minutes\n").replace("nil\n", f'nil,"{value}"\n')
    sheet.write_text(text)
    refused(run("import", store, "--placements", sheet), "p.csv, row 2, column minutes", value)
    assert len(rows_of(done("summary", store, "nearest-reach"))) == 0


def test_lines_with_heights_parts_and_no_length(store, tmp_path):
    """3-D and one-part lines are told and taken, no length is left out, true parts refused."""
    shapes = {
        "A": shapely.LineString([(X, Y, 12), (X, Y - 400, 3)]),
        "B": shapely.MultiLineString([[(X, Y - 400), (X, Y - 900)]]),
        "C": shapely.LineString([(X, Y - 900), (X, Y - 900)]),
    }
    frame = gpd.GeoDataFrame({"reach_id": list(shapes)}, geometry=list(shapes.values()), crs=CRS)
    frame.to_file(tmp_path / "odd.gpkg")
    told = done("load", "reaches", store, tmp_path / "odd.gpkg", "--problems",
                tmp_path / "places.geojson").output  # fmt: skip
    assert "Reaches stored: 2, 0.900 km" in told
    assert "heights or M values" in told
    assert "one part only" in told
    assert "'C'" in told
    places = json.loads((tmp_path / "places.geojson").read_text())["features"]
    assert "C" in {place["properties"]["reach_id"] for place in places}
    parts = shapely.MultiLineString([[(X, Y), (X, Y - 40)], [(X + 9, Y), (X + 9, Y - 40)]])
    two = gpd.GeoDataFrame({"reach_id": ["D"]}, geometry=[parts], crs=CRS)
    two.to_file(tmp_path / "two.gpkg")
    refused(run("load", "reaches", store, tmp_path / "two.gpkg"), "several parts", "'D'")
    assert untouched(store)  # two reaches, A and B
