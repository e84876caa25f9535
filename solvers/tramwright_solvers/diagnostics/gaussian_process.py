"""The total over the whole bed, with its uncertainty: the highest point is rarely at a station.

Method: a Gaussian process. The gap is a trend (offset, tilts, twist, bows and all that the adjusters can do, with
coefficients of which nothing is assumed) plus a remainder that is alike at points near each other, plus the errors of
the readings. The remainder's standard deviation and the length over which it changes are not known: the survey itself
weighs some of each (:data:`SIZES`, :mod:`.likeness`), all equally likely beforehand, by how well they explain what the
trend leaves at the stations (restricted likelihood). Each kind interpolates the readings in its own way; stated is the
mean of the totals of what they make of them. See Rasmussen & Williams, *Gaussian Processes for Machine Learning*, 2006,
2.7 and 5.4 (from memory).

How far off it may be: the totals of two surfaces differ by no more than the total of their difference. So the total of
a kind is off by no more than the total of its error, whose 95 % quantile is worked out beforehand, by drawing plates of
that kind, reading and interpolating them. That holds for every plate of the kind, whatever its trend. The quantiles are
averaged over the kinds as the totals are, and what kinds differ by is added. The interval is wider than it need be:
where the extremes of the bed lie, the error is not at its own.

Limits: what lies between stations is known from what plates are like near them. Tests hold the interval for forms that
the stations show (:data:`..diagnostics.sentences.INTERPOLATED`). A dent or a crumb smaller than the distance between
stations is not seen by any of this, and a wave shorter than two distances is taken for a longer one.

The errors being taken out and not left in, this total may well be less than highest minus lowest reading.

Everything that depends on the stations is prepared, with a fixed seed, so that the same survey has the same answer.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property, lru_cache
from math import sqrt
from typing import TYPE_CHECKING

import numpy as np
from msgspec import Struct

from ..linalg.grids import grid_over
from ..linalg.rowwise import row_products
from ..model.contract import Floats
from ..results.findings import OverBed, Place
from . import sentences
from .form_terms import term_columns
from .likeness import LENGTHS, Patches, likenesses, patch_planes

if TYPE_CHECKING:
    from ..model.machine import Bed
    from ..reduction.covariance import GapCovariance

GRID = 9
"""Points along each side of the bed at which the plate is interpolated."""

DRAWS = 200
"""Plates of each kind from which the quantile of its error is taken: known to one or two in a hundred of them."""

TOGETHER = 48
"""Surveys worked out together, so that their plates stay in the processor's cache."""

SURE, BOTH_WAYS = 0.95, 1.96
"""Share of errors that the interval covers, and standard deviations within which as many of a normal distribution
lie."""

PER_U = 2.85
"""Half the interval in standard uncertainties: the 95 % quantile of the range of six independent errors, 4.03 (tables
of the studentized range, from memory), over the root of two. Errors of a surface are about as many."""

SIZES = (0.5, 1.5, 4.0, 12.0, 36.0)
"""Standard deviations of the remainder that are weighed, in those of a reading; and none at all."""

LEAST_SPARE, MOST_STATIONS = 4, 400
"""Readings beyond the terms of the trend that are needed, and stations beyond which this is left out."""

FAR = 1000.0
"""Readings' standard uncertainties beyond which the trend, continued over the bed, tells nothing. Our own choice: its
rounding errors alone are beyond what is stated from some tens of thousands on."""

RANK = 1e-8
"""Singular values below this share of the largest count as zero."""


SAYS = sentences.INTERPOLATED


