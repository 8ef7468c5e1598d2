"""What is loaded to start and to answer: a library of weight no sooner than it is needed."""

import json
import subprocess
import sys
from pathlib import Path

import pytest

from tests.sensitive_store import make_store, random_plan

# Each takes 2 to 60 MB of memory, and most a tenth of a second and more.
HEAVY = {
    "PIL", "branca", "folium", "matplotlib", "networkx", "openpyxl", "pvlib", "pyogrio",
    "rapidfuzz", "rasterio", "requests", "scipy.optimize", "scipy.sparse", "scipy.spatial",
    "scipy.special", "scipy.stats",
}  # fmt: skip
TELL = "\nimport json, sys\nprint(json.dumps(sorted(sys.modules)))\n"
OPEN = """
import sys
from pathlib import Path
from service.records import Selection, Viewer
from service.store import open_store
store = open_store(Path(sys.argv[1]))
"""
ANSWER = """
from service import create_app
from service.settings import Settings
for role in ("keeper", "viewer"):
    client = create_app(store, Settings(), viewer=Viewer("someone", role)).test_client()
    for address in (
        "/feed/", "/feed/collections/placements/items?limit=5", "/feed/collections/placements",
        "/feed/collections/placements/whole.geojson", "/feed/collections/detections/items",
    ):
        answer = client.get(address, headers={"Accept": "application/json,application/geo+json"})
        assert answer.status_code == 200, answer.text
        assert answer.data
"""
EXPORT = """
from service.answers.hand_over import HandOver, what_it_holds
from service.export import write_hand_over as write
for audience in ("precise", "public"):
    assert what_it_holds(store, Selection(), audience).placements
    write(store, Path(sys.argv[2]), HandOver(Selection(), "geojson", audience, overwrite=True))
"""


def loaded(code, *given):
    done = subprocess.run(
        [sys.executable, "-c", code + TELL, *map(str, given)],
        check=True, capture_output=True, text=True, cwd=Path(__file__).parents[2],
    )  # fmt: skip
    return set(json.loads(done.stdout.splitlines()[-1]))


@pytest.fixture(scope="module")
def path(tmp_path_factory):
    place = tmp_path_factory.mktemp("start") / "hills.gpkg"
    make_store(place, random_plan(5)).close()
    return place


@pytest.mark.parametrize("what", [ANSWER, EXPORT], ids=["feed", "export"])
def test_placements_are_answered_without_what_is_not_needed(path, tmp_path, what):
    """Maps, plots, statistics, the sun, workbooks and GDAL wait until somebody wants them."""
    modules = loaded(OPEN + what, path, tmp_path / "out.geojson")
    assert "service.store.finding" in modules  # the question was asked of the real thing
    assert not HEAVY & modules


def test_help_loads_hardly_anything():
    """`rifflebook --help` answers before anybody wonders whether it hangs."""
    code = "from click.testing import CliRunner\nfrom service.program import main\n"
    modules = loaded(code + "assert CliRunner().invoke(main, ['--help']).exit_code == 0\n")
    assert "click" in modules
    assert not {"flask", "numpy", "pandas", "sqlalchemy", *HEAVY} & modules
