"""How large a slip must be for the correction to name its reading, four times in five: the tests it has to pass.

A slip of s standard deviations of its residual is named where the residual passes Baarda's w-test and Student's t-test
against what the survey scatters, where it stands out more than that of every other station, and, on a dense grid,
where it also stands out from the stations around. The chances are taken as independent and multiplied. All is for a
plate of the form that the check allows for and for the stated uncertainty of readings; other form hides larger slips.
"""

from __future__ import annotations

from functools import cache

import numpy as np

from ..model.contract import Floats
from .reliability import POWER, Reliability

MOST_COMPARED = 400
"""Stations up to which each is compared with every other. With more of them no two residuals are much alike."""

SCALE = np.linspace(0.0, 400.0, 4001)
"""Sizes of slips, in standard deviations, at which chances are worked out; from the last on none is said to be seen."""


def deviations(model: Reliability, w: float, t: float, around: tuple[float, int, Floats] | None) -> Floats:
    """Return how many deviations of its residual (n,) a slip at each station must have; infinite where none is enough.

    ``w`` and ``t`` are the critical values of both tests. ``around`` gives that of Student's t against the stations
    around, its degrees of freedom, and the deviation of that test over the reading's own, (n,).
    """
    spare = np.sqrt(np.where(model.checked, model.redundancy, 1.0))
    apart = np.sqrt(0.5 * (1.0 - alike(model)))
    low, high = np.zeros(len(spare)), np.full(len(spare), SCALE[-1])

    def chance(size: Floats) -> Floats:
        named = named_by(w, t, model.dof - 1, size) * named_by(0.0, 0.0, 0, size * apart)
        if around is not None:
            critical, freedom, wider = around
            named *= named_by(0.0, critical, freedom, size / (spare * wider))
        return named

    seen = model.checked & (chance(high) >= POWER)
    while float((high - low).max()) > 1e-6:
        middle = 0.5 * (low + high)
        enough = chance(middle) >= POWER
        low, high = np.where(enough, low, middle), np.where(enough, middle, high)
    return np.where(seen, high, np.inf)


def alike(model: Reliability) -> Floats:
    """Return the largest correlation, in size, of each station's residual with that of any other, (n,)."""
    count = len(model.redundancy)
    if count > MOST_COMPARED:
        return np.zeros(count)
    both = np.eye(count) - model.basis @ model.basis.T
    spare = np.sqrt(np.where(model.checked, model.redundancy, np.inf))
    both = np.abs(both) / np.outer(spare, spare)
    np.fill_diagonal(both, 0.0)
    return np.asarray(np.minimum(both.max(axis=1), 1.0))


def named_by(w: float, t: float, freedom: int, size: Floats) -> Floats:
    """Return the chance that a slip of this size, in deviations, exceeds w and t times a scatter of such freedom."""
    return np.interp(size, SCALE, chances(w, t, freedom))


@cache
def chances(w: float, t: float, freedom: int) -> Floats:
    """Return that chance at every size of :data:`SCALE`, the scatter integrated over 64 equal shares of chi-squared."""
    from scipy.special import chdtri, ndtr

    beyond = np.array([w])
    if freedom:
        scatter = np.sqrt(chdtri(freedom, (np.arange(64) + 0.5) / 64.0) / freedom)
        beyond = np.maximum(w, t * scatter)
    return np.asarray(ndtr(SCALE[:, None] - beyond).mean(axis=1))