class Interpolation(Struct, frozen=True, dict=True):
    """Prepared for n stations, G points, m adjusters and C kinds of remainder.

    ``contrast`` (n, L·r): what the trend leaves, for each of L likenesses in r directions in which readings have
    variance one and the remainder varies by itself; ``inverse`` (L·r, C) and ``log_scale`` (C,) make of their squares
    the logarithm of each kind's likelihood. ``mean`` (n, C·G) interpolates, ``reach`` (C,) is the :data:`SURE` quantile
    of the total of the error of that, for readings of variance one. ``there`` (m, G) is the adjusters' influence,
    ``beside`` (m,) the square of what errors of setting each add to the total, ``places`` (G, 2) the points.
    ``refusal`` says why there is none of this.
    """

    contrast: Floats
    inverse: Floats
    log_scale: Floats
    mean: np.ndarray
    reach: Floats
    there: np.ndarray
    beside: Floats
    places: Floats
    refusal: str

    def totals(
        self, gaps: Floats, noise: GapCovariance, travels: Floats, exact: Floats | None = None
    ) -> list[tuple[OverBed, OverBed]]:
        """Return the estimates as found and after ``travels`` (N, m) for each survey of a stack, gaps (N, n).

        ``exact`` (N, G) is the change of gap that these make, where it is not influence × travel.
        """
        if self.refusal:
            none = OverBed(None, None, None, None, None, None, self.refusal)
            return [(none, none)] * len(gaps)
        found = []
        for start in range(0, len(gaps), TOGETHER):
            own = slice(start, start + TOGETHER)
            known = None if exact is None else exact[own]
            found += self._interpolated(gaps[own], noise.variance[own], travels[own], known)
        return found

    def _interpolated(
        self, gaps: Floats, variance: Floats, travels: Floats, exact: Floats | None
    ) -> list[tuple[OverBed, OverBed]]:
        """Interpolate a few surveys and write the estimates."""
        square = variance.sum(axis=1, keepdims=True) / variance.shape[1]
        chance = self.log_scale - 0.5 / square * row_products(row_products(gaps, self.contrast) ** 2, self.inverse)
        weight = np.exp(chance - chance.max(axis=1, keepdims=True))
        weight /= weight.sum(axis=1, keepdims=True)
        moved = row_products(travels.astype(np.float32), self.there) if exact is None else exact.astype(np.float32)
        # as found, and after the moves
        plates = np.empty((2, *weight.shape, len(self.places)), dtype=np.float32)
        plates[0] = row_products(gaps.astype(np.float32), self.mean).reshape(plates.shape[1:])
        np.add(plates[0], moved[:, None, :], out=plates[1])
        # where the extremes are is found in a third of the time that they themselves are
        high, low = plates.argmax(axis=3), plates.argmin(axis=3)
        first = plates.shape[3] * np.arange(high.size).reshape(high.shape)
        totals = (plates.take(first + high) - plates.take(first + low)).astype(np.float64)
        total = (weight * totals).sum(axis=2)
        apart = (weight * (totals - total[:, :, None]) ** 2).sum(axis=2)
        reach = np.empty_like(total)
        reach[0] = np.sqrt(square[:, 0]) * (weight * self.reach).sum(axis=1)
        reach[1] = np.hypot(reach[0], np.sqrt(row_products(travels != 0.0, self.beside[:, None])[:, 0]))
        half = np.sqrt(reach * reach + BOTH_WAYS**2 * apart)
        rows, likeliest = np.arange(len(gaps)), weight.argmax(axis=1)
        columns = (total, half, high[:, rows, likeliest], low[:, rows, likeliest])
        before, after = (map(self._written, *state) for state in zip(*(one.tolist() for one in columns), strict=True))
        return list(zip(before, after, strict=True))

    def _written(self, total: float, half: float, highest: int, lowest: int) -> OverBed:
        """Write the estimate of one total, half the width of its interval, and the places of its extremes."""
        places = self.named
        return OverBed(total, half / PER_U, max(total - half, 0.0), total + half, places[highest], places[lowest], SAYS)

    @cached_property
    def named(self) -> list[Place]:
        """The places as an answer names them."""
        return [Place(x, y) for x, y in self.places.tolist()]


