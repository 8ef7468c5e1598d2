"""Words that people write in place of numbers, ids and stages: read as what they can only mean.

The sheets are those of ordinary field work, written down from memory: common practice, no source.
"""

import pytest

from service.intake.findings import Findings
from service.intake.importing import check
from service.intake.sheets import read_sheets
from service.intake.suggesting import suggest
from service.intake.tables import read_tables
from tests.intake_sheets import CRS, NOW

BULL, EEL, TROUT = "Cottus gobio", "Anguilla anguilla", "Salmo trutta"
OURS = "placement_id,survey,method,set_at,longitude,latitude"
TRAP = "minnow_trap,2024-06-03T19:00,-11.2127,52.6000"


@pytest.fixture(scope="module")
def store(store_of_lists):
    return store_of_lists


def under_our_names(store, folder, text, mapping=""):
    """Check a sheet of placements under our own headers, the fish in columns beside."""
    (folder / "s.csv").write_text(text, "utf-8")
    (folder / "m.toml").write_text(mapping, "utf-8")
    sheets = read_sheets(
        folder / "s.csv", mapping=folder / "m.toml" if mapping else None, species=store.species()
    )
    return check(sheets, store, now=NOW)


def by_suggestion(store, folder, text):
    (folder / "s.csv").write_text(text, "utf-8")
    made = suggest(
        read_tables(folder / "s.csv", Findings()),
        store.species(),
        list(store.methods().index),
        CRS,
    )
    (folder / "m.toml").write_text(made.text, "utf-8")
    return check(read_sheets(files=[folder / "s.csv"], mapping=folder / "m.toml"), store, now=NOW)


def fish(result):
    assert result.records is not None, result.refused
    own = result.records.catches.fillna({"count": -1, "life_stage": ""})
    return sorted(zip(own["species"], own["count"], own["count_kind"], strict=True))


@pytest.mark.parametrize("way", [under_our_names, by_suggestion])
def test_a_row_of_totals_is_left_out_of_the_fish_as_of_the_placements(store, tmp_path, way):
    """It was no placement, and its 36 fish were refused as those of a placement Total."""
    text = (
        f"{OURS},Cottus gobio,Salmo trutta\nT1,S,{TRAP},20,3\nT2,S,{TRAP},16,2\nTotal,,,,,,36,5\n"
    )
    result = way(store, tmp_path, text)
    assert result.refused == []
    assert [one[1] for one in fish(result)] == [16, 20, 2, 3]
    (said,) = [one for one in result.readings if one.code == "left_out"]
    assert (said.rows, said.row, said.value) == (1, 4, "Total 36 5")
    assert result.rows_read["placements"] == 2


@pytest.mark.parametrize("word", ["Totaal", "Total fish", "Summa L1", "Summe", "Total:"])
@pytest.mark.parametrize("below", ["", ",,,,,,Eel,9\n", "* a footnote,,,,,,,\n"])
def test_totals_below_cells_that_are_filled_down_are_no_catch(tmp_path, word, below):
    """They were added to the last placement, or made one."""
    head = "Fyke,Water,Date,Gear,Lat,Long,Species,Count"
    one, two = (f"F{k},Burn,2024-06-0{k},fyke,52.6,-11.2127,Eel,2" for k in (1, 2))
    text = f"{head}\n{one}\n,,,,,,Perch,9\n{two}\n{word},,,,,,Perch,14\n{below}"
    (tmp_path / "s.csv").write_text(text, "utf-8")
    findings = Findings()
    (table,) = read_tables(tmp_path / "s.csv", findings)
    kept = table.frame["Count"].tolist()
    assert kept == ["2", "9", "2"]
    (said,) = [one for one in findings.readings if one.code == "left_out"]
    assert (said.row, said.rows) == (5, 1 + bool(below))


def test_a_record_that_begins_with_a_word_for_totals_is_refused(store, tmp_path):
    """Nobody can know whether it is one; a name that begins so is a name."""
    text = f"{OURS},Cottus gobio\nT1,S,{TRAP},20\n{{}},S,{TRAP},16\n"
    result = under_our_names(store, tmp_path, text.format("Total"))
    assert [(f.row, f.column, f.code) for f in result.refused] == [
        (3, "placement_id", "name_is_total")
    ]
    for name in ("Media Luna", "Sumas"):
        assert name in under_our_names(store, tmp_path, text.format(name)).records.placements.index


