"""Coverage, gaps, next places and sampled lengths as files."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import geopandas as gpd

from layers.plurals import counted
from service.answers import coverage_answers, summaries
from service.answers.names import selection_words
from service.answers.tables import summary_csv, summary_geojson
from service.answers.waypoints import gpx_waypoints

if TYPE_CHECKING:
    from collections.abc import Iterator

    import pandas as pd

    from service.answers.coverage_answers import CoverageQuestion
    from service.records import Viewer
    from service.store import Store

__all__ = ["CAUTION", "FILES", "coverage_file"]

_AT_ONCE: Final = 4_000  # gaps that are placed at a time
# What can be handed over, and in which forms.
FILES: Final[dict[str, tuple[str, ...]]] = {
    "reaches": ("csv", "geojson"),
    "gaps": ("csv", "geojson", "gpx"),
    "next-places": ("csv", "geojson", "gpx"),
    "streams": ("csv", "geojson"),
    "sampled-length": ("csv",),
}
# Usual cautions of field work near water; common practice, no source.
CAUTION: Final = (
    "A place on this list was chosen by length of stream alone. Before going there, ask for "
    "permission to enter, hold the permits and licences that apply, do not work in or beside "
    "water alone or without telling somebody where you are and when you will be back, look at "
    "weather, flow and access, and follow your own code of practice."
)


def coverage_file(
    store: Store, question: CoverageQuestion, viewer: Viewer, what: str, form: str
) -> Iterator[bytes]:
    """Write one of `FILES` in one of its forms, in pieces; what is in it is decided at once."""
    found: pd.DataFrame
    if what == "sampled-length":
        found = summaries.sampled_length(store, question.selection, viewer)
    else:
        found = {
            "reaches": coverage_answers.coverage,
            "gaps": coverage_answers.gaps,
            "streams": coverage_answers.streams,
            "next-places": coverage_answers.next_places,
        }[what](store, question, viewer)
    if form == "csv":
        return summary_csv(found)
    if form == "geojson":
        return summary_geojson(found, what)
    return _waypoints(found, what, store, question, viewer)


def _waypoints(
    found: pd.DataFrame, what: str, store: Store, question: CoverageQuestion, viewer: Viewer
) -> Iterator[bytes]:
    if what == "gaps":
        assert isinstance(found, gpd.GeoDataFrame)  # noqa: S101 - gaps are lines
        title, places = "Gaps in coverage", _gap_waypoints(found)
    else:
        title, places = "Next places", _next_waypoints(found)
    only = selection_words(store, question.selection, viewer)
    heading = f"{title}, {store.settings.title}" if store.settings.title else title
    return gpx_waypoints(places, title=heading, note=f"Only {only}. {CAUTION}" if only else CAUTION)


def _next_waypoints(found: pd.DataFrame) -> Iterator[tuple[str, str, float, float]]:
    rows = found[
        [
            "rank", "stream", "reach_id", "adds_m", "remaining_share", "done_before", "longitude",
            "latitude",
        ]
    ]  # fmt: skip
    return (
        (
            f"N{rank:03d}",
            f"{stream}, reach {reach}: adds {adds:.0f} m, {share:.1%} then open. Before: {done}.",
            longitude,
            latitude,
        )
        for rank, stream, reach, adds, share, done, longitude, latitude in rows.itertuples(
            index=False
        )
    )


def _gap_waypoints(found: gpd.GeoDataFrame) -> Iterator[tuple[str, str, float, float]]:
    count = found.attrs["inputs"]["count"]
    rows = found[["gap", "stream", "length_m", "reaches", "highest_strahler", "farthest_m"]]
    for start in range(0, len(found), _AT_ONCE):
        some = slice(start, start + _AT_ONCE)
        # Columns, since as many small lists would each time set off a search for garbage.
        columns = rows.iloc[some].to_numpy(object).T.tolist()
        degrees = coverage_answers.gap_places(found.iloc[some]).T.tolist()
        for gap, stream, length, reaches, order, far, *place in zip(
            *columns, *degrees, strict=True
        ):
            away = (
                f"{far:.0f} m from the nearest {count} water."
                if far == far  # a missing distance is NaN
                else f"nothing {count} in this part of the network, the middle of its longest line."
            )
            on = f"{counted(reaches, 'reach')}, stream order up to {order}"
            words = f"{stream}: {length:.0f} m not {count} on {on}; {away}"
            yield f"G{gap:03d}", words, *place
