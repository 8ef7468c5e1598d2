"""Cells as people write them into sheets: read where they can mean one thing, else refused.

The spellings are those of ordinary field sheets, written down from memory: common practice, no
source. Names of months are those of the languages' dictionaries, from memory.
"""

import datetime as dt
import re
import zipfile

import openpyxl
import pytest
from openpyxl.comments import Comment
from openpyxl.styles import Font

from service.intake.findings import Findings
from service.intake.importing import check
from service.intake.mapping import Mapping, apply_mapping
from service.intake.reading import read_cells
from service.intake.sheets import read_sheets
from service.intake.suggesting import suggest
from service.intake.tables import read_tables
from tests.intake_sheets import CATCHES, CRS, NOW, PLACEMENTS, cells, check_files, checked
from tests.intake_sheets import placements as placement

FISH = CATCHES.splitlines()[0] + "\n"


def read_from_file(store, tmp_path, column, values):
    """Check placements that write these values into one column of a CSV."""
    frame = placement(**{column: values})
    return check_files(store, tmp_path, frame.to_csv(index=False), FISH)


def local(result, column="set_at"):
    assert result.records is not None, result.refused
    wall = result.records.placements[column].dt.tz_convert("Europe/Dublin")
    return wall.dt.strftime("%Y-%m-%dT%H:%M:%S").tolist()


@pytest.mark.parametrize(
    ("written", "meant"),
    [
        ("16/06/2024 13u30", "2024-06-16T13:30:00"),
        ("16/06/2024 13h30", "2024-06-16T13:30:00"),
        ("16.06.2024 13 Uhr", "2024-06-16T13:00:00"),
        ("2024-06-16 13.30 uur", "2024-06-16T13:30:00"),
        ("2024-06-16 13:30 u", "2024-06-16T13:30:00"),
        ("2024-06-16 kl 13", "2024-06-16T13:00:00"),
        ("16/6 2024 kl. 13.30", "2024-06-16T13:30:00"),
        ("19/8 2024", "2024-08-19T00:00:00"),
        ("19/8-2024 kl. 9.05", "2024-08-19T09:05:00"),
        ("16 juni 2024", "2024-06-16T00:00:00"),
        ("16. juni 2024 kl. 13.30", "2024-06-16T13:30:00"),
        ("1er août 2024", None),
        ("1 août 2024 8h30", "2024-08-01T08:30:00"),
        ("3. März 2024", "2024-03-03T00:00:00"),
        ("4 de mayo de 2024", "2024-05-04T00:00:00"),
        ("23/06/2024 1930", "2024-06-23T19:30:00"),
        ("2024-06-23 830", "2024-06-23T08:30:00"),
        ("2024-06-23 0830", "2024-06-23T08:30:00"),
        ("2024-06-23 8.30", "2024-06-23T08:30:00"),
        ("2024-06-16 noon", "2024-06-16T12:00:00"),
        ("den 3 juni 2024 kl 9", "2024-06-03T09:00:00"),
        ("tirsdag den 18. juni 2024 kl. 13.30", "2024-06-18T13:30:00"),
        ("13 juin 2024 à 9h30", "2024-06-13T09:30:00"),
        ("le mardi 18 juin 2024 à 14h", "2024-06-18T14:00:00"),
        ("am Dienstag, den 18.06.2024 um 9 Uhr", "2024-06-18T09:00:00"),
        ("Tue 18/06/24 21:40", "2024-06-18T21:40:00"),
        ("Tue 06/18/24 9.40pm", "2024-06-18T21:40:00"),
        ("Thu 06/06/24", "2024-06-06T00:00:00"),
        ("Sat 06/01/24", None),  # 6 January and 1 June 2024 are both Saturdays
        ("Wed 18/06/24", None),  # a Tuesday, and no Wednesday in another order
        ("18/06/24", None),
        ("3 June 2024 at 9", None),  # morning or evening
        # What was written behind the minutes is part of the time.
        ("Jun 3, 2024 18:30+02:00", "2024-06-03T17:30:00"),
        ("Jun 3, 2024 18:30:45", "2024-06-03T18:30:45"),
        ("20240603T1830", "2024-06-03T18:30:00"),
        ("2024-06-16 8.3", None),  # 8:30, 8:03 or 8:18
        ("3/4 2024 kl. 13.30", None),
        ("16 junk 2024", None),
        ("13u30", None),
        ("noon", None),
    ],
)
def test_a_time_is_read_or_refused(store, tmp_path, written, meant):
    frame = placement(set_at=[written], lifted_at="")
    result = check_files(store, tmp_path, frame.to_csv(index=False), FISH)
    if meant is None:
        assert [fault.column for fault in result.refused] == ["set_at"]
    else:
        assert local(result) == [meant]


