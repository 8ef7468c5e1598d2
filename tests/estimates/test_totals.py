"""The name of total rows: refused for anything else, and never answered in two meanings."""

from dataclasses import replace

import geopandas as gpd
import pytest
from click.testing import CliRunner
from shapely import box

from layers.errors import FrameError
from layers.network.catchments import part_reaches
from service import create_app, reference
from service.answers import summaries
from service.program import main
from service.records import LOCAL_KEEPER, Selection
from service.reference.method_files import shipped_methods, shipped_text
from tests.intake_sheets import checked, make_store, only_fault, placements
from tests.small_store import CRS, SPECIES, drawn_reaches, field_records, make_small_store

TOLD = "all is the name of total rows in every table; give another name"


@pytest.fixture
def store(tmp_path):
    held = make_small_store(tmp_path / "brook.gpkg")
    yield held
    held.close()


def load(store, what, file):
    return CliRunner().invoke(main, ["load", what, str(store.path), str(file)])


@pytest.mark.parametrize(("what", "column"), [("species", "species"), ("surveys", "survey")])
@pytest.mark.parametrize("name", ["all", "ALL", " All "])
def test_a_list_with_an_entry_called_all_is_refused(store, tmp_path, what, column, name):
    """With its row, column, value and what to do; nothing is stored."""
    file = tmp_path / "list.csv"
    file.write_text(f"{column}\nfirst\n{name}\n")
    answer = load(store, what, file)
    assert answer.exit_code != 0
    assert f"list.csv, row 3, column {column}, value '{name.strip()}': {TOLD}" in answer.output
    assert "first" not in getattr(store, what)().index


def test_a_method_called_all_is_refused(store, tmp_path):
    """As any other fault of a file of methods."""
    file = tmp_path / "methods.toml"
    file.write_text(shipped_text().replace("[kick_net]", "[all]"))
    answer = load(store, "methods", file)
    assert answer.exit_code != 0
    assert TOLD in answer.output
    assert "all" not in store.methods().index


def test_a_catchment_called_all_is_refused(store, tmp_path):
    """With the number of the feature; the catchments that are stored stay."""
    file = tmp_path / "basins.gpkg"
    gpd.GeoDataFrame(
        {"catchment_id": ["C7", "all"]}, geometry=[box(0, 0, 9, 9), box(9, 0, 18, 9)], crs=CRS
    ).to_file(file)
    answer = load(store, "catchments", file)
    assert answer.exit_code != 0
    assert f"Feature 2, catchment_id 'all': {TOLD}" in answer.output
    assert list(store.catchments().index) == ["C1", "C2"]


def test_a_survey_called_all_is_refused_in_field_sheets(tmp_path):
    """In the sheet of placements, where it would be added by name alone."""
    store = make_store(tmp_path / "s.gpkg")
    fault = only_fault(checked(store, placements(survey="all")), "survey")
    assert fault.value == "all"
    assert TOLD in fault.remedy
    store.close()


def test_a_store_that_has_a_catchment_called_all_says_so(store):
    """Effort would have two rows `all` of one method: refused, on pages and in files."""
    catchments = store.catchments().rename({"C1": "all"}).assign(parent_id=None)
    parts = part_reaches(reference.network(store), catchments)
    store.replace_catchments(catchments, parts, who="test")
    for asked in (summaries.effort, summaries.effort_by_year):
        with pytest.raises(FrameError, match=r"A catchment of this store is called all.*anew"):
            asked(store, Selection(), LOCAL_KEEPER)
    client = create_app(store, viewer=LOCAL_KEEPER).test_client()
    answer = client.get("/coverage/by-catchment", headers={"Accept": "text/html"})
    assert answer.status_code == 422
    assert "A catchment of this store is called all" in answer.get_data(as_text=True)
    assert len(summaries.occurrence(store, Selection(), LOCAL_KEEPER))  # it has no total rows


def test_a_store_that_has_a_method_or_species_called_all_says_so(tmp_path):
    """Where tables of these have total rows; the way out is said."""
    store = make_small_store(tmp_path / "brook.gpkg")
    store.put_methods(
        shipped_methods().loc[["electric_fishing"]].rename({"electric_fishing": "all"}), who="test"
    )
    store.put_species(SPECIES.loc[["Salmo trutta"]].rename({"Salmo trutta": "all"}), who="test")
    rows = [("X1", "all", "2023-06-10 11:00", "caught", 450.0, {"all": (3, "exact")})]
    more = field_records(drawn_reaches(), rows=rows)
    more = replace(more, flags=more.flags.iloc[:0])
    store.add_batch(
        more, who="test", files=("b.csv",), digest="y", digests=more.placements["survey"]
    )
    for asked, what in ((summaries.sampled_length, "method"), (summaries.depletion, "species")):
        with pytest.raises(FrameError, match=rf"A {what} of this store is called all.*new store"):
            asked(store, Selection(), LOCAL_KEEPER)
    assert len(summaries.effort(store, Selection(), LOCAL_KEEPER))
    store.close()
