"""What each gear sampled by catchment, against a spatial join of the field sheets themselves."""

import itertools
from dataclasses import replace
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest

from service import create_app
from service.answers import summaries
from service.answers.gear_table import gear_table
from service.commands.demo_store import build_demo
from service.export.contents import gather
from service.export.report import account_page
from service.records import LOCAL_KEEPER, PUBLIC, Selection
from service.settings import Settings
from service.store import open_store
from tests.small_store import drawn_reaches, field_records, make_small_store

DEMO = Path(__file__).parents[2] / "demo_sites"


@pytest.fixture(scope="module")
def store(tmp_path_factory):
    held = open_store(build_demo(tmp_path_factory.mktemp("gear")), read_only=True)
    yield held
    held.close()


@pytest.fixture(scope="module")
def lifts():
    """Lifts of kick nets by catchment, joined by geopandas from what the demonstration ships.

    Their sheet rows all have positions in degrees. A catchment holds those nested in it, so each
    polygon counts for itself.
    """
    sheet = pd.read_csv(DEMO / "placements.csv")
    sheet = sheet[(sheet["method"] == "kick_net") & sheet["outcome"].isin(["caught", "nil"])]
    places = gpd.points_from_xy(sheet["longitude"], sheet["latitude"], crs="EPSG:4326")
    catchments = gpd.read_file(DEMO / "island.gpkg", layer="catchments")
    nets = gpd.GeoDataFrame(sheet[["lifts"]], geometry=places).to_crs(catchments.crs)
    joined = nets.sjoin(catchments, predicate="within")
    return joined.groupby("catchment_id")["lifts"].agg(["sum", "size"])


def test_effort_is_that_of_the_sheets(store, lifts):
    """Lifts and placements of kick nets in every catchment that has any, and in no other."""
    table = gear_table(store, Selection(), LOCAL_KEEPER)
    at = table.methods.index("kick_net")
    cells = {row.catchment: row.cells[at] for row in table.rows if row.cells[at]}
    assert {one: (cell.effort, cell.placements) for one, cell in cells.items()} == {
        one: (row["sum"], row["size"]) for one, row in lifts.iterrows()
    }
    assert {cell.unit for cell in cells.values()} == {"lifts"}


def test_lengths_are_those_of_the_summary(store):
    """The same question has one answer; gear without a stretch has no length, not none of it."""
    table = gear_table(store, Selection(), LOCAL_KEEPER)
    told = summaries.sampled_length(store, Selection(), LOCAL_KEEPER, by=("catchment",))
    told = told.set_index(["catchment", "method"])
    whole, told = told["network_length_m"], told["sampled_length_m"]
    assert any(row.share > 0 for row in table.rows)
    for row in table.rows:
        assert row.sampled_m == told.get((row.catchment, "all"), 0.0)
        if (row.catchment, "all") in whole.index:
            assert row.share == pytest.approx(row.sampled_m / whole[row.catchment, "all"])
        else:
            assert row.share == 0.0
        for method, cell in zip(table.methods, row.cells, strict=True):
            if cell and method in ("spotlight", "electric_fishing"):
                assert cell.sampled_m == told[row.catchment, method]
            elif cell:
                assert cell.sampled_m != cell.sampled_m


def test_rows_nest_and_a_filter_narrows(store):
    table = gear_table(store, Selection(), LOCAL_KEEPER)
    depths = [row.depth for row in table.rows]
    assert depths[0] == 0
    assert all(after - before <= 1 for before, after in itertools.pairwise(depths))
    above = {}
    for row in table.rows:
        above[row.depth] = row.catchment
        parent = store.catchments().loc[row.catchment, "parent_id"]
        assert parent == above[row.depth - 1] if row.depth else pd.isna(parent)
    assert sorted(row.catchment for row in table.rows) == sorted(store.catchments().index)
    chosen = gear_table(store, Selection(catchments=("C1",), methods=("seine",)), LOCAL_KEEPER)
    assert chosen.rows == ()  # no seine was hauled there
    one = gear_table(store, Selection(surveys=("NGT23",)), LOCAL_KEEPER)
    assert one.methods == ("hand_net", "spotlight")


@pytest.mark.parametrize(
    ("lifting", "key", "total"), [(3, "square_metre", "70 m²"), (4, "lift", "16 lifts")]
)
def test_every_place_counts_a_gear_in_one_unit(tmp_path, lifting, key, total):
    """Of twelve kick nets two tell 2 lifts, some of the others 3, and seven an area of 10 m²."""
    effort, unit = total.split()
    store = make_small_store(tmp_path / "brook.gpkg")
    nets = [
        (f"K{k}", "kick_net", f"2024-09-0{k % 9 + 1} 10:00", "caught", 60.0 + 20 * k,
         {"Cottus gobio": (1, "exact")})
        for k in range(10)
    ]  # fmt: skip
    records = field_records(drawn_reaches(), rows=nets)
    order = np.arange(10)
    records.placements["lifts"] = np.where(order < lifting, 3.0, np.nan)
    records.placements["area_m2"] = np.where(order < 3, np.nan, 10.0)
    records.placements["minutes"] = np.nan
    records = replace(records, flags=records.flags.iloc[:0], surveys=records.surveys.iloc[:0])
    digests = pd.Series("d", index=records.placements.index)
    store.add_batch(records, who="test", files=("b.csv",), digest="y", digests=digests)
    chosen = Selection(methods=("kick_net",))

    rates = summaries.effort(store, chosen, LOCAL_KEEPER)
    assert set(rates["effort_unit"]) == {key}
    assert set(rates.loc[rates["catchment"] == "all", "effort"]) == {float(effort)}
    cells = [row.cells[0] for row in gear_table(store, chosen, LOCAL_KEEPER).rows if row.cells[0]]
    assert {cell.unit for cell in cells} == {unit}
    assert cells[0].effort == float(effort)
    client = create_app(store, Settings(), viewer=LOCAL_KEEPER).test_client()
    drawn = client.get("/figures/effort.svg?catchment=C1&method=kick_net").text
    contents = gather(store, chosen, "precise")
    page = account_page(contents, crs="EPSG:32629", transformation=("none needed", 0.0), members=[])
    page = page.decode()
    for svg in (drawn, page[page.index("<svg") : page.index("</svg>")]):
        assert f"Kick net: {total}" in svg
        assert f"Effort ({unit})" in svg
    store.close()


@pytest.mark.parametrize("viewer", [LOCAL_KEEPER, PUBLIC])
def test_page(store, viewer):
    """It names gear and catchments; the public is told what is not counted."""
    client = create_app(store, Settings(), viewer=viewer).test_client()
    page = client.get("/coverage/by-catchment", headers={"Accept": "text/html"})
    assert page.status_code == 200
    assert "Orbrelle Water" in page.text
    assert ("closed cells" in page.text) == (viewer == PUBLIC)
    assert 'href="/coverage/by-catchment"' in client.get("/coverage").text
