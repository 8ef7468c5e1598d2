"""What is handed over precisely comes back: the same records, the same summaries."""

import dataclasses

import pandas as pd
import pytest
from click.testing import CliRunner

from service.answers import summaries
from service.intake.importing import check, take
from service.intake.lists import read_list
from service.intake.sheets import read_sheets
from service.program import main
from service.records import LOCAL_KEEPER, Selection
from service.reference.files import read_features
from service.reference.loading_layers import load_catchments, load_reaches
from service.reference.method_files import shipped_methods
from service.store import create_store, open_store
from tests.handed_over import (
    assert_same_records,
    demo_copy,
    demo_path,
    hand_over,
    unzipped,
)


def sheets_of(folder_or_file):
    """Field sheets as they lie in a GeoPackage, or in a folder of CSV files."""
    names = ("placements", "catches", "lengths", "surveys", "sites")
    if folder_or_file.is_dir():
        return {name: folder_or_file / f"{name}.csv" for name in names}
    return dict.fromkeys(names, folder_or_file)


def taken_in(sheets, store):
    result = check(read_sheets(**sheets), store)
    assert result.refused == []
    return result


def empty_store(path, demo, layers):
    """A store with no records; its reference layers come from the handed-over GeoPackage."""
    fresh = dataclasses.replace(demo.settings, store_id="", schema_version=1)
    store = create_store(path, fresh)
    store.put_methods(shipped_methods(), who="test")
    load_catchments(store, read_features(layers, "catchments"), who="test")
    load_reaches(store, read_features(layers, "reaches"), who="test")
    species = demo.species()
    store.put_species(species, who="test")
    return store


@pytest.fixture(scope="module")
def from_geopackage(tmp_path_factory, demo):
    """An empty store that took in the GeoPackage, handed over in another projection."""
    path = hand_over("gpkg", "precise")
    store = empty_store(tmp_path_factory.mktemp("trip") / "new.gpkg", demo, path)
    take(taken_in(sheets_of(hand_over("gpkg", "precise", "EPSG:25829")), store), store, "test")
    yield store
    store.close()


def test_a_precise_geopackage_imports_into_an_empty_store(demo, from_geopackage):
    """Every record is the same, positions, times, tracks and original digits included."""
    assert_same_records(demo.records(Selection()), from_geopackage.records(Selection()))


@pytest.mark.parametrize(
    "name",
    ["placement_reaches", "reach_summary", "sampled_length", "effort", "occurrence", "coverage",
     "gaps", "depletion"],
)  # fmt: skip
def test_summaries_are_the_same_after_the_round_trip(demo, from_geopackage, name):
    """The figures of the new store are those of the old one."""
    one, other = (
        pd.DataFrame(getattr(summaries, name)(store, Selection(), LOCAL_KEEPER))
        for store in (demo, from_geopackage)
    )
    shapes = [column for column in ("geometry",) if column in one]
    pd.testing.assert_frame_equal(
        one.drop(columns=shapes),
        other.drop(columns=shapes),
        check_exact=False,
        atol=1e-6,
        rtol=1e-9,
    )


@pytest.mark.parametrize("form", ["gpkg", "csv", "bundle"])
def test_what_is_handed_over_is_known_to_the_store_it_came_from(tmp_path, form):
    """The content of every placement is the very same: nothing is stored twice."""
    path = hand_over(form, "precise")
    if form != "gpkg":
        path = unzipped(path, tmp_path / "open")
        path = path / "sheets" if form == "bundle" else path
    store = open_store(demo_copy(tmp_path))
    result = taken_in(sheets_of(path), store)
    assert len(result.unchanged) == len(store.records(Selection()).placements) == 260
    assert take(result, store, "test") is None
    store.close()


def test_the_command_line_makes_the_same_round_trip(tmp_path):
    """`export`, then `init`, `load` and `import`, as README tells it."""
    out = tmp_path / "precise.gpkg"
    new = tmp_path / "new.gpkg"
    runs = [
        ["export", demo_path(), "-o", out, "--audience", "precise"],
        ["init", new, "--crs", "EPSG:32629", "--timezone", "Europe/Dublin"],
        ["load", "catchments", new, out, "--layer", "catchments"],
        ["load", "reaches", new, out, "--layer", "reaches"],
        ["load", "species", new, out, "--layer", "species"],
        ["import", new, "--placements", out, "--catches", out, "--lengths", out],
    ]
    for run in runs:
        answer = CliRunner().invoke(main, [str(part) for part in run])
        assert answer.exit_code == 0, (run[0], answer.output)
    store = open_store(new, read_only=True)
    assert len(store.records(Selection()).placements) == 260
    store.close()


def test_formulas_and_apostrophes_come_back_as_they_were(tmp_path, demo):
    """A spreadsheet formula in a text cell does not run, and is stored again as it was."""
    from service.intake.stored_sheets import csv_text, field_sheets

    told = ["=1+1", "+44", "-3 fish", "@all", "'t Zand", "''", "plain", "\tindented"]
    records = demo.records(
        Selection(placements=tuple(demo.records(Selection()).placements.index[:8]))
    )
    placements = records.placements.assign(notes=told)
    sheets = field_sheets(
        dataclasses.replace(records, placements=placements), demo.surveys(), demo.sites(), {}
    )
    for name, sheet in sheets.items():
        (tmp_path / f"{name}.csv").write_bytes(csv_text(sheet))
    raw = pd.read_csv(tmp_path / "placements.csv", dtype="str", keep_default_na=False)
    assert not raw["notes"].str.startswith(("=", "+", "-", "@", "\t", "\r")).any()
    cells = read_sheets(**sheets_of(tmp_path)).cells["placements"].column("notes").tolist()
    assert cells == [note.strip() for note in told]


def test_the_species_list_of_the_geopackage_is_the_stores(demo):
    """What GDAL reads back from the table is what the store holds."""
    listed = read_list(hand_over("gpkg", "precise"), layer="species")
    assert sorted(listed["species"]) == sorted(demo.species().index)
