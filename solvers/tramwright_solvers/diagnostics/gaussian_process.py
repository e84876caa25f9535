"""The total over the whole bed, with its uncertainty: the highest point is rarely at a station.

Method: a Gaussian process. The gap is a trend (offset, tilts, twist, bows and all that the adjusters can do, with
coefficients of which nothing is assumed) plus a remainder that is alike at points near each other, plus the errors of
the readings. The remainder's standard deviation and the length over which it changes are not known: the survey itself
weighs some of each (:data:`SIZES`, :mod:`.likeness`), all equally likely beforehand, by how well they explain what the
trend leaves at the stations (restricted likelihood). Bayes' rule then gives plates that agree with the readings; the
total of each is taken over a grid. Their mean, standard deviation and 2.5 % and 97.5 % quantiles are stated (JCGM 101).
For the method see Rasmussen & Williams, *Gaussian Processes for Machine Learning*, 2006, 2.7 and 5.4 (from memory).

Limits: what lies between stations is known from what plates are like near them. A dent or a crumb smaller than the
distance between stations is not seen by any of this; where the trend runs out beyond the outermost stations it is
continued, which its uncertainty takes into account only as far as the form is that of the trend; and the grid of
9 × 9 points misses by itself a tenth of a remainder as short as the shortest length.

The errors being taken out and not left in, this total may well be less than highest minus lowest reading.

Everything that depends on the stations is prepared; the draws are prepared too, with a fixed seed, so that the same
survey has the same answer.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import sqrt
from typing import TYPE_CHECKING

import numpy as np
from msgspec import Struct

from ..linalg.rowwise import row_products
from ..model.contract import Floats
from ..results.findings import OverBed, Place
from . import sentences
from .form_terms import term_columns
from .likeness import LENGTHS, Kernel, Patches, kernels_of, patch_planes

if TYPE_CHECKING:
    from ..model.machine import Bed
    from ..reduction.covariance import GapCovariance

GRID = 9
"""Points along each side of the bed at which the plate is drawn."""

DRAWS = 24
"""Plates drawn for each survey: few, for every answer waits for them; :data:`WIDER` makes up for it."""

EVEN = np.array([k for k in range(DRAWS) if k % 6 < 2])
"""Draws, in pairs of opposite sign, from which the mean effect of drawing the trend's errors is taken."""

QUANTILES = np.zeros((DRAWS, 2))
QUANTILES[[0, 1], 0] = QUANTILES[[-1, -2], 1] = 0.9, 0.1
"""Weights of the ordered draws whose sums are the 2.5 % and 97.5 % quantiles: draw k of D stands for (k + 1/2) / D."""

TOGETHER = 16
"""Surveys drawn together, so that their plates stay in the processor's cache."""

SIZES = (0.5, 1.5, 4.0, 12.0, 36.0)
"""Standard deviations of the remainder that are weighed, in those of a reading; and none at all."""

LEAST_SPARE, MOST_STATIONS = 4, 400
"""Readings beyond the terms of the trend that are needed, and stations beyond which this is left out."""

WIDER = 1.2
"""Factor by which the draws are spread about their mean, for their small number and because simulated plates of kinds
other than those weighed lay outside more often than five times in a hundred. Our own choice, checked in tests."""

FAR = 1000.0
"""Readings' standard uncertainties beyond which the trend, continued over the bed, tells nothing. Our own choice: its
rounding errors alone are beyond what is stated from some tens of thousands on."""

RANK = 1e-8
"""Singular values below this share of the largest count as zero."""


SAYS = sentences.INTERPOLATED


