"""What the public is never told of sensitive species, whoever computes it and wherever it stands.

Where a sensitive species was looked for in vain, how likely it was missed, how well it is
detected and how many were caught per effort are all told by the exact placements alone, so they
would be false, and say where it was found instead.
"""

import csv
import io
import json
import sqlite3
import zipfile
from contextlib import closing

import pytest

from service import access, create_app
from service.answers import record_list, summaries
from service.answers.hand_over import HandOver
from service.columns import SUMMARY_COLUMNS
from service.export import write_hand_over
from service.records import PUBLIC, Selection, Viewer
from service.settings import Settings
from service.store import open_store
from tests.sensitive_store import SPECIES, make_store, random_plan

MEMBER = Viewer("m", "member")
OTHERS = [PUBLIC, Viewer("v", "viewer")]
SENSITIVE = set(SPECIES.index[SPECIES["sensitivity"] != "none"])
# Summaries by species, and what of a sensitive one may be told.
OF_SPECIES = {
    "chance_present": lambda frame: frame.iloc[:0],
    "depletion": lambda frame: frame.iloc[:0],
    "detection": lambda frame: frame.iloc[:0],
    "effort": lambda frame: frame.iloc[:0],
    "occurrence": lambda frame: frame[frame["state"] == "found"],
}


@pytest.fixture(scope="module")
def store(tmp_path_factory):
    plan = random_plan(25, 90, shares=[0.62, 0.16, 0.12, 0.06, 0.04])
    plan.placements["site"] = [f"Site {k % 12:03d}" for k in range(90)]
    plan.placements.loc[plan.placements["method"] == "electric_fishing", "passes"] = 3.0
    store = make_store(tmp_path_factory.mktemp("told") / "s.gpkg", plan)
    store.put_species(
        SPECIES.iloc[:1].set_axis(["Phoxinus phoxinus"]).rename_axis("species"), who="t"
    )
    yield store
    store.close()


def of_sensitive(frame):
    return frame[frame["species"].isin(SENSITIVE)]


@pytest.mark.parametrize("name", SUMMARY_COLUMNS)
def test_no_other_summary_names_a_sensitive_species(store, name):
    """Nor in a list of species, but where a placement shown exactly caught it out of season."""
    seen = access.open_records(store, Selection(), PUBLIC)
    exact = seen.placements.index[seen.placements["generalised_km"].isna()]
    there = set(seen.catches.loc[seen.catches["placement_id"].isin(exact), "species"])
    frame = getattr(summaries, name)(store, Selection(), PUBLIC)
    assert len(frame)
    if name not in OF_SPECIES:
        text = frame.to_csv()
        assert not [species for species in SENSITIVE - there if species in text]


@pytest.mark.parametrize("name", OF_SPECIES)
@pytest.mark.parametrize("viewer", OTHERS, ids=["public", "viewer"])
def test_summaries_keep_sensitive_species_to_themselves(store, name, viewer):
    """Who sees exact places is told all of every species; others what is listed above."""
    for selection in [Selection(), *(Selection(species=(one,)) for one in sorted(SENSITIVE))]:
        summary = getattr(summaries, name)
        whole, told = summary(store, selection, MEMBER), summary(store, selection, viewer)
        may = OF_SPECIES[name](of_sensitive(told))
        assert of_sensitive(told).equals(may), selection
        if not selection.species:
            assert len(of_sensitive(whole)) > len(of_sensitive(told))
            assert len(told) > len(may)  # of other species it is told


def rows_of(archive, ending, delimiter):
    name = next(name for name in archive.namelist() if name.endswith(ending))
    text = io.TextIOWrapper(archive.open(name), "utf-8", newline="")
    return list(csv.DictReader(text, delimiter=delimiter))


@pytest.mark.parametrize("audience", ["public", "precise"])
def test_archives_hold_no_absence_of_a_sensitive_species(store, tmp_path, audience):
    """Of a sensitive species the public's archive holds presences alone."""
    path = tmp_path / "a.zip"
    write_hand_over(store, path, HandOver(Selection(), "dwca", audience))
    with zipfile.ZipFile(path) as archive:
        rows = rows_of(archive, "occurrence.txt", "\t")
    absent = {row["scientificName"] for row in rows if row["occurrenceStatus"] == "absent"}
    assert absent
    assert bool(absent & SENSITIVE) == (audience == "precise")


@pytest.mark.parametrize("viewer", [MEMBER, *OTHERS], ids=["member", "public", "viewer"])
def test_pages_keep_chances_and_rates_to_themselves(store, viewer, monkeypatch):
    """Chances of presence, the table of catchments and species' pages say what summaries may."""
    # Few visits as they are, every species gets an estimate.
    monkeypatch.setattr("layers.estimates.fitted_seasons.refuse_thin", lambda visits: None)
    monkeypatch.setattr("layers.estimates.catchment_chances.doubts", lambda seen, fit: [])
    with closing(open_store(store.path, read_only=True)) as fresh:  # shares no cached answers
        client = create_app(fresh, Settings(), viewer=viewer).test_client()
        chances = json.loads(client.get("/catchments/chances.json").data)
    client = create_app(store, Settings(), viewer=viewer).test_client()
    named = {name for row in chances["cells"].values() for name in row}
    assert named - SENSITIVE
    assert bool(named & SENSITIVE) == viewer.sees_exact_places
    for catchment in store.catchments().index:
        page = client.get(f"/catchments/{catchment}").get_data(as_text=True)
        rates = page.split('id="rates"')[1].split('id="gaps"')[0]
        if not viewer.sees_exact_places:
            assert not [name for name in SENSITIVE if name in rates]


@pytest.mark.parametrize("viewer", [MEMBER, *OTHERS], ids=["member", "public", "viewer"])
@pytest.mark.parametrize("name", [*SPECIES.index, "Phoxinus phoxinus"])
def test_the_page_of_a_sensitive_species_counts_finds_alone(store, viewer, name):
    """Nobody but who sees exact places reads how many looked for it in vain, or which step it has;
    of a withheld species that would be false besides."""
    account = record_list.species_account(store, Selection(), viewer, name)
    page = create_app(store, Settings(), viewer=viewer).test_client().get(f"/species/{name}").text
    whole = viewer.sees_exact_places or name not in SENSITIVE
    assert account.fully_shown == whole
    assert (account.looked > account.found) == (whole and name != "Cottus gobio")
    assert account.by_year["placements"].sum() == account.looked
    assert ("that looked" in page or "none found it" in page) == whole
    assert ("km grid cell" in page) == (viewer.sees_exact_places and name in SENSITIVE)


@pytest.mark.parametrize("form", ["bundle", "gpkg"])
@pytest.mark.parametrize("audience", ["public", "precise"])
def test_files_do_not_say_which_species_closes_cells(store, tmp_path, form, audience):
    """The list of species in a public file lacks what says how sensitive each is."""
    path = tmp_path / "out"
    write_hand_over(store, path, HandOver(Selection(), form, audience))
    if form == "bundle":
        with zipfile.ZipFile(path) as archive:
            columns = set(rows_of(archive, "tables/species.csv", ",")[0])
    else:
        with closing(sqlite3.connect(path)) as file:
            columns = {row[1] for row in file.execute("PRAGMA table_info(species)")}
    assert "vernacular_name" in columns
    own = {"sensitivity", "sensitive_from", "sensitive_until"}
    assert columns & own == (own if audience == "precise" else set())