def test_a_placement_beside_a_word_for_totals_stays(store, tmp_path):
    """Notes may speak of totals, and a record that lacks its method is refused, not left out."""
    text = f"{OURS},notes,Cottus gobio\nT1,S,{TRAP},Total,20\nT2,S,{TRAP},,16\n"
    assert len(under_our_names(store, tmp_path, text).records.placements) == 2
    text = text.replace("T2,S,minnow_trap", "T2,S,").replace(",,16", ",Total,16")
    result = under_our_names(store, tmp_path, text)
    assert [(f.row, f.column) for f in result.refused] == [(3, "method")]


ONE_BY_ONE = """[shape]
rows = "{rows}"
[placements]
placement_id = "placement_id"
survey = "survey"
method = "method"
set_at = "set_at"
longitude = "longitude"
latitude = "latitude"
minutes = "minutes"
[catches]
species = "species"
count = "count"
notes = "said"
"""


@pytest.mark.parametrize("rows", ["catch", "fish"])
def test_a_remark_in_a_row_without_fish_is_a_note_of_the_placement(store, tmp_path, rows):
    """It was lost without a word."""
    row = f"S,{TRAP}"
    text = (
        f"{OURS},minutes,species,count,said\nR1,{row},,Anguilla anguilla,1,big\n"
        f"R2,{row},,,,net gone\nR1,{row},,,,lid open\nR3,{row},,,,\n"
    )
    result = under_our_names(store, tmp_path, text, ONE_BY_ONE.format(rows=rows))
    assert result.refused == []
    notes = result.records.placements["notes"].fillna("").to_dict()
    assert notes == {"R1": "lid open", "R2": "net gone", "R3": ""}
    assert result.records.catches["notes"].tolist() == ["big"]
    (said,) = [one for one in result.readings if one.code == "note_of_placement"]
    assert (said.rows, said.row, said.value) == (2, 3, "net gone, lid open")


@pytest.mark.parametrize("beside", ["1'30", "1h30"])
def test_decimals_beside_times_of_a_column_of_minutes_are_refused(store, tmp_path, beside):
    text = f"{OURS},minutes,Cottus gobio\nT1,S,{TRAP},{beside},2\nT2,S,{TRAP},{{}},1\n"
    result = under_our_names(store, tmp_path, text.format("1.30"))
    assert [(f.row, f.column, f.code) for f in result.refused] == [(3, "minutes", "amount_unclear")]
    assert under_our_names(store, tmp_path, text.format("2.75")).refused == []


@pytest.mark.parametrize("header", ["fyke", "Fuik", "Code", "St. nr.", "Lokal-ID", "Crew"])
def test_what_may_tell_two_gears_of_one_day_apart_is_asked(store, tmp_path, header):
    """Two fykes of one water and day became one placement; a crew may have come twice."""
    where = "2024-06-13,Yaskendur,fyke net,-11.2127,52.6"
    text = (
        f"{header},date,brook,gear,lon,lat,species,count\nF1,{where},Eel,2\n,,,,,,Bullhead,9\n"
        f"F2,{where},Eel,12\n,,,,,,Bullhead,1\n"
    )
    result = by_suggestion(store, tmp_path, text)
    if result.records is None:
        assert any(f"[open] {header}: " in fault.remedy for fault in result.refused)
    else:
        assert len(result.records.placements) == 2


def test_codes_of_species_are_not_asked_about(store, tmp_path):
    where = "2024-06-13,Yaskendur,fyke net,-11.2127,52.6"
    text = f"Code,date,brook,gear,lon,lat,species,count\n1,{where},Eel,2\n2,{where},Bullhead,9\n"
    assert len(by_suggestion(store, tmp_path, text).records.placements) == 1


