"""Fixtures that several tests stand on."""

from pathlib import Path

import geopandas as gpd
import pandas as pd
import pytest

from layers.network import build_network

REFERENCES = Path(__file__).parent / "references"
SHARED = Path(__file__).parents[1].parent / "shared"


@pytest.fixture(scope="session")
def newhope():
    """Folder of the open New Hope Creek network (NHDPlus V2.1, CC0), kept beside the project."""
    folder = SHARED / "data" / "newhope"
    if not folder.exists():
        pytest.skip("the open New Hope data is not beside the project")
    return folder


@pytest.fixture(scope="session")
def newhope_network(newhope):
    """The New Hope network; its own stream order kept in `strahler_order`."""
    raw = gpd.read_file(newhope / "newhope.gpkg", layer="reaches")
    raw["reach_id"] = raw["reach_id"].astype("str")
    return build_network(raw.set_index("reach_id").rename(columns={"name": "stream_name"}))


@pytest.fixture(scope="session")
def drawn_answers():
    """What was worked out by hand for the drawn network, by reach."""
    return pd.read_csv(REFERENCES / "network_reaches.csv").set_index("reach")


@pytest.fixture
def drawn_reaches(drawn_answers):
    """The drawn network of twelve reaches, metres, with a false origin."""
    lines = gpd.GeoSeries.from_wkt(drawn_answers["wkt"], crs="EPSG:25830")
    lines = lines.translate(500_000, 6_000_000)
    lines.index.name = "reach_id"
    return lines.to_frame("geometry")
