"""What the public sees of placements, catches and whatever belongs to them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from layers.coded import coded_labels
from layers.fieldwork.generalising import cell_uncertainty_m
from layers.frames import reads

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from layers.arrays import Bools
    from layers.crs import CrsLike

__all__ = [
    "GENERALISED_COLUMNS",
    "public_catches",
    "public_owned",
    "public_placements",
    "shown_squares",
]

# What a public placements frame says about its own exactness.
GENERALISED_COLUMNS: Final = (
    "generalised_km",
    "year",
    "coordinate_uncertainty_m",
    "data_generalizations",
)
# All that a generalised placement still shows, besides its cell and year.
_KEPT_OF_GENERALISED: Final = ("method", "outcome")
_KEPT_OF_CATCH: Final = ("placement_id", "species", "count", "count_kind", "life_stage")
# Rows of one placement are shown in an order of their own, not that of entry.
_ORDER_OF_LENGTHS: Final = ("species", "pass_no", "length_mm", "weight_g", "length_type")
# Free words and people's names can reveal a place or a day of another placement.
_NEVER_PUBLIC: Final = ("crew", "permit", "notes", "batch_id")


@reads("views", placements="placement_id")
def public_placements(
    placements: gpd.GeoDataFrame, views: pd.DataFrame, site_names: dict[str, str]
) -> gpd.GeoDataFrame:
    """Placements as the public sees them, by public id; those without a view are left out.

    `site_names` has the public name of each site: its own name numbers its neighbours too often.

    Returns
    -------
    GeoDataFrame
        Index `placement_id`: public ids, sorted. A generalised placement keeps method and
        outcome; its point is the cell's centre, everything else is missing. Added:
        `generalised_km` (missing = as recorded), `year`, `coordinate_uncertainty_m`,
        `data_generalizations` (what was done, in words).
    """
    rows = placements.index.get_indexer(views.index)
    order = np.argsort(views["public_id"].to_numpy(object), kind="stable")
    views, rows = views.iloc[order], rows[order]
    points = np.asarray(placements.geometry, object)[rows]
    generalised = views["step_km"].to_numpy() > 0
    points[generalised] = shapely.points(
        views.loc[generalised, ["cell_x", "cell_y"]].to_numpy(float)
    )
    side = views["step_km"].where(generalised).astype("float64")
    statements = {
        step: f"Coordinates generalised to the centre of a {step:g} km grid cell, the date to "
        "the year; other details withheld."
        for step in side.dropna().unique().tolist()
    }
    shown = pd.DataFrame(placements).drop(columns=placements.geometry.name).iloc[rows]
    shown = _without(shown, generalised, _KEPT_OF_GENERALISED, _NEVER_PUBLIC)
    uncertainty = shown["position_uncertainty_m"].astype("float64").to_numpy()
    shown = shown.assign(
        timezone=shown["timezone"].fillna("UTC"),
        site=shown["site"].map(site_names).astype("str"),
        generalised_km=side,
        year=views["year"].astype("float64"),
        coordinate_uncertainty_m=np.where(generalised, cell_uncertainty_m(side), uncertainty),
        data_generalizations=side.map(statements).astype("str"),
    )
    shown.index = pd.Index(views["public_id"], name="placement_id", dtype="str")
    return gpd.GeoDataFrame(shown, geometry=points, crs=placements.crs)


def _without(
    frame: pd.DataFrame, generalised: Bools, kept: tuple[str, ...], never: tuple[str, ...]
) -> pd.DataFrame:
    """Take out of generalised rows all but `kept`, and out of every row `never`."""
    gone = generalised[:, None] & ~frame.columns.isin(kept)[None, :]
    gone |= frame.columns.isin(never)[None, :]
    return frame.mask(gone) if gone.any() else frame


def shown_squares(centres: ArrayLike, side_km: ArrayLike, crs: CrsLike) -> gpd.GeoDataFrame:
    """Grid cells that stand in place of positions, each once.

    Parameters
    ----------
    centres
        Centres of the cells in a projected CRS, (n, 2). [m]
    side_km
        Side of each, (n,); 0 or missing = an exact position, which has none.

    Returns
    -------
    GeoDataFrame
        Polygons in `crs`, with vertices along their sides, since these are curves on most
        other maps; `generalised_km`. By side and centre.

    Examples
    --------
    >>> cells = shown_squares([[355_000, 5_835_000]] * 2, [10, 10], "EPSG:32629")
    >>> cells.area.tolist(), cells["generalised_km"].tolist()
    ([100000000.0], [10.0])
    """
    cells = np.column_stack([np.asarray(side_km, np.float64), np.asarray(centres, np.float64)])
    cells = np.unique(cells[cells[:, 0] > 0], axis=0)
    half = 500.0 * cells[:, :1]
    edges = np.hstack([cells[:, 1:] - half, cells[:, 1:] + half])
    squares = shapely.segmentize(shapely.box(*edges.T), half.ravel() / 2)
    return gpd.GeoDataFrame({"generalised_km": cells[:, 0]}, geometry=squares, crs=crs)


@reads("catches", "views")
def public_catches(catches: pd.DataFrame, views: pd.DataFrame) -> pd.DataFrame:
    """Catches as the public sees them, by public placement, numbered within this answer.

    Of generalised placements species, count, count kind and life stage stay. Row numbers follow the
    public order, so that neither gaps nor order show what was entered beside what.
    """
    shown = _renamed(catches, views)
    generalised = shown["placement_id"].isin(views.loc[views["step_km"] > 0, "public_id"])
    shown = _without(shown, generalised.to_numpy(bool), _KEPT_OF_CATCH, ("notes",))
    order = ["placement_id", "species", "pass_no", "life_stage", "count_kind", "count"]
    shown = _sorted(shown, order)
    shown.index.name = "catch_id"
    return shown


@reads("views")
def public_owned(frame: pd.DataFrame, views: pd.DataFrame) -> pd.DataFrame:
    """Rows of exact placements alone (lengths, snaps, stretches), by public id, in its order."""
    exact = views[views["step_km"] == 0]
    if frame.index.name == "placement_id":
        shown = _renamed(frame.reset_index(), exact).sort_values("placement_id")
        return shown.set_axis(_as_text(shown.pop("placement_id")))
    shown = _renamed(frame, exact)
    return _sorted(shown, ["placement_id", *(name for name in _ORDER_OF_LENGTHS if name in shown)])


def _renamed(frame: pd.DataFrame, views: pd.DataFrame) -> pd.DataFrame:
    """Name rows by public ids, as codes in the order of these: numbers are soon sorted."""
    views = views.sort_values("public_id")
    rows = views.index.get_indexer(pd.Index(frame["placement_id"]))
    names = coded_labels(rows[rows >= 0], pd.Index(views["public_id"]))
    return frame[rows >= 0].assign(placement_id=names)


def _sorted(shown: pd.DataFrame, order: list[str]) -> pd.DataFrame:
    shown = shown.sort_values(order, kind="stable", ignore_index=True)
    return shown.assign(placement_id=_as_text(shown["placement_id"]).array)


def _as_text(coded: pd.Series) -> pd.Index:
    """Public ids as text; `_renamed` gave their codes."""
    return pd.Index(coded.astype("str"), name="placement_id")
