"""Single-season occupancy with a chance of detection for each method, by maximum likelihood.

Unit i is occupied with chance ψ; a placement of method m there finds a present species
with chance p_m. With n placements and y finds per unit and method the likelihood of a unit is
ψ Π p^y (1-p)^(n-y), plus 1-ψ where nothing was found: MacKenzie et al. (2002), Ecology
83:2248-2255. It assumes that within the season a unit stays occupied or empty, that placements
are independent, and that no fish is taken for another species.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import scipy

from layers.errors import ThinDataError
from layers.plurals import counted

if TYPE_CHECKING:
    import numpy.typing as npt

    Floats = npt.NDArray[np.float64]

__all__ = [
    "LEAST_UNITS",
    "NOBODY",
    "OccupancyFit",
    "chance_missed",
    "fit_occupancy",
    "placements_until",
]

NOBODY: Final = "nobody looked"
MOST_PLACEMENTS: Final = 10_000
LEAST_UNITS: Final = 10
_Z95: Final = 1.959963984540054
_EDGE: Final = 1e-3  # estimates nearer to 0 or 1 than this lie on the boundary


@dataclass(frozen=True)
class OccupancyFit:
    """Estimates of one species, with standard errors by the observed information.

    Attributes
    ----------
    occupancy, occupancy_se
        ψ and its standard error (delta method).
    detection, detection_se
        p by method, in the order of the columns that were fitted.
    occupancy_interval, detection_intervals
        95 % Wald intervals on the logit scale, turned back.
    log_likelihood, aic
        Of the fitted model, without the binomial constant.
    units
        How many units were fitted.
    """

    occupancy: float
    occupancy_se: float
    detection: Floats
    detection_se: Floats
    occupancy_interval: tuple[float, float]
    detection_intervals: Floats
    log_likelihood: float
    aic: float
    units: int


def _presence(theta: Floats, found: Floats, tried: Floats) -> tuple[Floats, Floats]:
    """Chance of presence in each unit given what was found there, and its log-likelihood."""
    log_in, log_out = -np.logaddexp(0, -theta[0]), -np.logaddexp(0, theta[0])
    log_p, log_q = -np.logaddexp(0, -theta[1:]), -np.logaddexp(0, theta[1:])
    present = log_in + found @ log_p + (tried - found) @ log_q
    seen = found.sum(axis=1) > 0
    unit = np.where(seen, present, np.logaddexp(present, log_out))
    return np.where(seen, 1.0, np.exp(present - unit)), unit


def _information(theta: Floats, found: Floats, tried: Floats) -> Floats:
    """Observed information: minus the second derivatives of the log-likelihood."""
    here, _ = _presence(theta, found, tried)
    psi, p = float(scipy.special.expit(theta[0])), scipy.special.expit(theta[1:])
    gain = np.column_stack([np.ones(len(here)), found - tried * p])
    unsure = here * (1 - here)
    second = (gain * unsure[:, None]).T @ gain
    second[0, 0] -= len(here) * psi * (1 - psi)
    second[np.arange(1, len(theta)), np.arange(1, len(theta))] -= here @ tried * p * (1 - p)
    return -second


def fit_occupancy(
    found: npt.ArrayLike,
    tried: npt.ArrayLike,
    *,
    least_units: int = LEAST_UNITS,
    least_units_found: int = 3,
) -> OccupancyFit:
    """Fit occupancy and detection, or refuse with the reason.

    Parameters
    ----------
    found, tried
        Units in rows, methods in columns: placements that found the species, and all.
    least_units, least_units_found
        Fewer units, or fewer with a find, are refused. The defaults are our caution: common
        practice, no source.

    Returns
    -------
    OccupancyFit
        The estimates.

    Raises
    ------
    ThinDataError
        Too few units or finds, no unit with repeated placements, an estimate at 0 or 1, or
        an information matrix that cannot be inverted. The message says which.
    """
    y, n = (np.atleast_2d(np.asarray(a, dtype=np.float64)) for a in (found, tried))
    _refuse_thin(y, n, least_units, least_units_found)

    def cost(theta: Floats) -> tuple[float, Floats]:
        here, unit = _presence(theta, y, n)
        p = scipy.special.expit(theta[1:])
        slope = np.append((here - scipy.special.expit(theta[0])).sum(), here @ (y - n * p))
        return -float(unit.sum()) / len(y), -slope / len(y)

    def curve(theta: Floats) -> Floats:
        return _information(theta, y, n) / len(y)

    naive = np.clip((y.sum(axis=0) + 0.5) / (n.sum(axis=0) + 1), 0.02, 0.98)
    share = float((y.sum(axis=1) > 0).mean())
    best = None
    for psi in (min(0.95, share + 0.05), 0.5 * (1 + share), 0.25):
        start = scipy.special.logit(
            np.append(np.clip(psi, 0.05, 0.95), np.clip(naive / psi, 0.02, 0.98))
        )
        fit = scipy.optimize.minimize(
            cost, start, jac=True, hess=curve, method="trust-exact", options={"gtol": 1e-9}
        )
        if best is None or fit.fun < best.fun - 1e-12:
            best = fit
    if best is None:  # pragma: no cover - the loop always runs
        raise ThinDataError("no fit was made")
    theta = np.asarray(best.x, dtype=np.float64)
    values = scipy.special.expit(theta)
    if (values < _EDGE).any() or (values > 1 - _EDGE).any():
        name = "occupancy" if not _EDGE <= values[0] <= 1 - _EDGE else "detection"
        raise ThinDataError(f"boundary estimate: {name} comes out at 0 or 1")
    information = _information(theta, y, n)
    weights = np.linalg.eigvalsh(information)
    if weights[0] <= 1e-8 * max(weights[-1], 1e-300):
        raise ThinDataError("singular information: occupancy and detection cannot be told apart")
    theta = theta + np.linalg.solve(information, -cost(theta)[1] * len(y))  # last Newton step
    spread = np.sqrt(np.diag(np.linalg.inv(_information(theta, y, n))))
    values = scipy.special.expit(theta)
    errors = spread * values * (1 - values)
    limits = scipy.special.expit(np.column_stack([theta - _Z95 * spread, theta + _Z95 * spread]))
    log_likelihood = -cost(theta)[0] * len(y)
    return OccupancyFit(
        occupancy=float(values[0]),
        occupancy_se=float(errors[0]),
        detection=values[1:],
        detection_se=errors[1:],
        occupancy_interval=(float(limits[0, 0]), float(limits[0, 1])),
        detection_intervals=limits[1:],
        log_likelihood=log_likelihood,
        aic=2 * len(theta) - 2 * log_likelihood,
        units=len(y),
    )


def _refuse_thin(y: Floats, n: Floats, least_units: int, least_units_found: int) -> None:
    if not n.size or n.sum() == 0:
        raise ThinDataError(NOBODY)
    seen = int((y.sum(axis=1) > 0).sum())
    if seen == 0:
        raise ThinDataError("never found: presence and detection cannot be told apart")
    if (n.sum(axis=1) < 2).all():
        raise ThinDataError("no repeats: every unit has a single placement")
    if len(y) < least_units:
        raise ThinDataError(
            f"{counted(len(y), 'unit is', 'units are')} too few; at least {least_units}"
        )
    if seen < least_units_found:
        raise ThinDataError(f"found in {counted(seen, 'unit')}; at least {least_units_found}")


def placements_until(
    occupancy: float, missed: Floats, detection: float, *, chance: float, together: bool
) -> int | None:
    """Further placements in each unit, all without a find, until presence is unlikely.

    Parameters
    ----------
    occupancy
        ψ.
    missed
        For each unit without a find, the chance that its placements so far miss a present
        species.
    detection
        Chance of one more placement to find it.
    chance
        What the chance of presence is to come down to.
    together
        True: the chance that any of the units is occupied; False: the mean over the units.

    Returns
    -------
    int or None
        Smallest number per unit; None if 10,000 are not enough.

    Examples
    --------
    >>> placements_until(0.5, np.array([1.0]), 0.3, chance=0.05, together=False)
    9
    """

    def left(k: int) -> float:
        still = missed * (1.0 - detection) ** k
        return chance_missed(occupancy, still, together=together)

    low, high = 0, 1
    # Boundary cases are decided in favour of the exact figure, not of its rounding.
    enough = chance + 1e-12
    if left(0) <= enough:
        return 0
    while left(high) > enough:
        low, high = high, high * 2
        if high > MOST_PLACEMENTS:
            return None
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if left(middle) > enough else (low, middle)
    return high


def chance_missed(occupancy: float, missed: Floats, *, together: bool) -> float:
    """Chance of presence in units without a find: of any of them, or their mean."""
    if missed.size == 0:
        return 0.0
    here = occupancy * missed / (1 - occupancy + occupancy * missed)
    return float(-np.expm1(np.log1p(-here).sum())) if together else float(here.mean())
