"""A column that its header names is suggested, or asked about, whatever stands in some cells.

The headers and cells are those of ordinary field sheets, written down from memory: common practice,
no source. A cell that is not read is refused with its row, where somebody can mend it; a column
that is left out in silence is missed by nobody.
"""

import tomllib

import pytest

from service.intake.findings import Findings
from service.intake.importing import check
from service.intake.sheets import read_sheets
from service.intake.suggesting import suggest
from service.intake.tables import read_tables
from tests.intake_sheets import CRS, NOW

HEAD = "Sample;Site;Date;Method;Lat;Long"
ROWS = (
    "A;Mill ford;2024-06-03;electric fishing;52.6000;-11.2127",
    "B;Heron pool;2024-06-04;electric fishing;52.6120;-11.2070",
    "C;Ash pool;2024-06-05;electric fishing;52.6130;-11.2080",
)


@pytest.fixture(scope="module")
def store(store_of_lists):
    return store_of_lists


def suggested(store, folder, text):
    """Suggest for a sheet: the suggestion, and what its rules are."""
    sheet = folder / "odd.csv"
    sheet.write_text(text, "utf-8")
    tables = read_tables(sheet, Findings())
    made = suggest(tables, store.species(), list(store.methods().index), CRS)
    return made, tomllib.loads(made.text)


def beside(*more):
    """Three placements with further columns: a header, and a cell of each."""
    lines = zip((HEAD, *ROWS), *more, strict=True)
    return "\n".join(";".join(line) for line in lines) + "\n"


def checked(store, folder, text):
    made, _ = suggested(store, folder, text)
    mapping = folder / "m.toml"
    mapping.write_text(made.text, "utf-8")
    return check(read_sheets(files=[folder / "odd.csv"], mapping=mapping), store, now=NOW)


@pytest.mark.parametrize(
    ("more", "sheet", "column", "refused"),
    [
        (("Width (m)", "2.5", "60-70", "3"), "placements", "wetted_width_m", 3),
        (("Cond (µS/cm)", "245", "?", "310"), "placements", "conductivity_us_cm", 3),
        (("Duration (min)", "1:30", "0:45", "20"), "placements", "minutes", 2),
        (("Tid omg 1 (min)", "0:18", "12", "15 min"), "placements", "minutes", 2),
    ],
)
def test_one_odd_cell_leaves_no_column_out(store, tmp_path, more, sheet, column, refused):
    text = beside(more)
    _, rules = suggested(store, tmp_path, text)
    assert more[0] in str(rules[sheet][column])
    result = checked(store, tmp_path, text)
    assert (refused, column) in {(one.row, one.column) for one in result.refused}


def test_one_length_that_is_not_read_leaves_no_length_out(store, tmp_path):
    """Else every fish came in without its length."""
    text = beside(
        ("Species", "Bullhead", "Bullhead", "Eel"), ("Fork length (cm)", "6.5", "6-7", "41,5")
    )
    _, rules = suggested(store, tmp_path, text)
    assert rules["lengths"]["length_mm"] == {"from": "Fork length (cm)", "unit": "cm"}
    refused = {(one.row, one.column) for one in checked(store, tmp_path, text).refused}
    assert (3, "length_mm") in refused


def test_a_header_that_most_cells_contradict_is_asked_about(store, tmp_path):
    made, rules = suggested(store, tmp_path, beside(("Width (m)", "narrow", "wide", "3")))
    assert "wetted_width_m" not in rules["placements"]
    assert any("Width (m)" in one and "narrow" in one for one in made.open_questions)


@pytest.mark.parametrize(
    ("header", "cells"),
    [
        ("Set time", ("1930", "7.45pm", "zzz")),
        ("Tijd", ("9.15", "13:30", "zzz")),
        ("Heure début", ("9h15", "14h", "zzz")),
        ("Start", ("09:30:00", "0.5", "zzz")),
    ],
)
def test_times_of_day_are_not_left_out_for_one_that_is_not_read(store, tmp_path, header, cells):
    """A day alone would put every placement at 00:00."""
    text = beside((header, *cells))
    _, rules = suggested(store, tmp_path, text)
    assert rules["placements"]["set_at"] == {"text": f"{{Date}} {{{header}}}"}
    assert (4, "set_at") in {
        (one.row, one.column) for one in checked(store, tmp_path, text).refused
    }


