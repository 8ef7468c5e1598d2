"""What occupancy and detection may depend on, and the choice among few candidates."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from layers.estimates.histories import histories
from layers.estimates.occupancy import fit_occupancy
from layers.fieldwork.hours import hours_worked
from layers.frames import codes_within, reads
from layers.network.distance import node_distance

if TYPE_CHECKING:
    import geopandas as gpd

    from layers.arrays import Bools, Floats, Ints
    from layers.estimates.histories import Histories
    from layers.network.graph import Network

__all__ = ["CONSTANT", "COVARIATES", "choose_model", "covariates_of"]

CONSTANT: Final = "constant"

_OF_OCCUPANCY: Final = ("stream_order", "upstream_length", "outlet_distance")
COVARIATES: Final = (*_OF_OCCUPANCY, "night", "water_temperature")
_LEAST_KNOWN: Final = 0.8  # share of units or visits whose covariate is known
_STEEP: Final = 6.0  # slope for one standard deviation, on the logit or log scale


@reads("placements", "snaps", "methods")
def covariates_of(
    placements: gpd.GeoDataFrame, snaps: pd.DataFrame, methods: pd.DataFrame, network: Network
) -> pd.DataFrame:
    """Covariates of each placement.

    Returns
    -------
    DataFrame
        Index of `placements`, columns `COVARIATES`, missing where not known: `stream_order`
        (Strahler 1957), `upstream_length` (natural logarithm of the metres of stream above,
        the reach included), `outlet_distance` (along the network from the lower end of the
        reach to the nearest outlet [km]), `night` (1 where gear worked by night or overnight,
        0 by day alone) and `water_temperature` [degrees Celsius].
    """
    reach = codes_within(snaps["reach_id"].reindex(placements.index), network.reaches.index)
    seeds = np.full(network.n_nodes, np.inf)
    seeds[network.outlets] = 0.0
    outlet_m = node_distance(network, seeds)[network.to_node]
    hours = hours_worked(placements, methods)
    dark = hours["night"] | hours["overnight"]
    of_reach = {
        "stream_order": network.strahler,
        "upstream_length": np.log(network.upstream_length_m),
        "outlet_distance": np.where(np.isfinite(outlet_m), outlet_m / 1000, np.nan),
    }
    found = pd.DataFrame(
        {name: np.append(values, np.nan)[reach] for name, values in of_reach.items()},
        index=placements.index,
    )
    found["night"] = dark.astype("float64").where(dark | hours["day"])
    blank = pd.Series(np.nan, index=placements.index)
    found["water_temperature"] = placements.get("water_temperature_c", blank).astype("float64")
    return found


def choose_model(
    unit: Ints, kind: Ints, effort: Floats, found: Bools, values: pd.DataFrame, plain: Histories
) -> tuple[str, Histories]:
    """Choose the candidate with the lowest AICc.

    Candidates are the constant model, each covariate by itself, and the best of occupancy with
    the best of detection. Those that end at a boundary where the constant model does not (a gear
    that always finds a present species is at one in all), or whose slope has no end, are left out:
    the visits do not carry them. So are covariates known of less than four fifths of units or
    visits; those that lack count as the mean. AICc: Hurvich and Tsai (1989), with units as the
    number of samples; Burnham and Anderson (2002); both from memory.

    Parameters
    ----------
    unit, kind, effort, found
        Of v visits, as for `layers.estimates.histories.histories`.
    values
        Covariates of each visit, some of `COVARIATES`, (v, c).
    plain
        The histories without covariates.

    Returns
    -------
    str, Histories
        The model in words, and its histories.
    """
    at = np.unique(unit, return_inverse=True)[1]
    kinds = plain.own
    constant = fit_occupancy(plain, intervals=False)
    models = {("", ""): (plain, constant.aicc)}

    def try_model(of_unit: str, of_visit: str) -> None:
        x, w, number = np.ones((plain.units, 1)), np.eye(kinds), kind
        if of_unit:
            own = _standardised(values[of_unit].groupby(at).mean().to_numpy(np.float64))
            if own is None:
                return
            x = np.column_stack([x, own])
        if of_visit:
            own = _standardised(values[of_visit].to_numpy(np.float64))
            if own is None:
                return
            like, number = np.unique(np.column_stack([kind, own]), axis=0, return_inverse=True)
            w = np.column_stack([np.eye(kinds)[like[:, 0].astype(np.int64)], like[:, 1]])
        seen = histories(
            at, number.ravel(), effort, found, detection_design=w, occupancy_design=x, own=kinds
        )
        fit = fit_occupancy(seen, intervals=False)
        if fit.penalised <= constant.penalised and (np.abs(fit.slopes) <= _STEEP).all():
            models[of_unit, of_visit] = (seen, fit.aicc)

    names = [str(name) for name in values]
    for name in names:
        try_model(*((name, "") if name in _OF_OCCUPANCY else ("", name)))
    by_aicc = sorted(models, key=lambda model: models[model][1])
    of_units = [model[0] for model in by_aicc if model[0]]
    of_visits = [model[1] for model in by_aicc if model[1]]
    if of_units and of_visits:
        try_model(of_units[0], of_visits[0])
    of_unit, of_visit = min(models, key=lambda model: models[model][1])
    words = [f"occupancy by {of_unit}"] if of_unit else []
    words += [f"detection by {of_visit}"] if of_visit else []
    return "; ".join(words) or CONSTANT, models[of_unit, of_visit][0]


def _standardised(values: Floats) -> Floats | None:
    """Values from their mean in standard deviations, missing ones 0; None if they say nothing."""
    known = ~np.isnan(values)
    if known.mean() < _LEAST_KNOWN or not np.ptp(values[known]) > 0:
        return None
    score = (values - values[known].mean()) / values[known].std()
    return np.asarray(np.where(known, score, 0.0), dtype=np.float64)
