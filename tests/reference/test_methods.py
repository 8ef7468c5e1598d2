"""Methods are data: the shipped file is whole, and a faulty one is refused with all its faults."""

import pytest
from click.testing import CliRunner

from layers.fieldwork.effort import EFFORT_UNITS
from service.errors import FieldFileError
from service.program import main
from service.reference.method_files import METHOD_COLUMNS, read_methods, shipped_methods
from service.store import open_store
from tests.store_records import small_store

GILL_NET = """
[gill_net]
label = "Gill net"
gear_kind = "net"
passive = true
effort_units = ["net_night"]
geometry = ["point", "ends"]
hours = "overnight"
stretch_rule = "none"
area_rule = "none"
cpue_passes = "all"
max_soak_h = 12
operator_certificate = false
machine_check = false
habitats = ["still"]
cautions = []
"""


def test_shipped_methods_are_the_seven_and_other():
    methods = shipped_methods()
    assert methods.index.tolist() == [
        "kick_net", "hand_net", "spotlight", "minnow_trap", "fyke_net", "seine",
        "electric_fishing", "other",
    ]  # fmt: skip
    assert tuple(methods.columns) == METHOD_COLUMNS
    assert {unit for units in methods["effort_units"] for unit in units} == set(EFFORT_UNITS)
    assert methods["cautions"].map(len).min() > 0
    # What can hurt people names the code, the permit and the licensed operator.
    current = " ".join(methods.loc["electric_fishing", "cautions"]).lower()
    assert all(word in current for word in ("licensed", "permit", "code", "alone"))
    assert methods["max_soak_h"].notna().equals(methods["passive"])


def test_methods_come_back_from_a_store_as_they_are(tmp_path):
    store = small_store(tmp_path / "s.gpkg", network=False)
    back, shipped = store.methods(), shipped_methods().sort_index()
    assert back.map(str).equals(shipped.map(str))
    store.close()


def test_a_store_adds_and_changes_methods_by_file(tmp_path):
    store = small_store(tmp_path / "s.gpkg", network=False)
    store.close()
    file = tmp_path / "more.toml"
    file.write_text("\ufeff" + GILL_NET, encoding="utf-8")
    done = CliRunner().invoke(main, ["load", "methods", str(store.path), str(file)])
    assert "1 added, 0 changed, 0 the same" in done.output, done.output
    file.write_text(GILL_NET.replace("= 12", "= 6"), encoding="utf-8")
    done = CliRunner().invoke(main, ["load", "methods", str(store.path), str(file)])
    assert "0 added, 1 changed, 0 the same" in done.output
    store = open_store(store.path)
    assert store.methods().loc["gill_net", "max_soak_h"] == 6
    assert store.methods().loc["gill_net", "cautions"] == []
    assert len(store.methods()) == 9
    entry = store.history("method", "gill_net")[0]
    assert (entry.before["max_soak_h"], entry.after["max_soak_h"]) == (12, 6)
    store.close()


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('"net"', '"harpoon"', "gill_net.gear_kind, value 'harpoon': give one of net, trap"),
        ("passive = true", 'passive = "yes"', "gill_net.passive, value 'yes': give true or false"),
        ('["net_night"]', '["net_week"]', "gill_net.effort_units, value 'net_week'"),
        ('["net_night"]', "[]", "effort_units"),
        ('["net_night"]', '["net_night", "net_night"]', "name each once"),
        ('label = "Gill net"', "", "gill_net.label: is missing"),
        ("= 12", "= -1", "max_soak_h, value '-1': give a number of hours above 0"),
        ("= 12", "= nan", "max_soak_h"),
        ("cautions = []", 'cautions = "x"', "a list of sentences"),
        ("cautions = []", "cautions = []\ncolour = 3", "gill_net.colour, value '3': no such entry"),
        ("[gill_net]", '["Gill net"]', "small letters"),
        ("[gill_net]", "[gill_net", "not TOML"),
        (GILL_NET, "", "holds no method"),
        ("[gill_net]", "x = 1\n[gill_net]", "put it into a table"),
    ],
)
def test_a_faulty_file_is_refused_with_place_and_remedy(tmp_path, old, new, said):
    file = tmp_path / "bad.toml"
    file.write_text(GILL_NET.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(FieldFileError) as problem:
        read_methods(file)
    assert any(said in str(fault) for fault in problem.value.faults)


def test_all_faults_are_told_at_once(tmp_path):
    file = tmp_path / "bad.toml"
    file.write_text(GILL_NET.replace('"net"', '"x"').replace("= 12", "= 0"), encoding="utf-8")
    with pytest.raises(FieldFileError) as problem:
        read_methods(file)
    assert len(problem.value.faults) == 2


def test_latin_1_is_refused_in_words(tmp_path):
    file = tmp_path / "bad.toml"
    file.write_bytes(GILL_NET.replace("Gill net", "Stellnetz ü").encode("latin-1"))
    with pytest.raises(FieldFileError) as problem:
        read_methods(file)
    assert "UTF-8" in str(problem.value.faults[0])


def test_the_example_is_a_file_that_can_be_loaded(tmp_path):
    """What `load methods --example` prints is taken back as it is."""
    printed = CliRunner().invoke(main, ["load", "methods", "--example"])
    assert printed.exit_code == 0
    file = tmp_path / "example.toml"
    file.write_text(printed.output, encoding="utf-8")
    assert read_methods(file).equals(shipped_methods())
