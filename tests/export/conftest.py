"""Fixtures of the tests of hand-overs."""

import pytest

from service.store import open_store
from tests.handed_over import demo_path


@pytest.fixture(scope="module")
def demo():
    """The demonstration store, to be read."""
    store = open_store(demo_path(), read_only=True)
    yield store
    store.close()
