"""Species lists as people have them, and mappings kept for the next season."""

import pandas as pd
import pytest
from click.testing import CliRunner

from service.commands.import_ import import_
from service.commands.load import load
from service.intake.lists import read_list
from service.store import open_store
from tests.intake_sheets import CATCHES, PLACEMENTS, files, make_store

# Names of the fish are from memory; languages after ISO 639-1.
LIST = """Scientific name;taxonRank;Genus;Family;Group;Common name;Name (DE);vernacular_name_nl
Perca fluviatilis;Species;Perca;Percidae;fish;Perch;Flussbarsch;baars
Lampetra fluviatilis;sp.;Lampetra;Petromyzontidae;lamprey;River lamprey;Flussneunauge;rivierprik
Astacus astacus;species;Astacus;Astacidae;crustacean;Noble crayfish;Edelkrebs;rivierkreeft
"""


def run(command, *arguments):
    return CliRunner().invoke(command, [str(one) for one in arguments])


@pytest.fixture
def path(tmp_path):
    make_store(tmp_path / "store.gpkg").close()
    return tmp_path / "store.gpkg"


def species(path):
    store = open_store(path, read_only=True)
    try:
        return store.species()
    finally:
        store.close()


def test_a_list_of_one_language_leaves_other_names_and_ranks_as_they_are(path, tmp_path):
    """German names alone became the name of the fish, and the Dutch ones were lost."""
    text = "species,rank,vernacular_name,name_nl,name_da\nPerca,family,Perch,baars,aborre\n"
    (tmp_path / "one.csv").write_text(text, "utf-8")
    assert run(load, "species", path, tmp_path / "one.csv").exit_code == 0
    (tmp_path / "two.csv").write_text("species,name_de,name_nl\nPerca,Barsch,zeebaars\nEsox,Hecht,")
    checked = run(load, "species", path, tmp_path / "two.csv", "--check")
    assert checked.exit_code == 0, checked.output
    told = [line for line in checked.output.splitlines() if "Would " in line]
    names = "Perca: nl: baars; da: aborre → da: aborre; de: Barsch; nl: zeebaars"
    assert [line.partition("Would ")[2] for line in told] == [
        "add 1 species.",
        f"change vernacular_names of 1 species, such as {names}.",
    ]
    assert run(load, "species", path, tmp_path / "two.csv").exit_code == 0
    listed = species(path)[["vernacular_name", "rank", "vernacular_names"]]
    assert listed.loc["Perca"].tolist() == [
        "Perch", "family", "da: aborre; de: Barsch; nl: zeebaars"
    ]  # fmt: skip
    assert listed.loc["Esox"].tolist() == ["Hecht", "genus", "de: Hecht"]


def test_a_list_of_somebody_else_comes_in_unedited(path, tmp_path):
    """Headers, ranks in words, names in three languages, groups; and parents as entries."""
    (tmp_path / "list.csv").write_text(
        LIST.replace("Genus", "genus").replace("Family", "family").replace("Group", "group"),
        "utf-8",
    )
    done = run(load, "species", path, tmp_path / "list.csv", "--with-parents")
    assert done.exit_code == 0, done.output
    assert "Names by language: de, nl." in done.output
    listed = species(path)
    perch = listed.loc["Perca fluviatilis"]
    assert perch[["vernacular_name", "rank", "family", "group"]].tolist() == [
        "Perch", "species", "Percidae", "fish"
    ]  # fmt: skip
    assert perch["vernacular_names"] == "de: Flussbarsch; nl: baars"
    assert listed.loc["Lampetra fluviatilis", "rank"] == "species"
    above = listed[listed["rank"].isin(["genus", "family"])]
    assert above.loc[["Perca", "Lampetra", "Astacidae"], "rank"].tolist() == [
        "genus", "genus", "family"
    ]  # fmt: skip
    again = run(load, "species", path, tmp_path / "list.csv", "--with-parents")
    assert "0 added, 0 changed" in again.output


