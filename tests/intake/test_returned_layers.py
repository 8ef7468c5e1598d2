"""A GeoPackage that was handed over, corrected in a GIS, and comes back."""

import geopandas as gpd
import pandas as pd
import pyogrio
import pytest
import shapely
from click.testing import CliRunner

from service.commands.import_ import import_
from service.export.contents import gather
from service.export.geopackage import write_geopackage
from service.intake.importing import take
from service.records import Selection
from service.store import open_store
from tests.intake.test_updating import stored
from tests.intake_sheets import CATCHES, PLACEMENTS, checked, files, make_store, placements

TRACK = """placement_id,survey,method,set_at,lifted_at,geometry,outcome
T1,S24,electric_fishing,2024-05-03T10:00,2024-05-03T10:30,\
"LINESTRING (-11.2128 52.6035, -11.2127 52.6030)",nil
"""


def run(command, *arguments):
    return CliRunner().invoke(command, [str(one) for one in arguments])


@pytest.fixture
def path(tmp_path):
    make_store(tmp_path / "store.gpkg").close()
    one, two = files(tmp_path, PLACEMENTS, CATCHES)
    done = run(import_, tmp_path / "store.gpkg", "--placements", one, "--catches", two)
    assert done.exit_code == 0, done.output
    (tmp_path / "track.csv").write_text(TRACK, "utf-8")
    done = run(import_, tmp_path / "store.gpkg", "--placements", tmp_path / "track.csv")
    assert done.exit_code == 0, done.output
    return tmp_path / "store.gpkg"


def handed_over(path, crs="EPSG:32629", audience="precise"):
    target = path.parent / "out.gpkg"
    store = open_store(path, read_only=True)
    write_geopackage(target, gather(store, Selection(), audience), crs)
    store.close()
    return target


def corrected(file, layer="placements"):
    """Read a layer or table, to be written back by `saved`."""
    frame = pyogrio.read_dataframe(file, layer=layer)
    return frame.set_index(frame["placement_id"].rename(None))


def saved(file, frame, layer="placements"):
    pyogrio.write_dataframe(frame.reset_index(drop=True), file, layer=layer, driver="GPKG")


def shown(output):
    return [line for line in output.splitlines() if line.startswith("changed  ")]


@pytest.mark.parametrize("crs", ["EPSG:32629", "EPSG:4326", "EPSG:29902"])
def test_what_comes_back_unchanged_changes_nothing(path, crs):
    """In the CRS of the store, in degrees, and in one with another datum."""
    before = stored(path)
    done = run(import_, path, handed_over(path, crs), "--update")
    assert done.exit_code == 0, done.output
    assert "nothing is changed" in done.output
    assert "read as  layer:" not in done.output
    assert stored(path) == before


@pytest.mark.parametrize("crs", ["EPSG:32629", "EPSG:4326"])
def test_what_was_corrected_on_the_layer_is_stored(path, crs):
    """A cell, a place and a new feature; all else stays, and the rows that were taken out too."""
    file = handed_over(path, crs)
    layer = corrected(file)
    layer.loc["P2", "minutes"] = 45.0
    step = 30.0 if crs != "EPSG:4326" else 0.0003
    layer.loc["P1", "geometry"] = shapely.transform(layer.geometry["P1"], lambda xy: xy - [0, step])
    new = layer.loc[["P2"]].assign(placement_id="P9", outcome="nil")
    at = shapely.get_coordinates(layer.geometry["P1"])[0]
    saved(file, pd.concat([layer.drop(index="T1"), new]))
    before, _ = stored(path)
    look = run(import_, path, file, "--update", "--check-only")
    assert look.exit_code == 0, look.output
    assert "changed  P2, minutes: 40 → 45" in shown(look.output)
    assert {line.split(",")[0] for line in shown(look.output)} == {"changed  P1", "changed  P2"}
    assert "1 row taken from the layer placements" in look.output
    assert stored(path)[0] == before
    done = run(import_, path, file, "--update")
    assert done.exit_code == 0, done.output
    sheets, history = stored(path)
    assert history == {
        "P1": ["change", "add"], "P2": ["change", "add"], "T1": ["add"], "P9": ["add"]
    }  # fmt: skip
    assert sheets["catches"] == before["catches"]
    store = open_store(path, read_only=True)
    places = store.records(Selection()).placements.to_crs(crs)
    store.close()
    found = shapely.get_coordinates(places.geometry["P1"])[0]
    assert found == pytest.approx(at, abs=1e-8 if crs == "EPSG:4326" else 1e-3)
    again = run(import_, path, file, "--update")
    assert "nothing is changed" in again.output
    assert stored(path)[1] == history


