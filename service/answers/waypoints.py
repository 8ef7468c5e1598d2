"""Places as GPX 1.1 waypoints, for a receiver in the field.

Waypoints are in degrees on WGS 84, as the GPX 1.1 schema asks
(https://www.topografix.com/GPX/1/1/).
"""

from __future__ import annotations

import itertools
import re
from typing import TYPE_CHECKING, Final
from xml.sax.saxutils import escape

from gpxpy.gpx import GPX

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

__all__ = ["MEDIA_TYPE", "gpx_waypoints"]

MEDIA_TYPE: Final = "application/gpx+xml"
# What XML 1.0 cannot hold, section 2.2.
_UNWRITABLE: Final = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
_AT_ONCE: Final = 4_000
_WAYPOINT: Final = """
  <wpt lat="{}" lon="{}">
    <name>{}</name>
    <desc>{}</desc>
  </wpt>"""


def gpx_waypoints(
    places: Iterable[tuple[str, str, float, float]], *, title: str, note: str
) -> Iterator[bytes]:
    """Write places as GPX 1.1: name, description, longitude and latitude in degrees on WGS 84.

    `title` and `note` say what the file is, and what to mind. The text comes in pieces, places are
    taken as it grows.

    Examples
    --------
    >>> text = gpx_waypoints([("N01", "adds 900 m", -8.5, 52.25)], title="Next", note="")
    >>> b'<wpt lat="52.25" lon="-8.5">' in b"".join(text)
    True
    """
    gpx = GPX()
    gpx.creator = "Rifflebook"
    gpx.name, gpx.description = _plain(title), _plain(note)
    start, end, _ = str(gpx.to_xml(version="1.1")).rpartition("\n</gpx>")
    yield start.encode()
    left = iter(places)
    while some := list(itertools.islice(left, _AT_ONCE)):
        text = "".join(
            _WAYPOINT.format(_degrees(y), _degrees(x), escape(name), escape(words))
            for name, words, x, y in some
        )
        yield _plain(text).encode()
    yield end.encode()


def _degrees(value: float) -> str:
    text = str(round(value, 7))
    return f"{value:.7f}".rstrip("0") if "e" in text else text  # XML Schema's decimal has no power


def _plain(text: str) -> str:
    return _UNWRITABLE.sub("", text)
