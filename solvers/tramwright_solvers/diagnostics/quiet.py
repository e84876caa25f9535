"""Surveys in which no reading can stand out, told before the check of readings against each other is prepared."""

from __future__ import annotations

import numpy as np

from ..linalg.orthogonalize import bases, lengths, less
from ..model.contract import Floats
from .outliers import SPARE_FOR_MORE, critical_values
from .reliability import INDEPENDENT, LEAST_REDUNDANCY, non_centrality
from .undeclared_drift import LEAST_OWN

QUIET = 0.99 * non_centrality(power=0.5) ** 2
"""Sum of squares, in variances of a reading, up to which no reading can stand out; a little less than the critical
value of either test, that no rounding decides."""


def may_hold_slips(rms: Floats, variance: Floats, weights: Floats) -> np.ndarray:
    """Return which surveys (N,) have to be checked at all.

    ``rms`` (N, K) is what the adjusters leave, ``variance`` (N, n), ``weights`` (n,). The form takes off at least as
    much as any of them, no studentized residual is larger than the root of the sum of all squares (Cauchy and Schwarz),
    and that sum has its smallest critical value with one degree of freedom, where it is that of one residual.
    """
    may: np.ndarray = len(weights) * rms.min(axis=1) ** 2 > QUIET * (variance @ weights / len(weights))
    return may


def may_stand_out(gaps: Floats, places: tuple[Floats, Floats], basis: Floats, unit: Floats) -> np.ndarray:
    """Return which surveys (g,), each of a geometry of its own and of weights one, may hold a slip or a drift.

    ``gaps`` (g, n), ``places`` (g, n) each, scaled to the bed, ``basis`` (g, n, r) of what form and adjusters can be,
    ``unit`` (g,) the variance of a reading. Where the stations bear higher terms of the form, nothing is known before
    these are fitted.
    """
    may: np.ndarray = (less(gaps[:, :, None], basis) ** 2).sum(axis=(1, 2)) > QUIET * unit
    may[may] = _stands_out(gaps[may], (places[0][may], places[1][may]), basis[may], unit[may])
    return may


def _stands_out(gaps: Floats, places: tuple[Floats, Floats], basis: Floats, unit: Floats) -> np.ndarray:
    """Say the same by the bound of each test."""
    (x, y), count = places, gaps.shape[1]
    cubes = np.stack([x**3, x * x * y, x * y * y, y**3], axis=2)
    spare = 1.0 - (basis * basis).sum(axis=2)
    higher = bases(less(cubes / lengths(cubes), basis), INDEPENDENT, absolute=True)
    finer = spare - (higher * higher).sum(axis=2)
    bears_more = (finer.min(axis=1) > 0.99 * SPARE_FOR_MORE) & (finer.sum(axis=1) > 1.5)
    steady = np.arange(count) - 0.5 * (count - 1)
    left, own = np.moveaxis(less(np.stack([gaps, np.broadcast_to(steady, gaps.shape)], axis=2), basis), 2, 0)
    squares, quiet = left**2, QUIET * unit
    out = (squares > quiet[:, None] * spare) & (spare > 0.99 * LEAST_REDUNDANCY)
    scatter = np.array([critical_values(count, dof)[1] for dof in np.rint(spare.sum(axis=1)).astype(int).tolist()])
    length = np.maximum((own * own).sum(axis=1), 0.99 * LEAST_OWN * float(steady @ steady))
    drifting = (own * gaps).sum(axis=1) ** 2 > quiet * length
    return np.asarray(out.any(axis=1) | (squares.sum(axis=1) > 0.99 * scatter * unit) | drifting | bears_more)
