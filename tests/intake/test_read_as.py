"""What can mean only one thing is read, said once for each kind and column, and kept.

The spellings are those of ordinary field sheets, written down from memory: common practice, no
source. One wrong reading is worse than ten refusals: whatever hypothesis writes must come back
equal or refused.
"""

import datetime as dt

import openpyxl
import pandas as pd
import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st

from service.commands.import_ import import_
from service.intake.checks.fish_names import ListedNames
from service.intake.columns import SHEETS
from service.intake.importing import check, take
from service.intake.numbers import read_number, spelt_number
from service.intake.sheets import read_sheets
from service.intake.times import read_moment, settled_dates
from service.intake.wording import Wording
from service.records import Selection
from tests.intake_sheets import CATCHES, NOW, PLACEMENTS, cells, check_files, checked, make_store
from tests.intake_sheets import files as sheet_files
from tests.intake_sheets import placements as placement

OF = {column.name: column for own in SHEETS.values() for column in own}
EMPTY = "empty"


def kinds(result):
    return {(one.column, one.code) for one in result.readings}


def read(value, column, *, decimal_comma=False):
    """Read as a sheet is read: what is plain, else what can mean only one thing; else None."""
    plain = read_number(value, column, decimal_comma=decimal_comma)
    if isinstance(plain, float):
        return plain
    spelt = spelt_number(value, column, decimal_comma=decimal_comma)
    if spelt is None:
        return None
    return (
        (float(spelt.text) if spelt.text else EMPTY, spelt.kind)
        if spelt.kind
        else (float(spelt.text) if spelt.text else EMPTY)
    )


# A cell, its column, and what somebody who reads it would enter; None where two would differ.
CELLS = [
    (">13", "count", (13, "at_least")),
    ("9+", "count", (9, "at_least")),
    ("20 or more", "count", (20, "at_least")),
    ("mind. 10", "count", (10, "at_least")),
    ("über 10", "count", (10, "at_least")),
    ("10 à 15", "count", None),
    ("ca. 2.000", "count", None),
    ("at least 5 fish", "count", (5, "at_least")),
    ("ca. 20", "count", (20, "estimate")),
    ("~20", "count", (20, "estimate")),
    ("about 20", "count", (20, "estimate")),
    ("3 fish", "count", 3),
    ("NA", "count", EMPTY),
    ("0+", "count", None),  # an age class as often as a number
    (">0", "count", None),
    ("20?", "count", None),
    ("±20", "count", None),
    ("3-5", "count", None),
    ("3+2", "count", None),
    ("-", "count", None),  # no fish, or not counted
    ("none", "count", None),
    ("12 min", "minutes", 12),
    ("0,5 h", "minutes", 30),
    ("1h30", "minutes", 90),
    ("90 s", "minutes", 1.5),
    ("12 m", "minutes", None),
    ("about 40", "minutes", None),
    ("1,234.5", "minutes", 1234.5),
    ("1.234,5", "minutes", 1234.5),
    ("1 234", "minutes", 1234),
    ("1'234", "minutes", 1234),
    ("1.234.567", "easting", 1234567),
    ("1,234", "minutes", None),
    ("1,234 min", "minutes", None),
    ("1.234", "count", None),
    ("n/a", "minutes", EMPTY),
    ("-", "minutes", EMPTY),
    ("none", "minutes", EMPTY),
    ("none", "water_velocity_m_s", None),  # still water, or not measured
    ("?", "minutes", None),
    ("3.5 m²", "area_m2", 3.5),
    ("3.5 m2", "area_m2", 3.5),
    ("0,8 m/s", "water_velocity_m_s", 0.8),
    ("68 F", "water_temperature_c", 20),
    ("9 mg/l", "dissolved_oxygen_mg_l", 9),
    ("95 %", "dissolved_oxygen_mg_l", None),
    ("9 ppm", "dissolved_oxygen_mg_l", None),  # of weight, not of volume
    ("5 Mg", "weight_g", None),  # a million grams, or milligrams
    ("12 lifts", "lifts", 12),
    ("Two", "gear_count", 2),
    ("2 passes", "lifts", None),
    ("52°39'43.5\"N", "latitude", 52.662083333),
    ("N52 39.725", "latitude", 52.662083333),
    ("11° 10' W", "longitude", -11.166666667),
    ("-11 10 30", "longitude", -11.175),
    ("52°39'43.5\"", "latitude", None),  # north or south
    ("52 39 N", "latitude", None),  # 52.39 as often as 52°39'
    ("52°39'N", "longitude", None),
    ("52°61'N", "latitude", None),
    ("-11°10'W", "longitude", None),
]


