"""What a step would hide is counted as the public's view will be once it is set."""

import numpy as np
import pytest
from click.testing import CliRunner

from layers.fieldwork.closed_cells import EFFECT_COLUMNS, effect_of_list, effect_of_steps
from layers.fieldwork.generalising import positions
from service.program import main
from service.records import Selection
from tests.sensitive_store import SPECIES, make_store, random_plan


@pytest.fixture(scope="module")
def store(tmp_path_factory):
    store = make_store(tmp_path_factory.mktemp("closing") / "s.gpkg", random_plan(5, 120))
    yield store
    store.close()


def frames_of(store, species):
    stored = store.records(Selection())
    return (
        stored.placements, positions(stored.placements.geometry), stored.catches, stored.lengths,
        species,
    )  # fmt: skip


def shown_now(store):
    """Counts of what the public sees, from what is kept beside the records."""
    steps = store.public_records(Selection())[1]["step_km"]
    whole = len(store.records(Selection()).placements)
    return {
        "placements": whole, "exact": int((steps == 0).sum()),
        "squares": int((steps > 0).sum()), "left_out": whole - len(steps),
    }  # fmt: skip


def test_each_step_hides_what_it_was_said_to_hide(store):
    """Set for one species after another, each step shows as many as were foretold."""
    steps = effect_of_steps(*frames_of(store, SPECIES))
    assert steps.groupby("species").size().eq(4).all()
    assert set(steps["species"]) == set(SPECIES.index[1:5])
    for row in steps.to_dict("records"):
        alone = SPECIES.assign(sensitivity="none")
        alone.loc[row["species"], "sensitivity"] = row["step"]
        store.put_species(alone, who="t")
        assert shown_now(store).items() <= row.items()
        assert row["as_listed"] == (SPECIES.loc[row["species"], "sensitivity"] == row["step"])
    store.put_species(SPECIES, who="t")
    whole = effect_of_list(*frames_of(store, SPECIES))
    assert set(whole) == set(EFFECT_COLUMNS)
    assert shown_now(store).items() <= whole.items()
    assert 0 < whole["left_out"] < whole["catching"] < whole["squares"] + whole["left_out"]


def test_a_list_is_checked_before_it_hides_anything(store, tmp_path):
    """`--check` prints the table and stores nothing; what is stored of other species counts."""
    sheet = tmp_path / "species.csv"
    sheet.write_text("species,sensitivity\nAnguilla anguilla,10\nOsmerus eperlanus,none\n")
    before, version = shown_now(store), store.version
    told = CliRunner().invoke(main, ["load", "species", str(store.path), str(sheet), "--check"])
    assert told.exit_code == 0, told.output
    assert (store.version, shown_now(store)) == (version, before)
    changed = SPECIES.copy()
    changed.loc[["Anguilla anguilla", "Osmerus eperlanus"], "sensitivity"] = ["10", "none"]
    whole = effect_of_list(*frames_of(store, changed))
    assert f"{whole['exact']} of 120 placements shown exactly" in told.output
    assert "Osmerus" not in told.output
    row = effect_of_steps(*frames_of(store, changed)).query(
        "species == 'Anguilla anguilla' and step == '10'"
    )
    hidden = int((row["squares"] + row["left_out"]).iloc[0])
    line = next(line for line in told.output.splitlines() if line.strip().startswith("Anguilla"))
    assert f"{hidden} ({hidden / 120:.0%})*" in line
    told = CliRunner().invoke(main, ["load", "species", str(store.path), str(sheet)])
    assert "0 added, 2 changed" in told.output
    assert f"{whole['exact']} of 120 placements shown exactly" in told.output
    assert shown_now(store)["exact"] == whole["exact"] != before["exact"]
    store.put_species(SPECIES, who="t")


def test_what_lies_nowhere_or_is_not_there_is_counted_too(tmp_path):
    """Without placements there is nothing to foretell, and the list is loaded all the same."""
    store = make_store(tmp_path / "e.gpkg")
    sheet = tmp_path / "species.csv"
    SPECIES.to_csv(sheet)
    told = CliRunner().invoke(main, ["load", "species", str(store.path), str(sheet), "--check"])
    assert "no placements yet" in told.output
    plan = random_plan(1, 12, shares=[0, 1, 0, 0, 0])
    lengths = store.records(Selection()).lengths
    xy = np.full((12, 2), np.nan)
    counts = effect_of_list(plan.placements, xy, plan.catches, lengths, SPECIES)
    assert counts == {"placements": 12, "catching": 12, "exact": 0, "squares": 0, "left_out": 12}
    store.close()
