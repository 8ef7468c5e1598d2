"""Positions and tracks from a handheld GPS, by the name that stands in the column `waypoint`."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import gpxpy
import gpxpy.gpx
import numpy as np

from layers.plurals import counted
from service.intake.wording import say
from service.reference.spelling import did_you_mean

if TYPE_CHECKING:
    from pathlib import Path

    import pandas as pd

    from service.intake.findings import Cells, Findings

__all__ = ["place_waypoints", "read_waypoints"]

_TOO_SHORT = ""  # of a track or route with one fix or none
_OTHER_POSITIONS = ("longitude", "latitude", "easting", "northing", "geometry")


def read_waypoints(path: Path, findings: Findings) -> dict[str, list[str]]:
    """Read waypoints, routes and tracks of a GPX file, as WKT in WGS 84 (longitude first) by name.

    One name may stand for several. A track of several segments is joined in their order.
    """
    try:
        gpx = gpxpy.parse(path.read_text(encoding="utf-8-sig"))
    except (OSError, UnicodeDecodeError, gpxpy.gpx.GPXException) as problem:
        findings.refuse_file(path.name, say("file_unreadable.gpx", problem=str(problem)[:200]))
        return {}
    places: dict[str, list[str]] = {}
    for point in gpx.waypoints:
        text = f"POINT ({point.longitude!r} {point.latitude!r})"
        places.setdefault((point.name or "").strip(), []).append(text)
    lines: list[tuple[str | None, list[Any]]] = [
        *((route.name, list(route.points)) for route in gpx.routes),
        *(
            (track.name, [p for part in track.segments for p in part.points])
            for track in gpx.tracks
        ),
    ]
    lost = 0
    for name, points in lines:
        fixes = [point for point in points if point.longitude or point.latitude]
        lost += len(points) - len(fixes)
        pairs = ", ".join(f"{point.longitude!r} {point.latitude!r}" for point in fixes)
        text = f"LINESTRING ({pairs})" if len(fixes) > 1 else _TOO_SHORT
        places.setdefault((name or "").strip(), []).append(text)
    if lost:
        findings.read_file(path.name, say("read_as.no_fix", fixes=counted(lost, "fix", "fixes")))
    places.pop("", None)
    return {name: list(dict.fromkeys(texts)) for name, texts in places.items()}


def place_waypoints(cells: Cells, places: dict[str, list[str]]) -> Cells:
    """Put the geometry of the named waypoint, in WGS 84, into `geometry` and `crs`."""
    names = cells.column("waypoint")
    named = names != ""
    if not named.any():
        return cells
    names = _as_in_the_file(cells, names, list(places))
    single = {name: texts[0] for name, texts in places.items() if len(texts) == 1}
    several = named & names.isin([name for name, texts in places.items() if len(texts) > 1])
    cells.refuse(several, "waypoint", "waypoint_unknown.several")
    absent = named & ~names.isin(list(places))
    cells.refuse(
        absent,
        "waypoint",
        lambda value: say("waypoint_unknown.none", near=did_you_mean(value, list(places))),
    )
    short = names.isin([name for name, texts in places.items() if texts == [_TOO_SHORT]])
    cells.refuse(short, "waypoint", "waypoint_unknown.short")
    also = named & np.logical_or.reduce([cells.column(name) != "" for name in _OTHER_POSITIONS])
    cells.refuse(also, "waypoint", "position_twice.waypoint")
    found = names.isin(list(single)) & ~also & ~short
    frame = cells.frame.copy()
    texts = names.map(single)
    frame["geometry"] = cells.column("geometry").mask(found, texts)
    frame["crs"] = cells.column("crs").mask(found, "EPSG:4326")
    return replace(cells, frame=frame.astype("str"))


def _as_in_the_file(cells: Cells, names: pd.Series, known: list[str]) -> pd.Series:
    """Take names that differ from one of the file in case, or in zeros that spreadsheets drop."""
    alike: dict[str, list[str]] = {}
    for name in known:
        alike.setdefault(_alike(name), []).append(name)
    meant = {
        text: alike[_alike(text)][0]
        for text in names.unique().tolist()
        if text and text not in known and len(alike.get(_alike(text), [])) == 1
    }
    cells.read_as(names.isin(list(meant)), "waypoint", "waypoint_name", meant)
    return names.replace(meant)


def _alike(name: str) -> str:
    return str(int(name)) if name.isascii() and name.isdigit() else name.casefold()