@pytest.mark.parametrize(
    ("written", "offered"),
    [
        ("2024-06-16 midnight", "write 2024-06-16T00:00 or 2024-06-17T00:00"),
        ("3/4 2024 kl. 13.30", "write 2024-04-03T13:30 or 2024-03-04T13:30"),
        ("3/4 2024", "may be 3 April or 4 March"),
    ],
)
def test_an_open_day_is_refused_with_both(store, tmp_path, written, offered):
    (fault,) = read_from_file(store, tmp_path, "set_at", [written]).refused
    assert offered in fault.remedy


def test_days_of_the_week_settle_the_order_of_short_years_for_all_of_a_column(store, tmp_path):
    """One order alone gives all of them their day; calendar of 2024."""
    both = ["Thu 03-10-24", "Tue 18-06-24"]  # 10 March 2024 is a Sunday
    result = check_files(
        store, tmp_path, placement(set_at=both, lifted_at="").to_csv(index=False), FISH
    )
    assert local(result) == ["2024-10-03T00:00:00", "2024-06-18T00:00:00"]
    # Orders that differ within a column are no order.
    odd = placement(set_at=["Tue 18-06-24", "Tue 06-18-24"], lifted_at="")
    result = check_files(store, tmp_path, odd.to_csv(index=False), FISH)
    said = "give the year with four digits, or state the date order"
    assert [fault.remedy for fault in result.refused] == [said] * 2


def test_a_stated_order_settles_short_years(store, tmp_path):
    """14.6.24 is no day in another order of the three; 06-05-24 would be one in each."""
    text = placement(set_at=["14.6.24 9.30", "06-05-24"], lifted_at="").to_csv(index=False)
    assert len(check_files(store, tmp_path, text, FISH).refused) == 2
    result = check_files(store, tmp_path, text, FISH, date_order="dmy")
    assert local(result) == ["2024-06-14T09:30:00", "2024-05-06T00:00:00"]
    # The year of the second day of 12/6-14, or its own: neither is stated.
    text = placement(set_at=["12/6-14", "01-May-24"], lifted_at="").to_csv(index=False)
    assert len(check_files(store, tmp_path, text, FISH, date_order="dmy").refused) == 2


def test_a_day_with_its_year_behind_a_space_settles_the_order_of_others(store, tmp_path):
    frame = placement(set_at=["3/4 2024", "19/8 2024"], lifted_at="")
    result = check_files(store, tmp_path, frame.to_csv(index=False), FISH)
    assert local(result) == ["2024-04-03T00:00:00", "2024-08-19T00:00:00"]


def test_a_time_behind_a_day_without_a_year_is_no_year(store, tmp_path):
    """20:24 on 19 August of a year that nobody says, as the other time shows."""
    frame = placement(set_at=["19/8 2024", "20/8 0930"], lifted_at="")
    result = check_files(store, tmp_path, frame.to_csv(index=False), FISH)
    assert [fault.column for fault in result.refused] == ["set_at", "set_at"]


@pytest.mark.parametrize(
    ("written", "number"),
    [("2 st", 2), ("2 st.", 2), ("1 seen", 1), ("3 ind.", 3), ("2 stk", 2), ("4 ex.", 4),
     ("5 Stück", 5), ("6 stuks", 6), ("7 individuos", 7), ("3 exemplaires", 3),
     ("1st", None), ("2 sp", None), ("3 dead", None), ("2 stations", None)],
)  # fmt: skip
def test_words_for_pieces_are_counts(store, tmp_path, written, number):
    rows = cells(CATCHES).iloc[[0]].assign(count=written, count_kind="")
    result = check_files(store, tmp_path, PLACEMENTS, rows.to_csv(index=False))
    if number is None:
        assert [(f.column, f.value) for f in result.refused] == [("count", written)]
        return
    assert result.records.catches["count"].tolist() == [number]
    said = [one for one in result.readings if one.column == "count"]
    assert [(one.code, one.value) for one in said] == [("with_unit", written)]


@pytest.mark.parametrize(
    ("written", "minutes"),
    [("1 h 20 min", 80), ("1h20", 80), ("1 h 20", 80), ("1:20 h", 80), ("1:20 Std.", 80),
     ("90'", 90), ("1 uur 20 min", 80), ("1 t 20 min", 80), ("1,5 u", 90),
     ("2 t", 120), ("half an hour", 30), ("een half uur", 30), ("half", None),
     ("20 min 30 s", 20.5),
     ("1 h 5 min 30 s", 65.5), ("1.5 h 20 min", None), ("1 h 75 min", None), ("1:20", None),
     ("1:20 min", None), ("20 min 1 h", None), ("1 h 1 h", None), ("12 m", None)],
)  # fmt: skip
def test_durations_of_several_units_are_read(store, tmp_path, written, minutes):
    result = read_from_file(store, tmp_path, "minutes", [written])
    if minutes is None:
        assert [(f.column, f.value) for f in result.refused] == [("minutes", written)]
        return
    assert result.refused == []
    assert result.records.placements["minutes"].tolist() == [minutes]
    assert [one.column for one in result.readings] == ["minutes"]