def bytes_for(stations: int) -> int:
    """Return how many bytes an :class:`Interpolation` of so many stations takes, at the most."""
    if stations > MOST_STATIONS:
        return 0
    likenesses, points = len(LENGTHS) + 1, GRID**2
    kinds = len(SIZES) * likenesses + 1
    return 8 * likenesses * stations * (stations + kinds) + 4 * kinds * points * stations


def bed_points(bed: Bed) -> Floats:
    """Return the grid over the whole bed, edges included, shape (GRID², 2)."""
    return grid_over(bed, GRID)


@lru_cache(8)
def draws(stations: int, places: int) -> tuple[Floats, Floats]:
    """Return :data:`DRAWS` standard normal plates at stations and places, and as many readings' errors at stations."""
    random = np.random.default_rng(0)
    return random.standard_normal((stations + places, DRAWS)), random.standard_normal((stations, DRAWS))


def refused(stations: int, rank: int, unseen: Sequence[str]) -> str:
    """Say why these stations do not bear an estimate over the bed; empty where they do."""
    if unseen:
        return sentences.nothing_beyond_blind_stations(", ".join(unseen))
    if stations > MOST_STATIONS:
        return sentences.stations_stand_for_the_bed(MOST_STATIONS)
    if stations - rank < LEAST_SPARE:
        return sentences.too_few_for_smoothness(stations, rank + LEAST_SPARE)
    return ""


def interpolation(
    bed: Bed,
    points: Floats,
    influence: Floats,
    there: Floats,
    setting: Floats,
    variance: Floats,
    factors: Floats,
    unseen: Sequence[str],
    patches: Patches | None = None,
    places: Floats | None = None,
) -> Interpolation:
    """Prepare for stations ``points`` (n, 2) and ``places`` (G, 2) all over the bed, by default :func:`bed_points`.

    ``influence`` (n, m) and ``there`` (G, m) are the adjusters' influence at the stations and there, ``setting``
    (m,) the standard uncertainties of setting them; the readings' covariance beforehand is ``diag(variance) + factors @
    factors.T``; ``unseen`` names the terms that the stations cannot tell. Each of the ``patches`` lies as it likes.
    """
    places, count = bed_points(bed) if places is None else places, len(points)
    here = np.concatenate([term_columns(bed, points), influence], axis=1)
    everywhere = np.concatenate([term_columns(bed, places), there], axis=1)
    if patches is not None:
        planes = patch_planes(bed, points, patches.here, patches.here)
        if patches.unread(planes):
            return _nothing(places, sentences.PATCH_UNREAD)
        here = np.concatenate([here, planes], axis=1)
        everywhere = np.concatenate([everywhere, patch_planes(bed, places, patches.there, patches.here)], axis=1)
    if why := refused(count, 0, unseen):
        return _nothing(places, why)
    size = np.linalg.norm(here, axis=0)
    per = np.divide(1.0, size, out=np.zeros_like(size), where=size > 0.0)
    left, singular, right = np.linalg.svd(here * per)
    rank = int(np.sum(singular > RANK * singular[0]))
    if why := refused(count, rank, unseen):
        return _nothing(places, why)
    onto = everywhere * per @ (right[:rank].T / singular[:rank])
    readings = (np.diag(variance) + factors @ factors.T) / float(variance.mean())
    # the trend by generalized least squares, and contrasts: directions in which it is nothing, of variance one
    trend, rest = left[:, :rank], left[:, rank:]
    weighted = np.linalg.solve(readings, trend)
    predict = onto @ np.linalg.solve(trend.T @ weighted, weighted.T)
    spread = sqrt(float(np.einsum("ij,ij->i", predict @ readings, predict).max()))
    if spread > FAR:
        return _nothing(places, sentences.too_far(spread))
    rest = rest @ np.linalg.inv(np.linalg.cholesky(rest.T @ readings @ rest)).T
    drawn, scattered = draws(count, len(places))
    errors = (np.linalg.cholesky(readings) @ scattered).astype(np.float32)
    of = likenesses(bed, np.concatenate([points, places]), patches)
    told = [Likeness.of(alike, predict, rest, drawn) for alike in of]
    # "no remainder" stands once for all likenesses
    sizes = [np.array((0.0, *SIZES) if index == 0 else SIZES)[:, None] for index in range(len(told))]
    inverse = np.concatenate([1.0 / (1.0 + size**2 * one.power) for one, size in zip(told, sizes, strict=True)])
    log_scale = 0.5 * np.log(inverse).sum(axis=1)
    log_scale[0] += np.log(len(told))
    by_likeness = np.zeros((len(told), rest.shape[1], len(inverse)))
    mean = np.empty((len(inverse), len(places), count), dtype=np.float32)
    off = np.empty((len(inverse), DRAWS), dtype=np.float32)
    plates, error = np.empty_like(told[0].drawn), np.empty((len(places), DRAWS), dtype=np.float32)
    kinds = ((index, float(size)) for index, own in enumerate(sizes) for size in own[:, 0])
    for kind, (index, size) in enumerate(kinds):
        likeness = told[index]
        by_likeness[index, :, kind] = inverse[kind]
        mean[kind] = predict + (size**2 * likeness.gain * inverse[kind]) @ likeness.basis.T
        np.multiply(np.float32(size), likeness.drawn, out=plates)
        plates[:count] += errors
        np.matmul(mean[kind], plates[:count], out=error)
        error -= plates[count:]
        np.subtract(error.max(axis=0), error.min(axis=0), out=off[kind])
    return Interpolation(
        contrast=np.concatenate([likeness.basis for likeness in told], axis=1),
        inverse=by_likeness.reshape(-1, len(inverse)),
        log_scale=log_scale,
        mean=np.ascontiguousarray(mean.reshape(-1, count).T),
        reach=np.sort(off, axis=1)[:, round(SURE * DRAWS)].astype(np.float64),
        there=np.ascontiguousarray(there.T, dtype=np.float32),
        beside=(BOTH_WAYS * setting * np.ptp(there, axis=0)) ** 2,
        places=places,
        refusal="",
    )