def test_a_correction_in_the_table_is_stored_too(path):
    """The layer still shows what is stored, so the table is what was corrected."""
    file = handed_over(path)
    table = corrected(file, "placement_sheet")
    table.loc["P1", "notes"] = "heavy rain"
    table.loc["P2", "minutes"] = 50.0
    saved(file, table, "placement_sheet")
    done = run(import_, path, file, "--update")
    assert done.exit_code == 0, done.output
    assert shown(done.output) == [
        "changed  P1, notes: (empty) → heavy rain", "changed  P2, minutes: 40 → 50"
    ]  # fmt: skip


def test_two_corrections_of_one_cell_are_refused(path):
    """Nobody can tell which of them is meant."""
    file = handed_over(path)
    for layer, minutes in (("placements", 45.0), ("placement_sheet", 50.0)):
        frame = corrected(file, layer)
        frame.loc["P2", "minutes"] = minutes
        saved(file, frame, layer)
    before = stored(path)
    done = run(import_, path, file, "--update")
    assert done.exit_code == 1
    assert "column minutes" in done.output
    assert "the layer placements says 45 here" in done.output
    assert stored(path) == before


def test_what_changed_in_the_store_meanwhile_is_refused_or_kept(path):
    """Handed over, changed here, then corrected there: neither of both is overwritten silently."""
    file = handed_over(path)
    (path.parent / "own.csv").write_text("placement_id,minutes\nP2,55\n", "utf-8")
    assert run(import_, path, "--placements", path.parent / "own.csv", "--update").exit_code == 0
    layer = corrected(file)
    layer.loc["P2", "minutes"] = 45.0
    saved(file, layer)
    done = run(import_, path, file, "--update")
    assert done.exit_code == 1
    assert "changed in the store too since it was handed over, to 55" in done.output
    layer.loc["P2", "minutes"] = 40.0
    layer.loc["P2", "notes"] = "heavy rain"
    saved(file, layer)
    done = run(import_, path, file, "--update")
    assert shown(done.output) == ["changed  P2, notes: (empty) → heavy rain"]


def test_one_goes_on_with_a_file_that_was_taken(path):
    """What was taken from it already is not undone by its own table."""
    file = handed_over(path)
    layer = corrected(file)
    layer.loc["P2", "minutes"] = 45.0
    layer.loc["P1", "geometry"] = shapely.transform(layer.geometry["P1"], lambda xy: xy + 5)
    saved(file, layer)
    assert run(import_, path, file, "--update").exit_code == 0
    layer.loc["P2", "lifts"] = 14.0
    saved(file, layer)
    done = run(import_, path, file, "--update")
    assert shown(done.output) == ["changed  P2, lifts: 12 → 14"]


def test_a_place_that_was_moved_there_and_here_is_refused(path):
    """As a cell is."""
    file = handed_over(path)
    (path.parent / "own.csv").write_text(
        "placement_id,longitude,latitude\nP1,-11.2128,52.6034\n", "utf-8"
    )
    assert run(import_, path, "--placements", path.parent / "own.csv", "--update").exit_code == 0
    assert shown(run(import_, path, file, "--update").output) == []
    layer = corrected(file)
    layer.loc["P1", "geometry"] = shapely.transform(layer.geometry["P1"], lambda xy: xy + 5)
    saved(file, layer)
    done = run(import_, path, file, "--update")
    assert done.exit_code == 1
    assert "column geometry" in done.output
    assert "changed in the store too" in done.output


