"""The five years' programme: which crew fishes where, when and with what."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import shapely
from shapely import Point

from demo_sites import TIMEZONE
from demo_sites.fieldwork import (
    CATCH_COLUMNS,
    LENGTH_COLUMNS,
    PLACEMENT_COLUMNS,
    SURVEYS,
    Fieldwork,
    Spot,
)

if TYPE_CHECKING:
    from demo_sites.island import Island

BROOKS = ("high_brook", "low_brook")
SAMPLED = ("C1", "C2", "C4")
REPEATED_REACHES = 30


def day(year: int, month: int, of_month: int) -> dt.datetime:
    """Give a date; clock times are filled in by the method."""
    return dt.datetime(year, month, of_month)  # noqa: DTZ001 - a local wall-clock time


def carry_out(island: Island, seed: int) -> dict[str, pd.DataFrame]:
    """Carry out the programme and return the sheets.

    Parameters
    ----------
    island
        The island as `build_island` makes it.
    seed
        Seed of everything random in the field.

    Returns
    -------
    dict
        Frames `placements`, `catches`, `lengths`, `surveys`, `sites`, with the column names of
        the field sheets. Times are local wall-clock times of the survey's zone.
    """
    work = Fieldwork(island, np.random.default_rng(seed))
    brooks = _brook_baseline(work)
    _lowland(work)
    _night_rounds(work)
    _repeat_visits(work)
    _lagoon_and_ditch(work)
    _return_to_brooks(work, brooks)
    return _frames(work)


def _brook_baseline(work: Fieldwork) -> list[int]:
    """2021: three-pass electric fishing by day and kick nets in the brooks."""
    rows = work.choose((*BROOKS, "river"), SAMPLED, 16)
    for number, row in enumerate(rows):
        when = day(2021, 7 + number // 8, 3 + 3 * (number % 8))
        given: dict[str, object] = {"machine_check": None} if number == 5 else {}
        sheet = work.place("BRK21", "electric_fishing", work.spot(row), when, **given)
        if number == 9:
            _let_depletion_fail(work, str(sheet["placement_id"]))
    for number, row in enumerate(work.choose(BROOKS, SAMPLED, 10)):
        work.place("BRK21", "kick_net", work.spot(row), day(2021, 9, 4 + 2 * number))
    return rows


def _let_depletion_fail(work: Fieldwork, placement_id: str) -> None:
    """Rewrite one species' passes so that catches rise: the water cleared between passes."""
    mine = [c for c in work.sheets.catches if c["placement_id"] == placement_id]
    species = mine[0]["species"] if mine else "Salmo trutta"
    work.sheets.catches[:] = [c for c in work.sheets.catches if c not in mine] + [
        c for c in mine if c["species"] != species
    ]
    for pass_no, count in enumerate((3, 5, 8), start=1):
        work.sheets.catches.append(
            {
                "placement_id": placement_id,
                "species": species,
                "count": count,
                "count_kind": "exact",
                "pass_no": pass_no,
                "fate": "released",
                "notes": "water cleared between passes",
            }
        )


