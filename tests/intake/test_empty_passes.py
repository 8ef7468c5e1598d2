"""A pass that was fished and caught nothing is a pass, however the sheet says it.

What each sheet says is written down by hand; a blank pass is not known to have been fished.
"""

import pytest

from service.intake.importing import check
from service.intake.sheets import read_sheets
from tests.intake_sheets import NOW

HEAD = "placement_id,survey,method,set_at,longitude,latitude"
AT = "s,electric_fishing,2024-06-01T10:00,-11.2127,52.6"


def read(store, folder, text, mapping=""):
    (folder / "w.csv").write_text(text, "utf-8")
    if mapping:
        (folder / "m.toml").write_text(mapping, "utf-8")
    files = {"files": [folder / "w.csv"], "mapping": folder / "m.toml" if mapping else None}
    return check(read_sheets(**files, species=store.species()), store, now=NOW)


@pytest.mark.parametrize(
    ("cells", "passes", "outcome"),
    [
        ("5,0,3,0", 2, "caught"),
        ("0,0,0,0", 2, "nil"),
        ("0,2,0,0", None, "caught"),  # the fish say it
        ("5,,3,", None, "caught"),
        ("5,-,3,0", 2, "caught"),
        ("5,ingen,3,", 2, "caught"),
    ],
)
def test_a_last_pass_of_nothing_but_zeros_is_a_pass(
    store_of_lists, tmp_path, cells, passes, outcome
):
    of_species = ",".join(f"{fish} pass {n}" for fish in ("Cottus gobio", "Salmo trutta")
                          for n in (1, 2))  # fmt: skip
    result = read(store_of_lists, tmp_path, f"{HEAD},{of_species}\nA,{AT},{cells}\n")
    assert result.refused == []
    own = result.records.placements.loc["A"]
    assert own["outcome"] == outcome
    assert (None if own["passes"] != own["passes"] else own["passes"]) == passes
    assert all(result.records.catches["count"] > 0)


FISH = """\
[shape]
rows = "fish"
[placements]
placement_id = "placement_id"
survey = "survey"
method = "method"
set_at = "set_at"
longitude = "longitude"
latitude = "latitude"
[catches]
species = "species"
pass_no = "pass"
notes = "remarks"
[lengths]
length_mm = "length"
"""


@pytest.mark.parametrize(
    ("second", "passes"), [("rien,,", 2), (",,rien", 2), ("aucun poisson,,", 2)]
)
@pytest.mark.parametrize("rows", ["fish", "catch"])
def test_words_for_none_in_a_row_of_a_pass_count_it(store_of_lists, tmp_path, second, passes, rows):
    text = (
        f"{HEAD},pass,species,length,remarks\nA,{AT},1,Phoxinus phoxinus,62,\nA,{AT},2,{second}\n"
    )
    mapping = FISH
    if rows == "catch":
        text = text.replace(",62,", ",3,")
        mapping = FISH.partition("[lengths]")[0].replace('"fish"', '"catch"')
        mapping += 'count = "length"\n'
    result = read(store_of_lists, tmp_path, text, mapping)
    assert result.refused == []
    own = result.records.placements.loc["A"]
    assert (own["passes"], own["outcome"]) == (passes, "caught")
    assert result.records.catches["pass_no"].tolist() == [1]
    assert any("passes in which nothing was found" in one.message for one in result.readings)


def test_words_for_none_beside_fish_of_the_same_pass_are_refused(store_of_lists, tmp_path):
    text = f"{HEAD},pass,species,length,remarks\nA,{AT},1,Phoxinus phoxinus,62,\nA,{AT},1,rien,,\n"
    faults = read(store_of_lists, tmp_path, text, FISH).refused
    assert (3, "species") in [(one.row, one.column) for one in faults]


@pytest.mark.parametrize("word", ["none", "ingen", "geen", "Keins", "aucun"])
def test_words_for_none_are_no_bait(store_of_lists, tmp_path, word):
    text = f"{HEAD},bait,Cottus gobio\nA,{AT},{word},3\nB,{AT},bread,3\n"
    result = read(store_of_lists, tmp_path, text)
    assert result.refused == []
    assert result.records.placements["bait"].fillna("").tolist() == ["", "bread"]


@pytest.mark.parametrize("remark", ["lot de 10", "batch of 10", "parti 10", "Los 10", "10 fish"])
def test_a_remark_of_several_fish_in_the_row_of_one_is_refused(store_of_lists, tmp_path, remark):
    text = f"{HEAD},pass,species,length,remarks\nA,{AT},1,Phoxinus phoxinus,62,{remark}\n"
    (fault,) = read(store_of_lists, tmp_path, text, FISH).refused
    assert (fault.row, fault.value) == (2, remark)
    one = text.replace(remark, "1 fish")
    assert read(store_of_lists, tmp_path, one, FISH).refused == []


@pytest.mark.parametrize(("whole", "rows"), [("9", [2]), ("10", [2]), ("", []), ("1", [])])
def test_a_sum_beside_its_passes_is_not_counted_with_them(store_of_lists, tmp_path, whole, rows):
    of_passes = "Cottus gobio pass 1,Cottus gobio pass 2,Cottus gobio"
    result = read(store_of_lists, tmp_path, f"{HEAD},{of_passes}\nA,{AT},7,2,{whole}\n")
    assert [one.row for one in result.refused] == rows
    assert all("sum of" in one.remedy for one in result.refused)