def test_a_line_whose_point_was_moved_is_refused(path):
    """Where the line then runs is not known."""
    file = handed_over(path)
    layer = corrected(file)
    layer.loc["T1", "geometry"] = shapely.transform(layer.geometry["T1"], lambda xy: xy + 10)
    saved(file, layer)
    done = run(import_, path, file, "--update")
    assert done.exit_code == 1
    assert "this placement is a line or an area" in done.output


def test_a_feature_copied_with_its_id_is_refused(path):
    """As splitting and pasting in a GIS leave it."""
    file = handed_over(path)
    layer = corrected(file)
    saved(file, pd.concat([layer, layer.loc[["P1"]]]))
    done = run(import_, path, file, "--update")
    assert done.exit_code == 1
    assert "several features of the layer placements have the placement_id P1" in done.output


def test_a_public_hand_over_does_not_come_back(path):
    """Its ids are not ours, so all of it would be stored twice."""
    file = handed_over(path, audience="public")
    before = stored(path)
    done = run(import_, path, file, "--update")
    assert done.exit_code == 1
    assert "nor does one to the public" in done.output
    assert stored(path) == before
    assert isinstance(pyogrio.read_dataframe(file, layer="placements"), gpd.GeoDataFrame)


def test_what_a_sheet_would_read_as_empty_stays(path):
    """A bait noted as n/a by a form comes back as it was."""
    store = open_store(path)
    frame = placements(placement_id="F1", bait="n/a", crew="NA", notes="-")
    result = checked(store, frame, audience="form")
    take(result, store, "test")
    store.close()
    before = stored(path)
    done = run(import_, path, handed_over(path), "--update")
    assert done.exit_code == 0, done.output
    assert shown(done.output) == []
    assert stored(path) == before


def test_a_new_feature_is_named_by_its_id_not_by_a_row(path):
    """The table has no such row; a GIS shows the fid."""
    file = handed_over(path)
    layer = corrected(file)
    new = layer.loc[["P2"]].assign(placement_id="P9", outcome="soon", minutes=-3.0)
    saved(file, pd.concat([layer, new]))
    done = run(import_, path, file, "--update")
    assert done.exit_code == 1
    fid = pyogrio.read_dataframe(file, layer="placements", fid_as_index=True)
    fid = fid.index[fid["placement_id"] == "P9"][0]
    assert f"out.gpkg, layer placements, feature P9 (fid {fid}), column outcome" in done.output
    assert f"feature P9 (fid {fid}), column minutes" in done.output
    assert "row 5" not in done.output


def test_a_bad_cell_of_the_layer_is_named_by_its_feature(path):
    """The row of the table says something else, which is right."""
    file = handed_over(path)
    layer = corrected(file)
    layer.loc["P2", "outcome"] = "soon"
    saved(file, layer)
    done = run(import_, path, file, "--update")
    assert done.exit_code == 1
    fid = pyogrio.read_dataframe(file, layer="placements", fid_as_index=True)
    fid = fid.index[fid["placement_id"] == "P2"][0]
    assert f"out.gpkg, layer placements, feature P2 (fid {fid}), column outcome" in done.output
    assert ", column outcome" not in done.output.replace(f"(fid {fid}), column outcome", "")


def test_a_column_added_to_the_layer_empties_nothing_where_it_is_empty(path):
    """Crews are not on the layer; one that is added and filled for one placement changes that."""
    sheet = PLACEMENTS.replace("outcome,notes", "outcome,notes,crew").replace(
        ",caught,", ",caught,,A"
    )
    sheet = sheet.replace(",nil,", ",nil,,B")
    (path.parent / "crews.csv").write_text(sheet, "utf-8")
    done = run(import_, path, "--placements", path.parent / "crews.csv", "--update")
    assert done.exit_code == 0, done.output
    file = handed_over(path)
    frame = corrected(file)
    assert "crew" not in frame
    frame["crew"] = [{"P1": "C"}.get(name) for name in frame["placement_id"]]
    saved(file, frame)
    done = run(import_, path, file, "--update")
    assert done.exit_code == 0, done.output
    assert [line for line in shown(done.output) if "crew" in line and "P2" in line] == []
    assert len([line for line in shown(done.output) if "crew" in line]) == 1