def test_a_column_of_times_of_which_none_is_read_is_asked_about(store, tmp_path):
    made, _ = suggested(store, tmp_path, beside(("Time", "dusk", "dawn", "later")))
    assert any("Time" in one and "dusk" in one for one in made.open_questions)


def test_the_time_of_all_passes_is_not_added_to_that_of_each(store, tmp_path):
    made, rules = suggested(
        store,
        tmp_path,
        beside(
            ("Minutes fished", "22", "30", "31"),
            ("Minutes run 1", "12", "20", "21"),
            ("Minutes run 2", "10", "10", "10"),
        ),
    )
    own = rules["placements"]
    assert (own["minutes_pass_1"], own["minutes_pass_2"]) == (
        {"from": "Minutes run 1"},
        {"from": "Minutes run 2"},
    )
    assert "minutes" not in own
    assert any("Minutes fished" in one for one in made.open_questions)


def test_words_of_two_methods_are_neither(store, tmp_path):
    """A landing net used for kick sampling has two words; only somebody who was there knows."""
    text = (
        beside(("Gear", "schepnet kick", "E-Fischerei", "xyzzy"))
        .replace("electric fishing", "dry")
        .replace("Method", "Weather")
    )
    made, rules = suggested(store, tmp_path, text)
    assert rules["placements"]["method"]["values"] == {
        "schepnet kick": "?",
        "E-Fischerei": "electric_fishing",
        "xyzzy": "?",
    }
    questions = " ".join(made.open_questions)
    for one in ("hand_net", "kick_net", "xyzzy"):
        assert one in questions
    assert any("?" in one.remedy for one in checked(store, tmp_path, text).refused)


def test_a_number_of_a_sample_is_no_count(store, tmp_path):
    text = beside(
        ("Species", "Bullhead", "Eel", "Minnow"), ("Effectif", "1 234", "au moins 20", "7")
    )
    _, rules = suggested(store, tmp_path, text.replace("Sample", "N°"))
    assert rules["placements"]["placement_id"] == "N°"
    assert rules["catches"]["count"] == "Effectif"


def test_a_life_stage_behind_a_species_is_of_it_whatever_the_cells(store, tmp_path):
    _, rules = suggested(
        store,
        tmp_path,
        beside(("Eel adulto", "4", ">5", "0"), ("Eel juvenil", "11", "2", "0")),
    )
    assert rules["columns"] == {
        "Eel adulto": {"species": "Anguilla anguilla", "life_stage": "adult"},
        "Eel juvenil": {"species": "Anguilla anguilla", "life_stage": "juvenile"},
    }


def test_fish_older_than_those_of_the_year_are_no_fry(store, tmp_path):
    _, rules = suggested(
        store,
        tmp_path,
        beside(("Brown trout 0+", "4", "0", "2"), ("Brown trout >0+", "3", "1", "0")),
    )
    stages = {name: about["life_stage"] for name, about in rules["columns"].items()}
    assert stages == {"Brown trout 0+": "0+", "Brown trout >0+": ">0+"}


def test_a_stated_unit_is_converted_or_said(store, tmp_path):
    """1 cm/s is 0.01 m/s (SI brochure)."""
    text = beside(("Velocity (cm/s)", "35", "40", "20"), ("DO (%)", "92", "95", "88"))
    made, rules = suggested(store, tmp_path, text)
    assert rules["placements"]["water_velocity_m_s"] == {"from": "Velocity (cm/s)", "unit": "cm/s"}
    assert "no unit stated" not in made.text
    assert "% is not mg/l" in made.text
    placements = checked(store, tmp_path, text).records.placements
    assert placements["water_velocity_m_s"].tolist() == pytest.approx([0.35, 0.4, 0.2])


@pytest.mark.parametrize(
    ("header", "cells", "column"),
    [
        ("Nb de coups", ("3", "4", "2"), "lifts"),
        ("Aantal schepbewegingen", ("3", "4", "2"), "lifts"),
        ("Nº redes", ("3", "4", "2"), "gear_count"),
        ("Anm", ("dry", "", "wet"), "notes"),
    ],
)
def test_further_words_above_columns(store, tmp_path, header, cells, column):
    _, rules = suggested(store, tmp_path, beside((header, *cells)))
    assert rules["placements"][column] == header