def test_a_genus_that_is_another_is_refused(path, tmp_path):
    """One of both is misspelt, or the row slipped."""
    (tmp_path / "list.csv").write_text("species,genus\nPerca fluviatilis,Cottus\n", "utf-8")
    done = run(load, "species", path, tmp_path / "list.csv")
    assert done.exit_code == 1
    assert [fault.column for fault in done.exception.faults] == ["genus"]


def test_a_name_in_another_language_is_its_species(path, tmp_path):
    """Where one entry alone has it; where two have it, nobody knows which."""
    (tmp_path / "list.csv").write_text(
        "species,vernacular_name_de\nCottus gobio,Groppe\nBarbatula barbatula,Schmerle\n"
        "Lampetra planeri,Neunauge\nLampetra,Neunauge\n",
        "utf-8",
    )
    assert run(load, "species", path, tmp_path / "list.csv").exit_code == 0
    names = species(path)[["vernacular_name", "vernacular_names"]]
    assert names.loc["Cottus gobio"].tolist() == ["Bullhead", "de: Groppe"]
    for name, code in (("Groppe", 0), ("Neunauge", 1)):
        one, two = files(tmp_path, PLACEMENTS, CATCHES.replace("Cottus gobio", name))
        done = run(import_, path, "--placements", one, "--catches", two, "--check-only")
        assert done.exit_code == code, done.output
        assert ("read as  vernacular" in done.output) is (code == 0)


def test_a_list_is_made_of_the_names_of_a_sheet(path, tmp_path):
    """Those that the store lacks, to be looked through and loaded."""
    text = CATCHES.replace("Cottus gobio", "Perca fluviatilis")
    one, two = files(tmp_path, PLACEMENTS, text)
    out = tmp_path / "names.csv"
    done = run(load, "species", path, "--missing-from", one, "--missing-from", two, "-o", out)
    assert done.exit_code == 0, done.output
    assert pd.read_csv(out)["species"].tolist() == ["Perca fluviatilis"]
    assert run(load, "species", path, out).exit_code == 0
    assert species(path).loc["Perca fluviatilis", "rank"] == "species"


SEASON = """Sample,Water,Date,How,Lat,Long,Bullhead,Stone loach
A,Long Brook,2024-05-02,kick_net,52.6035,-11.2128,3,1
B,Long Brook,2024-05-03,kick_net,52.6000,-11.2127,0,2
"""


def test_a_mapping_is_kept_for_the_next_season(path, tmp_path):
    """Suggested, kept by a name, followed by it; a wrong name says which there are."""
    sheet, target = tmp_path / "season.csv", tmp_path / "season.toml"
    sheet.write_text(SEASON, "utf-8")
    assert run(import_, path, sheet, "--suggest", target).exit_code == 0
    by_file = run(import_, path, sheet, "--mapping", target, "--survey", "S24", "--check-only")
    assert by_file.exit_code == 0, by_file.output
    kept = run(load, "mapping", path, target, "--name", "loach survey")
    assert kept.output == "Kept as loach survey.\n"
    by_name = run(
        import_, path, sheet, "--mapping", "loach survey", "--survey", "S24", "--check-only"
    )
    assert by_name.output.splitlines()[-1] == by_file.output.splitlines()[-1]
    wrong = run(import_, path, sheet, "--mapping", "loach", "--check-only")
    assert wrong.exit_code == 1
    assert "there are loach survey" in str(wrong.exception)
    (tmp_path / "bad.toml").write_text("nonsense = 1\n", "utf-8")
    assert run(load, "mapping", path, tmp_path / "bad.toml").exit_code == 1
    store = open_store(path, read_only=True)
    assert list(store.mappings()) == ["loach survey"]
    assert store.history("mapping")[0].key == "loach survey"
    assert store.faults() == []
    store.close()


