"""Fixtures of the tests of pages and feed."""

import pytest

from tests.small_store import make_small_store


@pytest.fixture(scope="module")
def store(tmp_path_factory):
    """Store of one brook, open to be written, for the tests of one module."""
    held = make_small_store(tmp_path_factory.mktemp("brook") / "brook.gpkg")
    yield held
    held.close()