@pytest.mark.parametrize(("value", "column", "meant"), CELLS)
def test_a_cell_is_read_or_left_open(value, column, meant):
    assert read(value, OF[column]) == meant


DEGREES = st.decimals(min_value=0, max_value="89.999999", places=6)
MARKS = st.sampled_from(
    [("°", "'", '"'), ("° ", "' ", '"'), ("d", "m", "s"), (" ", " ", ""), ("º", "’", "”")]
)


@given(
    DEGREES,
    st.sampled_from("NS"),
    MARKS,
    st.integers(1, 3),
    st.booleans(),
    st.sampled_from([".", ","]),
)
def test_degrees_come_back_equal_or_refused(degrees, letter, marks, parts, before, point):
    """Written in degrees; in minutes; or in minutes and seconds, to a few centimetres."""
    d = int(degrees)
    minutes = (degrees - d) * 60
    m = int(minutes)
    seconds = f"{(minutes - m) * 60:.3f}"
    body = {
        1: f"{degrees}{marks[0]}",
        2: f"{d}{marks[0]}{minutes:.5f}{marks[1]}",
        3: f"{d}{marks[0]}{m}{marks[1]}{seconds}{marks[2]}",
    }[parts].replace(".", point)
    text = f"{letter} {body}" if before else f"{body} {letter}"
    value = read(text.strip(), OF["latitude"])
    meant = float(degrees) * (-1 if letter == "S" else 1)
    assert value is None or value == pytest.approx(meant, abs=2e-6)


THOUSANDS = st.sampled_from(
    [
        (",", "."),
        (".", ","),
        (" ", "."),
        (" ", ","),
        ("'", "."),
        ("\u202f", ","),
        ("", "."),
        ("", ","),
    ]
)


def written(number, marks):
    whole, _, part = f"{number}".partition(".")
    return f"{int(whole):,}".replace(",", marks[0]) + (marks[1] + part if part else "")


@given(
    st.one_of(st.integers(0, 9_999_999), st.decimals(min_value=0, max_value=99_999, places=1),
              st.decimals(min_value=0, max_value=99_999, places=3)),
    THOUSANDS,
    st.sampled_from(["", " m", "m", " metres"]),
)  # fmt: skip
@settings(max_examples=400)
def test_numbers_come_back_equal_or_refused(number, marks, unit):
    """Whoever writes in one way writes a comma file in the same; a point alone is a decimal one."""
    text = written(number, marks) + unit
    value = read(text, OF["stretch_length_m"])
    one_point = marks[0] == "." and text.count(".") == 1 and "," not in text
    assert value is None or value == pytest.approx(float(number)) or one_point


@given(
    st.decimals(min_value="0.01", max_value=99_999, places=2),
    st.sampled_from([",", "."]),
    st.booleans(),
)
def test_numbers_of_a_semicolon_file_come_back_equal_or_refused(number, point, unit):
    text = f"{number}".replace(".", point) + (" m" if unit else "")
    value = read(text, OF["stretch_length_m"], decimal_comma=True)
    assert value is None or value == pytest.approx(float(number))


COUNTED = st.sampled_from(
    [("{}", ""), ("{}+", "at_least"), (">{}", "at_least"), ("> {}", "at_least"),
     ("≥{}", "at_least"), ("over {}", "at_least"), ("{} or more", "at_least"),
     ("at least {}", "at_least"),
     ("~{}", "estimate"), ("ca. {}", "estimate"), ("c. {}", "estimate"), ("approx {}", "estimate"),
     ("{} ind.", ""), ("{} fish", ""), ("<{}", None), ("up to {}", None), ("{}?", None),
     ("{}-9999999", None), ("{} juv", None), ("half of {}", None), ("{} x", "")]
)  # fmt: skip


@given(st.integers(0, 100_000), COUNTED)
def test_counts_come_back_equal_or_refused(number, spelling):
    form, kind = spelling
    value = read(form.format(number), OF["count"])
    if kind is None:
        assert value is None
    else:
        assert value in (None, number, (number, kind))
        assert kind == "" or not isinstance(value, float)


