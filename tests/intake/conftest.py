"""Fixtures of the tests of sheets."""

import pytest

from tests.intake_sheets import make_store


@pytest.fixture(scope="module")
def store(tmp_path_factory):
    """Store that sheets are checked against, for the tests of one module."""
    held = make_store(tmp_path_factory.mktemp("sheets") / "store.gpkg")
    yield held
    held.close()