def _lowland(work: Fieldwork) -> None:
    """2022: fykes and traps in rivers and the lake, a seine in the lake."""
    rivers = work.choose(("river", "mouth"), (*SAMPLED, "C5"), 14)
    lake = [row for row, kind in enumerate(work.habitat) if kind == "lake"]
    for number, row in enumerate(rivers):
        when = day(2022, 5 + number // 7, 2 + 4 * (number % 7))
        given: dict[str, object] = {}
        if number == 3:
            given = {"outcome": "lost", "notes": "net gone after a spate, searched both banks"}
        elif number == 8:
            given = {"outcome": "disturbed", "notes": "wing torn, entrance open to the current"}
        elif number == 11:
            soaked = when.replace(hour=18) + dt.timedelta(days=1, hours=16)
            given = {"lifted_at": soaked, "notes": "track flooded, lifted a day late"}
        work.place("LOW22", "fyke_net", work.spot(row), when, **given)
    for number, row in enumerate(rivers[:10]):
        given = {"outcome": "unrecorded", "notes": "sheet lost overboard"} if number == 4 else {}
        work.place("LOW22", "minnow_trap", work.spot(row), day(2022, 8, 2 + 2 * number), **given)
    for number in range(8):
        spot = work.spot(lake[number % len(lake)])
        spot = Spot(spot.row, spot.measure_m * (0.4 + 0.15 * (number // 2)), spot.site)
        work.place("LOW22", "seine", spot, day(2022, 7, 6 + 2 * number))
    for number in range(4):
        spot = work.spot(lake[number % len(lake)])
        work.place("LOW22", "fyke_net", spot, day(2022, 9, 6 + number))


def _night_rounds(work: Fieldwork) -> None:
    """2023: spotlights by night, hand nets by day on the same reaches."""
    rows = work.choose((*BROOKS, "river"), SAMPLED, 16)
    for number, row in enumerate(rows):
        when = day(2023, 5 + number // 5, 4 + 4 * (number % 5))
        given: dict[str, object] = {"visibility_m": 0.2} if number == 7 else {}
        work.place("NGT23", "spotlight", work.spot(row), when, **given)
    for number, row in enumerate(rows[:12]):
        work.place("NGT23", "hand_net", work.spot(row), day(2023, 9, 2 + 2 * number))
    spot = work.spot(rows[0])
    for x, y, stream, notes, uncertainty in (
        (*_between_two_reaches(work), None, "at the meeting, bank not noted", 20),
        (*_away_from_reaches(work), None, "spring pool in the bog, no channel mapped", 10),
    ):
        longitude, latitude = work.to_degrees.transform(x, y)
        work.place(
            "NGT23",
            "hand_net",
            Spot(spot.row, spot.measure_m, None),
            day(2023, 9, 27),
            longitude=round(longitude, 6),
            latitude=round(latitude, 6),
            stream_name=stream,
            notes=notes,
            position_uncertainty_m=uncertainty,
        )


def _between_two_reaches(work: Fieldwork) -> tuple[float, float]:
    """Find a point halfway between two sampled reaches just above their meeting."""
    lines = work.reaches.geometry
    end = [line.coords[-1] for line in lines]
    for row in work.choose((*BROOKS, "river"), SAMPLED, len(lines)):
        for other in range(len(lines)):
            if other != row and end[other] == end[row] and lines.iloc[other].length > 200:
                one = lines.iloc[row].interpolate(lines.iloc[row].length - 30)
                two = lines.iloc[other].interpolate(lines.iloc[other].length - 30)
                if 30 < one.distance(two) < 56:
                    return (one.x + two.x) / 2, (one.y + two.y) / 2
    raise RuntimeError("no two reaches meet at a fit angle; try another seed")


def _away_from_reaches(work: Fieldwork) -> tuple[float, float]:
    """Find a point 220 to 320 m from every reach, beside a sampled one."""
    network = shapely.union_all(work.reaches.geometry.array)
    for row in work.choose(BROOKS, SAMPLED, len(work.reaches)):
        middle = work.reaches.geometry.iloc[row].interpolate(0.5, normalized=True)
        for turn in np.arange(0, 2 * np.pi, 0.5):
            spot = Point(middle.x + 260 * np.cos(turn), middle.y + 260 * np.sin(turn))
            if 220 < spot.distance(network) < 320:
                return spot.x, spot.y
    raise RuntimeError("the network leaves no open ground; try another seed")


def _repeat_visits(work: Fieldwork) -> None:
    """2024: the same reaches three or four times in one season, by three methods."""
    rows = work.choose((*BROOKS, "river"), SAMPLED, REPEATED_REACHES)
    for number, row in enumerate(rows):
        spot, of_month = work.spot(row), 1 + number % 27
        given: dict[str, object] = {"gear_cleaned": "no"} if number == 12 else {}
        work.place("OCC24", "kick_net", spot, day(2024, 5, of_month), **given)
        given = {}
        if number == 6:
            given = {"outcome": "lost", "notes": "string cut"}
        elif number == 17:
            given = {"outcome": "disturbed", "notes": "otter spraint on the traps, lids open"}
        work.place("OCC24", "minnow_trap", spot, day(2024, 6, of_month), **given)
        given = {"outcome": "unrecorded", "notes": "recorder flat"} if number == 21 else {}
        work.place("OCC24", "spotlight", spot, day(2024, 7, of_month), **given)
        if number % 3 == 0:
            work.place("OCC24", "kick_net", spot, day(2024, 7, of_month))
        elif number % 3 == 1:
            work.place("OCC24", "minnow_trap", spot, day(2024, 8, of_month))
    for row in work.choose(("river", "mouth"), SAMPLED, 3):
        when = day(2024, 10, 26)  # the clock goes back on the morning of the 27th
        work.place("OCC24", "fyke_net", work.spot(row), when, notes="clock changed overnight")


def _lagoon_and_ditch(work: Fieldwork) -> None:
    """2025: seine, fykes and nets in the lagoon, traps in the ditch, river mouths."""
    lagoon = [row for row, kind in enumerate(work.habitat) if kind == "lagoon"]
    ditch = [row for row, kind in enumerate(work.habitat) if kind == "ditch"]
    spots = [
        Spot(row, float(work.reaches.geometry.iloc[row].length * share), work.spot(row).site)
        for row in lagoon
        for share in (0.2, 0.35, 0.5, 0.65, 0.8)
    ]
    for number in range(8):
        given: dict[str, object] = {"water_temperature_c": 25.4} if number == 5 else {}
        when = day(2025, 7, 2 + 3 * number)
        work.place("LAG25", "seine", spots[number % len(spots)], when, **given)
    for number in range(6):
        spot = spots[(2 * number) % len(spots)]
        work.place("LAG25", "fyke_net", spot, day(2025, 6, 4 + 2 * number))
    for number in range(4):
        work.place("LAG25", "hand_net", spots[number % len(spots)], day(2025, 8, 3 + number))
    for number in range(12):
        row = ditch[(2 * number) % len(ditch)]
        given = {"dissolved_oxygen_mg_l": 1.6, "trap_air_space": "no"} if number == 4 else {}
        when = day(2025, 5 + number // 6, 12 + 2 * (number % 6))
        work.place("LAG25", "minnow_trap", work.spot(row), when, **given)
    for number in range(6):
        row = ditch[(2 * number + 1) % len(ditch)]
        work.place("LAG25", "hand_net", work.spot(row), day(2025, 7, 24 + number))
    for number, row in enumerate(work.choose(("mouth",), (*SAMPLED, "C5", "KS"), 5)):
        work.place("LAG25", "fyke_net", work.spot(row), day(2025, 9, 3 + number))


def _return_to_brooks(work: Fieldwork, rows: list[int]) -> None:
    """2025: electric fishing again where the baseline was taken."""
    for number, row in enumerate(rows[:14]):
        when = day(2025, 7 + number // 7, 4 + 3 * (number % 7))
        sheet = work.place("EFR25", "electric_fishing", work.spot(row), when)
        if number == 2 and sheet["outcome"] == "caught":
            mine = [c for c in work.sheets.catches if c["placement_id"] == sheet["placement_id"]]
            work.sheets.lengths.append(  # an outsize fish, or a slip of the pen
                {
                    "placement_id": sheet["placement_id"],
                    "species": mine[0]["species"],
                    "pass_no": mine[0]["pass_no"],
                    "length_mm": 2150,
                }
            )


def _frames(work: Fieldwork) -> dict[str, pd.DataFrame]:
    """Turn the rows into frames with whole numbers written as such."""
    placements = pd.DataFrame(work.sheets.placements, columns=PLACEMENT_COLUMNS)
    for column in ("set_at", "lifted_at"):
        placements[column] = pd.to_datetime(placements[column]).dt.strftime("%Y-%m-%dT%H:%M")
    whole = ("stretch_length_m", "area_m2", "gear_count", "lifts", "minutes", "passes", "mesh_mm")
    for name in whole:
        placements[name] = placements[name].astype("Int64")
    order = {placement: n for n, placement in enumerate(placements["placement_id"])}
    catches = pd.DataFrame(work.sheets.catches, columns=CATCH_COLUMNS)
    lengths = pd.DataFrame(work.sheets.lengths, columns=LENGTH_COLUMNS)
    for frame in (catches, lengths):
        for name in {"count", "pass_no", "length_mm"} & set(frame.columns):
            frame[name] = frame[name].astype("Int64")
    catches, lengths = (
        frame.sort_values("placement_id", key=lambda ids: ids.map(order), kind="stable")
        for frame in (catches, lengths)
    )
    surveys = pd.DataFrame(SURVEYS, columns=["survey", "name", "leader", "permit", "crs"])
    surveys["timezone"] = TIMEZONE
    return {
        "placements": placements,
        "catches": catches,
        "lengths": lengths,
        "surveys": surveys,
        "sites": pd.DataFrame(work.sheets.sites),
    }