@pytest.mark.parametrize("cell", ["2 st", "2 stuks", "2 Stück", "2 pcs."])
def test_pieces_of_gear_are_counted_as_fish_are(store, tmp_path, cell):
    text = f"{OURS},gear_count,Cottus gobio\nT1,S,{TRAP},{cell},2\n"
    result = under_our_names(store, tmp_path, text)
    assert result.refused == []
    assert result.records.placements["gear_count"].tolist() == [2]


def test_times_written_as_whole_hours_are_times_of_day(store, tmp_path):
    """Somebody was told that 19u30 is no time of day, which the import reads."""
    where = "minnow trap,-11.2127,52.6,Eel,2"
    text = f"Fuik,Datum,Tijd,Gear,Lon,Lat,Species,Count\nF1,2024-06-12,19u30,{where}\n"
    result = by_suggestion(store, tmp_path, f"{text}F2,2024-06-13,21u,{where}\n")
    local = result.records.placements["set_at"].dt.tz_convert("Europe/Dublin")
    assert local.dt.strftime("%H:%M").tolist() == ["19:30", "21:00"]


@pytest.mark.parametrize("word", ["present", "Present", "x", "X", "+", "vorhanden", "aanwezig"])
@pytest.mark.parametrize("way", [under_our_names, by_suggestion])
def test_a_sign_for_present_below_a_fish_is_seen_and_not_counted(store, tmp_path, way, word):
    text = f"{OURS},Cottus gobio,Anguilla anguilla\nT1,S,{TRAP},{word},2\nT2,S,{TRAP},7,0\n"
    result = way(store, tmp_path, text)
    assert fish(result) == [(EEL, 2, "exact"), (BULL, -1, "present"), (BULL, 7, "exact")]
    (said,) = [one for one in result.readings if one.code == "present"]
    assert (said.rows, said.row, said.value) == (1, 2, word)


def test_present_among_counts_one_below_another(store, tmp_path):
    head = "Trap,Date,Gear,Lat,Long,Species,Count"
    row = "T1,2024-06-03,minnow trap,52.6,-11.2127"
    result = by_suggestion(store, tmp_path, f"{head}\n{row},Bullhead,present\n{row},Eel,3\n")
    assert fish(result) == [(EEL, 3, "exact"), (BULL, -1, "present")]


@pytest.mark.parametrize("word", ["nil", "none", "geen", "néant"])
@pytest.mark.parametrize("way", [under_our_names, by_suggestion])
def test_nil_below_a_fish_is_looked_for_and_none(store, tmp_path, way, word):
    text = (
        f"{OURS},Cottus gobio,Anguilla anguilla\nT1,S,{TRAP},{word},{word}\nT2,S,{TRAP},7,{word}\n"
    )
    result = way(store, tmp_path, text)
    assert fish(result) == [(BULL, 7, "exact")]
    assert result.records.placements["outcome"].to_dict() == {"T1": "nil", "T2": "caught"}
    said = {one.column: one.rows for one in result.readings if one.code == "none_of_it"}
    assert said == {BULL: 1, EEL: 2}


@pytest.mark.parametrize("word", ["many", "some", "?", "yes", "p"])
def test_what_is_no_number_of_fish_is_answered_with_what_the_cell_can_say(store, tmp_path, word):
    """A sheet with a column for each fish has no column count_kind to write into."""
    text = f"{OURS},Cottus gobio\nT1,S,{TRAP},{word}\nT2,S,{TRAP},7\n"
    (fault,) = under_our_names(store, tmp_path, text).refused
    assert (fault.column, fault.value) == (BULL, word)
    assert fault.remedy.endswith("where nobody counted, write present in place of it")
    mended = text.replace(f",{word}\n", ",present\n")
    assert (BULL, -1, "present") in fish(under_our_names(store, tmp_path, mended))


STAGES = "Trap,Date,Gear,Lat,Long,Species,Count,Stage"