def _nothing(places: Floats, why: str) -> Interpolation:
    """Return what says nothing of the bed, and why."""
    none = np.zeros((0, 0))
    return Interpolation(none, none, none, none, none, none, none, places, why)


class Likeness(Struct, frozen=True):
    """What contrasts tell of a remainder of one likeness and of standard deviation one.

    Its variance ``power`` in each of r directions (r,), the ``basis`` (n, r) of these, its covariance ``gain`` (G, r)
    with the error of the trend's prediction, and remainders ``drawn`` at stations and points (n + G, D).
    """

    power: Floats
    basis: Floats
    gain: Floats
    drawn: np.ndarray

    @classmethod
    def of(cls, alike: Floats, predict: Floats, rest: Floats, normal: Floats) -> Likeness:
        """Prepare for a likeness at stations and points (n + G, n + G), the trend's prediction (G, n) and contrasts."""
        count = len(rest)
        here, across = alike[:count, :count], alike[count:, :count]
        power, turn = np.linalg.eigh(rest.T @ here @ rest)
        basis = rest @ turn
        return cls(np.maximum(power, 0.0), basis, (across - predict @ here) @ basis, correlated(root(alike), normal))


def correlated(lower: Floats, normal: Floats) -> np.ndarray:
    """Return the product of a lower triangle (a, a) and draws (a, D), half of it without what is zero above it."""
    drawn, half = np.empty(normal.shape, dtype=np.float32), len(lower) // 2
    drawn[:half] = lower[:half, :half] @ normal[:half]
    drawn[half:] = lower[half:] @ normal
    return drawn


def root(covariance: Floats) -> Floats:
    """Return a matrix whose product with its transpose is a covariance, to :data:`RANK` of its largest variance."""
    even = RANK * max(float(np.diag(covariance).max()), 1e-6)
    return np.asarray(np.linalg.cholesky(covariance + even * np.eye(len(covariance))))
