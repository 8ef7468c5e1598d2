"""Catch per effort over years: counts with an effect of each site, however clumped.

Counts have mean e · exp(αᵢ + x β): e the effort, αᵢ the site, x the year. α drops out when the
total of each site is given, and what is left holds for any spread of counts as long as the mean is
right (conditional Poisson: Wooldridge 1999, J. Econometrics 90:77-97, from memory). Spread and
likeness within sites enter by the jackknife over sites.
"""

from __future__ import annotations

import bisect
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd
import scipy

from layers.errors import ThinDataError

if TYPE_CHECKING:
    import numpy.typing as npt

    from layers.arrays import Bools, Floats, Ints

__all__ = ["AGREE", "change_seen", "fit_trend", "year_indices"]

LEAST_SITES: Final = 5  # below it the interval covers too little in simulation
_STEPS: Final = 60
_POWER: Final = 0.8
_RUNS: Final = 200
_NO_SPREAD: Final = 1e-6  # of a logarithm: what rounding leaves
AGREE: Final = "sites agree to the digit, so that the interval is not known"
_CLUMPED: Final = (1e-6, 100.0)  # least and greatest clumping that is drawn
_CHANGES: Final = [per_cent / 100 for per_cent in range(2, 91, 2)]


@dataclass(frozen=True)
class CountTrend:
    """Ratio of catch per effort from one year to the next, and its 95 % interval.

    `se` is that of its logarithm; `sites` those that count: fished in two years or more, with a
    catch. Where the sites agree to the digit the jackknife knows no spread, and the interval is
    missing.
    """

    ratio: float
    low: float
    high: float
    se: float
    sites: int


def _ends(site: Ints, x: Floats) -> tuple[Floats, Floats]:
    """First and last year of the site of each row."""
    by_site = pd.Series(x).groupby(site)
    return by_site.transform("min").to_numpy(), by_site.transform("max").to_numpy()


def _telling(
    counts: npt.ArrayLike, effort: npt.ArrayLike, site: npt.ArrayLike, year: npt.ArrayLike
) -> tuple[Floats, Floats, Ints, Floats]:
    """Rows of sites that tell of change: a catch, and two different years; sites from 0."""
    y, e, x = (np.asarray(a, dtype=np.float64) for a in (counts, effort, year))
    raw = np.asarray(site, dtype=np.int64)
    least, most = _ends(raw, x)
    used = (most > least) & (np.bincount(raw, y) > 0)[raw]
    own = np.unique(raw[used], return_inverse=True)[1].astype(np.int64)
    return y[used], e[used], own, x[used]


def _one_sided(counts: Floats, site: Ints, x: Floats) -> Bools:
    """Columns with all catch in the first year of each site, or in the last: no ratio is best."""
    least, most = _ends(site, x)
    after, before = counts[x > least].sum(axis=0), counts[x < most].sum(axis=0)
    return np.asarray((after == 0) | (before == 0), dtype=bool)


def _conditional(counts: Floats, effort: Floats, site: Ints, x: Floats) -> tuple[Floats, Floats]:
    """Estimate β and its jackknife standard error for each column of `counts`, at once."""
    n_sites = int(site.max()) + 1
    within = scipy.sparse.csr_array(
        (np.ones(site.size), (site, np.arange(site.size))), shape=(n_sites, site.size)
    )
    totals = within @ counts
    beta = np.zeros(counts.shape[1])
    centred = x - x.mean()

    def parts(beta: Floats) -> tuple[Floats, Floats]:
        weight = effort[:, None] * np.exp(np.clip(centred[:, None] * beta, -50, 50))
        whole = within @ weight
        mean = (within @ (weight * centred[:, None])) / whole
        square = (within @ (weight * centred[:, None] ** 2)) / whole
        score = within @ (counts * centred[:, None]) - totals * mean
        return score, totals * (square - mean**2)

    for _ in range(_STEPS):
        score, information = parts(beta)
        step = score.sum(axis=0) / np.maximum(information.sum(axis=0), 1e-12)
        beta = beta + np.clip(step, -0.5, 0.5)
        if np.abs(step).max() < 1e-10:
            break
    score, information = parts(beta)
    # One Newton step from the whole gives each estimate without one site.
    left = np.maximum(information.sum(axis=0) - information, 1e-12)
    moved = -score / left
    counted = (np.asarray(totals) > 0).sum(axis=0)
    variance = (counted - 1) / np.maximum(counted, 1) * (moved**2).sum(axis=0)
    return beta, np.sqrt(variance)


