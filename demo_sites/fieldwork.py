"""Plan and carry out five years of invented fieldwork on the island.

Where each species lives is drawn once per reach; every placement then takes each species that
lives there with the chance of its method. The sheets are kept as a crew would keep them: local
clock times without an offset, some positions as tracks, some as two ends, some with a length
paced out, one survey in eastings and northings.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import shapely
from pyproj import Transformer
from shapely import LineString, Polygon
from shapely.ops import substring

from demo_sites import ISLAND_CRS
from demo_sites.fauna import CATCHABILITY, CLASSES, COARSE_OF, FISHES, METHODS, Fish

if TYPE_CHECKING:
    from collections.abc import Sequence

    import geopandas as gpd

    from demo_sites.island import Island

SURVEYS = (
    ("BRK21", "Brook baseline", "crew A", "PERMIT-21-04", "EPSG:4326"),
    ("LOW22", "Lowland traps and lake", "crew B", "PERMIT-22-11", "EPSG:4326"),
    ("NGT23", "Night rounds", "crew C", "PERMIT-23-02", "EPSG:4326"),
    ("OCC24", "Repeat visits", "crew A", "PERMIT-24-07", "EPSG:4326"),
    ("LAG25", "Lagoon and ditch", "crew B", "PERMIT-25-03", "EPSG:25829"),
    ("EFR25", "Return to the brooks", "crew A", "PERMIT-25-09", "EPSG:4326"),
)
PLACEMENT_COLUMNS = [
    "placement_id", "survey", "site", "stream_name", "method", "set_at", "lifted_at",
    "longitude", "latitude", "easting", "northing", "crs", "geometry", "end_longitude",
    "end_latitude", "end_easting", "end_northing", "stretch_length_m", "stretch_anchor",
    "position_uncertainty_m", "area_m2", "gear_count", "lifts", "minutes", "passes", "mesh_mm",
    "bait", "trap_air_space", "outcome", "water_temperature_c", "dissolved_oxygen_mg_l",
    "conductivity_us_cm", "visibility_m", "wetted_width_m", "crew", "operator_certificate",
    "machine_check", "permit", "gear_cleaned", "notes",
]  # fmt: skip
CATCH_COLUMNS = [
    "placement_id", "species", "count", "count_kind", "pass_no", "life_stage", "fate", "notes",
]  # fmt: skip
LENGTH_COLUMNS = [
    "placement_id", "species", "pass_no", "length_mm", "weight_g",
]  # fmt: skip
# Clock time at which it is dark on the island, by month.
DARK_AT = {
    4: (22, 0),
    5: (23, 10),
    6: (23, 55),
    7: (23, 40),
    8: (22, 45),
    9: (21, 25),
    10: (20, 10),
}


@dataclass
class Sheets:
    """Rows of the field sheets while they are written."""

    placements: list[dict[str, object]] = field(default_factory=list)
    catches: list[dict[str, object]] = field(default_factory=list)
    lengths: list[dict[str, object]] = field(default_factory=list)
    sites: list[dict[str, object]] = field(default_factory=list)


@dataclass(frozen=True)
class Spot:
    """A place on a reach: row of the reach, distance along it, and the site's code."""

    row: int
    measure_m: float
    site: str | None


