"""Detection histories of one species in one season, and their likelihood.

Unit i is occupied with chance ψ_i. A visit finds a present species with chance
p = 1 - exp(-rate × effort), the complementary log-log form with log effort as offset, so that two
traps miss as often as one trap does twice. A unit with a find has the likelihood
ψ Π p Π (1-p) over its visits, one without ψ Π (1-p) + 1 - ψ: MacKenzie et al. (2002), Ecology
83:2248-2255. As Π (1-p) = exp(-Σ rate × effort), visits of like kind add up before anything is
computed: the likelihood needs the effort without a find summed, the distinct efforts of visits
with one, and the summed efforts of each unit where nothing was found.
"""

from __future__ import annotations

from dataclasses import dataclass
from hashlib import blake2b
from typing import TYPE_CHECKING, Final

import numpy as np
import scipy

from layers.estimates.profile_likelihood import Slopes

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from layers.arrays import Bools, Floats, Ints

__all__ = ["Histories", "histories", "order_by_effort"]

_FEW_KINDS: Final = 16  # of visits: units of like efforts are then looked for and counted


@dataclass(frozen=True)
class Histories:
    """What the likelihood needs of all visits.

    Attributes
    ----------
    units, units_found, visits, visits_found
        How many there are; a unit counts if it was visited.
    repeated
        Whether some unit was visited twice.
    occupancy_design
        Distinct rows of the units' covariates, first column 1, (m, a).
    detection_design
        Rows of the kinds of visits, (k, b): log rate = row @ coefficients.
    own
        How many of the first coefficients of detection are the log rate of one kind, or of
        kinds that differ in covariates only.
    """

    units: int
    units_found: int
    visits: int
    visits_found: int
    repeated: bool
    occupancy_design: Floats
    unit_rows: Ints  # units by row of the design
    found_rows: Ints  # of these, units with a find
    detection_design: Floats
    own: int
    missed_effort: Floats  # by kind, in units with a find
    hit_kind: Ints
    hit_effort: Floats
    hit_count: Floats
    empty_rows: Ints  # groups of like units without a find: row of the design
    empty_effort: Floats | scipy.sparse.csr_array  # by kind; dense where these are few
    empty_count: Floats

    @property
    def digest(self) -> bytes:
        """Equal for equal visits."""
        whole = blake2b(digest_size=16)
        for part in vars(self).values():
            dense = part.toarray() if isinstance(part, scipy.sparse.csr_array) else np.asarray(part)
            whole.update(f"{dense.shape}".encode() + dense.tobytes())
        return whole.digest()

    @property
    def coefficients(self) -> tuple[int, int]:
        """How many describe occupancy, and how many detection."""
        return self.occupancy_design.shape[1], self.detection_design.shape[1]

    def mean_missed(self, theta: Floats) -> float:
        """Chance that all visits to a unit miss a species that is there, mean over those empty."""
        rate = np.exp(self.detection_design @ theta[self.occupancy_design.shape[1] :])
        return float(
            self.empty_count @ np.exp(-(self.empty_effort @ rate)) / self.empty_count.sum()
        )

    def presence(self, theta: Floats) -> Floats:
        """Chance that each group of units without a find holds the species, unseen."""
        a = self.occupancy_design.shape[1]
        rate = np.exp(self.detection_design @ theta[a:])
        odds = (self.occupancy_design @ theta[:a])[self.empty_rows]
        return scipy.special.expit(odds - self.empty_effort @ rate)

    def mean_presence(self, theta: Floats) -> tuple[float, Floats]:
        """Mean of `presence` over units, and its derivatives."""
        here = self.presence(theta)
        a = self.occupancy_design.shape[1]
        weight = self.empty_count / self.empty_count.sum()
        change = weight * here * (1 - here)
        rate = np.exp(self.detection_design @ theta[a:])
        by_kind = self.empty_effort.T @ change
        slope = np.append(
            change @ self.occupancy_design[self.empty_rows],
            -self.detection_design.T @ (by_kind * rate),
        )
        return float(weight @ here), slope

    def mean_occupancy(self, theta: Floats) -> tuple[float, Floats]:
        """Mean of ψ over units, and its derivatives."""
        a, b = self.coefficients
        psi = scipy.special.expit(self.occupancy_design @ theta[:a])
        weight = self.unit_rows / self.units
        slope = (weight * psi * (1 - psi)) @ self.occupancy_design
        return float(weight @ psi), np.append(slope, np.zeros(b))

    def log_likelihood(self, theta: Floats, /, *, curve: bool = False) -> Slopes:
        """Compute the log-likelihood and its slope, on request its second derivatives.

        Parameters
        ----------
        theta
            Coefficients of logit ψ, then those of the log rate of detection.
        curve
            Whether second derivatives are wanted.
        """
        x, w = self.occupancy_design, self.detection_design
        a = x.shape[1]
        logit = x @ theta[:a]
        psi = scipy.special.expit(logit)
        log_in, log_out = -np.logaddexp(0, -logit), -np.logaddexp(0, logit)
        rate = np.exp(w @ theta[a:])
        hazard = rate[self.hit_kind] * self.hit_effort
        missed = self.empty_effort @ rate
        inside, outside = log_in[self.empty_rows] - missed, log_out[self.empty_rows]
        unit = np.logaddexp(inside, outside)
        here = np.exp(inside - unit)
        value = (
            self.found_rows @ log_in
            - self.missed_effort @ rate
            + self.hit_count @ np.log(-np.expm1(-hazard))
            + self.empty_count @ unit
        )
        # d log(1 - exp(-h)) / d log h, which is h / (e^h - 1)
        gain = hazard / np.expm1(np.minimum(hazard, 600.0))
        by_row = np.bincount(self.empty_rows, self.empty_count * here, minlength=len(x))
        d_logit = self.found_rows + by_row - self.unit_rows * psi
        present = self.empty_effort.T @ (self.empty_count * here)
        k = len(rate)
        d_rate = (
            np.bincount(self.hit_kind, self.hit_count * gain, minlength=k)
            - (self.missed_effort + present) * rate
        )
        gradient = np.append(x.T @ d_logit, w.T @ d_rate)
        if not curve:
            return Slopes(float(value), gradient)
        bent = gain * (1 - hazard - gain)
        second = (
            np.bincount(self.hit_kind, self.hit_count * bent, minlength=k)
            - (self.missed_effort + present) * rate
        )
        unsure = self.empty_count * here * (1 - here)
        doubt = np.bincount(self.empty_rows, unsure, minlength=len(x))
        change = self.empty_effort @ (rate[:, None] * w)
        cross = -(x[self.empty_rows] * unsure[:, None]).T @ change
        top = (x.T * (doubt - self.unit_rows * psi * (1 - psi))) @ x
        bottom = (w.T * second) @ w + (change.T * unsure) @ change
        return Slopes(float(value), gradient, np.block([[top, cross], [cross.T, bottom]]))


