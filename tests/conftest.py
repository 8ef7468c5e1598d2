"""Fixtures that several tests stand on."""

import os
import shutil
import tempfile
from pathlib import Path

import argon2
import geopandas as gpd
import pandas as pd
import pytest
from flask import Flask
from hypothesis import settings
from jinja2 import BytecodeCache

from layers.network.graph import build_network
from service.access import accounts
from service.store import open_store
from service.web import jobs
from tests.store_records import small_store

# Pictures of the records go where nobody keeps anything.
os.environ["RIFFLEBOOK_CACHE_DIR"] = tempfile.mkdtemp(prefix="pictures-")

# Pages wait until they are computed, however slow the machine is.
jobs.PATIENCE_S = 600.0

# Nor does an example fail that takes its time.
settings.register_profile(
    "patient", settings.get_profile(settings.get_current_profile_name()), deadline=None
)
settings.load_profile("patient")

REFERENCES = Path(__file__).parent / "references"
SHARED = Path(__file__).parents[1].parent / "shared"


class _CompiledTemplates(BytecodeCache):
    """Templates compiled once for the applications of all tests, by their content."""

    compiled: dict = {}  # noqa: RUF012

    def load_bytecode(self, bucket):
        if bucket.key + bucket.checksum in self.compiled:
            bucket.bytecode_from_string(self.compiled[bucket.key + bucket.checksum])

    def dump_bytecode(self, bucket):
        self.compiled[bucket.key + bucket.checksum] = bucket.bytecode_to_string()


Flask.jinja_options = {"bytecode_cache": _CompiledTemplates()}


@pytest.fixture
def quick_hashes(monkeypatch):
    """Same code, cheap parameters: the real ones take a tenth of a second each time."""
    cheap = argon2.PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)
    monkeypatch.setattr(accounts, "_HASHER", cheap)
    accounts._nobodys_hash.cache_clear()
    yield
    accounts._nobodys_hash.cache_clear()


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


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """Path of a small store, made once for each module and only ever copied."""
    store = small_store(tmp_path_factory.mktemp("made") / "fork.gpkg")
    store.close()
    return store.path


@pytest.fixture
def store(made, tmp_path):
    """A store of its own for each test: the fork, its species and the methods, no records."""
    opened = open_store(shutil.copy(made, tmp_path / "fork.gpkg"))
    yield opened
    opened.close()