WEST = "11°12'45,7\"O"  # where the network is, if O is west


def test_an_o_is_the_side_that_the_column_shows(store, tmp_path):
    """West where E is east, east where W is west; else the side on which the network is."""
    for other, sides in (("11°12'46\"E", [-1, 1]), ("11°12'46\"W", [1, -1]), ("", [-1])):
        frame = placement(longitude=[WEST, other] if other else [WEST])
        result = check_files(store, tmp_path, frame.to_csv(index=False), FISH)
        faults = [fault.value for fault in result.refused if fault.column == "longitude"]
        far = {side for side in sides if side > 0}
        assert len(faults) == len(far)  # outside the CRS of the store
        lines = [one for one in result.readings if one.code == "degrees"]
        assert lines[0].message.count("as -11.212694") == (sides[0] < 0)
        assert lines[0].message.count("as 11.212694") == (sides[0] > 0)


def test_an_o_that_nothing_settles_is_refused_with_both(store_of_lists, tmp_path):
    """The store has no network."""
    frame = placement(longitude=[WEST])
    (fault,) = check_files(store_of_lists, tmp_path, frame.to_csv(index=False), FISH).refused
    assert "O is east in German, Dutch and Swedish, west in French" in fault.remedy
    assert "write 11.212694 or -11.212694" in fault.remedy
    (fault,) = checked(store_of_lists, placement(longitude="11.2 O")).refused
    assert "write 11.2 or -11.2" in fault.remedy


HEAD = ["Site", "Date", "Time", "Method", "Longitude", "Latitude", "Width (m)", "Bullhead"]


def taken(store, folder, *rows, head=HEAD):
    """Check a workbook by its suggested mapping, as it is."""
    book = openpyxl.Workbook()
    book.active.append(head)
    for row in rows:
        book.active.append(row)
    book.save(folder / "odd.xlsx")
    tables = read_tables(folder / "odd.xlsx", Findings())
    made = suggest(tables, store.species(), list(store.methods().index), CRS)
    (folder / "m.toml").write_text(made.text, "utf-8")
    sheets = read_sheets(files=[folder / "odd.xlsx"], mapping=folder / "m.toml")
    return check(sheets, store, now=NOW)


def row(site, day, clock, width=2.4, count=3):
    return [site, day, clock, "electric fishing", -11.2127, 52.6, width, count]


@pytest.mark.parametrize("day", [dt.date(2024, 6, 3), dt.datetime(2024, 6, 3)])  # noqa: DTZ001
@pytest.mark.parametrize(
    ("clocks", "meant"),
    [
        (("0830", "1415"), ("08:30", "14:15")),
        (("8.30", "14.15"), ("08:30", "14:15")),
        (("8:30", "14:15"), ("08:30", "14:15")),
        (("8h30", "14h15"), ("08:30", "14:15")),
        (("8u30", "kl. 14.15"), ("08:30", "14:15")),
        ((830, 1415), None),  # seconds of current as often
        ((8.3, 14.15), None),
    ],
)
def test_times_beside_the_days_of_a_workbook_are_never_lost(
    store_of_lists, tmp_path, day, clocks, meant
):
    result = taken(store_of_lists, tmp_path, row("A", day, clocks[0]), row("B", day, clocks[1]))
    if meant is None:
        assert result.records is None
        return
    assert local(result) == [f"2024-06-03T{clock}:00" for clock in meant]


def test_numbers_below_a_word_for_the_beginning_are_times(store_of_lists, tmp_path):
    head = [*HEAD[:2], "Start time", *HEAD[3:]]
    rows = row("A", dt.date(2024, 6, 3), 830), row("B", dt.date(2024, 6, 3), 1415)
    result = taken(store_of_lists, tmp_path, *rows, head=head)
    assert local(result) == ["2024-06-03T08:30:00", "2024-06-03T14:15:00"]


@pytest.mark.parametrize(
    ("texts", "width"),
    [(("1.150", "2,4"), 1150.0), (("1.150", "2.7"), 1.15), (("1.150", "2.45 µS/cm"), 1.15),
     (("1.150",), None)],
)  # fmt: skip
def test_text_beside_numbers_of_a_workbook_is_read_by_other_text(
    store_of_lists, tmp_path, texts, width
):
    """Numbers that a workbook stores say nothing of how somebody writes text."""
    head = [*HEAD, "Conductivity (µS/cm)"]
    rows = [[*row("A", "2024-06-03", "8:30"), 1.5]]
    for n, text in enumerate(texts):
        rows.append([*row(f"B{n}", "2024-06-03", "8:30"), text])
    result = taken(store_of_lists, tmp_path, *rows, head=head)
    if width is None:
        assert result.records is None
        assert [f.value for f in result.refused] == ["1.150"]
        assert 'decimal = ","' in result.refused[0].remedy
        return
    assert result.records is not None, result.refused
    own = result.records.placements["conductivity_us_cm"].tolist()
    assert own[:2] == [1.5, width]