class Interpolation(Struct, frozen=True):
    """Prepared for n stations, G points, m adjusters and C kinds of remainder.

    ``contrast`` (n, L·r): what the trend leaves, for each of L likenesses in r directions in which readings have
    variance one and the remainder varies by itself; ``inverse`` (L·r, C) and ``log_scale`` (C,) make of their squares
    the logarithm of each kind's likelihood. ``mean`` (n, C·G) interpolates, ``scatter`` (C·D, G) are D draws of each
    kind about that and ``trending`` (D, G) draws of the trend's error, for readings of variance one. ``there`` (m, G)
    is the adjusters' influence, ``beside`` (D, m) draws of errors of setting, ``places`` (G, 2) the points. ``refusal``
    says why there is none of this.
    """

    contrast: Floats
    inverse: Floats
    log_scale: Floats
    mean: np.ndarray
    scatter: np.ndarray
    trending: np.ndarray
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
            found += self._drawn(gaps[own], noise.variance[own], travels[own], known)
        return found

    def _drawn(
        self, gaps: Floats, variance: Floats, travels: Floats, exact: Floats | None
    ) -> list[tuple[OverBed, OverBed]]:
        """Draw plates for a few surveys and write the estimates."""
        surveys, kinds, points = len(gaps), len(self.log_scale), len(self.places)
        square = variance.sum(axis=1, keepdims=True) / variance.shape[1]
        chance = self.log_scale - 0.5 / square * row_products(row_products(gaps, self.contrast) ** 2, self.inverse)
        chance = np.cumsum(np.exp(chance - chance.max(axis=1, keepdims=True)), axis=1)
        # as many plates of each kind as it is likely, the draws spread over the kinds
        wanted = chance[:, -1:] * ((np.arange(DRAWS) + 0.5) / DRAWS)
        kind = np.sum(wanted[:, None, :] > chance[:, :-1, None], axis=1)
        means = np.matmul(gaps.astype(np.float32)[:, None, :], self.mean).reshape(surveys * kinds, points)
        scale = np.sqrt(square).astype(np.float32)[:, :, None]
        plates = np.take(self.scatter, kind * DRAWS + np.arange(DRAWS), axis=0) * scale
        plates += np.take(means, kind + kinds * np.arange(surveys)[:, None], axis=0)
        beside = (travels != 0.0)[:, None, :] * self.beside
        made = travels[:, None, :] + beside if exact is None else beside
        moved = np.matmul(made.astype(np.float32), self.there)
        if exact is not None:
            moved += exact.astype(np.float32)[:, None, :]
        return self._written(np.stack([plates, plates + moved]), scale * self.trending)

    def _written(self, plates: np.ndarray, trending: np.ndarray) -> list[tuple[OverBed, OverBed]]:
        """Write the estimates from plates (2, N, D, G), before and after, and the errors of their trends (N, D, G).

        The trend's errors are in the readings already and make the total read high; drawing them once more does so
        again. So what they add on the average is taken off twice.
        """
        at = np.einsum("sndg->sng", plates)
        few = plates[:, :, EVEN]
        even = (few.max(axis=3) - few.min(axis=3)).astype(np.float64)
        plates += trending
        totals = (plates.max(axis=3) - plates.min(axis=3)).astype(np.float64)
        mean = totals.sum(axis=2, keepdims=True) / DRAWS
        added = (totals[:, :, EVEN] - even).sum(axis=2, keepdims=True) / even.shape[2]
        totals = np.maximum(mean - 2.0 * added + WIDER * (totals - mean), 0.0)
        totals.sort(axis=2)
        mean = totals.sum(axis=2, keepdims=True) / DRAWS
        rest = totals - mean
        rows = (
            mean[:, :, 0],
            np.sqrt(np.sum(rest * rest, axis=2) / (DRAWS - 1)),
            np.matmul(totals[:, :, None, :], QUANTILES)[:, :, 0],
            self.places[at.argmax(axis=2)],
            self.places[at.argmin(axis=2)],
        )
        before, after = (
            [
                OverBed(total, u, low, high, Place(*highest), Place(*lowest), SAYS)
                for total, u, (low, high), highest, lowest in zip(*(row[state].tolist() for row in rows), strict=True)
            ]
            for state in (0, 1)
        )
        return list(zip(before, after, strict=True))


def bytes_for(stations: int) -> int:
    """Return how many bytes an :class:`Interpolation` of so many stations takes, at the most."""
    if stations > MOST_STATIONS:
        return 0
    likenesses, points = len(LENGTHS) + 1, GRID**2
    kinds = len(SIZES) * likenesses + 1
    return 8 * likenesses * stations * (stations + kinds) + 4 * kinds * points * (stations + DRAWS)