def order_by_effort(unit: Ints, kind: Ints, effort: Floats) -> NDArray[np.int32]:
    """Order the n visited units, ascending as they are, by their effort of each kind, (n,).

    Units of like effort then follow one another, whatever was found. Arguments as of
    :func:`histories`.
    """
    visited, at = np.unique(unit, return_inverse=True)
    spent = scipy.sparse.csr_array((effort, (at, kind)), shape=(visited.size, kind.max() + 1))
    return np.lexsort(spent.toarray().T[::-1]).astype(np.int32)


def _distinct_rows(table: Floats, order: NDArray[np.integer] | None = None) -> tuple[Floats, Ints]:
    """Each row of a table once, ascending, and how often it occurs."""
    sorted_ = table[np.lexsort(table.T[::-1]) if order is None else order]
    new = np.append(True, (sorted_[1:] != sorted_[:-1]).any(axis=1))[: len(table)]
    first = np.flatnonzero(new)
    return sorted_[first], np.diff(first, append=len(table))


def histories(
    unit: Ints,
    kind: Ints,
    effort: Floats,
    found: Bools,
    *,
    detection_design: Floats | None = None,
    occupancy_design: Floats | None = None,
    own: int | None = None,
    order: NDArray[np.int32] | None = None,
) -> Histories:
    """Add up visits.

    Parameters
    ----------
    unit, kind, effort, found
        For each of v visits the number of its unit, that of its kind (a method, or a method
        with like covariates), its effort in multiples of the usual one, above 0, and whether it
        found the species.
    detection_design
        (k, b), a row for each kind; without it each kind has a rate of its own.
    occupancy_design
        (n, a), a row for each unit number, first column 1; without it ψ is the same everywhere.
    own
        How many of the first columns of `detection_design` are rates; all when not given.
    order
        Of :func:`order_by_effort`, where it is known; only without an `occupancy_design`.
    """
    kinds = int(kind.max()) + 1 if detection_design is None and kind.size else 0
    w = np.eye(kinds) if detection_design is None else detection_design
    visited, at = np.unique(unit, return_inverse=True)
    n, k = visited.size, len(w)
    x, row = np.ones((min(n, 1), 1)), np.zeros(n, np.int64)
    if occupancy_design is not None:
        x, row = np.unique(occupancy_design[visited], axis=0, return_inverse=True)
        row = row.ravel()
    seen = np.zeros(n, dtype=bool)
    seen[at[found]] = True
    missed = ~found & seen[at]
    pairs, hits = _distinct_rows(np.column_stack([kind[found], effort[found]]))
    open_ = ~seen[at]
    place = np.cumsum(~seen) - 1
    spent = scipy.sparse.csr_array(
        (effort[open_], (place[at[open_]], kind[open_])), shape=(int((~seen).sum()), k)
    )
    empty: Floats | scipy.sparse.csr_array = spent
    rows, count = row[~seen], np.ones(int((~seen).sum()))
    if k <= _FEW_KINDS and rows.size:
        given = None if order is None else place[order[~seen[order]]]
        like, number = _distinct_rows(np.column_stack([rows, spent.toarray()]), given)
        rows, count = like[:, 0].astype(np.int64), number.astype(np.float64)
        empty = np.ascontiguousarray(like[:, 1:])
    return Histories(
        units=n,
        units_found=int(seen.sum()),
        visits=unit.size,
        visits_found=int(found.sum()),
        repeated=bool(unit.size > n),
        occupancy_design=x,
        unit_rows=np.bincount(row, minlength=len(x)),
        found_rows=np.bincount(row[seen], minlength=len(x)),
        detection_design=w,
        own=w.shape[1] if own is None else own,
        missed_effort=np.bincount(kind[missed], effort[missed], minlength=k).astype(np.float64),
        hit_kind=pairs[:, 0].astype(np.int64),
        hit_effort=pairs[:, 1],
        hit_count=hits.astype(np.float64),
        empty_rows=rows,
        empty_effort=empty,
        empty_count=count,
    )
