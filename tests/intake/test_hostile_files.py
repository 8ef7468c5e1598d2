"""Small files that would grow or run without end once a reader opens them, and are not let in.

What a GeoPackage may hold: OGC 12-128r19 (tables, views, R-trees); what SQLite computes while it
reads: sqlite.org, "Defense Against The Dark Arts" and "Generated Columns"; both from memory.
"""

import csv
import io
import json
import sqlite3
import zipfile
from types import SimpleNamespace

import geopandas as gpd
import numpy as np
import openpyxl
import pytest
import shapely
from click.testing import CliRunner
from openpyxl.worksheet._read_only import ReadOnlyWorksheet

from service import create_app
from service.commands.import_ import import_
from service.intake import text_bounds, workbooks
from service.intake.findings import Findings
from service.intake.mapping import Mapping
from service.intake.reading import read_cells
from service.intake.text_bounds import LONGEST_CELL, MOST_COLUMNS
from service.intake.upload_limits import MOST_CELLS, MOST_ROWS, refusals
from service.records import Viewer
from service.settings import Settings
from service.store import tile_files
from tests.intake_sheets import make_store

ENDLESS = "with recursive c(x) as (select 1 union all select x + 1 from c) select"
LISTED = "insert into gpkg_contents(table_name, data_type, identifier) values ('{0}', '{1}', '{0}')"
# SQLite looks at the clock once in ten thousand steps. All of these files together need fewer
# looks; what is without end needs any number.
LOOKS = 100


@pytest.fixture
def clock(monkeypatch):
    """A clock that goes by SQLite's steps: after so many looks, far more than time is up."""

    def set_to(looks):
        left = iter([0.0] * (looks + 1))  # the first look begins the time
        steps = SimpleNamespace(monotonic=lambda: next(left, 1e9))
        monkeypatch.setattr(tile_files, "time", steps)

    set_to(LOOKS)
    return set_to


@pytest.fixture
def unread(monkeypatch):
    """Any layer that is opened fails the test."""

    def opened(*_, **__):
        raise AssertionError("a layer was read")

    monkeypatch.setattr("service.intake.spatial_files.pyogrio.read_dataframe", opened)


def geopackage(path, *statements, layer="placements", rows=1):
    """Write a GeoPackage as a GIS does, then change it."""
    gpd.GeoDataFrame(
        {"placement_id": [f"T{k}" for k in range(rows)]},
        geometry=[shapely.Point(-11.2, 52.6)] * rows,
        crs="EPSG:4326",
    ).to_file(path, layer=layer)
    with sqlite3.connect(path) as base:
        for statement in statements:
            base.execute(statement)
    base.close()
    return path


def test_an_ordinary_geopackage_is_let_in(tmp_path):
    """R-tree, its shadow tables and its triggers, as every GIS writes them, are no reason."""
    path = geopackage(tmp_path / "a.gpkg")
    with sqlite3.connect(path) as base:
        kinds = {row[0] for row in base.execute("select type from sqlite_schema")}
        trees = base.execute("select count(*) from sqlite_schema where sql like '%rtree%'")
        assert "trigger" in kinds
        assert trees.fetchone()[0] > 0
    base.close()
    assert refusals(path) == []
    kept = read_cells(path, "placements", Findings())
    assert kept.frame["placement_id"].tolist() == ["T0"]


@pytest.mark.parametrize("mode", ["delete", "wal"])
def test_a_file_is_looked_at_without_leaving_others_beside_it(tmp_path, mode):
    """Also where it was left in the way of writing ahead: the folder holds what was uploaded."""
    path = geopackage(tmp_path / "a.gpkg", f"pragma journal_mode = {mode}")
    assert refusals(path) == []
    assert read_cells(path, "placements", Findings()) is not None
    assert [one.name for one in tmp_path.iterdir()] == ["a.gpkg"]


