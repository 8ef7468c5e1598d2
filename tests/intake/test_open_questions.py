"""Questions of a suggested mapping: those that change figures stop an import, others are findings.

The sheets are those of ordinary field work, written down from memory: common practice, no source.
"""

import tomllib

import pytest

from service import reference
from service.intake.column_guesses import NOT_NEEDED
from service.intake.findings import Cells, Findings
from service.intake.importing import check
from service.intake.mapping import Mapping
from service.intake.sheets import read_sheets
from service.intake.suggesting import suggest
from service.intake.tables import read_tables
from tests.intake_sheets import CRS, NOW, X, Y, cells, settled

HEAD = "Trap,Date,Gear,Lat,Long"
ROW = "{},2024-06-03,kick net,52.6,-11.2127"


def suggested(store, folder, text, **options):
    (folder / "s.csv").write_text(text, "utf-8")
    tables = read_tables(folder / "s.csv", Findings())
    about = store.species(), list(store.methods().index), CRS
    return suggest(tables, *about, reaches=reference.network(store).reaches, **options)


def imported(store, folder, mapping):
    (folder / "m.toml").write_text(mapping, "utf-8")
    sheets = read_sheets(files=[folder / "s.csv"], mapping=folder / "m.toml")
    return check(sheets, store, now=NOW)


@pytest.mark.parametrize(
    ("header", "one", "two", "asked"),
    [
        ("Effort", "20", "30", "The unit of Effort is not stated"),
        ("Duration", "0:45", "1:20", "may be hours and minutes or minutes and seconds"),
        ("Width (m)", "narrow", "wide", "but narrow is not read as one"),
        ("Start time", "dusk", "later", "but dusk is not read as one"),
        ("Grid ref", "NX 123 456", "NX 124 457", "but NX 123 456 is not read as one"),
        ("Area", "12", "30", "The unit of Area is not stated"),
    ],
)
def test_a_question_that_changes_figures_stops_the_import_with_the_line_to_settle(
    store, tmp_path, header, one, two, asked
):
    text = f"{HEAD},{header},Bullhead\n{ROW.format('A')},{one},3\n{ROW.format('B')},{two},1\n"
    made = suggested(store, tmp_path, text)
    result = imported(store, tmp_path, made.text)
    (fault,) = result.refused
    assert (fault.file, fault.code) == ("m.toml", "mapping_unclear")
    assert f"[open] {header}: " in fault.remedy
    assert asked in fault.remedy
    assert "delete this line" in fault.remedy
    assert len(imported(store, tmp_path, settled(made.text)).records.placements) == 2


def test_a_column_that_somebody_leaves_out_is_asked_about_no_more(store, tmp_path):
    text = f"{HEAD},Width (m),Zzyx,Species\n{ROW.format('A')},narrow,4,Bullhead\n"
    made = suggested(store, tmp_path, text)
    assert imported(store, tmp_path, made.text).records is None
    chosen = {("s.csv", name): NOT_NEEDED for name in ("Width (m)", "Zzyx")}
    again = suggested(store, tmp_path, text, chosen=made.meant | chosen)
    assert {again.meant[key] for key in chosen} == {NOT_NEEDED}
    assert not any("Width" in one or "Zzyx" in one for one in again.open_questions)
    assert "[open]" not in again.text
    assert '"?"' not in again.text


def test_a_question_that_changes_no_figure_is_a_finding(store, tmp_path):
    text = f"{HEAD},Bullhead,Chub\n{ROW.format('A')},3,7\n{ROW.format('B')},1,2\n"
    result = imported(store, tmp_path, suggested(store, tmp_path, text).text)
    assert len(result.records.placements) == 2
    said = result.flagged.loc[result.flagged["code"] == "mapping_question", "message"].tolist()
    assert len(said) == 1
    assert "Whether fish are counted in Chub is not clear" in said[0]


@pytest.mark.parametrize(
    ("east", "north", "columns"),
    [("X", "Y", "X Y"), ("Y", "X", "X Y"), ("Easting", "Northing", "Easting Northing")],
)
def test_positions_that_lie_near_the_network_only_when_exchanged_are_exchanged(
    store, tmp_path, east, north, columns
):
    """In some countries x is the northing; the numbers and the network show it."""
    for first, second, exchanged in ((east, north, east == "Y"), (north, east, east != "Y")):
        text = f"Trap,Date,Gear,{first},{second},Bullhead\n"
        text += "".join(f"{k},2024-06-03,kick net,{X + k},{Y + 900 - k},3\n" for k in (1, 2))
        made = suggested(store, tmp_path, text)
        own = tomllib.loads(made.text)["placements"]
        assert (own["easting"], own["northing"]) == (first, second)
        assert any("look exchanged" in one for one in made.open_questions) == exchanged, columns
        result = imported(store, tmp_path, made.text.replace("# crs =", "crs ="))
        assert result.records.snaps["reach_id"].tolist() == ["R3", "R3"]


