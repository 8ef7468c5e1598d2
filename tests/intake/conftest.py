"""Fixtures of the tests of sheets."""

from pathlib import Path

import pandas as pd
import pytest

import demo_sites
from service.records import StoreSettings
from service.reference.method_files import shipped_methods
from service.store import create_store
from tests.intake_sheets import CRS, make_store


@pytest.fixture(scope="module")
def store(tmp_path_factory):
    """Store that sheets are checked against, for the tests of one module."""
    held = make_store(tmp_path_factory.mktemp("sheets") / "store.gpkg")
    yield held
    held.close()


@pytest.fixture(scope="module")
def store_of_lists(tmp_path_factory):
    """Store with the island's species and no network, in the CRS of the invented stream."""
    settings = StoreSettings(crs=CRS, timezone="Europe/Dublin")
    made = create_store(tmp_path_factory.mktemp("store") / "s.gpkg", settings)
    made.put_methods(shipped_methods(), who="test")
    listed = pd.read_csv(Path(demo_sites.__file__).with_name("species.csv"))
    made.put_species(listed.set_index("species"), who="test")
    yield made
    made.close()
