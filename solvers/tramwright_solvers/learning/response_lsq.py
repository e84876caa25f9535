"""Estimates of the adjusters' responses from surveys before and after moves, all other unknowns eliminated.

The response r_j of an adjuster is what it moved over what it was asked to move: 1 where it moves as asked. Survey k of
K sees at each station the gap at the start, a zero of its own, and what the moves so far have done::

    g_k = G + c_k + influence @ sum(asked_p * r + e_p, passes p before k) + error of survey k

with e_p how far each adjuster was set beside its mark. G is eliminated station by station (the weighted mean over the
surveys that read it), so only stations that two surveys share count, and a survey that ends one pass and begins the
next is used once, with the right correlation. The zeros c_k, free, and the common errors of each survey and the e_p, of
known variance, are eliminated by an orthogonal projection. What remains is weighted least squares in r with the prior
r = 1 ± :data:`PRIOR`, solved by singular values: a direction that the readings cannot see (all supports up together,
where the zero is free) keeps the prior. Derived here from the normal equations of generalized least squares.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import sqrt
from typing import Literal

import numpy as np
from msgspec import Struct

from ..linalg.orthogonalize import less, span
from ..model.contract import Floats

PRIOR = 0.3
"""Standard deviation of a response about 1 before anything is measured. Our own choice, no source: an adjuster that
moves a third more or less than asked is common, one that is out by a factor is not."""

NULL = 1e-7
"""Singular values below this, of columns of length one, are round-off: the readings do not see that direction."""

MISFIT = 3.09
"""Normal quantile (99.9 %) beyond which the misfit is more than the noise, and widens every ``u`` (the Birge ratio)."""

SLIPS = 0.25
"""Below this response an adjuster is taken not to move, and its travel is not scaled up. Our own choice.
"""


class ReducedPass(Struct, frozen=True):
    """One survey as learning sees it: ``points`` (n, 2), ``gaps`` (n,), and the influence there, (n, m).

    Covariance of the gaps is ``diag(variance) + factors @ factors.T``, with ``variance`` (n,) and ``factors`` (n, q).
    """

    points: Floats
    gaps: Floats
    variance: Floats
    factors: Floats
    influence: Floats


class Evidence(Struct, frozen=True):
    """What the readings say of the responses of the p adjusters that were moved, whitened.

    ``design`` (rows, p) @ (response - 1) should equal ``surprise`` (rows,), each row with variance one. ``blind`` (p,)
    says which adjusters a direction that cannot be seen runs through, ``dof`` how many rows are left to judge the fit.
    """

    design: Floats
    surprise: Floats
    blind: np.ndarray
    dof: int

    def weighed(self) -> tuple[Floats, Floats, float | None]:
        """Return covariance (p, p) and estimate (p,) of response - 1 with the prior, and the misfit of the readings.

        The misfit is the sum of squares that is left over its expectation; None where nothing is left to compare.
        """
        left, values, right = np.linalg.svd(padded(self.design), full_matrices=False)
        parts = left[: len(self.surprise)].T @ self.surprise
        seen = values > NULL * values.max(initial=0.0)
        rest = float(self.surprise @ self.surprise - parts[seen] @ parts[seen])
        misfit = max(rest, 0.0) / self.dof if self.dof else None
        wider = misfit if misfit is not None and self.misfits(misfit) else 1.0
        known = (values * seen) ** 2 / wider + PRIOR**-2
        return (right.T / known) @ right, right.T @ (values * seen * parts / wider / known), misfit

    def misfits(self, misfit: float | None) -> bool:
        """Say whether the misfit is beyond its 99.9 % quantile (chi-squared over dof, Wilson and Hilferty 1931)."""
        if misfit is None:
            return False
        spread = 2.0 / (9.0 * self.dof)
        return misfit > (1.0 - spread + MISFIT * sqrt(spread)) ** 3


def accumulate(
    seen: Sequence[ReducedPass], asked: Floats, which: np.ndarray, setting: Floats, offset: Literal["free", "keep"]
) -> Evidence:
    """Eliminate all but the responses of the adjusters ``which`` (p,); ``asked`` and ``setting`` are (K - 1, m)."""
    of = np.repeat(np.arange(len(seen)), [len(one.points) for one in seen])
    influence = np.concatenate([one.influence[:, which] for one in seen])
    so_far = np.vstack([np.zeros((1, len(which))), np.cumsum(asked[:, which], axis=0)])
    moved, gaps = influence * so_far[of], np.concatenate([one.gaps for one in seen])
    zeros = np.eye(len(seen))[of][:, 1:] if offset == "free" else np.zeros((len(gaps), 0))
    errors = common_errors(seen, of)
    errors += [(influence * one * (of > k)[:, None])[:, one > 0.0] for k, one in enumerate(setting[:, which])]
    noise = np.hstack(errors)

    within = Within(seen)
    prior = np.hstack([np.zeros((noise.shape[1], zeros.shape[1])), np.eye(noise.shape[1])])
    raw = np.vstack([within.root[:, None] * np.hstack([zeros, noise]), prior])
    nuisance = np.vstack([within(np.hstack([zeros, noise])), prior])
    body = np.vstack([within(np.column_stack([moved, gaps])), np.zeros((len(prior), len(which) + 1))])
    # An orthogonal triangularization changes no length and no angle, and leaves as many rows as columns.
    both: Floats = np.asarray(np.linalg.qr(np.hstack([nuisance, body]), mode="r"))
    nuisance, body = both[:, : nuisance.shape[1]], both[:, nuisance.shape[1] :]
    away = span(nuisance, NULL, np.linalg.norm(raw, axis=0))
    body = less(body, away)
    design, change = body[:, :-1], body[:, -1]

    size = within.root @ np.abs(moved)
    _, values, right = np.linalg.svd(padded(design / np.where(size > 0.0, size, 1.0)), full_matrices=False)
    null = right[values <= NULL]
    return Evidence(
        design=design,
        surprise=change - design.sum(axis=1),
        blind=np.linalg.norm(null, axis=0) > sqrt(NULL),
        dof=max(within.rows + len(prior) - away.shape[1] - (len(which) - len(null)), 0),
    )


class Within:
    """Takes off each station's weighted mean over the surveys that read it, and weighs; N readings of all surveys.

    ``root`` (N,) are the square roots of the weights; ``rows`` is how many readings are left to compare.
    """

    def __init__(self, seen: Sequence[ReducedPass]) -> None:
        index: dict[tuple[float, float], int] = {}
        places = [(x, y) for one in seen for x, y in (one.points + 0.0).tolist()]
        self.station = np.array([index.setdefault(place, len(index)) for place in places])
        self.root = 1.0 / np.sqrt(np.concatenate([one.variance for one in seen]))
        self.rows = len(places) - len(index)

    def __call__(self, columns: Floats) -> Floats:
        """Return the columns (N, c) without their stations' means, weighed."""
        weight = self.root**2
        sums = np.zeros((self.station.max() + 1, columns.shape[1]))
        np.add.at(sums, self.station, weight[:, None] * columns)
        means = sums / np.bincount(self.station, weight)[:, None]
        return np.asarray((columns - means[self.station]) * self.root[:, None])


def common_errors(seen: Sequence[ReducedPass], of: np.ndarray) -> list[Floats]:
    """Return each survey's common errors as columns over the readings of all of them."""
    columns = []
    for k, one in enumerate(seen):
        block = np.zeros((len(of), one.factors.shape[1]))
        block[of == k] = one.factors
        columns.append(block)
    return columns


def padded(design: Floats) -> Floats:
    """Return the design with as many rows as columns at the least, so that its right singular vectors are complete."""
    return np.vstack([design, np.zeros((design.shape[1], design.shape[1]))])


def slips(response: Floats) -> np.ndarray:
    """Say of each response whether the adjuster hardly answers, or answers the wrong way."""
    return np.asarray(response < SLIPS)
