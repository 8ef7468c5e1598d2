"""Stores with sensitive places, and twins that differ only in what the public may not know."""

import sqlite3
from contextlib import closing
from dataclasses import dataclass, replace

import geopandas as gpd
import numpy as np
import pandas as pd
from shapely import LineString, box

from layers.fieldwork.generalising import WITHHELD, close_cells, own_steps
from layers.network.catchments import part_reaches
from layers.network.graph import build_network
from layers.network.snapping import snap_to_reaches
from service.records import FieldRecords, StoreSettings
from service.reference.method_files import shipped_methods
from service.store import create_store, open_store
from service.store.guards import register_guard

CRS = "EPSG:32629"
EAST, NORTH = 379_000.0, 5_825_500.0  # 10 km cells meet at 390/5830, 50 km cells at 400
PUBLIC_KEY = "5a" * 32
SPECIES = pd.DataFrame(
    {
        "vernacular_name": ["Bullhead", "Eel", "Salmon", "Smelt", "Weatherfish", None],
        "rank": [*["species"] * 5, "genus"],
        "habitats": "stream",
        "sensitivity": ["none", "1", "10", "50", "withheld", "none"],
        "sensitive_from": [None, None, None, "02-01", None, None],
        "sensitive_until": [None, None, None, "05-31", None, None],
    },
    index=pd.Index(
        ["Cottus gobio", "Anguilla anguilla", "Salmo salar", "Osmerus eperlanus",
         "Misgurnus fossilis", "Salmo"],
        name="species",
    ),
)  # fmt: skip
SIDE_M = {1: 1_000.0, 10: 10_000.0, 50: 50_000.0, WITHHELD: 10_000.0}


@dataclass(frozen=True)
class Plan:
    """Placements as somebody may enter them: columns by placement id, and the catch of each."""

    placements: pd.DataFrame
    catches: pd.DataFrame

    def take(self, keep):
        """Return the part of the plan whose placements are marked."""
        kept = self.placements[keep]
        of_kept = self.catches["placement_id"].isin(kept.index)
        return Plan(kept, self.catches[of_kept])

    def own_steps(self):
        """What each placement's catch asks for."""
        none = pd.DataFrame({"placement_id": [], "species": []}, dtype="str")
        return own_steps(self.placements, self.catches, none, SPECIES)

    def steps(self):
        """How each placement is shown, its neighbours considered."""
        return close_cells(self.placements[["x", "y"]].to_numpy(), self.own_steps())


def random_plan(seed, n=70, *, width_m=24_000.0, height_m=9_000.0, shares=None):
    """Placements strewn along streams, many at one place, a share of them sensitive.

    Species that close wide cells keep to the east, each to some of these, so that every kind of
    cell is there: open, and closed at each step.
    """
    rng = np.random.default_rng(seed)
    spots = np.column_stack([rng.uniform(0, width_m, 24), rng.uniform(0, height_m, 24)])
    at = spots[rng.integers(0, len(spots), n)] + rng.normal(0, 40, (n, 2))
    site = [f"Site {k:03d}" for k in rng.integers(0, 30, n)]
    days = pd.Timestamp("2023-01-15T09:00Z") + pd.to_timedelta(rng.integers(0, 700, n), unit="D")
    placements = pd.DataFrame(
        {
            "x": at[:, 0] + EAST,
            "y": at[:, 1] + NORTH,
            "survey": rng.choice(["RIVERA", "LAKEB"], n),
            "site": site,
            "stream_name": rng.choice(["Alder Beck", "Birch Beck"], n),
            "method": rng.choice(["kick_net", "hand_net", "electric_fishing"], n),
            "set_at": days,
            "lifted_at": days + pd.Timedelta(hours=2),
            "timezone": "Europe/Dublin",
            "outcome": "caught",
            "minutes": rng.integers(5, 90, n).astype(float),
            "notes": [f"note-{k:04d}-{rng.integers(1e9)}" for k in range(n)],
            "crew": [f"crew-{k:04d}" for k in range(n)],
            "permit": "PERMIT-77",
            "water_temperature_c": rng.uniform(4, 19, n).round(2),
            "position_uncertainty_m": 5.0,
            "shape_kind": "point",
            "original_crs": CRS,
        },
        index=pd.Index([f"TRAP-{k:04d}" for k in range(n)], name="placement_id", dtype="str"),
    )
    names = SPECIES.index[SPECIES["rank"] == "species"].to_numpy()
    first = rng.choice(names, n, p=shares or [0.7, 0.12, 0.08, 0.06, 0.04])
    x, y = placements[["x", "y"]].to_numpy().T
    wide = np.isin(first, names[2:]) & (x < 400_000)
    northern = np.where(y < 5_830_000, "Salmo salar", "Misgurnus fossilis")
    first = np.where(wide, np.where(x < 390_000, "Cottus gobio", northern), first)
    catches = pd.DataFrame(
        {
            "placement_id": np.repeat(placements.index.to_numpy(object), 2),
            "species": np.column_stack([first, np.full(n, "Cottus gobio")]).ravel(),
            "count": rng.integers(1, 9, 2 * n).astype(float),
            "count_kind": "exact",
            "pass_no": 1.0,
            "life_stage": None,
            "fate": "released",
            "notes": None,
        }
    ).astype({"placement_id": "str", "species": "str"})  # fmt: skip
    # Fish that were not taken further: salmon or trout.
    genus = catches.iloc[:: 2 * 5].assign(species="Salmo")
    catches = pd.concat([catches, genus], ignore_index=True)
    return Plan(placements, catches.drop_duplicates(["placement_id", "species"]))


