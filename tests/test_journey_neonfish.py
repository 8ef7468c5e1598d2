"""The whole way at the keyboard with other people's sheets: no network near, nothing edited.

Sheets: NEON (National Ecological Observatory Network), DP1.20107.001, RELEASE-2024, standardised
by the neonDivData authors (CC0). Rows of them are kept in tests/references/neonfish; the whole,
with figures that were computed apart from this project (figures.json, figures_site_taxon.csv),
lies beside the project.
"""

import csv
import io
import json

import numpy as np
import pandas as pd
import pyproj
import pytest

from service.commands.summary import SUMMARIES
from service.records import Selection
from service.store import open_store
from tests.command_line import done, run
from tests.conftest import REFERENCES, SHARED

NEON = REFERENCES / "neonfish"
GEARS = {
    "electrofishing": "electric_fishing",
    "electrofishing (two units)": "electric_fishing_two_units",
    "gill net": "gill_net",
    "mini-fyke net": "fyke_net",
}
MINUTES = {"seconds of current": 1 / 60, "net hours": 60}


def rows_of(result):
    return pd.DataFrame(list(csv.DictReader(io.StringIO(result.stdout))))


@pytest.fixture(scope="module", params=["rows kept here", "whole"])
def journey(request, tmp_path_factory):
    """A store made by the four commands that mapping.toml names."""
    folder = NEON if request.param == "rows kept here" else SHARED / "data" / "neonfish"
    if not folder.exists():
        pytest.skip("the whole data set is not beside the project")
    place = tmp_path_factory.mktemp("neon")
    store, names = place / "neon.gpkg", place / "names.csv"
    done("init", store, "--crs", "EPSG:9311", "--timezone", "America/Denver")
    assert "2 added" in done("load", "methods", store, NEON / "methods.toml").output
    sheets = (
        "--placements", folder / "placements.csv", "--catches", folder / "catches.csv",
        "--mapping", NEON / "mapping.toml",
    )  # fmt: skip
    first = run("import", store, *sheets, "--check-only", "--missing-species", names)
    assert first.exit_code == 1  # names that no list holds yet
    assert "not in the species list" in first.output
    assert "Traceback" not in first.output
    done("load", "species", store, names)
    taken = done("import", store, *sheets)
    again = done("import", store, *sheets)
    placements = pd.read_csv(folder / "placements.csv")
    catches = pd.read_csv(folder / "catches.csv")
    return store, placements, catches, taken.output, again.output, folder


@pytest.fixture(scope="module")
def records(journey):
    held = open_store(journey[0], read_only=True)
    found = held.records(Selection())
    assert held.faults() == []
    held.close()
    return found


def test_all_is_kept_and_said_to_be_unsnapped(journey, records):
    """Every row is there once, also after a second import, which says that nothing changed."""
    _, placements, catches, taken, again, _ = journey
    assert len(records.placements) == len(placements)
    assert len(records.catches) == len(catches)
    assert records.snaps["reach_id"].isna().all()
    assert (records.flags["code"] == "snap_none").sum() == len(placements)
    assert "No reach lies within" in taken
    assert str(len(placements)) in taken
    assert "nothing" in again.lower()


def test_totals_per_gear(journey, records):
    """Placements, effort, fish and taxa of each gear, as the sheets and figures.json have them."""
    _, placements, catches, _, _, folder = journey
    method = records.placements["method"]
    fish = records.catches.assign(method=records.catches["placement_id"].map(method))
    source = catches.merge(placements[["placement_id", "gear"]], on="placement_id")
    for gear, rows in placements.groupby("gear"):
        name = GEARS[gear]
        assert (method == name).sum() == len(rows)
        minutes = (rows["effort_value"] * rows["effort_unit"].map(MINUTES)).sum()
        own = records.placements.loc[method == name, "minutes"].sum()
        assert own == pytest.approx(minutes, rel=1e-9)
        theirs = source[source["gear"] == gear]
        assert fish.loc[fish["method"] == name, "count"].sum() == theirs["count"].sum()
        assert (
            fish.loc[fish["method"] == name, "species"].nunique() == theirs["taxon_name"].nunique()
        )
    if folder == NEON:
        return
    figures = json.loads((folder / "figures.json").read_text())
    assert len(placements) == figures["placements"]
    assert records.catches["count"].sum() == figures["fish"]
    for gear, stated in figures["by_gear"].items():
        rows = fish[fish["method"] == GEARS[gear]]
        assert (method == GEARS[gear]).sum() == stated["placements"]
        assert rows["count"].sum() == stated["fish"]
        assert rows["species"].nunique() == stated["taxa"]
        lengths = records.placements.loc[method == GEARS[gear], "stretch_length_m"]
        assert lengths.notna().sum() == stated["with_sampled_length"]
        assert lengths.sum() == pytest.approx(stated["sampled_length_sum_m"], abs=0.05)


