"""Small frames as the store hands them out, for tests of what the records say."""

import geopandas as gpd
import numpy as np
import pandas as pd
from shapely import Point

METHODS = pd.DataFrame(
    {
        "label": ["Kick net", "Minnow trap", "Fyke net", "Seine", "Electric fishing", "Spotlight"],
        "passive": [False, True, True, False, False, False],
        "effort_units": [
            ["lift", "minute", "square_metre"],
            ["trap_night", "soak_hour"],
            ["net_night", "soak_hour"],
            ["haul", "square_metre"],
            ["square_metre", "metre", "minute", "pass"],
            ["metre", "minute"],
        ],
        "area_rule": ["stated", "none", "none", "polygon", "width_times_length", "none"],
        "cpue_passes": ["all", "all", "all", "all", "first", "all"],
        "habitats": ["stream", "stream;still", "stream;still", "still", "stream", "stream;still"],
    },
    index=pd.Index(
        ["kick_net", "minnow_trap", "fyke_net", "seine", "electric_fishing", "spotlight"],
        name="method",
    ),
)

SPECIES = pd.DataFrame(
    {
        "rank": ["species", "species", "species", "species", "genus"],
        "habitats": ["stream", "stream;still", "still", None, "stream"],
        "detected_by": [None, "minnow_trap;fyke_net;electric_fishing", None, None, None],
    },
    index=pd.Index(
        [
            "Cottus perifretum",
            "Gasterosteus aculeatus",
            "Perca fluviatilis",
            "Anguilla anguilla",
            "Lampetra",
        ],
        name="species",
    ),
)


def placements_of(rows: list[dict], zone: str = "Europe/Dublin") -> gpd.GeoDataFrame:
    """Placements frame; each row names what matters, the rest is filled in plainly."""
    plain = {
        "survey": "S1",
        "site": None,
        "method": "kick_net",
        "set_at": "2025-06-10T10:00Z",
        "lifted_at": None,
        "timezone": zone,
        "outcome": "caught",
        "gear_count": np.nan,
        "lifts": np.nan,
        "minutes": np.nan,
        "passes": np.nan,
        "minutes_pass_1": np.nan,
        "minutes_pass_2": np.nan,
        "minutes_pass_3": np.nan,
        "area_m2": np.nan,
        "stretch_length_m": np.nan,
        "wetted_width_m": np.nan,
        "shape": None,
    }
    frame = pd.DataFrame([plain | row for row in rows], columns=["placement_id", *plain])
    for column in ("set_at", "lifted_at"):
        frame[column] = pd.to_datetime(frame[column], utc=True, format="ISO8601").dt.as_unit("us")
    for column in ("gear_count", "lifts", "minutes", "passes", "area_m2"):
        frame[column] = frame[column].astype("float64")
    for column in ("stretch_length_m", "wetted_width_m"):
        frame[column] = frame[column].astype("float64")
    frame = frame.set_index("placement_id")
    frame.index = frame.index.astype("str")
    points = [Point(500_000 + 10 * i, 5_900_000) for i in range(len(frame))]
    return gpd.GeoDataFrame(frame, geometry=points, crs="EPSG:25829")


def catches_of(rows: list[dict]) -> pd.DataFrame:
    plain = {
        "placement_id": None,
        "species": None,
        "count": np.nan,
        "count_kind": "exact",
        "pass_no": np.nan,
    }
    frame = pd.DataFrame([plain | row for row in rows], columns=list(plain))
    frame.index = pd.RangeIndex(len(frame), name="catch_id")
    return frame.astype(
        {"count": "float64", "pass_no": "float64", "placement_id": "str", "species": "str"}
    )


def ancestors_of(parents: dict[str, str | None]) -> pd.DataFrame:
    """Each catchment with itself and everything that holds it, followed parent by parent."""
    pairs = []
    for catchment in parents:
        at: str | None = catchment
        while at is not None:
            pairs.append((catchment, at))
            at = parents[at]
    return pd.DataFrame(pairs, columns=["catchment_id", "ancestor_id"], dtype="str")
