"""Uncertainty of a total: highest minus lowest of many readings, each with its error.

Which stations are highest and lowest is itself decided by the errors. Let τ be the true total and T what is read:

- T reads high on average, because the extremes are chosen after the errors are made.
- Its standard deviation is not above that of the difference of two stations, √2 u where all are alike (Poincaré's
  inequality: the gradient of a range has length √2 wherever it exists). That is the ``u`` stated.
- ``T + K u <= L`` happens to at most 5 of 100 machines whose true total is beyond L, whatever their form: their true
  extremes alone read less apart than that in no more than one of twenty.
  So *within* may be claimed with K = 1.645 of a predicted total.
  One as read is a number of whole divisions, and takes a little more (:func:`margin_as_read`).
  One left by a fit that hangs on these same readings is better than what will be there. Under least squares that is
  little while enough stations check each other; else it takes :func:`fitted_factor`.
- ``T - K u > L`` is another matter: where many stations are nearly the highest, one of them reads too high almost
  surely. *Outside* takes the quantile of the largest of as many errors as stations are in question
  (:func:`outside_margin`).
"""

from __future__ import annotations

from functools import cache
from math import sqrt
from typing import TypeVar

import numpy as np

from ..model.contract import Floats
from ..model.options import Criterion
from ..model.units import K
from ..reduction.covariance import GapCovariance

T = TypeVar("T", float, Floats)

NEAR = 4.0
"""A station may be the true extreme when it reads within this many u of the extreme reading. Our own choice, checked
by Monte Carlo in tests."""

COUNTS = np.unique(np.round(np.geomspace(1.0, 4096.0, 33)).astype(int))
"""Numbers of stations for which quantiles are worked out; a number between takes the next one up."""

MOST_FACTOR = 7.0
"""No factor is larger: beyond as many u, a total outside is outside whatever the factor."""

K_AS_READ = 1.675
"""95 % quantile, in its u, of the difference of two equal rectangular errors; that of other sums of them is less."""

EVERY_PAIR = 40
"""With more stations than this only some are looked among for the widest pair."""

OUTERMOST = 12
"""That many at each end."""

SPARE = 3
"""Least squares with one station in so many to spare need no wider factor. Our own choice, checked in tests."""

BLOCK = 2**17
"""Differences of stations worked out at a time, so that they stay in the processor's cache."""


def covering_each(gaps: Floats, noise: GapCovariance) -> Floats:
    """Return u (N, K) of the totals T of K gaps of each survey, (N, K, n): T + K u covers every pair of stations.

    Where all stations are known alike that is the u of the difference of any two. Elsewhere a pair that reads less
    apart, yet is known less well, may be the one that counts: T + K u is the largest ``g_i - g_j + K u_ij``.
    """
    if noise.uniform is not None:
        return np.full(gaps.shape[:2], sqrt(2.0) * noise.uniform)
    if not noise.factors.shape[1] and np.all(noise.variance == noise.variance[:, :1]):
        return np.asarray(np.sqrt(2.0 * noise.variance[:, :1])).repeat(gaps.shape[1], axis=1)
    widest = _of_every_pair if gaps.shape[2] <= EVERY_PAIR else _of_outermost
    return np.asarray((widest(gaps, noise) - np.ptp(gaps, axis=2)) / K)