@pytest.mark.parametrize(
    ("north", "east", "columns"),
    [
        (("5836180", "5836076", "5836063"), ("344246", "344000", "343735"), "northing easting"),
        (
            ("52.6000", "52.6120", "52.6130"),
            ("11.2127", "11.2070", "11.2080"),
            "latitude longitude",
        ),
        (("4", "3", "2"), ("1", "2", "3"), ""),
    ],
)
def test_n_beside_e_is_a_position_by_its_numbers(store, tmp_path, north, east, columns):
    text = beside(("N", *north), ("E", *east)).replace("Lat;Long", "A1;A2")
    made, rules = suggested(store, tmp_path, text)
    if not columns:
        assert not {"northing", "latitude"} & set(rules["placements"])
        return
    first, second = columns.split()
    assert (rules["placements"][first], rules["placements"][second]) == ("N", "E")
    assert not any("counted" in one for one in made.open_questions)


@pytest.mark.parametrize(
    ("north", "east", "columns"),
    [
        (("Koordinaten N", "52°36'00\"", "52°36'43\"", "52°36'46\""),
         ("Koordinaten W", "11°12'45\"", "11°12'25\"", "11°12'28\""), ("latitude", "longitude")),
        (("Position N", "52.6000", "52.6120", "52.6130"),
         ("Position O", "-11.2127", "-11.2070", "-11.2080"), ("latitude", "longitude")),
        (("°N", "52.6000", "52.6120", "52.6130"),
         ("°W", "11.2127", "11.2070", "11.2080"), ("latitude", "longitude")),
        (("UTM N", "5828123", "5829425", "5829526"),
         ("UTM Ø", "350234", "350633", "350731"), ("northing", "easting")),
    ],
)  # fmt: skip
def test_a_position_with_its_direction_above_is_suggested(store, tmp_path, north, east, columns):
    day = ("Dato", "2024-06-03", "2024-06-04", "2024-06-05")
    lines = zip(("Prøve", "a", "b", "c"), day, north, east, strict=True)
    _, rules = suggested(store, tmp_path, "\n".join(";".join(line) for line in lines) + "\n")
    for column, theirs in zip(columns, (north[0], east[0]), strict=True):
        rule = rules["placements"][column]
        assert (rule["from"] if isinstance(rule, dict) else rule) == theirs
    west = rules["placements"][columns[1]]
    assert not east[0].endswith("W") or west["unit"] == "°W"
    assert not north[0].startswith("Koord") or rules["placements"]["latitude"]["unit"] == "°N"


@pytest.mark.parametrize(
    ("more", "column"),
    [
        (("Plek", "weir", "ford", "mill"), "site"),
        (("Largeur moy. (m)", "2,5", "3", "4"), "wetted_width_m"),
        (("Strækning (m)", "50", "60", "40"), "stretch_length_m"),
    ],
)
def test_words_of_other_languages_are_known(store, tmp_path, more, column):
    lines = zip(("Nr", "a", "b", "c"), ("Dato", *["2024-06-03"] * 3),
                ("Metod", *["elfiske"] * 3), more, strict=True)  # fmt: skip
    _, rules = suggested(store, tmp_path, "\n".join(";".join(line) for line in lines) + "\n")
    assert rules["placements"][column] == more[0]


def test_a_column_left_out_is_asked(store, tmp_path):
    made, _ = suggested(store, tmp_path, beside(("Weather", "sun", "rain", "sun")))
    assert any("Weather" in one for one in made.open_questions)
    assert "\n# ? Left out of odd.csv: Weather. " in made.text


PASSES = (
    "Lokal-ID;Vattendrag;Metod;Datum;Lat;Long;Omgång;Fisketid;Bullhead;Anmärkning\n"
    "L1;Long Brook;elfiske;2024-06-03;52,6000;-11,2127;1;14 min;22;\n"
    "L1;Long Brook;elfiske;2024-06-03;52,6000;-11,2127;2;12 min;9;grumligt\n"
    "L2;Long Brook;elfiske;2024-06-04;52,6120;-11,2070;1;20 min;4;\n"
)


