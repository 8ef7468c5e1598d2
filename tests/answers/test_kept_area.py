"""What a device keeps of an area: next places along its reaches, by what anybody visited."""

import pytest

from service.answers import features, summaries
from service.answers.kept_area import kept_area
from service.records import LOCAL_KEEPER, Selection
from tests.small_store import make_small_store


@pytest.fixture
def store(tmp_path):
    held = make_small_store(tmp_path / "s.gpkg")
    yield held
    held.close()


def test_the_whole_network_has_the_next_places_of_the_summary(store):
    """A box around all gives the first twenty next places of the store, in their order."""
    kept = kept_area(store, (-4.0, 53.0, -2.0, 55.0), LOCAL_KEEPER)
    found = summaries.next_places(store, Selection(), LOCAL_KEEPER, count=20)
    assert len(found)
    assert [place["at"] for place in kept["next_places"]] == [
        [place.longitude, place.latitude] for place in found.itertuples()
    ]


def test_a_part_of_the_network_has_next_places_of_its_own(store, monkeypatch):
    """Where the best places of the store lie elsewhere, an area still has some, all inside it."""
    monkeypatch.setattr("service.answers.kept_area._MOST_PLACES", 1)
    best = summaries.next_places(store, Selection(), LOCAL_KEEPER, count=1).geometry.iloc[0]
    lines = features.reaches(store).geometry
    far = lines.distance(best).idxmax()
    west, south, east, north = lines.to_crs(4326).loc[[far]].total_bounds.tolist()
    west, east = west - 1e-4, east + 1e-4
    (place,) = kept_area(store, (west, south, east, north), LOCAL_KEEPER)["next_places"]
    longitude, latitude = place["at"]
    assert west <= longitude <= east
    assert south <= latitude <= north