def _workbook(path, change):
    """Two catches of one placement in a workbook, and what `change` makes of its sheet."""
    book = openpyxl.Workbook()
    page = book.active
    page.append(["placement_id", "species", "count", "notes"])
    page.append(["P1", "Salmo trutta", 20, "shade"])
    page.append(["P1", "Salmo salar", 30, None])
    change(page)
    book.save(path)
    findings = Findings()
    return read_cells(path, "catches", findings), findings


@pytest.mark.parametrize(
    ("code", "shown"),
    [('">"0', ">20"), ('"ca. "0', "ca. 20"), ('0" m"', "20 m"), (r"\~0", "~20"), ("<0", "<20"),
     ('"P"000', "P020"), ("0%", "2000%"), ("General", "20"), ("#,##0.00", "20"), ("0.00E+00", "20"),
     ('0;[Red]"minus "0', "20"), ('[>9]"many";0', '20 ([>9]"many";0)')],
)  # fmt: skip
def test_a_number_is_read_with_what_its_format_shows_around_it(tmp_path, code, shown):
    """Sections, quotes, backslashes and conditions of formats: ECMA-376 part 1, 18.8.31."""

    def change(page):
        page["C2"].number_format = code

    read, _ = _workbook(tmp_path / "s.xlsx", change)
    assert read.frame["count"].tolist() == [shown, "30"]


def test_struck_rows_are_left_out_and_struck_cells_refused(tmp_path):
    def rows(page):
        for cell in page[3]:
            cell.font = Font(strike=True)

    read, findings = _workbook(tmp_path / "s.xlsx", rows)
    assert read.frame["count"].tolist() == ["20"]
    assert [(one.code, one.row) for one in findings.readings] == [("struck", 3)]

    def one(page):
        page["C3"].font = Font(strike=True)

    _, findings = _workbook(tmp_path / "s.xlsx", one)
    assert [(fault.row, fault.column, fault.code) for fault in findings.refused] == [
        (3, "C", "struck")
    ]


def test_hidden_rows_and_columns_and_comments_are_said(tmp_path):
    def change(page):
        page.row_dimensions[3].hidden = True
        page.column_dimensions["C"].hidden = True
        page["C2"].comment = Comment("estimated, not counted", "B")

    read, findings = _workbook(tmp_path / "s.xlsx", change)
    assert read.frame["count"].tolist() == ["20", "30"]
    said = {one.code: one.message for one in findings.readings}
    assert set(said) == {"hidden_rows", "hidden_columns", "comment"}
    assert "C2" in said["comment"]
    assert "estimated, not counted" in said["comment"]


def test_a_merged_count_is_refused(store, tmp_path):
    """One number for two placements; a merged day goes down as before."""
    book = openpyxl.Workbook()
    page = book.active
    page.append(["id", "trout"])
    page.append(["X1", 20])
    page.append(["X2", None])
    page.merge_cells("B2:B3")
    book.save(tmp_path / "s.xlsx")
    findings = Findings()
    (cells,) = read_tables(tmp_path / "s.xlsx", findings)
    text = '[placements]\nplacement_id = "id"\n[columns]\ntrout = "Salmo trutta"\n'
    mapping = Mapping.of_text(text, "m.toml", findings)
    apply_mapping(mapping, {"placements": cells}, findings)
    (fault,) = findings.refused
    assert (fault.row, fault.column, fault.value) == (2, "trout", "20")
    assert "rows 2 to 3" in fault.remedy


def test_a_formula_is_read_as_the_value_stored_with_it(tmp_path):
    book = tmp_path / "s.xlsx"

    def change(page):
        page["C2"] = "=4*5"
        page["C3"] = "=1+2"

    _workbook(book, change)
    with zipfile.ZipFile(book) as old:
        parts = {name: old.read(name) for name in old.namelist()}
    sheet = "xl/worksheets/sheet1.xml"
    own = re.sub(rb"<f>4\*5</f><v ?/>|<f>4\*5</f><v></v>", b"<f>4*5</f><v>20</v>", parts[sheet])
    parts[sheet] = own
    with zipfile.ZipFile(book, "w") as new:
        for name, part in parts.items():
            new.writestr(name, part)
    findings = Findings()
    read = read_cells(book, "catches", findings)
    assert read.frame["count"].tolist() == ["20", "=1+2"]
    (line,) = [one for one in findings.readings if one.code == "formulas"]
    assert "C2 as 20" in line.message
