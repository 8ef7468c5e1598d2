"""Whether a point before three digits divides thousands is decided for a whole file.

The rules are common practice, no source: in German, Dutch and French sheets 1.245 is more than a
thousand, in English ones a little over one.
"""

import openpyxl
import pytest

from service.intake.importing import check
from service.intake.sheets import read_sheets
from tests.intake_sheets import NOW, make_store

HEAD = "placement_id,survey,method,set_at,easting,northing,conductivity_us_cm,wetted_width_m"
PLACE = "S,kick_net,2024-05-02T11:00,350150,5830900"


@pytest.fixture(scope="module")
def store(tmp_path_factory):
    return make_store(tmp_path_factory.mktemp("marks") / "store.gpkg")


def result(store, path, text, *rows, mapping=None):
    (path / "sheet.csv").write_text(text, "utf-8")
    if mapping is not None:
        (path / "m.toml").write_text(mapping, "utf-8")
    sheets = read_sheets(
        files=[path / "sheet.csv"],
        mapping=None if mapping is None else path / "m.toml",
        species=store.species(),
        crs="EPSG:32629",
    )
    return check(sheets, store, now=NOW)


def sheet(conductivity, width, fish="3", separator=","):
    cells = ["P1", *PLACE.split(","), conductivity, width, fish]
    head = [*HEAD.split(","), "Cottus gobio"]
    return "\n".join(separator.join(f'"{c}"' for c in row) for row in (head, cells)) + "\n"


@pytest.mark.parametrize(
    ("text", "read"),
    [
        (sheet("1.245", "2,4", "1.000", ";"), (1245, 2.4, 1000)),
        (sheet("1.245", "2,4", "1.000"), (1245, 2.4, 1000)),
        (sheet("1.245", "2", "1.150", ";"), (1245, 2, 1150)),
        (sheet("1.245", "2.4", "3"), (1.245, 2.4, 3)),
        (sheet("1.245", "2.4", "3", ";"), (1.245, 2.4, 3)),
        (sheet("310", "2", "1.150"), (310, 2, 1150)),
        (sheet("1.245 µS/cm", "2,4"), (1245, 2.4, 3)),
    ],
)
def test_the_other_numbers_of_a_file_show_what_a_point_divides(store, tmp_path, text, read):
    done = result(store, tmp_path, text)
    assert done.records is not None, done.refused
    row, catch = done.records.placements.iloc[0], done.records.catches.iloc[0]
    assert (row["conductivity_us_cm"], row["wetted_width_m"], catch["count"]) == read
    grouped = {text for one in done.readings if one.code == "thousands" for text in [one.column]}
    assert ("conductivity_us_cm" in grouped) == (read[0] == 1245)
    assert ("Cottus gobio" in grouped) == (read[2] >= 1000)


@pytest.mark.parametrize(
    ("text", "columns"),
    [
        (sheet("1.245", "2"), ["conductivity_us_cm"]),
        (sheet("310", "1.100"), ["wetted_width_m"]),
        (sheet("310", "2", "2.000"), ["Cottus gobio"]),
        (sheet("1.245 µS/cm", "2"), ["conductivity_us_cm"]),
    ],
)
def test_what_nothing_shows_is_refused_with_what_settles_it(store, tmp_path, text, columns):
    done = result(store, tmp_path, text)
    assert [fault.column for fault in done.refused] == columns
    assert 'decimal = ","' in done.refused[0].remedy


def test_two_ways_in_one_file_are_refused(store, tmp_path):
    text = sheet("1.245", "2,4", "3", ";") + sheet("300", "2.4", "3", ";").splitlines()[1].replace(
        "P1", "P2"
    )
    assert [f.column for f in result(store, tmp_path, text).refused] == ["conductivity_us_cm"]


@pytest.mark.parametrize(("decimal", "read"), [(",", 1245), (".", 1.245)])
def test_a_mapping_says_which_sign_stands_before_decimals(store, tmp_path, decimal, read):
    names = HEAD.split(",")
    rules = "\n".join(f'{name} = "{name}"' for name in names)
    mapping = f'[shape]\ndecimal = "{decimal}"\n[placements]\n{rules}\n'
    mapping += '[columns]\n"Cottus gobio" = { species = "Cottus gobio" }\n'
    done = result(store, tmp_path, sheet("1.245", "2"), mapping=mapping)
    assert done.records is not None, done.refused
    assert done.records.placements["conductivity_us_cm"].tolist() == [read]


def test_the_sign_is_settled_before_units_are_converted(store, tmp_path):
    names = [name for name in HEAD.split(",") if name != "wetted_width_m"]
    rules = "\n".join(f'{name} = "{name}"' for name in names)
    mapping = (
        f'[placements]\n{rules}\nwetted_width_m = {{ from = "wetted_width_m", unit = "cm" }}\n'
    )
    mapping += '[columns]\n"Cottus gobio" = { species = "Cottus gobio" }\n'
    text = sheet("310,5", "1.250")
    done = result(store, tmp_path, text, mapping=mapping)
    assert done.records is not None, done.refused
    assert done.records.placements["wetted_width_m"].tolist() == [12.5]


def test_a_number_of_a_workbook_is_no_text(store, tmp_path):
    book = openpyxl.Workbook()
    book.active.append([*HEAD.split(","), "Cottus gobio"])
    book.active.append(["P1", *PLACE.split(","), 1.245, 2, 3])
    book.save(tmp_path / "sheet.xlsx")
    sheets = read_sheets(files=[tmp_path / "sheet.xlsx"], species=store.species(), crs="EPSG:32629")
    done = check(sheets, store, now=NOW)
    assert done.records is not None, done.refused
    assert done.records.placements["conductivity_us_cm"].tolist() == [1.245]