def test_positions_far_from_the_network_stay_as_their_headers_say(store, tmp_path):
    text = "Trap,Date,Gear,X,Y,Bullhead\n1,2024-06-03,kick net,400000,6100000,3\n"
    made = suggested(store, tmp_path, text)
    assert tomllib.loads(made.text)["placements"]["easting"] == "X"
    assert not any("exchanged" in one for one in made.open_questions)


@pytest.mark.parametrize("cell", ["EPSG:32629", "32629"])
def test_a_column_of_grids_says_the_grid(store, tmp_path, cell):
    text = f"Trap,Date,Gear,Grid,X,Y,Bullhead\n1,2024-06-03,kick net,{cell},{X},{Y + 900},3\n"
    made = suggested(store, tmp_path, text)
    assert tomllib.loads(made.text)["placements"]["crs"] == "Grid"
    assert "[open]" not in made.text
    assert not any("grid" in one for one in made.open_questions)


def test_an_order_of_dates_that_somebody_said_is_asked_for_no_more(store, tmp_path):
    text = f"{HEAD},Bullhead\n{ROW.format('A')},3\n".replace("2024-06-03", "03/06/2024")
    made = suggested(store, tmp_path, text)
    assert any("No date settles" in one for one in made.open_questions)
    said = suggested(store, tmp_path, text, order="dmy")
    assert not any("No date settles" in one for one in said.open_questions)
    assert tomllib.loads(said.text)["shape"]["date_order"] == "dmy"
    assert imported(store, tmp_path, said.text).records.placements["set_at"].dt.month.tolist() == [
        6
    ]


def test_remarks_in_first_rows_are_of_the_placement(store, tmp_path):
    """Where what repeats is written once, the remark beside it is no remark on the first fish."""
    text = (
        "Trap,Date,Gear,Lat,Long,Species,Count,Remarks\n"
        "A,2024-06-03,kick net,52.6,-11.2127,Bullhead,3,muddy\n,,,,,Eel,1,\n"
        "B,2024-06-04,kick net,52.6,-11.2127,Eel,2,\n"
    )
    result = imported(store, tmp_path, suggested(store, tmp_path, text).text)
    assert result.records.placements["notes"].fillna("").tolist() == ["muddy", ""]
    other = text.replace(",muddy", ",").replace("Eel,1,", "Eel,1,spent")
    result = imported(store, tmp_path, suggested(store, tmp_path, other).text)
    assert result.records.placements["notes"].isna().all()
    assert result.records.catches["notes"].fillna("").tolist() == ["", "spent", ""]


def test_a_cell_below_a_fish_is_read_as_the_mapping_says(store, tmp_path):
    text = f"{HEAD},Bullhead\n{ROW.format('A')},1 (dead)\n{ROW.format('B')},4\n"
    made = suggested(store, tmp_path, text)
    (fault,) = imported(store, tmp_path, made.text).refused
    assert fault.value == "1 (dead)"
    rule = '"Bullhead" = { species = "Cottus gobio"'
    assert rule in made.text
    said = made.text.replace(rule, rule + ', values = { "1 (dead)" = "1" }')
    assert imported(store, tmp_path, said).records.catches["count"].tolist() == [1, 4]


def test_walks_by_their_tracks_are_placements_with_waypoints(store, tmp_path):
    text = "Walk,Date,Gear,Track,Bullhead\nN1,2024-06-03,torch,Walk 1,3\nN2,2024-06-04,torch,2,1\n"
    own = tomllib.loads(suggested(store, tmp_path, text).text)["placements"]
    assert (own["placement_id"], own["waypoint"]) == ("Walk", "Track")
    text = f"{HEAD},Track,Bullhead\n{ROW.format('A')},1,3\n"
    assert "waypoint" not in tomllib.loads(suggested(store, tmp_path, text).text)["placements"]


def test_the_column_of_passes_of_a_fold_is_a_column_of_numbers():
    """A point before three digits in it is settled as in other columns."""
    mapping = Mapping.of_text(
        '[placements]\nplacement_id = "id"\n[fold]\nby = ["day"]\npass_no = "run"\n',
        "m.toml",
        Findings(),
    )
    raw = {"placements": Cells("placements", "p.csv", cells("id,day,run\nA,1,1.000\n"), Findings())}
    assert mapping.number_columns(raw) == {"placements": {"run": None}}