@given(
    st.lists(st.dates(dt.date(1990, 1, 1), dt.date(2024, 12, 31)), min_size=1, max_size=12),
    st.sampled_from(["{d:02}{s}{m:02}{s}{y}", "{m:02}{s}{d:02}{s}{y}", "{d}{s}{m}{s}{y}"]),
    st.sampled_from("/.-"),
    st.sampled_from(["", " 18:30"]),
)
def test_dates_come_back_equal_or_refused(dates, form, mark, clock):
    """A column written in one order; each date is read as meant or left open."""
    texts = [form.format(d=day.day, m=day.month, y=day.year, s=mark) + clock for day in dates]
    uniques = pd.Series(texts, dtype=object).unique()
    became = {uniques[k]: text for _, _, own in settled_dates(uniques) for k, text in own.items()}
    for day, text in zip(dates, texts, strict=True):
        moment = read_moment(became.get(text, text))
        assert isinstance(moment, Wording) or moment[0].date() == day


def test_a_column_with_dates_of_both_orders_settles_nothing():
    uniques = pd.Series(["13/04/2024", "04/13/2024", "03/04/2024"], dtype=object).unique()
    assert settled_dates(uniques) == []
    other_marks = pd.Series(["13.04.2024", "03/04/2024"], dtype=object).unique()
    assert settled_dates(other_marks) == []


LIST = pd.DataFrame(
    {"vernacular_name": ["Stone loach", "Eel", "Loach", "Loach", None, None]},
    index=["Barbatula barbatula", "Anguilla anguilla", "Cobitis taenia", "Misgurnus fossilis",
           "Salmo", "Cyprinidae"],
)  # fmt: skip


@pytest.mark.parametrize(
    ("name", "meant"),
    [
        ("stone loach", "Barbatula barbatula"), ("Stone-loach", "Barbatula barbatula"),
        ("EEL", "Anguilla anguilla"), ("loach", None), ("eels", None), ("Stone loach?", None),
        ("Salmo sp.", "Salmo"), ("Salmo spp", "Salmo"), ("Cyprinidae sp.", "Cyprinidae"),
        ("Salmo sp. 2", None), ("Salmo cf. trutta", None), ("Cobitis sp.", None),
        ("eel sp.", None), ("none", None),
    ],
)  # fmt: skip
def test_a_name_is_read_where_one_entry_alone_has_it(name, meant):
    found = ListedNames(LIST).meant(name)
    assert (found[0] if found else None) == meant


SHEET = """\
placement_id,survey,site,method,set_at,lifted_at,longitude,latitude,gear_count,minutes,outcome,\
crew,bait,notes
P1,S24,A,minnow_trap,01/05/2024 19:00,02/05/2024 08:00,"11°12'46""W",52.6035,\
4 traps,n/a,caught,NA,none,-
P2,S24,B,kick_net,13/05/2024 11:00,14/05/2024 11:40,-11.2127,52.6,,0.5 h,,NA,,
P3,S24,-,electric_fishing,13/05/2024 11:00,,-11.2127,52.6,,"1,234.5",,NA,,
,,,,,,,,,75,,,,Total
Remark: no rain,,,,,,,,,,,,,
"""
FISH = """placement_id,species,count,count_kind,pass_no,notes
P1,stone loach,>13,,,
P1,Cottus gobio,ca. 20,estimate,,
P1,Salmo sp.,9+,,,
P2,Cottus gobio,0,,,under stones
P3,Cottus gobio,5,,1,
P3,Cottus gobio,0,,2,
Sum,,47,,,
"""


def test_a_season_is_read_said_and_kept(tmp_path):
    store = make_store(tmp_path / "s.gpkg")
    result = check_files(store, tmp_path, SHEET, FISH)
    assert result.refused == []
    assert kinds(result) == {
        ("", "left_out"), ("site", "no_value"), ("set_at", "date_dmy"), ("lifted_at", "date_dmy"),
        ("longitude", "degrees"), ("gear_count", "with_unit"), ("minutes", "with_unit"),
        ("minutes", "no_value"), ("minutes", "thousands"), ("bait", "no_value"),
        ("count", "at_least"), ("count", "estimate"), ("species", "vernacular"),
        ("species", "genus"), ("species", "zero"), ("placement_id", "nil"),
        ("placement_id", "zero_passes"),
    }  # fmt: skip
    lines = {(one.column, one.code): one for one in result.readings}
    assert (lines["count", "at_least"].rows, lines["count", "at_least"].row) == (2, 2)
    assert ">13 as 13, 9+ as 9" in lines["count", "at_least"].message
    found = result.findings
    assert (found["kind"] == "read as").sum() == len(result.readings)
    assert list(found.columns) == [
        "kind",
        "file",
        "row",
        "column",
        "value",
        "code",
        "message",
        "rows",
    ]
    batch = take(result, store, "tester")
    assert batch.readings == result.readings
    assert store.batches()[0].readings == result.readings
    kept = store.records(Selection())
    own = kept.placements
    assert own["outcome"].to_dict() == {"P1": "caught", "P2": "nil", "P3": "caught"}
    assert own.loc["P3", "passes"] == 2
    assert own["passes"].isna().tolist() == [True, True, False]
    assert own.loc["P2", "notes"] == "Cottus gobio: under stones"
    assert own["crew"].tolist() == ["NA"] * 3  # may be somebody's initials
    assert own["minutes"].fillna(-1).tolist() == [-1, 30, 1234.5]
    assert own.loc["P1", "set_at"] == pd.Timestamp("2024-05-01T18:00", tz="UTC")
    rows = kept.catches[["placement_id", "species", "count", "count_kind"]]
    assert rows.to_numpy().tolist() == [
        ["P1", "Barbatula barbatula", 13, "at_least"], ["P1", "Cottus gobio", 20, "estimate"],
        ["P1", "Salmo", 9, "at_least"], ["P3", "Cottus gobio", 5, "exact"],
    ]  # fmt: skip
    store.close()