def bed_points(bed: Bed) -> Floats:
    """Return the grid over the whole bed, edges included, shape (GRID², 2)."""
    x, y = np.meshgrid(np.linspace(*bed.x, GRID), np.linspace(*bed.y, GRID))
    return np.column_stack([x.ravel(), y.ravel()])


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
    size = np.linalg.norm(here, axis=0)
    per = np.divide(1.0, size, out=np.zeros_like(size), where=size > 0.0)
    singular = np.linalg.svd(here * per, compute_uv=False)
    rank = int(np.sum(singular > RANK * singular[0]))
    if why := refused(count, rank, unseen):
        return _nothing(places, why)
    left, singular, right = np.linalg.svd(here * per)
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
    random = np.random.default_rng(0)
    drawn = random.standard_normal((DRAWS, len(places)))
    drawn[1::2] = -drawn[::2]
    errors = random.standard_normal((DRAWS, count)) @ np.linalg.cholesky(readings).T @ predict.T
    told = [kinds_of(likeness, predict, rest) for likeness in kernels_of(bed, points, places, patches)]
    kinds = [
        (index, power, basis, size**2 * gain / (1.0 + size**2 * power), size, gain, own)
        for index, (power, basis, gain, own) in enumerate(told)
        for size in ((0.0, *SIZES) if index == 0 else SIZES)
    ]
    inverse = np.array([1.0 / (1.0 + size**2 * power) for _, power, _, _, size, _, _ in kinds])
    # "no remainder" stands once for all likenesses
    log_scale = 0.5 * np.log(inverse).sum(axis=1)
    log_scale[0] += np.log(len(told))
    spare = rest.shape[1]
    by_likeness = np.zeros((len(told), spare, len(kinds)))
    for kind, (index, *_) in enumerate(kinds):
        by_likeness[index, :, kind] = inverse[kind]
    return Interpolation(
        contrast=np.concatenate([basis for _, basis, _, _ in told], axis=1),
        inverse=by_likeness.reshape(-1, len(kinds)),
        log_scale=log_scale,
        mean=np.ascontiguousarray(
            np.concatenate([predict + by @ basis.T for _, _, basis, by, _, _, _ in kinds]).T, dtype=np.float32
        ),
        scatter=np.concatenate(
            [drawn @ root(size**2 * (own - by @ gain.T)).T for _, _, _, by, size, gain, own in kinds]
        ).astype(np.float32),
        trending=(errors - errors.mean(axis=0)).astype(np.float32),
        there=np.ascontiguousarray(there.T, dtype=np.float32),
        beside=random.standard_normal((DRAWS, len(setting))) * setting,
        places=places,
        refusal="",
    )


def _nothing(places: Floats, why: str) -> Interpolation:
    """Return what says nothing of the bed, and why."""
    none = np.zeros((0, 0))
    return Interpolation(none, none, none, none, none, none, none, none, places, why)


def kinds_of(likeness: Kernel, predict: Floats, rest: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """Return what the contrasts ``rest`` (n, r) tell of a remainder of this likeness and of standard deviation one.

    Its variance in each of r directions (r,), those directions (n, r), its covariance with the error of the trend's
    prediction ``predict`` (G, n), shape (G, r), and the covariance of that error, (G, G).
    """
    here, across, beyond = likeness
    power, turn = np.linalg.eigh(rest.T @ here @ rest)
    basis = rest @ turn
    both = across @ predict.T
    own = beyond - both - both.T + predict @ here @ predict.T
    return np.maximum(power, 0.0), basis, (across - predict @ here) @ basis, own


def root(covariance: Floats) -> Floats:
    """Return a matrix whose product with its transpose is a covariance, to :data:`RANK` of its largest variance."""
    even = RANK * max(float(np.diag(covariance).max()), 1e-6)
    return np.asarray(np.linalg.cholesky(covariance + even * np.eye(len(covariance))))
