"""Files as people hand them over: formats, encodings, separators, and what is wrong with them."""

import datetime as dt

import geopandas as gpd
import openpyxl
import pandas as pd
import pytest
import shapely

from service.intake.findings import Findings
from service.intake.importing import check
from service.intake.reading import read_cells, read_text
from service.intake.sheets import read_sheets
from tests.intake_sheets import (
    CATCHES,
    NOW,
    PLACEMENTS,
    cells,
    check_files,
    checked,
    files,
)


@pytest.fixture(scope="module")
def digests(store):
    """What the plain comma-separated UTF-8 sheets say."""
    return checked(store, cells(PLACEMENTS), cells(CATCHES)).digests


def read(content, sheet="placements", **options):
    findings = Findings()
    return read_text(content, "f.csv", sheet, findings, **options), findings.refused


def semicolons(text):
    """The same sheet with semicolons and decimal commas."""
    return text.replace(",", ";").replace("-11.", "-11,").replace("52.", "52,")


@pytest.mark.parametrize(
    ("change", "encoding"),
    [
        (lambda text: text, "utf-8"),
        (lambda text: text, "utf-8-sig"),
        (semicolons, "utf-8"),
        (lambda text: text.replace(",", "\t"), "utf-8"),
        (lambda text: text.replace("\n", "\r\n"), "utf-8"),
        (lambda text: text.replace("\n", "\n\n").replace(",S24,", ", S24 ,"), "utf-8"),
        (lambda text: text.replace("placement_id", "eventID", 1), "utf-8"),
        (lambda text: text.replace("species", "scientificName", 1), "utf-8"),
    ],
)
def test_the_same_sheet_in_another_dress_says_the_same(store, tmp_path, digests, change, encoding):
    one, two = files(tmp_path, change(PLACEMENTS), change(CATCHES), encoding)
    result = check(read_sheets(one, two), store, now=NOW)
    assert result.refused == []
    pd.testing.assert_series_equal(result.digests, digests)


def test_darwin_core_names_are_understood(store, tmp_path, digests):
    """Terms of the Darwin Core quick reference, https://dwc.tdwg.org/terms/."""
    events = cells(PLACEMENTS)
    events["eventDate"] = events.pop("set_at") + "/" + events.pop("lifted_at")
    events = events.rename(
        columns={
            "placement_id": "eventID",
            "method": "samplingProtocol",
            "longitude": "decimalLongitude",
            "latitude": "decimalLatitude",
            "site": "locationID",
            "survey": "datasetName",
            "notes": "eventRemarks",
        }
    ).assign(geodeticDatum="EPSG:4326")
    occurrences = cells(CATCHES).rename(
        columns={
            "placement_id": "eventID",
            "species": "scientificName",
            "count": "individualCount",
        }
    )
    one, two = files(tmp_path, events.to_csv(index=False), occurrences.to_csv(index=False))
    result = check(read_sheets(one, two), store, now=NOW)
    assert result.refused == []
    pd.testing.assert_series_equal(result.digests, digests)


def test_a_workbook_with_date_cells_says_the_same(store, tmp_path, digests):
    """Sheets of one workbook, numbers and times as the spreadsheet keeps them."""
    book = openpyxl.Workbook()
    book.active.title = "Placements"
    page, other = book.active, book.create_sheet("catches")
    frame = cells(PLACEMENTS)
    page.append(list(frame.columns))
    for row in frame.itertuples(index=False):
        page.append([_typed(value) for value in row])
    for row in [list(cells(CATCHES).columns), *cells(CATCHES).to_numpy().tolist()]:
        other.append([_typed(value) for value in row])
    path = tmp_path / "sheets.xlsx"
    book.save(path)
    result = check(read_sheets(path, path), store, now=NOW)
    assert result.refused == []
    pd.testing.assert_series_equal(result.digests, digests)
    cut = tmp_path / "cut.xlsx"
    for share in (0.3, 0.7, 0.99):
        cut.write_bytes(path.read_bytes()[: int(path.stat().st_size * share)])
        sheets = read_sheets(cut)
        assert "not a whole XLSX workbook" in sheets.findings.refused[0].remedy


def _typed(value):
    if value[:4] == "2024":
        return dt.datetime.fromisoformat(value)
    try:
        return float(value)
    except ValueError:
        return value or None


def test_a_day_in_a_workbook_stays_a_day_and_a_formula_stays_text(tmp_path):
    book = openpyxl.Workbook()
    book.active.append(["placement_id", "set_at", "lifted_at", "notes"])
    book.active.append(
        ["P1", dt.date(2024, 5, 1), dt.datetime.fromisoformat("2024-05-01T00:00"), "=1+1"]
    )
    book.active["C2"].number_format = "yyyy-mm-dd hh:mm"
    path = tmp_path / "one.xlsx"
    book.save(path)
    read = read_cells(path, "placements", Findings())
    assert read.frame.iloc[0].tolist() == ["P1", "2024-05-01", "2024-05-01T00:00:00", "=1+1"]