def test_per_site_gear_and_taxon(journey, records):
    """Each line of figures_site_taxon.csv: placements that found it, all placements, fish."""
    _, placements, catches, _, _, folder = journey
    site = records.placements["site"].str.split(" ").str[0]
    held = pd.DataFrame({"site_id": site, "method": records.placements["method"]})
    rows = records.catches.merge(held, left_on="placement_id", right_index=True)
    own = rows.groupby(["site_id", "method", "species"]).agg(
        placements_found=("placement_id", "nunique"), fish=("count", "sum")
    )
    every = held.groupby(["site_id", "method"]).size()
    if folder == NEON:
        both = catches.merge(placements[["placement_id", "site_id", "gear"]], on="placement_id")
        figures = both.groupby(["site_id", "gear", "taxon_name"], as_index=False).agg(
            placements_found=("placement_id", "nunique"), fish=("count", "sum")
        )
        sizes = placements.groupby(["site_id", "gear"]).size().rename("placements")
        figures = figures.merge(sizes.reset_index(), on=["site_id", "gear"])
    else:
        figures = pd.read_csv(folder / "figures_site_taxon.csv")
    assert len(own) == len(figures)
    for line in figures.itertuples():
        found = own.loc[(line.site_id, GEARS[line.gear], line.taxon_name)]
        assert (found["placements_found"], found["fish"]) == (line.placements_found, line.fish)
        assert every[line.site_id, GEARS[line.gear]] == line.placements


def test_effort_and_catch_rate_without_network_or_catchments(journey):
    """Rates are given for the whole: fish over effort of the sheets, in one unit per method."""
    store, placements, catches, _, _, _ = journey
    own = rows_of(done("summary", store, "effort"))
    assert set(own["catchment"]) == {"all"}
    assert set(own["method"]) == {GEARS[gear] for gear in placements["gear"].unique()}
    assert own.groupby("method")["effort_unit"].nunique().eq(1).all()
    nets = own[own["method"] == "gill_net"].set_index("species")
    source = catches.merge(placements, on="placement_id").query("gear == 'gill net'")
    for species, fish in source.groupby("taxon_name")["count"].sum().items():
        assert float(nets.loc[species, "individuals"]) == fish
    # A chosen unit: fish per minute of current, of all first passes (one row is one pass here).
    chosen = done("summary", store, "effort", "--effort-unit", "electric_fishing=minute")
    rate = rows_of(chosen).query("method == 'electric_fishing'").set_index("species")
    source = catches.merge(placements, on="placement_id").query("gear == 'electrofishing'")
    seconds = placements.loc[placements["gear"] == "electrofishing", "effort_value"].sum()
    for species, fish in source.groupby("taxon_name")["count"].sum().items():
        assert float(rate.loc[species, "individuals"]) == fish
        assert float(rate.loc[species, "cpue"]) == pytest.approx(fish / seconds * 60, abs=2e-6)


@pytest.mark.parametrize("what", list(SUMMARIES))
def test_every_summary_answers_in_words(journey, what):
    """No traceback and no silence where network and catchments are missing."""
    for form in ("csv", "json"):
        result = done("summary", journey[0], what, "--format", form)
        assert "Traceback" not in result.output
        assert "inf" not in result.stdout.lower().replace("information", "")
        if form != "csv":
            json.loads(result.stdout)
        if what in ("sampled-length", "coverage", "gaps", "next-places"):
            assert "The store holds no reaches" in result.stderr
        if what in ("occurrence", "richness"):
            assert "The store holds no catchments" in result.stderr


def test_map_and_geojson_without_a_network(journey, records, tmp_path):
    """Points are drawn where the sheets say, in degrees; the sheet's own figures are kept."""
    store, placements, *_ = journey
    done("map", store, "-o", tmp_path / "map.html")
    done("export", store, "-o", tmp_path / "r.geojson", "--audience", "precise")
    collection = json.loads((tmp_path / "r.geojson").read_text())
    where = {
        feature["properties"]["placement_id"]: feature["geometry"]["coordinates"]
        for feature in collection["features"]
        if feature["geometry"]
    }
    assert set(where) == set(placements["placement_id"])
    # EPSG:9311 stands on NAD27: the way there and back is as good as the operation is said to be.
    kept = records.placements.loc[placements["placement_id"]]
    back = np.array([where[name] for name in placements["placement_id"]])
    *_, off = pyproj.Geod(ellps="WGS84").inv(
        placements["longitude"], placements["latitude"], back[:, 0], back[:, 1]
    )
    assert (off <= 2 * kept["transformation_accuracy_m"].to_numpy()).all()
    assert kept["original_x"].tolist() == placements["longitude"].tolist()
    assert kept["original_y"].tolist() == placements["latitude"].tolist()