def test_a_mapping_that_is_no_utf8_is_refused_in_words(path, tmp_path):
    (tmp_path / "m.toml").write_bytes(b'[placements]\nsite = "Ch\xe2teau"\n')
    done = run(load, "mapping", path, tmp_path / "m.toml")
    assert done.exit_code == 1
    assert "m.toml, row 2: not UTF-8" in done.output


def test_options_of_missing_names_are_not_passed_over(path, tmp_path):
    """With FILE they would do nothing."""
    (tmp_path / "list.csv").write_text(LIST, "utf-8")
    for option in (("--mapping", "spring"), ("-o", tmp_path / "out.csv")):
        done = run(load, "species", path, tmp_path / "list.csv", *option)
        assert done.exit_code == 2
        assert "go with --missing-from" in done.output


LISTED = """Wissenschaftlicher Name;Deutscher Name;English name;Rang;Familie
Cottus gobio Linnaeus, 1758;Groppe;bullhead;Art;Cottidae
Squalius cephalus (L.);Döbel;chub;Art;Leuciscidae
Cottus sp.;;;;Cottidae
Rutilus rutilus Lake form;Seeform;;;
"""


@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-16", "cp1252"])
def test_a_list_with_authorities_and_words_of_another_language_comes_in(path, tmp_path, encoding):
    """Year and brackets belong to who named it (zoological code, article 51), not to the name."""
    file = tmp_path / "theirs.csv"
    file.write_bytes(f"Fische der Insel;;;;\n{LISTED}".encode(encoding))
    done = run(load, "species", path, file)
    assert done.exit_code == 0, done.output
    store = open_store(path)
    listed = store.species()
    store.close()
    assert {"Cottus gobio", "Squalius cephalus", "Cottus sp.", "Rutilus rutilus Lake form"} <= set(
        listed.index
    )
    assert listed.loc["Rutilus rutilus Lake form", "rank"] == "species"
    assert listed.loc["Squalius cephalus", "vernacular_names"] == "de: Döbel; en: chub"
    assert listed.loc["Cottus sp.", "rank"] == "genus"
    assert listed.loc["Cottus gobio", ["rank", "family"]].tolist() == ["species", "Cottidae"]
    for said in ("Linnaeus, 1758", "Deutscher Name"):
        assert said in done.output
    assert ("code page 1252" in done.output) == (encoding == "cp1252")


def test_other_bytes_than_western_letters_are_refused(path, tmp_path):
    file = tmp_path / "theirs.csv"
    file.write_bytes("species;vernacular_name\nCottus gobio;Żaba\n".encode("cp1250"))
    done = run(load, "species", path, file)
    assert done.exit_code != 0
    assert [(f.row, f.remedy) for f in done.exception.faults] == [
        (2, "this is not text in UTF-8; save it as CSV UTF-8")
    ]


@pytest.mark.parametrize("name", ["Salmoninae", "Salmoniformes", "Cottoidea"])
def test_a_name_between_the_ranks_is_no_genus(path, tmp_path, name):
    """Endings of the zoological code, article 29.2, and of orders of fish by common practice."""
    (tmp_path / "list.csv").write_text(f"species,family\n{name},\n", "utf-8")
    done = run(load, "species", path, tmp_path / "list.csv")
    assert done.exit_code == 1
    assert [(fault.row, fault.column) for fault in done.exception.faults] == [(2, "rank")]


@pytest.mark.parametrize(
    "first", ["Tinca tinca;Schleie", "Barbatula barbatula Linnaeus, 1758;Schmerle"]
)
def test_commas_before_the_years_of_authors_separate_no_cells(tmp_path, first):
    """Names with authors and years: International Code of Zoological Nomenclature, article 51."""
    path = tmp_path / "s.csv"
    path.write_text(f"species;de\n{first}\nPhoxinus phoxinus (Linnaeus, 1758);Elritze\n")
    read = read_list(path)
    assert list(read.columns) == ["species", "de"]
    assert read.iloc[0].tolist() == first.split(";")