@pytest.mark.parametrize("ending", ["gpkg", "geojson"])
def test_gis_files_say_the_same_positions(store, tmp_path, ending):
    """The geometry is the position, in the file's own CRS."""
    frame = cells(PLACEMENTS)
    frame["count_of_boots"] = [1, 2]
    points = gpd.points_from_xy(frame.pop("longitude").astype(float), frame.pop("latitude"))
    path = tmp_path / f"placements.{ending}"
    layer = gpd.GeoDataFrame(frame, geometry=points, crs="EPSG:4326")
    if ending == "gpkg":
        layer = layer.to_crs("EPSG:32629")
    layer.to_file(path)
    _, catches = files(tmp_path)
    result = check(read_sheets(path, catches), store, now=NOW)
    assert result.refused == []
    plain = checked(store, cells(PLACEMENTS), cells(CATCHES)).records.placements
    own = result.records.placements
    assert shapely.distance(own.geometry.array, plain.geometry.array).max() < 1e-3
    assert set(own["original_crs"]) == {"EPSG:32629" if ending == "gpkg" else "EPSG:4326"}
    assert "unknown_column" in set(result.flagged["code"])


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "empty"),
        (b"  \n\n", "empty"),
        (b"\xef\xbb\xbf", "empty"),
        (b"placement_id,method\n", "no row"),
        (b"placement_id|method\nP1|kick_net\n", "separate columns by comma"),
        (b"PK\x03\x04 rest", "workbook"),
        (PLACEMENTS.encode("utf-16-le"), "not text in UTF-8"),
        (PLACEMENTS.encode("utf-16")[:-1], "not text in UTF-8"),  # cut short
        (b'placement_id,notes\nP1,"open\nP2,x\n', "never closes"),
        (b"placement_id,notes\nP1,a,b\nP2,c\nP3,a,b,c\n", "3 cells under 2 headers"),
        (b"placement_id,notes,notes\nP1,a,b\n", "stands twice"),
        (b"placement_id,,method\nP1,x,kick_net\n", "no header"),
    ],
)
def test_files_that_are_no_sheet_are_refused(tmp_path, content, said):
    path = tmp_path / "f.csv"
    path.write_bytes(content)
    findings = Findings()
    assert read_cells(path, "placements", findings) is None
    assert said in findings.refused[0].remedy


def test_utf16_with_its_mark_is_read_as_any_text():
    """As a spreadsheet saves "Unicode text"."""
    for encoding in ("utf-16", "utf-8-sig"):
        cells, refused = read(PLACEMENTS.encode(encoding))
        assert refused == []
        assert cells.frame.equals(read(PLACEMENTS.encode())[0].frame)


def test_a_sheet_saved_by_an_old_spreadsheet_is_read_and_said():
    """In windows-1252 é is one byte; the same rule as for sheets under other headers."""
    text = 'placement_id,stream_name,notes\nP1,"two\nlines",x\nP2,Séverne,naïve\n'
    findings = Findings()
    cells = read_text(text.encode("cp1252"), "f.csv", "placements", findings)
    assert findings.refused == []
    assert cells.frame["stream_name"].tolist() == ["two\nlines", "Séverne"]
    assert [(one.code, "such as Séverne" in one.message) for one in findings.readings] == [
        ("cp1252", True)
    ]
    _, refused = read(text.replace("é", "ł").replace("ï", "i").encode("cp1250"))
    assert [(fault.row, fault.code) for fault in refused] == [(3, "not_utf8")]


def test_a_wrong_delimiter_is_named(tmp_path):
    one, two = files(tmp_path)
    sheets = read_sheets(one, two, delimiter=";")
    assert "separated by comma" in sheets.findings.refused[0].remedy


def test_quoted_line_breaks_do_not_shift_row_numbers():
    content = b'placement_id,notes\nP1,"a\nb\n\nc"\n\nP2,x\n'
    sheet, refused = read(content)
    assert not refused
    assert sheet.frame.index.tolist() == [2, 4]
    assert sheet.frame["notes"].tolist() == ["a\nb\n\nc", "x"]


def test_two_names_for_one_column_are_refused(store, tmp_path):
    result = check_files(store, tmp_path, PLACEMENTS.replace("notes", "decimalLatitude"))
    assert any("both mean latitude" in fault.remedy for fault in result.refused)


def test_a_missing_column_is_said_once_with_what_it_is(store, tmp_path):
    result = check_files(store, tmp_path, PLACEMENTS.replace("set_at", "settat"))
    missing = [fault for fault in result.refused if fault.column == "set_at"]
    assert len(missing) == 1
    assert missing[0].row == 1
    unknown = result.flagged.query("code == 'unknown_column'")["message"].iloc[0]
    assert "Did you mean set_at?" in unknown


def test_an_apostrophe_that_guards_a_formula_is_taken_off(tmp_path):
    """What our own CSV puts before text that a spreadsheet would run comes off again."""
    sheet, _ = read(b"placement_id,notes\nP1,'=1+1\nP2,''=x\nP3,'t Zand\n")
    assert sheet.frame["notes"].tolist() == ["=1+1", "'=x", "'t Zand"]


def test_the_digest_of_files_knows_contents_and_options(tmp_path):
    one, two = files(tmp_path)
    base = read_sheets(one, two).digest
    assert read_sheets(one, two).digest == base
    assert read_sheets(one, two, date_order="dmy").digest != base
    assert read_sheets(one, None).digest != base
    one.write_text(PLACEMENTS + "\n")
    assert read_sheets(one, two).digest != base
