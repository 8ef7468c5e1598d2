"""A small store on an invented stream, and sheets to try on it."""

from __future__ import annotations

import datetime as dt
import io
import re

import geopandas as gpd
import pandas as pd
import shapely

from service.intake.importing import check
from service.intake.sheets import read_sheets, sheets_from_frames
from service.records import StoreSettings
from service.reference.loading_layers import load_catchments, load_reaches
from service.reference.method_files import shipped_methods
from service.store import create_store

CRS = "EPSG:32629"
NOW = dt.datetime(2025, 6, 1, 12, tzinfo=dt.UTC)
# A stream of 2 km running south, and a brook that joins it half-way; empty ocean in truth.
X, Y = 350_150.0, 5_829_900.0
LINES = {
    "R1": ("Long Brook", [(X, Y + 2000), (X, Y + 1000)]),
    "R2": ("Side Brook", [(X + 1000, Y + 1800), (X, Y + 1000)]),
    "R3": ("Long Brook", [(X, Y + 1000), (X, Y)]),
}
CATCHMENTS = {
    "C0": (None, shapely.box(X - 3000, Y - 500, X + 3000, Y + 3000)),
    "C1": ("C0", shapely.box(X - 3000, Y + 1000, X + 300, Y + 3000)),
    "C2": ("C0", shapely.box(X + 300, Y + 1000, X + 3000, Y + 3000)),
}
SPECIES = """species,vernacular_name,rank,min_length_mm,max_length_mm
Barbatula barbatula,Stone loach,species,15,150
Cottus gobio,Bullhead,species,12,150
Anguilla anguilla,European eel,species,65,1200
Lampetra planeri,Brook lamprey,species,10,170
Salmo,,genus,20,1000
"""
PLACEMENTS = """\
placement_id,survey,site,method,set_at,lifted_at,longitude,latitude,gear_count,minutes,lifts,\
outcome,notes
P1,S24,A,minnow_trap,2024-05-01T19:00,2024-05-02T08:00,-11.2128,52.6035,4,,,caught,
P2,S24,B,kick_net,2024-05-02T11:00,2024-05-02T11:40,-11.2127,52.6000,,40,12,nil,
"""
CATCHES = """placement_id,species,count,count_kind,pass_no,fate
P1,Barbatula barbatula,3,exact,,released
P1,Cottus gobio,20,at_least,,released
"""


def make_store(path, *, bare=False):
    """Make a store; `bare` leaves out the network and the catchments."""
    store = create_store(path, StoreSettings(crs=CRS, timezone="Europe/Dublin"))
    store.put_methods(shipped_methods(), who="test")
    store.put_species(pd.read_csv(io.StringIO(SPECIES)).set_index("species"), who="test")
    if not bare:
        names, lines = zip(*LINES.values(), strict=True)
        reaches = gpd.GeoDataFrame(
            {"reach_id": list(LINES), "stream_name": names},
            geometry=[shapely.LineString(line) for line in lines],
            crs=CRS,
        )
        load_reaches(store, reaches, who="test")
        parents, shapes = zip(*CATCHMENTS.values(), strict=True)
        areas = gpd.GeoDataFrame(
            {"catchment_id": list(CATCHMENTS), "name": list(CATCHMENTS), "parent_id": parents},
            geometry=list(shapes),
            crs=CRS,
        )
        load_catchments(store, areas, who="test")
    return store


def settled(mapping):
    """Text of a suggested mapping whose questions somebody has settled: by leaving out."""
    above, mark, below = mapping.partition("\n[open]")
    return above + mark + re.sub(r"(?m)^[^#\n].*\n", "", below) if mark else mapping


def cells(text):
    """Text of a CSV as a frame of text cells."""
    return pd.read_csv(io.StringIO(text), dtype="str", keep_default_na=False)


def placements(**columns):
    """One good placement in which some cells are replaced; lists make several rows."""
    row = cells(PLACEMENTS).iloc[[1]].reset_index(drop=True)
    n = max((len(v) for v in columns.values() if isinstance(v, list)), default=1)
    frame = row.loc[row.index.repeat(n)].reset_index(drop=True)
    frame["placement_id"] = [f"P{k + 2}" for k in range(n)]
    for name, value in columns.items():
        frame[name] = value
    return frame


def checked(store, frame, catches=None, lengths=None, **options):
    """Check frames against a store."""
    sheets = {"placements": frame}
    if catches is not None:
        sheets["catches"] = catches
    if lengths is not None:
        sheets["lengths"] = lengths
    return check(sheets_from_frames(sheets, **options), store, now=NOW)


def only_fault(result, column):
    """Return the one refusal of a result, which must name this column."""
    assert result.records is None
    assert [fault.column for fault in result.refused] == [column], result.refused
    return result.refused[0]


def codes(result):
    """Codes of all flags, once each."""
    assert result.records is not None, result.refused
    return set(result.flagged["code"])


def files(folder, placements=PLACEMENTS, catches=CATCHES, encoding="utf-8"):
    """Write sheets as CSV and return their paths."""
    one, two = folder / "placements.csv", folder / "catches.csv"
    one.write_bytes(placements if isinstance(placements, bytes) else placements.encode(encoding))
    two.write_bytes(catches if isinstance(catches, bytes) else catches.encode(encoding))
    return one, two


def check_files(store, folder, *args, **options):
    """Write sheets, read them and check them."""
    placements_path, catches_path = files(folder, *args)
    return check(read_sheets(placements_path, catches_path, **options), store, now=NOW)
