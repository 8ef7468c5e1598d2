"""The one table of columns describes every public column, and nothing else."""

import tomllib
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pytest

from layers.coded import uncoded
from layers.estimates.sampled_length import GROUPINGS
from layers.fieldwork.looks import STATES
from service import columns
from service.answers import summaries
from service.answers.record_files import record_rows
from service.answers.written_figures import as_written
from service.columns import SHEETS, SUMMARY_COLUMNS, column
from service.export.contents import gather
from service.export.geopackage import geopackage_tables
from service.records import LOCAL_KEEPER, Selection
from service.store import open_store
from service.web.feed.collections import COLLECTIONS
from tests.handed_over import demo_path

FILE = tomllib.loads(Path(columns.__file__).with_suffix(".toml").read_text(encoding="utf-8"))
# What pandas calls the figures of each kind; text and lists are objects or strings.
DTYPES = {"whole": "iuf", "number": "iuf", "yes_no": "b", "time": "M", "day": "M"}


@pytest.fixture(scope="module")
def tables():
    """Every summary, layer, table and feed collection of the demo, by its name in the file."""
    store = open_store(demo_path())
    found = {
        (name, "summary"): getattr(summaries, name)(store, Selection(), LOCAL_KEEPER)
        for name in SUMMARY_COLUMNS
    }
    found["sampled_length", "grouped"] = summaries.sampled_length(
        store, Selection(), LOCAL_KEEPER, by=GROUPINGS
    )
    for by in ("stream", "reach", "site", "year"):
        found["occurrence", by] = summaries.occurrence(store, Selection(), LOCAL_KEEPER, by=by)
    found["records", "file"] = record_rows(store, Selection(), LOCAL_KEEPER, STATES)
    for audience in ("public", "precise"):
        contents = gather(store, Selection(), audience)
        for name, frame in (contents.layers | geopackage_tables(contents)).items():
            found[name, audience] = frame
    store.close()
    plain = {key: frame.drop(columns=_shape(frame)) for key, frame in found.items()}
    feed = {
        (name, "feed"): pd.DataFrame(columns=list(of.columns)) for name, of in COLLECTIONS.items()
    }
    return plain | feed


def _shape(frame):
    return [frame.geometry.name] if isinstance(frame, gpd.GeoDataFrame) else []


def test_every_public_column_is_described(tables):
    """Meaning and kind are stated, and the kind is that of the figures."""
    for (table, where), frame in tables.items():
        for name in frame.columns:
            described = column(table, name)
            assert len(described.meaning) > 3, (table, name)
            figures = frame[name].dropna()
            if isinstance(figures.dtype, pd.CategoricalDtype):
                figures = uncoded(figures)
            kind = DTYPES.get(described.kind)
            written_as_text = table == "placement_sheet" and described.kind == "time"
            if kind and where != "feed" and len(figures) and not written_as_text:
                assert figures.dtype.kind in kind, (table, name)


def test_every_computed_figure_has_decimals(tables):
    """A number that no sheet or list records is rounded, so that no file shows float noise."""
    recorded = {each.name for sheet in SHEETS.values() for each in sheet}
    for (table, where), frame in tables.items():
        if table in ("species", "methods", "placement_sheet", "lengths"):
            continue
        for name in frame.columns:
            described = column(table, name)
            if described.kind == "number" and name not in recorded:
                assert described.decimals is not None, (table, where, name)


def test_every_description_is_used(tables):
    """An entry that describes no column of the demo is taken out of the file."""
    used = {(table, name) for (table, _), frame in tables.items() for name in frame.columns}
    same = {table: FILE["same_as"].get(table, table) for table, _ in tables}
    used |= {(same[table], name) for table, name in used}
    for table, entries in FILE["tables"].items():
        for name in entries:
            hit = any(name == own for _, own in used) if table == "any" else (table, name) in used
            assert hit, (table, name)
    for sheet in FILE["sheets"]:
        table = "placement_sheet" if sheet == "placements" else sheet
        lacking = {each.name for each in SHEETS[sheet]} - {own for of, own in used if of == table}
        assert lacking <= {"waypoint"}, sheet  # names a place in a GPX file; it is not stored
    for added in FILE["when_public"]:
        assert {tuple(key.split(".")) for key in added["columns"]} <= used
    assert set(FILE["same_as"]) | set(FILE["same_as"].values()) <= {table for table, _ in tables}


def test_an_undescribed_column_is_refused():
    """A new column without an entry stops here, not in a file at the council."""
    with pytest.raises(KeyError, match=r"gaps\.new"):
        as_written(pd.DataFrame({"new": [1.0]}), "gaps")