class Fieldwork:
    """The crews at work; holds the island, the random source and the sheets."""

    def __init__(self, island: Island, rng: np.random.Generator) -> None:
        self.reaches = island.reaches
        self.waterbodies = island.waterbodies
        self.rng = rng
        self.sheets = Sheets()
        self.habitat = habitat_classes(island.reaches)
        self.basin = basins_of(island.reaches, island.catchments)
        self.lives = who_lives_where(self.habitat, self.basin, rng)
        self.to_degrees = Transformer.from_crs(ISLAND_CRS, "EPSG:4326", always_xy=True)
        self.to_metres = Transformer.from_crs(ISLAND_CRS, "EPSG:25829", always_xy=True)
        self.leader = {code: leader for code, _, leader, _, _ in SURVEYS}
        self.permit = {code: permit for code, _, _, permit, _ in SURVEYS}
        self.spots: dict[int, Spot] = {}

    # Places -------------------------------------------------------------------------------

    def spot(self, row: int) -> Spot:
        """Give the site on a reach, setting one up at the first visit."""
        if row not in self.spots:
            line = self.reaches.geometry.iloc[row]
            number = len(self.sheets.sites) + 1
            measure = float(line.length * self.rng.uniform(0.45, 0.75))
            code = f"S{number:02d}"
            stream = self.reaches["stream_name"].iloc[row]
            where = {"lagoon": "shore", "lake": "bay", "ditch": "culvert", "mouth": "tideway"}
            kind = where.get(self.habitat[row], ("ford", "pool", "bend", "riffle")[number % 4])
            named = stream if isinstance(stream, str) else "Nameless stream"
            x, y = self.to_degrees.transform(*line.interpolate(measure).coords[0])
            self.sheets.sites.append(
                {
                    "site": code,
                    "name": f"{named}, {kind} {number}",
                    "stream_name": stream if isinstance(stream, str) else None,
                    "longitude": round(x, 6),
                    "latitude": round(y, 6),
                }
            )
            self.spots[row] = Spot(row, measure, code)
        return self.spots[row]

    def choose(self, classes: Sequence[str], basins: Sequence[str], count: int) -> list[int]:
        """Choose reaches of some classes in some catchments, spread by chance."""
        fits = [
            row
            for row in range(len(self.reaches))
            if self.habitat[row] in classes
            and self.basin[row].startswith(tuple(basins))
            and self.reaches.geometry.iloc[row].length > 330
        ]
        return sorted(self.rng.permutation(fits)[:count].tolist())

    # One placement ------------------------------------------------------------------------

    def place(
        self,
        survey: str,
        method: str,
        spot: Spot,
        when: dt.datetime,
        **given: object,
    ) -> dict[str, object]:
        """Write one placement with its catch; `given` overrides what the crew would write."""
        rng, row = self.rng, spot.row
        line = self.reaches.geometry.iloc[row]
        kind = self.habitat[row]
        number = sum(p["survey"] == survey for p in self.sheets.placements) + 1
        stream = self.reaches["stream_name"].iloc[row]
        width = round(float(0.9 + 1.5 * self.reaches["upstream_km2"].iloc[row] ** 0.5), 1)
        sheet: dict[str, object] = {
            "placement_id": f"{survey}-{number:03d}",
            "survey": survey,
            "site": spot.site,
            "stream_name": stream if isinstance(stream, str) else None,
            "method": method,
            "position_uncertainty_m": int(rng.choice([3, 4, 5, 5, 8])),
            "outcome": None,
            "water_temperature_c": _temperature(rng, when.month, kind),
            "dissolved_oxygen_mg_l": _oxygen(rng, kind),
            "conductivity_us_cm": _conductivity(rng, kind),
            "visibility_m": round(float(rng.uniform(0.4, 1.6)), 1),
            "wetted_width_m": None if kind in ("lake", "lagoon") else width,
            "crew": self.leader[survey],
            "permit": self.permit[survey],
            "gear_cleaned": "yes",
        }
        length_m = self._gear(sheet, method, kind, when, width)
        measure = float(np.clip(spot.measure_m + rng.normal(0, 12), 5, line.length - 5))
        self._position(sheet, method, line, measure, length_m)
        sheet |= given
        if sheet["outcome"] is None:
            taken = self._catch(sheet, method, row)
            sheet["outcome"] = "caught" if taken else "nil"
        self.sheets.placements.append(sheet)
        return sheet

    def _gear(
        self, sheet: dict[str, object], method: str, kind: str, when: dt.datetime, width: float
    ) -> float:
        """Fill in times, effort and gear; return the length worked along the stream."""
        rng = self.rng
        minutes, length_m = 0.0, 0.0
        if method in ("minnow_trap", "fyke_net"):
            start = when.replace(hour=18) + dt.timedelta(minutes=int(rng.integers(-6, 10)) * 5)
            lifted = (start + dt.timedelta(days=1)).replace(hour=9, minute=0)
            lifted += dt.timedelta(minutes=int(rng.integers(-5, 9)) * 5)
            trap = method == "minnow_trap"
            sheet |= {
                "gear_count": int(rng.integers(4, 9) if trap else rng.integers(1, 3)),
                "mesh_mm": 6 if trap else 14,
                "bait": "fish meal pellets" if trap else None,
                "trap_air_space": "yes",
            }
        elif method == "spotlight":
            hour, minute = DARK_AT[when.month]
            start = when.replace(hour=hour, minute=minute)
            minutes, length_m = float(rng.integers(4, 9) * 5), float(rng.integers(12, 26) * 10)
            lifted = start + dt.timedelta(minutes=minutes)
            sheet["minutes"] = int(minutes)
        else:
            start = when.replace(
                hour=int(rng.integers(10, 15)), minute=int(rng.integers(0, 12)) * 5
            )
            minutes = float({"electric_fishing": 75, "seine": 40}.get(method, 25))
            lifted = start + dt.timedelta(minutes=minutes + int(rng.integers(0, 5)) * 5)
            if method == "electric_fishing":
                length_m = float(rng.integers(6, 13) * 10)
                sheet |= {
                    "passes": 3,
                    "minutes": int(minutes - 15),
                    "operator_certificate": "yes",
                    "machine_check": "yes",
                    "area_m2": round(length_m * width),
                }
            elif method == "seine":
                sheet |= {"lifts": 1, "mesh_mm": 5}
            else:
                sheet |= {"lifts": int(rng.integers(8, 21)), "mesh_mm": 1 if kind else 2}
        sheet |= {"set_at": start, "lifted_at": lifted}
        return length_m

    def _position(
        self,
        sheet: dict[str, object],
        method: str,
        line: LineString,
        measure: float,
        length_m: float,
    ) -> None:
        """Write the position as a point, two ends, a track or an area."""
        rng = self.rng
        metres = sheet["survey"] == "LAG25"
        project = (self.to_metres if metres else self.to_degrees).transform
        digits = 1 if metres else 6
        x_name, y_name = ("easting", "northing") if metres else ("longitude", "latitude")
        sheet["crs"] = "EPSG:25829" if metres else "EPSG:4326"

        def written(xy: npt.ArrayLike) -> npt.NDArray[np.float64]:
            exact = np.asarray(xy, dtype=np.float64)
            read = exact + rng.normal(0, 1.6, exact.shape)
            return np.asarray(np.round(np.column_stack(project(*read.T)), digits))

        if method == "seine":
            middle = np.array(line.interpolate(measure).coords[0]) + rng.normal(0, 25, 2)
            turn = np.linspace(0, 2 * np.pi, 10)[:-1]
            radius = rng.uniform(11, 21) * (1 + 0.2 * np.sin(2 * turn + rng.uniform(0, 6)))
            ring = middle + np.column_stack([np.cos(turn), np.sin(turn)]) * radius[:, None]
            sheet["geometry"] = Polygon(written(ring)).wkt
            return
        low = measure
        high = max(measure - length_m, 3.0)
        style = len(self.sheets.placements) % 3 if length_m else 3
        if style == 0:  # a track walked upstream
            way = substring(line, low, high)
            count = max(int(way.length / 15), 3)
            along = way.interpolate(np.linspace(0, way.length, count))
            sheet["geometry"] = LineString(written(shapely.get_coordinates(along))).wkt
            return
        ends = written([line.interpolate(low).coords[0], line.interpolate(high).coords[0]])
        sheet[x_name], sheet[y_name] = ends[0].tolist()
        if style == 1:
            sheet[f"end_{x_name}"], sheet[f"end_{y_name}"] = ends[1].tolist()
        elif style == 2:
            sheet["stretch_length_m"] = int(length_m)
            if len(self.sheets.placements) % 5 == 0:
                sheet["stretch_anchor"] = "centre"

    # The catch ----------------------------------------------------------------------------

    def _catch(self, sheet: dict[str, object], method: str, row: int) -> int:
        """Draw what the placement takes; write catch and length rows; return the rows written."""
        rng, written = self.rng, 0
        for number, fish in enumerate(FISHES):
            chance = CATCHABILITY[fish.guild][METHODS.index(method)]
            if not self.lives[row, number] or rng.random() >= chance:
                continue
            plenty = {"electric_fishing": 2.2, "seine": 2.4, "minnow_trap": 1.2}.get(method, 0.7)
            count = 1 + int(rng.negative_binomial(1.4, 1.4 / (1.4 + fish.shoal * plenty)))
            if method == "electric_fishing":
                self._passes(sheet, fish, count)
            else:
                self._catch_rows(sheet, fish, method, count)
            written += 1
        return written

    def _catch_rows(self, sheet: dict[str, object], fish: Fish, method: str, count: int) -> None:
        """Write one species' catch of a placement without passes."""
        rng = self.rng
        base = {"placement_id": sheet["placement_id"], "species": fish.species, "fate": "released"}
        entry = base | {"count": count, "count_kind": "exact"}
        chance = rng.random()
        if method == "spotlight":
            entry["fate"] = "seen"
            if chance < 0.15:
                entry |= {"count": None, "count_kind": "present"}
        elif method == "seine" and count > 15:
            entry |= {"count": round(count, -1), "count_kind": "estimate"}
        if count >= 20 and chance > 0.35 and entry["count_kind"] == "exact":
            entry |= {"count": 20, "count_kind": "at_least", "notes": "20 or more, shoal"}
        if chance > 0.955 and fish.species in COARSE_OF and count <= 5:
            entry |= {"species": COARSE_OF[fish.species], "life_stage": "juvenile"}
        self.sheets.catches.append(entry)
        if method != "spotlight" and entry["species"] == fish.species and rng.random() < 0.6:
            self._measure(base, fish, None, min(count, 6))

    def _passes(self, sheet: dict[str, object], fish: Fish, count: int) -> None:
        """Write one species' catch by passes: each takes about half of what is left."""
        rng, left = self.rng, count
        base = {"placement_id": sheet["placement_id"], "species": fish.species, "fate": "released"}
        for pass_no in (1, 2, 3):
            here = int(rng.binomial(left, 0.56))
            left -= here
            if not here:
                continue
            entry = base | {"count": here, "count_kind": "exact", "pass_no": pass_no}
            if fish.guild == "salmonid" and rng.random() < 0.5:
                entry["life_stage"] = "juvenile"
            if rng.random() < 0.012:
                entry |= {"fate": "died", "notes": "one of them did not recover"}
            self.sheets.catches.append(entry)
            self._measure(base, fish, pass_no, here)
        if left == count:  # nothing in any pass: the last fish shows itself
            self.sheets.catches.append(base | {"count": 1, "count_kind": "exact", "pass_no": 1})

    def _measure(
        self, base: dict[str, object], fish: Fish, pass_no: int | None, count: int
    ) -> None:
        """Measure up to eight fish of one catch."""
        low, high = fish.length_mm
        usual = min(low + 0.42 * (high - low), 240.0)
        for length in self.rng.normal(usual, usual * 0.22, min(count, 8)):
            kept = float(np.clip(round(length), low + 2, high - 2))
            self.sheets.lengths.append(
                {
                    "placement_id": base["placement_id"],
                    "species": fish.species,
                    "pass_no": pass_no,
                    "length_mm": int(kept),
                    "weight_g": round(1.1e-5 * kept**3, 1) if kept > 40 else None,
                }
            )