def twin(plan, seed, *, neighbours=True):
    """Move every placement of a closed cell within it, or of these the covered ones alone, change
    all that is private of them, and enter everything in another order."""
    rng = np.random.default_rng(seed)
    moved, steps = plan.placements.copy(), plan.steps()
    steps = steps if neighbours else np.where(plan.own_steps() > 0, steps, 0)
    for step, side in SIDE_M.items():
        rows = np.flatnonzero(steps == step)
        xy = moved.iloc[rows][["x", "y"]].to_numpy()
        low = np.floor(xy / side) * side
        moved.loc[moved.index[rows], ["x", "y"]] = low + rng.uniform(0, side, xy.shape)
    private = moved.index[steps > 0]
    n = len(private)
    moved.loc[private, "survey"] = rng.choice(["RIVERA", "LAKEB"], n)
    moved.loc[private, "site"] = [f"Moved {k}" for k in rng.integers(0, 9, n)]
    moved.loc[private, "notes"] = [f"moved-{k}" for k in rng.integers(0, 1e9, n)]
    moved.loc[private, "crew"] = "other crew"
    moved.loc[private, "minutes"] = rng.integers(100, 200, n).astype(float)
    shift = pd.to_timedelta(rng.integers(1, 90, n), unit="min")
    moved.loc[private, "set_at"] = moved.loc[private, "set_at"] + shift
    # Nor may the order of entry show.
    order = rng.permutation(len(moved))
    catches = plan.catches.sample(frac=1, random_state=seed)
    return replace(plan, placements=moved.iloc[order], catches=catches)


def drawn_reaches():
    """Parallel streams of 2 km reaches, 600 m apart."""
    lines, ids, order = [], [], []
    for row in range(16):
        for k in range(12):
            y = NORTH + 200 + 600 * row
            x = EAST + 2_000 * k
            lines.append(LineString([(x, y), (x + 1_000, y + 40), (x + 2_000, y)]))
            ids.append(f"R{row:02d}-{k:02d}")
            order.append(1 + row % 3)
    return gpd.GeoDataFrame(
        {"stream_name": "Beck", "strahler": order, "kind": "stream"},
        geometry=lines, index=pd.Index(ids, name="reach_id", dtype="str"), crs=CRS,
    )  # fmt: skip