HOSTILE = {
    "a layer that is a view without end": (
        "real",
        [
            f"create view placements as {ENDLESS} x as fid, 'T' || x as placement_id from c",
            LISTED.format("placements", "attributes"),
        ],
        "is a view",
    ),
    "a view beside the layer": (
        "placements",
        [f"create view other as {ENDLESS} max(x) as fid from c"],
        "other is a view",
    ),
    "a list of layers without end": (
        "placements",
        [
            "alter table gpkg_contents rename to kept",
            f"create view gpkg_contents as {ENDLESS} x as table_name, 'features' data_type from c",
        ],
        "gpkg_contents",
    ),
    "extensions without end": (
        "placements",
        [
            "alter table gpkg_extensions rename to kept",
            f"create view gpkg_extensions as {ENDLESS} x as table_name from c",
        ],
        "gpkg_extensions is a view",
    ),
    "a virtual table": (
        "placements",
        ["create virtual table other using fts5(a)"],
        "other is a virtual table",
    ),
    "a virtual table that calls itself an R-tree": (
        "placements",
        ["create virtual table other using fts5(a, tokenize = 'ascii') -- using rtree("],
        "other is a virtual table",
    ),
    "a computed column": (
        "placements",
        ["alter table placements add column bait as (hex(zeroblob(100000000)))"],
        "computed columns",
    ),
    "a default that fills old rows": (
        "placements",
        [f"alter table placements add column bait text default '{'x' * 1_000_000}'"],
        "more than 300 MB",
    ),
    "columns that old rows lack": (
        "placements",
        [f"alter table placements add column c{k} text" for k in range(1_500)],
        "cells are the most",
    ),
    "a layer that is no table": (
        "placements",
        [LISTED.format("nowhere", "features")],
        "nowhere that is no table",
    ),
}


@pytest.mark.parametrize("what", HOSTILE)
@pytest.mark.usefixtures("clock", "unread")
def test_geopackages_that_compute_or_swell_are_refused_unread(tmp_path, what):
    """Said at once, by name, and without opening a layer."""
    layer, statements, said = HOSTILE[what]
    rows = 15_000 if "old rows" in what else 1
    path = geopackage(tmp_path / "a.gpkg", *statements, layer=layer, rows=rows)
    (fault,) = refusals(path)
    assert said in fault.remedy


def test_looking_through_a_geopackage_ends_when_its_time_is_up(tmp_path, clock):
    """Whatever it is that takes so long."""
    path = geopackage(tmp_path / "a.gpkg", rows=5_000)
    assert refusals(path) == []
    clock(0)
    (fault,) = refusals(path)
    assert "takes too long" in fault.remedy


@pytest.mark.usefixtures("clock", "unread")
def test_a_view_without_end_is_refused_at_the_keyboard_and_by_the_page(tmp_path):
    """One's own disk is not searched for views, but none is read as a sheet."""
    layer, statements, _ = HOSTILE["a layer that is a view without end"]
    path = geopackage(tmp_path / "sheet.gpkg", *statements, layer=layer)
    store = make_store(tmp_path / "store.gpkg", bare=True)
    done = CliRunner().invoke(
        import_, [str(tmp_path / "store.gpkg"), "--placements", str(path), "--check-only"]
    )
    assert done.exit_code == 1
    assert "sheet.gpkg: layer placements is a view" in done.output
    client = create_app(store, Settings(), viewer=Viewer("a", "editor"))
    client.config["WTF_CSRF_ENABLED"] = False
    files = {"files": [(io.BytesIO(path.read_bytes()), "sheet.gpkg")]}
    answer = client.test_client().post("/import", data=files, headers={"Accept": "text/html"})
    assert answer.status_code == 422
    assert "placements is a view" in answer.text
    store.close()


def test_views_that_are_not_read_do_no_harm_at_the_keyboard(tmp_path):
    """A project's GeoPackage may hold views of its own."""
    path = geopackage(
        tmp_path / "a.gpkg",
        f"create view other as {ENDLESS} max(x) as fid, 'a' as b from c",
        LISTED.format("other", "attributes"),
    )
    findings = Findings()
    kept = read_cells(path, "placements", findings)
    assert findings.refused == []
    assert kept.file == "a.gpkg, layer placements"


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("a.gpkg", b"<OGRVRTDataSource/>"),
        ("a.geojson", b"<OGRVRTDataSource/>"),
        ("a.fgb", b"<OGRVRTDataSource/>"),
        ("a.shp", b"<OGRVRTDataSource/>"),
        ("a.gpkg", b"SQLite format 3\0" + b"\xff" * 5_000),
    ],
)
def test_files_that_are_of_another_kind_are_not_followed(tmp_path, name, content):
    """A list of other files under a GIS file's name would be read for what it lists."""
    (tmp_path / name).write_bytes(content)
    findings = Findings()
    assert read_cells(tmp_path / name, "placements", findings) is None
    assert len(findings.refused) == 1