def fit_trend(
    counts: npt.ArrayLike, effort: npt.ArrayLike, site: npt.ArrayLike, year: npt.ArrayLike
) -> CountTrend:
    """Estimate the yearly ratio of catch per effort, within sites.

    Parameters
    ----------
    counts, effort, site, year
        n placements: fish, effort above 0, number of the site from 0, year.

    Returns
    -------
    CountTrend
        With a 95 % interval by the jackknife over sites and Student's t with one degree of
        freedom less than there are sites (MacKinnon, Nielsen & Webb 2023, J. Appl. Econometrics
        38:671-694, CV3, from memory).

    Raises
    ------
    ThinDataError
        Fewer than five sites were fished in two years with a catch; or the catch of every site
        lies in its first year, or in its last, so that no ratio is the best.

    Examples
    --------
    >>> site, year = np.repeat(np.arange(6), 2), np.tile([2020.0, 2022.0], 6)
    >>> fit = fit_trend([8, 2, 4, 1, 12, 3, 8, 2, 4, 1, 12, 3], np.ones(12), site, year)
    >>> round(fit.ratio, 6)
    0.5
    """
    y, e, own, x = _telling(counts, effort, site, year)
    sites = int(own.max(initial=-1)) + 1
    if sites < LEAST_SITES:
        raise ThinDataError(
            f"fewer than {LEAST_SITES} sites with a catch were fished by this gear in two years"
        )
    if _one_sided(y[:, None], own, x)[0]:
        raise ThinDataError("caught at each site in its first year alone, or its last: no ratio")
    beta, se = _conditional(y[:, None], e, own, x)
    half = float(scipy.special.stdtrit(sites - 1, 0.975)) * se[0]
    if half < _NO_SPREAD:
        half = float("nan")
    return CountTrend(
        ratio=float(np.exp(beta[0])),
        low=float(np.exp(beta[0] - half)),
        high=float(np.exp(beta[0] + half)),
        se=float(se[0]),
        sites=sites,
    )


def year_indices(
    counts: Floats, effort: Floats, site: Ints, year: Ints
) -> dict[int, tuple[float, float, float, str]]:
    """Catch per effort of each year over that of the first, within sites fished in both.

    Returns
    -------
    dict
        By year: ratio and its 95 % interval, as of `fit_trend` for these two years, and why they
        are missing where they are. That of the first year is 1, without an interval, and missing
        where no later year has one.
    """
    years = np.unique(year)
    missing = float("nan")
    indices = {int(years[0]): (1.0, missing, missing, "")} if years.size else {}
    for later in years[1:]:
        pair = (year == years[0]) | (year == later)
        try:
            fit = fit_trend(counts[pair], effort[pair], site[pair], (year[pair] == later) * 1.0)
            problem = AGREE if np.isnan(fit.low) else ""
            indices[int(later)] = (fit.ratio, fit.low, fit.high, problem)
        except ThinDataError as thin:
            indices[int(later)] = (missing, missing, missing, f"this year and the first: {thin}")
    if years.size and all(np.isnan(ratio) for ratio, *_ in list(indices.values())[1:]):
        indices[int(years[0])] = (missing, missing, missing, "no later year compares with it")
    return indices


def change_seen(
    counts: npt.ArrayLike,
    effort: npt.ArrayLike,
    site: npt.ArrayLike,
    year: npt.ArrayLike,
    *,
    span: float | None = None,
    seed: int = 1,
) -> float:
    """Smallest decline over the whole time that this effort would have shown in four of five cases.

    Each of 200 seeded runs draws the catch of every placement anew, negative binomial about the
    estimated catch of its site with the clumping of the records (`_clumping`), the catch
    falling evenly by 2, 4 … 90 % in `span` years, those from the first to the last where not
    given; a decline is seen where the interval of `fit_trend` lies below 1. The smallest is found
    by halving, and 200 runs leave it uncertain by some per cent.

    Returns
    -------
    float
        Share, 0.02 to 0.9; missing where not even 90 % would have been seen.
    """
    y, e, own, x = _telling(counts, effort, site, year)
    beta, _ = _conditional(y[:, None], e, own, x)
    now = e * np.exp(beta[0] * (x - x.mean()))
    clumping = _clumping(y, now, own)
    flat = (np.bincount(own, y) / np.bincount(own, e))[own] * e
    random = np.random.default_rng(seed)
    limit = float(scipy.special.stdtrit(int(own.max()), 0.975))

    def shown(change: float) -> bool:
        slope = np.log1p(-change) / (span or x.max() - x.min())
        falling = flat * np.exp(slope * (x - x.mean()))
        clumped = random.gamma(1 / clumping, clumping, (x.size, _RUNS))
        drawn = random.poisson(falling[:, None] * clumped).astype(np.float64)
        estimate, se = _conditional(drawn, e, own, x)
        seen = (estimate + limit * se < 0) & ~_one_sided(drawn, own, x)
        return bool(seen.mean() >= _POWER)

    if not shown(float(_CHANGES[-1])):
        return float("nan")
    return float(_CHANGES[bisect.bisect_left(_CHANGES[:-1], True, key=shown)])


def _clumping(counts: Floats, expected: Floats, site: Ints) -> float:
    """Estimate c of counts with variance m + c m², where m is a level of the site times `expected`.

    By moments: the variance of r = count / expected within a site, less its Poisson part, has
    mean c level²; the product of two r of a site has mean level². So the levels, of which a site
    has few counts, need not be estimated, which would make c too small.
    """
    n, ratio = np.bincount(site), counts / expected
    whole, square = np.bincount(site, ratio), np.bincount(site, ratio**2)
    variance = (square - whole**2 / n) / (n - 1) - np.bincount(site, ratio / expected) / n
    level_2 = (whole**2 - square) / (n * (n - 1))
    return float(np.clip((n * variance).sum() / max((n * level_2).sum(), 1e-12), *_CLUMPED))
