"""The map page: works from disk, shows stored text as text, says states by more than colour."""

import datetime as dt
import json
import re

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from layers.drawing.map_assets import STYLES, asset, inline_style
from layers.drawing.maps import MapView, map_page, map_parts, view_of_frames
from layers.drawing.record_features import detection_features, placement_features, species_caught
from layers.errors import LayersError
from service.answers.map_files import offline_map
from service.answers.names import selection_words
from service.records import LOCAL_KEEPER, Selection
from tests.small_store import NASTY, make_small_store


@pytest.fixture(scope="module")
def store(tmp_path_factory):
    held = make_small_store(tmp_path_factory.mktemp("map") / "nasty.gpkg", NASTY)
    yield held
    held.close()


@pytest.fixture(scope="module")
def page(store):
    return offline_map(store, Selection(), LOCAL_KEEPER, title="Brook <b> & co")[0]


def config_of(page):
    text = re.search(r'id="map_records_view">(.*?)</script>', page, re.DOTALL)[1]
    return json.loads(text)


def test_page_asks_for_nothing(page):
    """No element of the page names an address to fetch, and its policy would not let it."""
    assert not re.search(r"<(?:script|link|img|iframe|object)[^>]+(?:src|href)=", page)
    assert not re.search(r"url\((?!data:|#)", page)
    assert not re.search(r"@import", page)
    policy = re.search(r'Content-Security-Policy" content="([^"]+)"', page)[1]
    assert policy.startswith("default-src 'none';")
    assert "http" not in policy
    assert "unsafe-inline" not in policy.split("script-src")[1]


def test_page_repeats_exactly(store, page):
    """The same records give the same bytes."""
    again = offline_map(store, Selection(), LOCAL_KEEPER, title="Brook <b> & co")[0]
    assert again == page


def test_page_holds_every_placement(page):
    """What the page draws is what is stored."""
    config = config_of(page)
    placements = config["layers"]["placements"]["data"]["features"]
    assert {feature["id"] for feature in placements} == {f"T{n}" for n in range(1, 9)}
    assert len(config["layers"]["reaches"]["data"]["features"]) == 12
    assert len(config["layers"]["stretches"]["data"]["features"]) == 3
    assert len(config["layers"]["catchments"]["data"]["features"]) == 2
    assert [row["species"] for row in config["species"]] == sorted(
        ["Anguilla anguilla", "Cottus gobio", "Lampetra fluviatilis", "Salmo trutta"]
    )
    assert config["detects"]["Esox lucius"] == ["electric_fishing", "fyke_net"]


def test_stored_text_cannot_end_the_data(page):
    """A note that holds an end of script stays inside the data, and title text is escaped."""
    assert NASTY not in page
    assert "window.ran" in page
    assert config_of(page)["layers"]["placements"]["data"]["features"][0]["properties"][
        "notes"
    ] == (NASTY)
    assert "<title>Brook &lt;b&gt; &amp; co</title>" in page


def test_line_separators_are_escaped():
    """U+2028 and U+2029 end a line in old scripts; they never stand bare in the data."""
    view = MapView({}, [], [{"species": "a\u2028b\u2029c", "vernacular_name": None}], {}, None)
    text = view.config().decode()
    assert "\u2028" not in text
    assert json.loads(text)["species"][0]["species"] == "a\u2028b\u2029c"


def test_stored_text_is_no_template():
    """What stands in braces is shown as it was written: neither run nor taken for a mistake."""
    note = "{{ 7 * 7 }} {% raw %} {# note #}"
    layers = {"placements": json.dumps({"note": note}).encode()}
    body = map_parts(MapView(layers, [], [{"species": note}], {}, None)).body
    shown = json.loads(body.split('_view">')[1].split("</script>")[0])
    assert shown["layers"]["placements"]["data"] == {"note": note}
    assert shown["species"] == [{"species": note}]


def test_bounds_across_180_degrees():
    """A view over 180 degrees is fitted the short way round."""
    script = map_parts(MapView({}, [], [], {}, [177, -20, -178, -16])).script
    assert "[[-20, 177], [-16, 182]]" in script


def test_bounds_of_one_place_do_not_ask_for_an_infinite_zoom():
    """A box without width or height fits at every zoom: Leaflet's `fitBounds` has `maxZoom`."""
    script = map_parts(MapView({}, [], [], {}, [-11.2, 52.6, -11.2, 52.6])).script
    fitted = re.search(r"fitBounds\((.*?)\);", script, re.DOTALL)[1]
    assert re.search(r"\bmaxZoom\W+17\b", fitted)


def test_served_layers_stay_addresses():
    """A view with addresses fetches; the page on disk holds its data."""
    parts = map_parts(MapView({"reaches": "/reaches.geojson"}, [], [], {}, None))
    assert '"url":"/reaches.geojson"' in parts.body
    assert "showRecords(" in parts.script