def wide_csv():
    header = "placement_id," + ",".join(f"c{k}" for k in range(1_000))
    return (header + "\na" * (MOST_CELLS // 1_000)).encode()


def wide_geojson():
    first = {"type": "Feature", "geometry": None, "properties": {f"c{k}": 1 for k in range(1_000)}}
    rest = [{"type": "Feature", "geometry": None, "properties": {}}] * (MOST_CELLS // 1_000)
    return json.dumps({"type": "FeatureCollection", "features": [first, *rest]}).encode()


@pytest.mark.parametrize(("name", "content"), [("a.csv", wide_csv), ("a.json", wide_geojson)])
def test_short_rows_under_a_very_wide_header(tmp_path, name, content):
    """Twenty million cells out of a few kilobytes of rows."""
    (tmp_path / name).write_bytes(content())
    assert (tmp_path / name).stat().st_size < 2_000_000
    (fault,) = refusals(tmp_path / name)
    assert "cells are the most" in fault.remedy


def workbook(path, rows):
    """Write a workbook whose sheet has these rows, as XML."""
    plain = io.BytesIO()
    openpyxl.Workbook().save(plain)
    sheet = (
        '<?xml version="1.0"?><worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/'
        f'2006/main"><sheetData>{rows}</sheetData></worksheet>'
    )
    with zipfile.ZipFile(plain) as source, zipfile.ZipFile(path, "w") as target:
        for one in source.namelist():
            target.writestr(one, sheet if one.endswith("sheet1.xml") else source.read(one))
    return path


@pytest.mark.parametrize(
    "rows",
    [
        '<row r="1"><c r="A1"><v>1</v></c></row><row r="2000000000"><c r="A2000000000"/></row>',
        '<row r="1"><c r="XFD1"><v>1</v></c></row>' + '<row r="2"><c r="XFD2"><v>1</v></c></row>',
        "".join(
            f'<row r="{k}"><c r="A{k}"><v>1</v></c><c r="ALL{k}"/></row>' for k in range(1, 99)
        ),
    ],
    ids=["a row far below", "a cell far to the right", "many empty cells"],
)
def test_workbooks_that_span_far_more_than_they_hold(tmp_path, monkeypatch, rows):
    """A reader fills up what lies between; the sheet is refused before."""
    monkeypatch.setattr(workbooks, "_MOST_ROWS", 10_000)
    monkeypatch.setattr(workbooks, "MOST_CELLS", 50_000)
    read = ReadOnlyWorksheet.iter_rows

    def no_further(page, *given, **named):
        cells = 0
        for number, row in enumerate(read(page, *given, **named), start=1):
            cells += len(row)
            assert number <= 10_001
            assert cells <= 50_000 + 16_384  # the widest row of the format
            yield row

    monkeypatch.setattr(ReadOnlyWorksheet, "iter_rows", no_further)
    path = workbook(tmp_path / "a.xlsx", rows)
    findings = Findings()
    assert read_cells(path, "placements", findings) is None
    assert "spans more than" in findings.refused[0].remedy


def refused_rows(path):
    """What the reader itself says, at the keyboard as on the page."""
    findings = Findings()
    assert read_cells(path, "placements", findings) is None
    return [(fault.row, fault.remedy) for fault in findings.refused]


HEADER = b"placement_id,notes\n"


@pytest.mark.parametrize(
    ("content", "row", "said"),
    [
        (b"placement_id" + b",a" * 400_000 + b"\n" + b",1" * 400_000, 0, "columns"),
        (b'placement_id,"\n"' + b",a" * 2_500 + b"\nT1", 0, "columns"),
        (HEADER + b"T1," + b"x" * 200_000 + b"\n", 2, "closes"),
        (HEADER + b'T1,"' + b"x\n" * 100_000 + b'"\n', 2, "closes"),
        (HEADER + b"T1,a\n" + b"," * 2_000_000 + b"\n", 3, "is longer than"),
        (HEADER + b"T1,a\n" + b'"\n",' * 300_000 + b"\n", 3, "is longer than"),
        (HEADER + b"T1,a\n" + b"," * 5_000 + b"\n", 3, "columns"),
    ],
    ids=["columns", "columns of a header in two lines", "a cell", "a cell of many lines", "a row",
         "a row of many lines", "cells of a row"],
)  # fmt: skip
def test_text_that_would_swell_is_refused_before_it_is_parsed(
    tmp_path, monkeypatch, content, row, said
):
    """Two million columns in 4 MB took 5 GB; the frame is never made."""

    def parsed(*_, **__):
        raise AssertionError("the text was parsed")

    (tmp_path / "a.csv").write_bytes(content)
    monkeypatch.setattr("service.intake.reading.pd.read_csv", parsed)
    ((at, remedy),) = refused_rows(tmp_path / "a.csv")
    assert said in remedy
    assert at == (row or 1)
    if said == "columns" and not row:
        assert [fault.remedy for fault in refusals(tmp_path / "a.csv")] == [remedy]


def test_rows_that_end_in_a_carriage_return_count(tmp_path):
    """The reader ends a row at one, so that many of them are many rows."""
    (tmp_path / "a.csv").write_bytes(HEADER + b"T\r" * (MOST_ROWS + 1))
    (fault,) = refusals(tmp_path / "a.csv")
    assert f"more than {MOST_ROWS} rows" in fault.remedy


def test_text_at_the_bounds_is_read(tmp_path):
    """As many columns as are allowed, and a cell as long, quotation marks inside cells too."""
    header = ",".join(["placement_id", "notes", *(f"c{k}" for k in range(MOST_COLUMNS - 2))])
    long = "x" * (LONGEST_CELL - 1)
    (tmp_path / "a.csv").write_text(f'{header}\nT1,a 5" net\nT2,"{long}"\n', encoding="utf-8-sig")
    cells = read_cells(tmp_path / "a.csv", "placements", Findings())
    assert cells.frame["notes"].tolist() == ['a 5" net', long]


def test_a_workbook_with_an_endless_cell(tmp_path):
    """A text stands once in a workbook, however many cells show it."""
    text = "x" * (LONGEST_CELL + 1)
    rows = f'<row r="1"><c r="A1" t="inlineStr"><is><t>{text}</t></is></c></row>'
    ((_, remedy),) = refused_rows(workbook(tmp_path / "a.xlsx", rows))
    assert f"more than {LONGEST_CELL} characters" in remedy


def with_part(path, name, content):
    """Put another part into a workbook."""
    plain = io.BytesIO()
    openpyxl.Workbook().save(plain)
    with zipfile.ZipFile(plain) as source, zipfile.ZipFile(path, "w", 8) as target:
        for one in source.namelist():
            if one != name:
                target.writestr(one, source.read(one))
        target.writestr(name, content)
    return path


MAIN = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
SHEET = f'<worksheet xmlns="{MAIN}"><sheetData>'


@pytest.mark.parametrize(
    ("name", "content", "said"),
    [
        ("xl/worksheets/sheet1.xml", SHEET + "<row>" + "<c/>" * 400_000, "no spreadsheet program"),
        ("xl/worksheets/sheet1.xml", "<a>" * 200, "no spreadsheet program"),
        ("xl/styles.xml", f'<styleSheet xmlns="{MAIN}"><cellXfs>' + "<xf/>" * 400_000,
         "no spreadsheet program"),
        ("xl/sharedStrings.xml", f'<sst xmlns="{MAIN}"><si>' + "<r/>" * 400_000,
         "no spreadsheet program"),
        ("xl/other.bin", f'<x:worksheet xmlns:x="{MAIN}">' + "<x:row/>" * (MOST_ROWS + 1),
         "more than"),
        ("xl/other.bin", '<!DOCTYPE a [<!ENTITY b "c">]><a>&b;</a>', "entities"),
        ("xl/worksheets/sheet1.xml", SHEET + "<row><c>", "not a whole XLSX"),
    ],
    ids=["cells in one row", "depth", "styles", "runs of one text", "rows under a prefix",
         "entities", "cut short"],
)  # fmt: skip
def test_workbooks_whose_xml_would_swell(tmp_path, name, content, said):
    """Twelve million cells in one row, 280 kB in the zip, took 8 GB."""
    (fault,) = refusals(with_part(tmp_path / "a.xlsx", name, content))
    assert said in fault.remedy


def test_ordinary_workbooks_are_let_in(tmp_path):
    """Of many rows, styles and texts."""
    book = openpyxl.Workbook()
    for row in range(3_000):
        book.active.append([f"text {row}", row, None, f"{row} m"])
        book.active.cell(row + 1, 1).font = openpyxl.styles.Font(size=1 + row % 90)
    book.save(tmp_path / "a.xlsx")
    assert refusals(tmp_path / "a.xlsx") == []


def test_a_file_that_is_nowhere_utf8_names_the_first_row(tmp_path):
    """One remedy mends them all; a million findings would tell no more."""
    (tmp_path / "a.csv").write_bytes(HEADER + b"T1,\xff\n" * 5_000)
    found = refused_rows(tmp_path / "a.csv")
    assert found == [(2, "this is not text in UTF-8; save it as CSV UTF-8")]


def test_a_geojson_of_very_many_columns(tmp_path):
    """Each name of any feature is a column."""
    one = {"type": "Feature", "geometry": None, "properties": {f"c{k}": 1 for k in range(2_001)}}
    document = {"type": "FeatureCollection", "features": [one]}
    (tmp_path / "a.geojson").write_text(json.dumps(document))
    (fault,) = refusals(tmp_path / "a.geojson")
    assert f"more than {MOST_COLUMNS} columns" in fault.remedy


def test_a_mapping_nested_without_end_is_refused(tmp_path):
    """A reader that calls itself for each bracket would fall over."""
    (tmp_path / "a.toml").write_text("a = " + "[" * 100_000)
    findings = Findings()
    assert Mapping.read(tmp_path / "a.toml", findings) is None
    assert "nested too deeply" in findings.refused[0].remedy


def test_a_text_without_fault_is_within_the_bounds_when_read(monkeypatch):
    """What is passed has no more columns and cells than allowed when Python's csv reads it."""
    monkeypatch.setattr(text_bounds, "MOST_COLUMNS", 6)
    monkeypatch.setattr(text_bounds, "MOST_CELLS", 30)
    monkeypatch.setattr(text_bounds, "_LONGEST_RECORD", 20)
    rng = np.random.default_rng(3)
    signs = np.array([b"a", b"7", b";", b";", b",", b"\n", b"\r\n", b"\r", b'"'], object)
    passed = []
    for _ in range(400):
        weight = np.array([4, 4, 3, 3, 1, 2, 1, *rng.choice([0.0, 0.3], 2)])
        content = b"".join(rng.choice(signs, rng.integers(1, 60), p=weight / weight.sum()))
        passed.append(text_bounds.text_fault(content, ";") is None)
        if passed[-1]:
            lines = io.StringIO(content.decode(), newline="")
            records = list(csv.reader(lines, delimiter=";"))
            first = next(filter(None, records), [])
            assert max(map(len, records)) <= 6, content
            assert len(records) * len(first) <= 30, content
    assert 40 < sum(passed) < 360


def test_carriage_returns_alone_are_counted_as_records(monkeypatch):
    """One short line of many columns and of many records would make a frame without end."""
    monkeypatch.setattr(text_bounds, "MOST_CELLS", 5_000)
    assert text_bounds.text_fault(b"a," * 99 + b"a" + b"\r" * 100, ",") is not None
    assert text_bounds.text_fault(b"a," * 99 + b"a\r\n" * 2, ",") is None