def test_one_line_for_each_kind_and_column_however_many_rows(store):
    frame = placement(minutes=[f"{n} min" for n in range(1, 301)])
    result = checked(store, frame)
    (line,) = [one for one in result.readings if one.column == "minutes"]
    assert (line.rows, line.value) == (300, "1 min, 2 min, 3 min")
    assert line.message.endswith("3 min as 3 …")


def test_a_kind_of_count_that_says_otherwise_is_refused(store):
    rows = cells(CATCHES).iloc[[0]].assign(count=">13", count_kind="exact")
    (fault,) = checked(store, cells(PLACEMENTS), rows).refused
    assert (fault.column, fault.value) == ("count", ">13")


def test_zeros_do_not_undo_what_a_placement_declares(store):
    """Nil beside zeros is no contradiction, and lost gear stays lost."""
    rows = cells(CATCHES).iloc[[0, 0]].assign(placement_id=["P1", "P2"], count="0", count_kind="")
    for declared in ("nil", "lost", "disturbed"):
        frame = cells(PLACEMENTS).assign(outcome=declared)
        result = checked(store, frame, rows)
        assert result.refused == []
        assert result.records.placements["outcome"].tolist() == [declared] * 2
        assert not len(result.records.catches)


def test_na_is_a_name_but_in_a_sheet_that_writes_it_into_every_empty_cell(store):
    names = [name for name in cells(PLACEMENTS) if name != "notes"]
    full = placement(site="NA", minutes="NA", gear_count="NA", lifts="NA")[names]
    assert checked(store, full).records.placements["site"].isna().all()
    some = placement(site="NA", minutes="NA", gear_count="", lifts="NA")[names]
    assert checked(store, some).records.placements["site"].tolist() == ["NA"]


def test_a_row_without_id_that_could_be_a_placement_is_refused(store):
    for changed in (
        {"placement_id": ""},
        {"placement_id": "Total"},
        {"placement_id": "", "method": ""},  # with a time and a place
    ):
        result = checked(store, placement(notes="Total", **changed))
        assert not [one for one in result.readings if one.code == "left_out"]
        assert result.records is None or "Total" in result.records.placements.index


def test_a_sum_of_passes_is_not_read_as_one_of_them(store, tmp_path):
    """A cell of a sum that is no number must not stand for the sum."""
    mapping = tmp_path / "m.toml"
    mapping.write_text(
        '[placements]\nplacement_id = "id"\nmethod = "how"\nset_at = "day"\nlongitude = "x"\n'
        'latitude = "y"\nsurvey = { constant = "S" }\nminutes = "min"\n'
        '[fold]\nby = ["day"]\npass_no = "n"\nsum = "minutes"\n'
    )
    text = "id,how,day,x,y,min,n\nA,kick_net,2024-05-01,-11.2127,52.6,{},1\n"
    text += "B,kick_net,2024-05-01,-11.2127,52.6,3,2\n"
    for cell, minutes in (("12 min", 15), ("0.2 h", 15), ("about 12", None), ("12", 15)):
        result = check_files(
            store, tmp_path, text.format(cell), CATCHES.splitlines()[0] + "\n", mapping=mapping
        )
        read = None if result.records is None else result.records.placements["minutes"].tolist()
        assert read == (None if minutes is None else [minutes])