def drawn_catchments():
    """One large basin, halves of it, and squares of 3 km that hold no 10 km cell."""
    shapes = {"BASIN": box(EAST - 9e4, NORTH - 9e4, EAST + 9e4, NORTH + 9e4)}
    parents = {"BASIN": None}
    for k in range(2):
        shapes[f"HALF{k}"] = box(
            EAST + 12_000 * k, NORTH - 1_000, EAST + 12_000 * (k + 1), NORTH + 11_000
        )
        parents[f"HALF{k}"] = "BASIN"
    for k in range(4):
        name = f"SMALL{k}"
        shapes[name] = box(EAST + 3_000 * k, NORTH, EAST + 3_000 * (k + 1), NORTH + 3_000)
        parents[name] = "HALF0"
    return gpd.GeoDataFrame(
        {"name": [f"Basin {name}" for name in shapes], "parent_id": list(parents.values())},
        geometry=list(shapes.values()),
        index=pd.Index(list(shapes), name="catchment_id", dtype="str"), crs=CRS,
    )  # fmt: skip


def field_records(plan, network):
    """Snap a plan's placements and cut a short stretch for each."""
    frame = plan.placements
    placements = gpd.GeoDataFrame(
        frame.drop(columns=["x", "y"]).assign(original_x=frame["x"], original_y=frame["y"]),
        geometry=gpd.points_from_xy(frame["x"], frame["y"]), crs=CRS,
    )  # fmt: skip
    snaps = snap_to_reaches(placements[["geometry", "position_uncertainty_m"]], network.reaches)
    on = snaps.dropna(subset=["reach_id"])
    stretches = pd.DataFrame(
        {
            "placement_id": on.index.astype("str"),
            "method": placements["method"].reindex(on.index).to_numpy(),
            "reach_id": on["reach_id"].to_numpy(),
            "from_m": (on["measure_m"] - 60).clip(lower=0).to_numpy(),
            "to_m": on["measure_m"].to_numpy(),
        }
    )
    sites = frame["site"].dropna().drop_duplicates()
    return FieldRecords(
        surveys=pd.DataFrame(
            {"name": "Invented", "leader": "Leader", "timezone": "Europe/Dublin"},
            index=pd.Index(sorted(set(frame["survey"])), name="survey"),
        ),
        sites=pd.DataFrame(
            {"name": ("Pool at " + sites).to_numpy()}, index=pd.Index(sites.to_numpy(), name="site")
        ),
        placements=placements,
        catches=plan.catches.copy(),
        lengths=pd.DataFrame(
            {"placement_id": plan.catches["placement_id"], "species": plan.catches["species"],
             "pass_no": 1.0, "length_mm": 81.5, "weight_g": 3.25}
        ),
        snaps=snaps,
        stretches=stretches,
        flags=pd.DataFrame(
            {"placement_id": frame.index, "code": "warm_water", "column": "notes",
             "value": frame["notes"], "message": "Warm after " + frame["notes"]}
        ),
    )  # fmt: skip


def make_store(path, plan=None):
    """Make a store with the drawn network; the key of public names is always the same."""
    create_store(path, StoreSettings(crs=CRS, timezone="Europe/Dublin", store_id="s")).close()
    with closing(sqlite3.connect(path)) as file, file:
        register_guard(file)
        file.execute("UPDATE store_settings SET public_key = ?", (PUBLIC_KEY,))
    store = open_store(path)
    store.put_methods(shipped_methods(), who="test")
    store.put_species(SPECIES, who="test")
    network = build_network(drawn_reaches())
    frame = network.reaches.copy()
    frame["upstream_length_m"] = network.upstream_length_m
    frame["from_node"], frame["to_node"] = network.from_node, network.to_node
    catchments = drawn_catchments()
    empty = field_records(random_plan(0, 1).take([False]), network)
    nothing = {"snaps": empty.snaps, "stretches": empty.stretches, "flags": empty.flags}
    store.replace_network(frame, part_reaches(network, catchments.iloc[:0]), who="test", **nothing)
    store.replace_catchments(catchments, part_reaches(network, catchments), who="test")
    if plan is not None:
        add_plan(store, plan)
    return store


def add_plan(store, plan, name="a.csv"):
    """Add a plan as one import."""
    records = field_records(plan, build_network(drawn_reaches()))
    digests = pd.Series([f"d{k}" for k in range(len(plan.placements))], index=plan.placements.index)
    return store.add_batch(records, who="test", files=(name,), digest=name, digests=digests)