def test_a_row_for_each_pass_is_folded_by_the_suggestion(store, tmp_path):
    """What the sheet says, written down by hand."""
    assert suggested(store, tmp_path, PASSES)[0].said[0].endswith("each row is one pass")
    result = checked(store, tmp_path, PASSES)
    assert result.refused == []
    placements = result.records.placements
    assert placements["passes"].tolist() == [2, 1]
    assert placements["minutes"].tolist() == [26, 20]
    assert placements["minutes_pass_2"].fillna(0).tolist() == [12, 0]
    assert placements["notes"].fillna("").tolist() == ["grumligt", ""]
    caught = result.records.catches[["placement_id", "pass_no", "count"]]
    assert caught.to_numpy().tolist() == [["L1", 1, 22], ["L1", 2, 9], ["L2", 1, 4]]


def test_a_fold_the_other_way_round_is_told_how_to_write_it(store, tmp_path):
    made, _ = suggested(store, tmp_path, PASSES)
    mapping = tmp_path / "m.toml"
    mapping.write_text(made.text.replace('sum = ["minutes"]', 'minutes = "sum"'), "utf-8")
    sheets = read_sheets(files=[tmp_path / "odd.csv"], mapping=mapping)
    assert any('write sum = ["minutes"]' in one.remedy for one in sheets.findings.refused)


def test_gear_below_an_unknown_header_that_makes_blocks_of_rows_is_asked(store, tmp_path):
    """Two fykes of one place and night, each named in all of its rows, are not made one."""
    text = "Ding;Site;Date;Method;Lat;Long;Species;Count\n"
    for name, fish in (("F1", "Eel"), ("F1", "Bullhead"), ("F2", "Eel"), ("F2", "Bullhead")):
        text += f"{name};Mill ford;2024-06-03;fyke net;52.6000;-11.2127;{fish};2\n"
    (fault,) = checked(store, tmp_path, text).refused
    assert fault.remedy.startswith("[open] Ding: Ding differs within")
    same = text.replace("F2;", "F1;")  # of one placement after all
    assert not any("[open]" in one.remedy for one in checked(store, tmp_path, same).refused)


def test_ids_of_fish_that_name_no_placement_are_told_with_both_rules(store, tmp_path):
    text = beside(("Bullhead", "1", "2", "3"))
    made, _ = suggested(store, tmp_path, text)
    rules = made.text.replace('placement_id = "Sample"', 'placement_id = { text = "B-{Sample}" }')
    mapping = tmp_path / "m.toml"
    mapping.write_text(rules.replace("[columns]", '[catches]\nplacement_id = "Sample"\n[columns]'))
    sheets = read_sheets(files=[tmp_path / "odd.csv"], mapping=mapping)
    (told,) = [one.remedy for one in sheets.findings.refused if "both rules" in one.remedy]
    assert "gives such as A, [placements] placement_id such as B-A" in told


def test_a_question_names_its_column_once(store, tmp_path):
    result = checked(store, tmp_path, beside(("Duration (min)", "1:30", "0:45", "20")))
    open_ones = [one.remedy for one in result.refused if one.remedy.startswith("[open]")]
    assert not any(one.count("Duration (min): ") > 1 for one in open_ones)
    result = checked(store, tmp_path, beside(("Start time", "a", "b", "c")))
    (one,) = [one.remedy for one in result.refused if one.remedy.startswith("[open]")]
    assert one.startswith("[open] Start time: its header says")


def test_a_footnote_directly_below_the_table_is_no_placement(store, tmp_path):
    text = beside(("Bullhead", "1", "2", "3"))
    result = checked(store, tmp_path, text + "* Lat with the second receiver;;;;;;\n")
    assert len(result.records.placements) == 3
    assert [one.value for one in result.readings if one.code == "left_out"] == [
        "* Lat with the second receiver"
    ]