@pytest.mark.parametrize(
    ("cell", "minutes"), [("1 800", None), ("1800 s", 30), ("30 min", 30), ("1800", 30)]
)
def test_a_number_in_another_unit_is_not_taken_for_ours(store, tmp_path, cell, minutes):
    """`unit` of a mapping: what is not read there must not be read in our unit later."""
    mapping = tmp_path / "m.toml"
    mapping.write_text(
        '[placements]\nplacement_id = "id"\nmethod = "how"\nset_at = "day"\nlongitude = "x"\n'
        'latitude = "y"\nsurvey = { constant = "S" }\nminutes = { from = "s", unit = "s" }\n'
    )
    text = f"id,how,day,x,y,s\nA,kick_net,2024-05-01,-11.2127,52.6,{cell}\n"
    result = check_files(store, tmp_path, text, CATCHES.splitlines()[0] + "\n", mapping=mapping)
    read = None if result.records is None else result.records.placements["minutes"].tolist()
    assert read in ([minutes], [30])
    assert read is not None or minutes is None


def test_the_command_says_how_cells_were_read(tmp_path):
    make_store(tmp_path / "s.gpkg").close()
    one, two = sheet_files(tmp_path, SHEET, FISH)
    out = tmp_path / "findings.csv"
    done = CliRunner().invoke(
        import_,
        [str(tmp_path / "s.gpkg"), "--placements", str(one), "--catches", str(two),
         "--check-only", "--findings", str(out)],
    )  # fmt: skip
    assert done.exit_code == 0, done.output
    assert (
        "read as  at_least: catches.csv, row 2, count: 2 rows read as a lower bound" in done.output
    )
    assert (pd.read_csv(out)["kind"] == "read as").sum() == 18


TITLES = "Brooks of 2024\nkept by crew A,,2024\n\n"


@pytest.mark.parametrize("titles", ["Brooks of 2024\n", TITLES, TITLES + "all times local\n"])
def test_a_header_below_titles_is_found_and_said(store, tmp_path, titles):
    """The row numbers stay those of the spreadsheet."""
    result = check_files(store, tmp_path, titles + PLACEMENTS.replace("12,nil", "twelve a,nil"))
    (line,) = [one for one in result.readings if one.code == "header"]
    top = titles.count("\n") + 1
    assert (line.row, line.file) == (top, "placements.csv")
    assert "Brooks of 2024" in line.message
    assert [(fault.row, fault.column) for fault in result.refused] == [(top + 2, "lifts")]


def test_a_header_below_merged_titles_of_a_workbook_is_found(store, tmp_path):
    book = openpyxl.Workbook()
    page = book.active
    page.append(["Brooks of 2024"])
    page.merge_cells("A1:D1")
    page.append([])
    for row in [list(cells(PLACEMENTS)), *cells(PLACEMENTS).to_numpy().tolist()]:
        page.append(row)
    book.save(tmp_path / "p.xlsx")
    catches = sheet_files(tmp_path)[1]
    result = check(read_sheets(tmp_path / "p.xlsx", catches), store, now=NOW)
    assert result.refused == []
    assert [(one.code, one.row) for one in result.readings] == [("header", 3)]
    assert len(result.records.placements) == 2


@pytest.mark.parametrize(
    "text",
    [
        "placement_id\n" + PLACEMENTS,  # a name of ours above
        "a\n" + PLACEMENTS.replace("method", "gear_kind"),  # nothing has what is needed
        "a\n" + PLACEMENTS.splitlines()[0] + "\n" + PLACEMENTS,  # two headers
        "a\n" * 5 + PLACEMENTS,  # too far below
    ],
)
def test_a_header_that_is_not_clear_is_not_taken(store, tmp_path, text):
    result = check_files(store, tmp_path, text)
    assert result.records is None
    assert not [one for one in result.readings if one.code == "header"]


@pytest.mark.parametrize("cell", ["12 min", "1 200", "n/a"])
def test_a_part_of_a_sum_is_not_read_as_the_sum(store, tmp_path, cell):
    mapping = tmp_path / "m.toml"
    mapping.write_text(
        '[placements]\nplacement_id = "id"\nmethod = "how"\nset_at = "day"\nlongitude = "x"\n'
        'latitude = "y"\nsurvey = { constant = "S" }\nminutes = { sum = ["one", "two"] }\n'
    )
    text = f"id,how,day,x,y,one,two\nA,kick_net,2024-05-01,-11.2127,52.6,{cell},3\n"
    result = check_files(store, tmp_path, text, CATCHES.splitlines()[0] + "\n", mapping=mapping)
    assert [fault.column for fault in result.refused] == ["minutes"]
