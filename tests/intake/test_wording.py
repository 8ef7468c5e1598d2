"""Every sentence of a finding stands in one table, and is filled in with what its code is given."""

import ast
import inspect
import re
import string
from pathlib import Path

import service.intake
from service.errors import Fault
from service.intake.placement_form import Form, check_form
from service.intake.wording import _READ, _SENTENCES, CODES, say
from tests.intake_sheets import CATCHES, PLACEMENTS, cells, checked

ROOM = Path(inspect.getfile(service.intake)).parent
TREES = [ast.parse(path.read_text(encoding="utf-8")) for path in sorted(ROOM.rglob("*.py"))]
SAID = [
    node
    for tree in TREES
    for node in ast.walk(tree)
    if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "say"
]
# Where the code comes before: name of the method, and place of the code among its arguments.
DOORS = {"refuse": 2, "refuse_file": 1, "flag": 1, "note": 1}
NEVER_SAID_HERE = {"snap_ambiguous"}  # the network says it of a sheet, the form in its own words


def fields(sentence):
    """Names in braces that are not words of the audience."""
    named = {name for _, name, _, _ in string.Formatter().parse(sentence) if name}
    return named - set(_READ["words"]["sheet"])


def test_what_is_filled_in_is_what_the_sentence_names():
    """Else a finding would fall over just when it is wanted."""
    plain = [node for node in SAID if isinstance(node.args[0], ast.Constant)]
    assert len(plain) > 100
    for node in plain:
        key = node.args[0].value
        assert key in CODES, key
        if all(word.arg for word in node.keywords):  # not by **parts
            own = _SENTENCES["sheet"].get(key, _SENTENCES["form"][key])
            assert {word.arg for word in node.keywords} == fields(own), key
    for tree in TREES:
        for node in ast.walk(tree):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute):
                place = DOORS.get(node.func.attr, 99)
                if len(node.args) > place and isinstance(node.args[place], ast.Constant):
                    key = node.args[place].value
                    assert key in CODES, key
                    given = node.keywords if node.func.attr == "flag" else []
                    assert {word.arg for word in given} == fields(_SENTENCES["sheet"][key]), key


def test_every_sentence_is_said_somewhere_and_a_form_names_no_more_than_a_sheet():
    texts = " ".join(path.read_text(encoding="utf-8") for path in ROOM.rglob("*.py"))
    for key, sentence in _SENTENCES["form"].items():
        head, _, variant = key.partition(".")
        assert f'"{key}"' in texts or f'"{head}.{{' in texts or f'"{head}{variant}"' in texts, key
        if key not in NEVER_SAID_HERE:
            assert fields(sentence) <= fields(_SENTENCES["sheet"][key]), key
    assert set(_READ["words"]["sheet"]) == set(_READ["words"]["form"])


def test_a_part_is_said_to_the_same_audience():
    whole = say("species_unknown.stage", answer=say("no_fish.species"), stage="fry")
    assert whole.text("form").startswith("no fish is no catch: take this one out")
    assert whole.text().startswith("no fish is no catch row; take the row out")


def test_a_fault_names_sheet_row_column_value_and_code(store):
    rows = cells(CATCHES).assign(count=["about 20", "0"])
    (about, none) = checked(store, cells(PLACEMENTS), rows).refused
    assert isinstance(about, Fault)
    assert (about.sheet, about.row, about.column, about.value) == (
        "catches", 2, "count", "about 20",
    )  # fmt: skip
    assert (about.code, none.code) == ("count_unclear", "no_fish")


def test_a_fault_of_a_form_names_the_row_that_is_meant(store):
    """Also where placement and fish have the same words in the same column."""
    placement = {name: str(value.iloc[0]) for name, value in cells(PLACEMENTS).items()}
    fish = [
        {"species": "Barbatula barbatula", "count": "3", "notes": "x"},
        {"species": "Barbatula barbatula", "count": "0", "notes": "x"},
    ]
    form = Form({k: v for k, v in placement.items() if v} | {"outcome": "caught"}, fish)
    (fault,) = check_form(form, store).refused
    assert (fault.sheet, fault.row - 1, fault.code) == ("catches", 2, "no_fish")
    assert "choose “Nothing caught”" in fault.remedy


def test_a_flag_of_a_form_is_stored_in_the_words_of_sheets(store):
    placement = {name: str(value.iloc[0]) for name, value in cells(PLACEMENTS).items()}
    form = Form({k: v for k, v in placement.items() if v} | {"outcome": "caught"})
    result = check_form(form, store)
    flags = result.records.flags.set_index("code")["message"]
    assert flags["caught_without_rows"].startswith("Declared caught")
    shown = result.flagged.set_index("code")["shown"]
    assert shown["caught_without_rows"] == "“Fish caught” is chosen, but none is listed."


def test_no_finding_names_an_option_of_a_command():
    """The same sentences stand on pages, where there is none."""
    text = (ROOM / "wording.toml").read_text("utf-8")
    assert re.findall(r"--[a-z]\w+", text) == []
