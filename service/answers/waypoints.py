"""Places as GPX 1.1 waypoints, for a receiver in the field.

Waypoints are in degrees on WGS 84, as the GPX 1.1 schema asks
(https://www.topografix.com/GPX/1/1/).
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from gpxpy.gpx import GPX, GPXWaypoint

if TYPE_CHECKING:
    from collections.abc import Iterable

__all__ = ["MEDIA_TYPE", "gpx_waypoints"]

MEDIA_TYPE = "application/gpx+xml"
# What XML 1.0 cannot hold, section 2.2.
_UNWRITABLE = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def gpx_waypoints(
    places: Iterable[tuple[str, str, float, float]], *, title: str, note: str
) -> bytes:
    """Write places as GPX 1.1: name, description, longitude and latitude in degrees on WGS 84.

    `title` and `note` say what the file is, and what to mind.

    Examples
    --------
    >>> text = gpx_waypoints([("N01", "adds 900 m", -8.5, 52.25)], title="Next", note="")
    >>> b'<wpt lat="52.25" lon="-8.5">' in text
    True
    """
    gpx = GPX()
    gpx.creator = "Rifflebook"
    gpx.name, gpx.description = _plain(title), _plain(note)
    for name, words, longitude, latitude in places:
        gpx.waypoints.append(
            GPXWaypoint(
                latitude=round(latitude, 7),
                longitude=round(longitude, 7),
                name=_plain(name),
                description=_plain(words),
            )
        )
    text: str = gpx.to_xml(version="1.1")
    return text.encode()


def _plain(text: str) -> str:
    return _UNWRITABLE.sub("", text)
