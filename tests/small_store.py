"""A store small enough to check by hand: the drawn network, two catchments, eight placements."""

from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
from shapely import Point, box

from layers.network.catchments import part_reaches
from layers.network.graph import build_network
from layers.network.snapping import snap_to_reaches
from service.records import FieldRecords, StoreSettings
from service.reference.method_files import shipped_methods
from service.store import create_store

REFERENCES = Path(__file__).parent / "references"
CRS = "EPSG:25830"
NASTY = "<script>window.ran = 1</script>"
# x and y in metres from the drawn network's corner; what was caught, as species: count, kind.
PLACEMENTS = [
    ("T1", "kick_net", "2022-05-03 10:00", "caught", 60.0, {"Cottus gobio": (4, "exact")}),
    ("T2", "kick_net", "2022-05-03 12:00", "nil", 160.0, {}),
    ("T3", "electric_fishing", "2023-06-10 11:00", "caught", 450.0,
     {"Cottus gobio": (20, "at_least"), "Salmo trutta": (None, "present")}),
    ("T4", "fyke_net", "2023-06-11 18:00", "lost", 700.0, {}),
    ("T5", "minnow_trap", "2023-06-11 18:00", "unrecorded", 720.0, {}),
    ("T6", "spotlight", "2024-07-01 23:30", "caught", 820.0, {"Anguilla anguilla": (1, "exact")}),
    ("T7", "seine", "2024-07-02 09:00", "nil", 900.0, {}),
    ("T8", "hand_net", "2024-08-20 14:00", "caught", 40.0, {"Lampetra fluviatilis": (2, "exact")}),
]  # fmt: skip
SPECIES = pd.DataFrame(
    {
        "vernacular_name": ["Bullhead", "Brown trout", "Eel", "River lamprey", "Pike"],
        "rank": "species",
        "family": ["Cottidae", "Salmonidae", "Anguillidae", "Petromyzontidae", "Esocidae"],
        "habitats": None,
        "detected_by": [None, None, None, None, "electric_fishing;fyke_net"],
        "sensitivity": ["none", "none", "none", "10", "none"],
    },
    index=pd.Index(
        [
            "Cottus gobio",
            "Salmo trutta",
            "Anguilla anguilla",
            "Lampetra fluviatilis",
            "Esox lucius",
        ],
        name="species",
    ),
)


def field_records(reaches, notes="", rows=PLACEMENTS):
    """Placements along the first reach of the drawn network, ten metres off it."""
    network = build_network(reaches)
    line = network.reaches.geometry.loc["R1"]
    frame = pd.DataFrame(
        {
            "placement_id": [row[0] for row in rows],
            "survey": "S1",
            "site": None,
            "method": [row[1] for row in rows],
            "set_at": pd.to_datetime([row[2] for row in rows])
            .tz_localize("Europe/Dublin").tz_convert("UTC").as_unit("us"),
            "timezone": "Europe/Dublin",
            "outcome": [row[3] for row in rows],
            "notes": notes,
            "stretch_length_m": np.nan,
            "position_uncertainty_m": 5.0,
            "gear_count": 1.0,
            "lifts": 2.0,
            "minutes": 30.0,
            "passes": 1.0,
            "shape_kind": "point",
            "original_crs": CRS,
        }
    ).set_index("placement_id")  # fmt: skip
    hours = frame["method"].map({"fyke_net": 14, "minnow_trap": 14}).fillna(1)
    frame["lifted_at"] = frame["set_at"] + pd.to_timedelta(hours, unit="h")
    at = [line.interpolate(min(row[4], line.length)) for row in rows]
    points = [Point(point.x + 10, point.y + 1) for point in at]
    placements = gpd.GeoDataFrame(frame, geometry=points, crs=CRS)
    snaps = snap_to_reaches(placements[["geometry", "position_uncertainty_m"]], network.reaches)
    catches = pd.DataFrame(
        [
            {"placement_id": row[0], "species": name, "count": count, "count_kind": kind,
             "pass_no": 1.0, "life_stage": None, "fate": "released", "notes": notes}
            for row in rows for name, (count, kind) in row[5].items()
        ]
    )  # fmt: skip
    catches["count"] = catches["count"].astype("float64")
    stretches = pd.DataFrame(
        [("T1", "kick_net", "R1", 0.0, 120.0), ("T2", "kick_net", "R1", 100.0, 220.0),
         ("T3", "electric_fishing", "R1", 400.0, 500.0)],
        columns=["placement_id", "method", "reach_id", "from_m", "to_m"],
    )  # fmt: skip
    surveys = pd.DataFrame(
        {"name": ["Spring round"], "timezone": ["Europe/Dublin"], "crs": [CRS]},
        index=pd.Index(["S1"], name="survey"),
    )
    flagged = "T3" if "T3" in frame.index else frame.index[0]
    return FieldRecords(
        surveys=surveys,
        sites=pd.DataFrame({"name": []}, index=pd.Index([], name="site", dtype="str")),
        placements=placements,
        catches=catches,
        lengths=catches.iloc[:1][["placement_id", "species", "pass_no"]].assign(
            length_mm=81.0, weight_g=6.5, length_type="total"
        ),
        snaps=snaps,
        stretches=stretches[stretches["placement_id"].isin(frame.index)],
        flags=pd.DataFrame(
            {"placement_id": [flagged], "code": ["warm_water"], "column": ["water_temperature_c"],
             "value": ["21"], "message": [notes or "The water was warm."]}
        ),
    )  # fmt: skip


def drawn_reaches():
    """The drawn network of tests/references, metres, with a false origin."""
    answers = pd.read_csv(REFERENCES / "network_reaches.csv").set_index("reach")
    lines = gpd.GeoSeries.from_wkt(answers["wkt"], crs=CRS).translate(500_000, 6_000_000)
    lines.index.name = "reach_id"
    return lines.to_frame("geometry")


def make_small_store(path, notes="", rows=PLACEMENTS):
    """Make the store; `notes` goes into every column of free text."""
    reaches = drawn_reaches()
    store = create_store(path, StoreSettings(crs=CRS, timezone="Europe/Dublin", title="Brook"))
    store.put_methods(shipped_methods(), who="test")
    store.put_species(SPECIES, who="test")
    network = build_network(reaches)
    frame = network.reaches.copy()
    frame["upstream_length_m"] = network.upstream_length_m
    frame["from_node"], frame["to_node"] = network.from_node, network.to_node
    west, south, east, north = frame.total_bounds
    middle = (south + north) / 2
    catchments = gpd.GeoDataFrame(
        {"name": ["Whole brook", "Upper brook"], "parent_id": [None, "C1"]},
        geometry=[box(west - 50, south - 50, east + 50, north + 50),
                  box(west - 50, middle, east + 50, north + 50)],
        index=pd.Index(["C1", "C2"], name="catchment_id"), crs=CRS,
    )  # fmt: skip
    parts = part_reaches(network, catchments)
    records = field_records(reaches, notes, rows)
    nothing = {"snaps": records.snaps.iloc[:0], "stretches": records.stretches.iloc[:0]}
    without = part_reaches(network, catchments.iloc[:0])
    store.replace_network(frame, without, flags=records.flags.iloc[:0], who="test", **nothing)
    store.replace_catchments(catchments, parts, who="test")
    digests = pd.Series("d", index=records.placements.index)
    store.add_batch(records, who="test", files=("a.csv",), digest="x", digests=digests)
    return store