def _temperature(rng: np.random.Generator, month: int, kind: str) -> float:
    """Water temperature of a month, warmer in still water."""
    usual = {3: 7, 4: 9, 5: 12, 6: 14, 7: 16, 8: 16, 9: 14, 10: 11}[month]
    return round(float(usual + rng.normal(0, 1.0) + 1.8 * (kind in ("lake", "lagoon", "ditch"))), 1)


def _oxygen(rng: np.random.Generator, kind: str) -> float:
    """Dissolved oxygen, low in the ditch."""
    usual, spread = (2.4, 0.5) if kind == "ditch" else (9.6, 0.7)
    return round(float(max(rng.normal(usual, spread), 1.1)), 1)


def _conductivity(rng: np.random.Generator, kind: str) -> int:
    """Conductivity, brackish near the sea."""
    usual = {"lagoon": 14_000, "mouth": 2_200, "ditch": 620, "lake": 180}.get(kind, 150)
    return int(round(usual * float(rng.uniform(0.75, 1.25)), -1))


def habitat_classes(reaches: gpd.GeoDataFrame) -> list[str]:
    """Class each reach by what it is, how high it lies and how much it drains."""
    end = shapely.get_coordinates(shapely.get_point(reaches.geometry.array, -1))
    start = {
        tuple(xy) for xy in shapely.get_coordinates(shapely.get_point(reaches.geometry.array, 0))
    }
    classes = []
    for i, reach in enumerate(reaches.itertuples()):
        at_sea = tuple(end[i]) not in start and reach.height_m < 25
        if reach.kind == "ditch":
            kind = "ditch"
        elif reach.kind in ("lake_path", "connector"):
            kind = "lagoon" if reach.height_m < 12 else "lake"
        elif at_sea and reach.upstream_km2 > 2.5:
            kind = "mouth"
        elif reach.upstream_km2 > 6:
            kind = "river"
        else:
            kind = "high_brook" if reach.height_m > 70 else "low_brook"
        classes.append(kind)
    return classes