def test_rows_of_one_place_and_day_with_numbers_of_passes_are_one_placement(store, tmp_path):
    """What the sheet says, written down by hand."""
    text = (
        "Site;Stream;Day;Run;Start;End;Method;Lat;Long;Trout;Bullhead\n"
        "Mill;Long Brook;2024-06-03;1;09:00;09:25;electric fishing;52.6;-11.2127;12;30\n"
        "Mill;Long Brook;2024-06-03;2;09:45;10:05;electric fishing;52.6;-11.2127;4;11\n"
        "Mill;Long Brook;2024-06-03;3;10:20;10:40;electric fishing;52.6;-11.2127;0;0\n"
        "Ford;Long Brook;2024-06-03;1;12:00;12:25;electric fishing;52.612;-11.207;1;2\n"
    )
    result = checked(store, tmp_path, text)
    assert result.refused == []
    placements = result.records.placements
    assert placements["passes"].tolist() == [3, 1]
    assert placements["outcome"].tolist() == ["caught", "caught"]
    assert [f"{one:%H:%M}" for one in placements["lifted_at"].dt.tz_convert("Europe/Dublin")] == [
        "10:40", "12:25",
    ]  # fmt: skip


def test_setting_and_lifting_in_rows_of_their_own_are_asked_about(store, tmp_path):
    text = (
        "Fuik;Water;Dag;Tijd;Wat;Lat;Long;Soort;Aantal\n"
        "F1;Long Brook;2024-06-03;19:30;gezet;52.6;-11.2127;;\n"
        "F1;Long Brook;2024-06-04;08:15;gelicht;52.6;-11.2127;Bullhead;3\n"
    )
    _, rules = suggested(store, tmp_path, text)
    assert 'when = { Wat = ["gelicht"] }' in rules["open"]["Wat"]


def test_a_word_for_lost_among_times_of_lifting_is_the_outcome(store, tmp_path):
    lines = zip(
        ("Nr", "a", "b", "c"), ("Satt", *["2024-06-03 20:00"] * 3),
        ("Trukket", "2024-06-04 07:30", "mistet", "2024-06-04 08:00"),
        ("Metode", *["fyke net"] * 3), ("Lat", "52.6", "52.612", "52.613"),
        ("Long", "-11.2127", "-11.207", "-11.208"), ("Bullhead", "1", "", "2"), strict=True,
    )  # fmt: skip
    result = checked(store, tmp_path, "\n".join(";".join(line) for line in lines) + "\n")
    assert result.refused == []
    placements = result.records.placements
    assert placements["outcome"].tolist() == ["caught", "lost", "caught"]
    assert placements["lifted_at"].notna().tolist() == [True, False, True]


def test_no_bullhead_is_no_bullhead(store, tmp_path):
    text = (
        f"{HEAD};Fish;Count\n{ROWS[0]};Bullhead;3\n{ROWS[0]};Brown trout;1\n"
        f"{ROWS[1]};no bullhead;1\n"
    )
    made, _ = suggested(store, tmp_path, text)
    assert '"no bullhead" =' not in made.text
    faults = checked(store, tmp_path, text).refused
    assert any("0 as the count" in one.remedy for one in faults if one.value == "no bullhead")


@pytest.mark.parametrize(
    ("began", "ended"), [("Time in", "Time out"), ("In", "Out"), ("Gear in", "Gear out")]
)
def test_in_and_out_are_when_gear_came_into_the_water_and_out(store, tmp_path, began, ended):
    """Out alone stood as the time of setting, and in was taken for inches."""
    _, rules = suggested(
        store, tmp_path, beside((began, "9:00", "9:30", "10:00"), (ended, "9:20", "9:45", "10:30"))
    )
    assert rules["placements"]["set_at"] == {"text": f"{{Date}} {{{began}}}"}
    assert rules["placements"]["lifted_at"] == {"text": f"{{Date}} {{{ended}}}"}


def test_inches_are_still_read_where_brackets_say_so(store, tmp_path):
    _, rules = suggested(
        store, tmp_path, beside(("Species", *["Eel"] * 3), ("Length (in)", "12", "13", "14.5"))
    )
    assert rules["lengths"]["length_mm"] == {"from": "Length (in)", "unit": "in"}


def test_a_row_with_0_and_no_species_says_that_nothing_was_caught(store, tmp_path):
    text = beside(("Species", "Eel", "", "Eel"), ("Number", "3", "0", "1"))
    result = checked(store, tmp_path, text)
    assert not result.refused
    outcomes = result.records.placements["outcome"]
    assert outcomes.tolist() == ["caught", "nil", "caught"]