@pytest.mark.parametrize(
    ("word", "stage"),
    [
        ("juveniel", "juvenile"), ("juv", "juvenile"), ("Juv.", "juvenile"), ("alevin", "fry"),
        ("YOY", "0+"), ("young of the year", "0+"), ("adulte", "adult"), ("Adults", "adult"),
        ("larve", "larva"), ("larvae", "larva"), ("ammocoete", "larva"), ("smolts", "smolt"),
        ("tacon", "parr"), ("jeune", "juvenile"), ("volwassen", "adult"),
    ],
)  # fmt: skip
def test_a_word_for_a_life_stage_is_read_in_several_languages(store, tmp_path, word, stage):
    row = "2024-06-03,minnow trap,52.6,-11.2127,Bullhead,3"
    text = f"{STAGES}\nT1,{row},{word}\nT2,{row},adult\nT3,{row},\n"
    result = by_suggestion(store, tmp_path, text)
    own = result.records.catches.set_index("placement_id")["life_stage"].fillna("").to_dict()
    assert own == {"T1": stage, "T2": "adult", "T3": ""}
    said = [(one.rows, one.message) for one in result.readings if one.code == "stage"]
    assert [rows for rows, _ in said] == [1]
    assert f"{word} as {stage}" in said[0][1]


@pytest.mark.parametrize("word", ["big", "2+ or 3+", "gravid female"])
def test_a_word_that_is_no_life_stage_is_refused_with_the_list(store, tmp_path, word):
    row = "2024-06-03,minnow trap,52.6,-11.2127,Bullhead,3"
    text = f"{STAGES}\nT1,{row},{word}\nT2,{row},adult\nT3,{row},>0+\n"
    result = by_suggestion(store, tmp_path, text)
    (fault,) = result.refused
    assert (fault.row, fault.column, fault.value) == (2, "life_stage", word)
    assert "egg, larva, fry, juvenile, parr, smolt, elver, adult" in fault.remedy


def test_ids_above_empty_cells_are_offered_to_be_filled_down(store, tmp_path):
    head = f"{OURS},species,count"
    text = f"{head}\nT1,S,{TRAP},Cottus gobio,20\n,S,{TRAP},Salmo trutta,3\n"
    result = under_our_names(store, tmp_path, text)
    remedies = {fault.remedy for fault in result.refused if fault.column == "placement_id"}
    assert len(remedies) == 1
    assert 'fill_down = ["…"]' in remedies.pop()
    mapping = '[shape]\nrows = "catch"\nfill_down = ["placement_id"]\n[placements]\n'
    mapping += "".join(f'{name} = "{name}"\n' for name in OURS.split(","))
    mapping += '[catches]\nspecies = "species"\ncount = "count"\n'
    assert len(fish(under_our_names(store, tmp_path, text, mapping))) == 2
    first = f"{head}\n,S,{TRAP},Cottus gobio,20\nT2,S,{TRAP},Salmo trutta,3\n"
    result = under_our_names(store, tmp_path, first)
    remedies = {fault.remedy for fault in result.refused if fault.column == "placement_id"}
    assert not any("fill_down" in remedy for remedy in remedies)


@pytest.mark.parametrize(
    ("notes", "method", "outcome", "word"),
    [
        ("trap lost in the flood", "minnow_trap", "", "lost"),
        ("moved by flood; 3 m below", "minnow_trap", "caught", "moved by flood"),
        ("Reuse gestohlen", "fyke_net", "", "gestohlen"),
        ("trap lost", "minnow_trap", "lost", ""),
        ("not lost, only hidden", "minnow_trap", "", ""),
        ("lost my hat", "electric_fishing", "", ""),
        ("in the way", "minnow_trap", "", ""),
    ],
)
def test_notes_of_lost_gear_are_a_finding_and_change_nothing(
    store, tmp_path, notes, method, outcome, word
):
    row = TRAP.replace("minnow_trap", method)
    fishes = "" if outcome == "lost" else "3"
    text = f'{OURS},outcome,notes,Cottus gobio\nT1,S,{row},{outcome},"{notes}",{fishes}\n'
    result = under_our_names(store, tmp_path, text)
    assert result.records.placements["outcome"].tolist() == [outcome or "caught"]
    said = result.flagged[result.flagged["code"] == "gear_in_notes"]
    assert said["column"].tolist() == (["notes"] if word else [])
    assert f"“{word}”" in (said["message"].iloc[0] if word else "“”")