def test_assets_are_inlined_whole():
    """Each asset is there; pictures of the style become data; none names a source map."""
    for name in ("leaflet.js", "view.js"):
        assert len(asset(name)[0]) > 500
        assert b"sourceMappingURL" not in asset(name)[0]
        assert asset(name)[1] in ("text/javascript", "application/javascript")  # RFC 9239
    for name in STYLES:
        assert "url(images/" not in inline_style(name)
        assert asset(name)[1] == "text/css"
    with pytest.raises(LayersError):
        asset("../maps.py")


def test_marks_differ_without_colour():
    """Each gear has its own outline; each outcome its own drawing, not a colour alone."""
    marks = asset("marks.js")[0].decode()
    outlines = re.findall(
        r'^  (net|trap|light|haul|current|other): "(M[^"]+)"', marks, re.MULTILINE
    )
    assert len(outlines) == 6
    assert len({path for _, path in outlines}) == 6
    style = asset("view.css")[0].decode()
    assert re.search(r"\.rb-unrecorded \.rb-body \{[^}]*stroke-dasharray", style)
    assert 'state === "unusable"' in marks


def test_species_caught_sums_and_marks_lower_bounds():
    """Sums by hand: rows add up, "at least" gives a lower bound, zero is none; names in order."""
    rows = pd.DataFrame(
        [("B", "x", None, "present"), ("A", "y", 0, "exact"), ("A", "x", 3, "exact"),
         ("A", "x", 20, "at_least")],
        columns=["placement_id", "species", "count", "count_kind"],
    )  # fmt: skip
    assert species_caught(rows).to_numpy().tolist() == [
        ["A", "x", 23.0, True],
        ["B", "x", 1.0, True],
    ]


def test_features_of_nothing_are_empty(store):
    """No placements give no features, not an error."""
    records = store.records(Selection())
    none = records.placements.iloc[:0]
    parts = (records.catches.iloc[:0], records.snaps.iloc[:0], records.flags.iloc[:0])
    assert placement_features(none, *parts, store.species(), store.methods()).empty
    assert detection_features(none, parts[0], store.species(), store.methods()).empty


def test_snap_line_ends_on_the_reach(store):
    """The foot of each snap line lies on the reach, `offset_m` from the placement."""
    records = store.records(Selection())
    shown = placement_features(
        records.placements,
        records.catches,
        records.snaps,
        records.flags,
        store.species(),
        store.methods(),
    )
    feet = shapely.points(records.snaps[["snapped_x", "snapped_y"]].loc[shown.index].to_numpy())
    line = store.reaches().geometry.loc["R1"]
    assert shapely.distance(feet, line).max() < 1e-6
    assert shapely.distance(feet, shown.geometry.to_numpy()) == pytest.approx(
        shown["offset_m"].to_numpy(), abs=0.01
    )
    degrees = gpd.GeoSeries(feet, crs=shown.crs).to_crs(4326)
    assert shown["snapped_longitude"].to_numpy() == pytest.approx(degrees.x.to_numpy(), abs=1e-7)
    assert shown["snapped_latitude"].to_numpy() == pytest.approx(degrees.y.to_numpy(), abs=1e-7)
    assert shown["individuals"].dtype == "int64"


def test_selection_in_words(store):
    """What is left in is said by the names that people read, not by codes."""
    chosen = Selection(
        species=("Salmo trutta",), methods=("electric_fishing",), surveys=("S1",),
        catchments=("C2", "C1"), since=dt.date(2023, 1, 1),
    )  # fmt: skip
    assert selection_words(store, chosen, LOCAL_KEEPER) == (
        "survey: Spring round; gear: Electric fishing; species: Brown trout (Salmo trutta); "
        "catchment: Upper brook, Whole brook; since 2023-01-01"
    )
    assert selection_words(store, Selection(), LOCAL_KEEPER) == ""


def test_map_page_needs_no_records():
    """An empty view is a page all the same."""
    assert "<main>" in map_page(MapView({}, [], [], {}, None), title="Nothing yet")


def test_every_cell_in_place_of_positions_is_drawn(store):
    """Cells of 1 and 10 km are squares of that side; an exact position is none."""
    at = [(500_500, 6_000_500), (505_000, 6_005_000), (520_001, 6_020_001)]
    placements = gpd.GeoDataFrame(
        {"method": "kick_net", "species": "", "generalised_km": [1.0, 10.0, np.nan]},
        geometry=shapely.points(at),
        index=pd.Index(["A", "B", "C"], name="placement_id"),
        crs="EPSG:25830",
    )
    none = store.reaches().iloc[:0]
    view = view_of_frames(
        placements=placements,
        reaches=none,
        catchments=none,
        stretches=none,
        species=store.species(),
        methods=store.methods(),
    )
    squares = gpd.GeoDataFrame.from_features(json.loads(view.layers["squares"]), crs=4326)
    sides_km = np.sqrt(squares.to_crs("EPSG:25830").area) / 1_000
    assert sorted(sides_km) == pytest.approx([1, 10], rel=1e-3)
    assert view.bounds == pytest.approx(placements.to_crs(4326).total_bounds.tolist(), abs=1e-6)