def basins_of(reaches: gpd.GeoDataFrame, catchments: gpd.GeoDataFrame) -> list[str]:
    """Give the smallest catchment at the middle of each reach."""
    leaves = catchments[~catchments["catchment_id"].isin(catchments["parent_id"].dropna())]
    middle = reaches.geometry.interpolate(0.5, normalized=True)
    nearest = shapely.STRtree(leaves.geometry.array).query_nearest(middle.array, all_matches=False)[
        1
    ]
    return [str(leaf) for leaf in leaves["catchment_id"].iloc[nearest]]


def who_lives_where(
    habitat: Sequence[str], basin: Sequence[str], rng: np.random.Generator
) -> npt.NDArray[np.bool_]:
    """Draw which species live in which reach (reaches × species flags)."""
    chance = np.array([fish.lives for fish in FISHES]).T[[CLASSES.index(h) for h in habitat]]
    rivers = sorted({b.split(".")[0] for b in basin})
    lean = rng.normal(0, 0.5, (len(rivers), len(FISHES)))
    row = [rivers.index(b.split(".")[0]) for b in basin]
    with np.errstate(divide="ignore"):
        odds = chance / (1 - np.minimum(chance, 0.999)) * np.exp(lean[row])
    return np.asarray(rng.random(chance.shape) < odds / (1 + odds))