def _of_every_pair(gaps: Floats, noise: GapCovariance) -> Floats:
    """Return the largest ``g_i - g_j + K u_ij`` of gaps (N, K, n), shape (N, K)."""
    surveys, subsets, stations = gaps.shape
    common = np.sum((noise.factors[:, None, :] - noise.factors[None, :, :]) ** 2, axis=2)
    own = noise.variance[:, :, None] + noise.variance[:, None, :]
    own[:, np.arange(stations), np.arange(stations)] = 0.0
    reach = K * np.sqrt(own + common)
    widest = np.empty((surveys, subsets))
    step = max(1, BLOCK // (subsets * stations * stations))
    for start in range(0, surveys, step):
        some = slice(start, start + step)
        apart = gaps[some, :, :, None] - gaps[some, :, None, :]
        apart += reach[some, None]
        widest[some] = apart.max(axis=(2, 3))
    return widest


def _of_outermost(gaps: Floats, noise: GapCovariance) -> Floats:
    """Return the same, looked for among the :data:`OUTERMOST` stations at each end, a few gaps at a time."""
    surveys, subsets, stations = gaps.shape
    rows, of_stations = gaps.reshape(-1, stations), noise.stations()
    step = max(1, BLOCK // stations)
    widest = np.empty(len(rows))
    for start in range(0, len(rows), step):
        some = np.arange(start, min(start + step, len(rows)))
        survey = some // subsets
        widest[some] = _of_ends(rows[some], noise.variance[survey], of_stations[survey], noise.factors)
    return widest.reshape(surveys, subsets)


def _of_ends(rows: Floats, variance: Floats, u: Floats, factors: Floats) -> Floats:
    """Return the largest ``g_i - g_j + K u_ij`` (b,) of rows, variances and standard uncertainties (b, n)."""
    high = np.argpartition(-(rows + K * u), OUTERMOST - 1, axis=1)[:, :OUTERMOST]
    low = np.argpartition(rows - K * u, OUTERMOST - 1, axis=1)[:, :OUTERMOST]
    apart = np.take_along_axis(rows, high, 1)[:, :, None] - np.take_along_axis(rows, low, 1)[:, None, :]
    own = np.take_along_axis(variance, high, 1)[:, :, None] + np.take_along_axis(variance, low, 1)[:, None, :]
    own[high[:, :, None] == low[:, None, :]] = 0.0
    common = factors[high][:, :, None, :] - factors[low][:, None, :, :]
    bound = apart + K * np.sqrt(own + np.sum(common * common, axis=3))
    return np.asarray(bound.max(axis=(1, 2)))


def margin_as_read(u: T, division: float) -> T:
    """Return how far inside its limit a total of readings as they stand proves it within; ``u`` as given.

    Both extremes were read to whole divisions, so a total below a limit of whole divisions is at least one below it,
    and stands for true totals up to half a division more.
    """
    return K_AS_READ * u + 0.5 * division


def outside_factor(gaps: Floats, u: Floats) -> Floats:
    """Return k (N,) for which ``T - k u > L`` proves a total outside: K where one station stands out at either end.

    ``gaps`` (N, n); ``u`` (N,) of their totals, √2 times that of a station. Stations within :data:`NEAR` standard
    uncertainties of an extreme are in question; the errors of those at either end are taken as independent, which for
    errors that go together is the worst case (Slepian's lemma).
    """
    reach = (NEAR / sqrt(2.0)) * u[:, None]
    high = np.count_nonzero(gaps >= gaps.max(axis=1, keepdims=True) - reach, axis=1)
    low = np.count_nonzero(gaps <= gaps.min(axis=1, keepdims=True) + reach, axis=1)
    at_high, at_low = (np.searchsorted(COUNTS, np.minimum(count, COUNTS[-1])) for count in (high, low))
    return np.asarray(_quantiles()[at_high, at_low])


def outside_margin(gaps: Floats, u: Floats, setting: Floats | float = 0.0) -> Floats:
    """Return by how much (N,) a total must be beyond the limit to prove it outside.

    ``u`` (N,) is that of the totals as read; ``setting`` is what errors of setting add to it, of which there is but one
    set, so that they are taken with the plain factor.
    """
    return np.asarray(np.hypot(outside_factor(gaps, u) * u, K * setting))


def fitted_factor(unknowns: np.ndarray, stations: int, criterion: Criterion) -> Floats:
    """Return k (K,) for which ``T + k u`` covers what a fit of so many ``unknowns`` (K,) will really leave.

    A minimum zone hangs on one station more than it has unknowns, half of them high and half low: what will be there
    lies beyond each by the largest error of that half. That few are known to be extreme is the worst case, which a form
    far larger than the errors attains; as many unknowns as stations leave nothing, and what will be there is the errors
    themselves. Least squares spread what they take over all stations: K is enough while a third of them is to spare,
    else they come near a minimum zone. Both checked by Monte Carlo in tests.
    """
    factor = np.full(len(unknowns), K)
    few = np.flatnonzero(unknowns > (1 if criterion == "minimum-zone" else stations - stations / SPARE))
    if len(few):
        contacts = unknowns[few] + 1
        high, low = (
            np.searchsorted(COUNTS, np.where(contacts > stations, stations, half))
            for half in ((contacts + 1) // 2, contacts // 2)
        )
        factor[few] = _quantiles()[high, low]
    return factor


@cache
def _quantiles() -> Floats:
    """Return the 95 % quantiles of largest of h errors plus largest of l others, over √2, by :data:`COUNTS` both ways.

    The distribution of the largest of m independent normal errors is Φ^m; that of the sum of two is their convolution,
    by the trapezium rule (to 2e-5, which one of each confirms: it gives K).
    """
    from scipy.special import ndtr

    x = np.linspace(-6.0, 7.0, 521)
    step = x[1] - x[0]
    below = ndtr(x)[None, :] ** COUNTS[:, None]
    density = COUNTS[:, None] * ndtr(x)[None, :] ** (COUNTS[:, None] - 1) * np.exp(-0.5 * x * x) / sqrt(2.0 * np.pi)
    found = np.zeros((len(COUNTS), len(COUNTS)))
    sums = np.linspace(1.5, 10.0, 341)
    for index, own in enumerate(below):
        at = np.interp(sums[:, None] - x, x, own, left=0.0, right=1.0)
        reached = step * (density @ at.T)
        found[index] = [float(np.interp(0.95, row, sums)) for row in reached]
    return 0.5 * (found + found.T) / sqrt(2.0)
