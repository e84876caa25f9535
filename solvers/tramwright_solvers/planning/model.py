"""What a survey plan is judged by: how well it settles the moves, and how well it maps the gap over the free area.

Two linear models of the gap, both with the uncertainty of one reading as unit:

* **moves**: a constant (where the offset is free) and what the adjusters can do, as the correction's least squares fits
  it. Judged by the mean variance of the travels, those of least effort where adjusters are redundant.
* **form**: the same, the terms twist, bow-x and bow-y, and finer waves up to degree :data:`FINEST`, judged by the mean
  variance of the gap fitted over the free area. Terms that the adjusters cannot make are given a prior of zero with the
  standard deviations :data:`BOW` and :data:`WAVES`, so that a plan of few stations spends them on the moves first, and
  one of many looks between the others too (Bayesian designs: W. DuMouchel and B. Jones, Technometrics 36, 1994, from
  memory).
"""

from __future__ import annotations

from math import sqrt

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from ..adjustment.candidates import candidates
from ..adjustment.problem import Problem
from ..adjustment.subsets import freedom
from ..correction.setup import Setup
from ..diagnostics.form_terms import term_columns
from ..diagnostics.unobservable import BLIND_BED
from ..linalg.orthogonalize import in_order
from ..model.contract import Floats
from .design import Trace

BOW, WAVES, FINEST = 10.0, 0.5, 6
"""Prior standard deviations, in readings' u, of twist and bows where no adjuster makes them, and of each finer wave up
to the highest degree. Our own choice: a bow is often ten times what the dial tells apart; of
the 22 waves each half as much as the dial, together twice."""

TIE = 1e-9


def endless(job: Setup, points: Floats, weights: Floats) -> Problem:
    """Return the adjustment at these points without bounds, which no plan can foresee; equations are kept."""
    whole = job.problem(job.influence_at(points), weights)
    equal = whole.rows_lower == whole.rows_upper
    without = np.full(len(job.adjusters), np.inf)
    return replace(
        whole,
        lower=-without,
        upper=without,
        rows=whole.rows[equal],
        rows_lower=whole.rows_lower[equal],
        rows_upper=whole.rows_upper[equal],
    )


def free_moves(job: Setup, problem: Problem) -> Floats:
    """Return the travels (m, f) that the equations leave, orthonormal in effort × travel."""
    part = freedom(problem, job.free)
    moves = np.zeros((len(job.adjusters), part.shape[1]))
    moves[list(job.free)] = part
    return moves


class Models(Struct, frozen=True):
    """Both models at every place of a pool (N, 2), ready for designs.

    ``moves`` is judged by the travels, ``fit`` by the adjusters' fit over the free area, ``form`` by the whole gap's.
    ``terms`` is how many columns stations must outnumber for readings to check each other.
    """

    pool: Floats
    moves: Trace
    fit: Trace
    form: Trace
    terms: int

    @property
    def least(self) -> int:
        """How many stations settle the moves at the least."""
        return int(self.moves.columns.shape[1])


def models(job: Setup, area: Floats, pool: Floats) -> Models:
    """Prepare both models for a free area, given as places (A, 2) spread evenly over it, and a pool (N, 2)."""
    everywhere = np.concatenate([area, pool])
    here = slice(len(area), None)
    problem = endless(job, everywhere, np.ones(len(everywhere)))
    moves = free_moves(job, problem)
    made = problem.influence @ moves
    constant = np.ones((len(everywhere), 1))
    centred = made[: len(area)] - (made[: len(area)].mean(axis=0) if job.limits.offset_free else 0.0)
    _, singular, right = np.linalg.svd(centred / sqrt(len(area)), full_matrices=False)
    strong = right[singular > BLIND_BED * max(float(singular.max(initial=0.0)), 1e-300)]
    columns = made @ strong.T
    if job.limits.offset_free:
        columns = np.concatenate([constant, columns], axis=1)
    travels = np.zeros((len(job.adjusters), columns.shape[1]))
    travels[:, columns.shape[1] - len(strong) :] = moves @ strong.T
    none = np.zeros((columns.shape[1],) * 2)
    seen = columns[: len(area)]
    fit = Trace(columns[here], none, seen.T @ seen / len(area))

    u, v = unit_box(area, everywhere)
    finer = [legendre(i, u) * legendre(d - i, v) for d in range(3, FINEST + 1) for i in range(d, -1, -1)]
    given = np.concatenate([constant, columns], axis=1)
    coarse, fine = term_columns(job.machine.bed, everywhere)[:, 1:], np.column_stack(finer)
    if (patches := job.patches_at(everywhere)) is not None:
        coarse, fine = (on_each(one, patches) for one in (np.concatenate([constant, coarse], axis=1), fine))
    raw = np.column_stack([given, coarse, fine])
    known = given.shape[1] + coarse.shape[1]
    prior_of = np.concatenate(
        [np.zeros(given.shape[1]), np.full(coarse.shape[1], BOW**-2), np.full(fine.shape[1], WAVES**-2)]
    )
    transform, kept = orthonormal(raw[: len(area)])
    prior = np.diag(prior_of[kept])
    form = Trace((raw[:, kept] @ transform)[here], prior, np.eye(len(kept)))
    return Models(
        pool=pool,
        moves=Trace(columns[here], none, travels.T @ travels / len(job.free)),
        fit=fit,
        form=form,
        terms=sum(index < known for index in kept),
    )


def on_each(columns: Floats, patches: Floats) -> Floats:
    """Return columns (n, c) once for each patch, zero beyond it; ``patches`` (n, p) says on which each point lies."""
    each = np.unique(patches, axis=0)
    return np.concatenate([columns * np.all(patches == one, axis=1)[:, None] for one in each], axis=1)


def unit_box(area: Floats, points: Floats) -> Floats:
    """Return points (n, 2) as coordinates (2, n) that run from -1 to 1 over the area."""
    low, high = area.min(axis=0), area.max(axis=0)
    return np.asarray((2.0 * points - low - high) / np.maximum(high - low, 1e-300)).T


def legendre(degree: int, at: Floats) -> Floats:
    """Return the Legendre polynomial of this degree, scaled to a mean square of one from -1 to 1."""
    return np.asarray(sqrt(2 * degree + 1) * np.polynomial.Legendre.basis(degree)(at))


def orthonormal(columns: Floats) -> tuple[Floats, list[int]]:
    """Return what makes columns (n, p) orthonormal in the mean, each against those before it, and which are kept.

    Columns that those before them span are left out. ``columns[:, kept] @ transform`` has unit mean squares.
    """
    kept = np.flatnonzero(in_order(columns, 1e-6 * np.linalg.norm(columns, axis=0)).kept).tolist()
    triangle = np.linalg.qr(columns[:, kept])[1]
    triangle *= np.where(np.diag(triangle) < 0.0, -1.0, 1.0)[:, None]
    return np.asarray(np.linalg.inv(triangle) * sqrt(len(columns))), kept


class Gain(Struct, frozen=True):
    """The least-effort sets of adjusters that do all that can be done, with one adjuster among them.

    ``sets`` are those of equal effort, ``gains`` (k, n) how the adjuster's travel answers to the gap in each of them.
    """

    adjuster: int
    sets: list[tuple[int, ...]]
    gains: Floats


def gains(job: Setup, points: Floats, weights: Floats) -> list[Gain]:
    """Return for every adjuster that can move how its travel will be worked out from gaps at points (n, 2).

    The adjustment is first brought to as few observations as the adjusters have directions, which changes no travel.
    """
    problem = endless(job, points, weights)
    root = np.sqrt(weights)
    left, singular, right = np.linalg.svd(problem.weighted(), full_matrices=False)
    rank = int(np.sum(singular > TIE * max(float(singular.max(initial=0.0)), 1e-300)))
    small = replace(
        problem,
        influence=singular[:rank, None] * right[:rank],
        weights=np.ones(rank),
        offset_free=False,
    )
    # fewer adjusters than directions cannot do all that can be done
    options = candidates(small, job.free, job.groups, every=True, least=max(rank, 1))
    kinds = options.fits.basis.shape[2]
    remain = np.abs(options.fits.remain.reshape(kinds, kinds, len(options.sets))).max(axis=(0, 1), initial=0.0)
    full = [k for k in np.flatnonzero(remain <= remain.min() + 1e-6).tolist() if options.sets[k]]
    found = []
    for j in job.free:
        able = [k for k in full if j in options.sets[k] and np.any(options.fits.gain(k)[j])]
        if not able:
            continue
        least = min(options.effort[k] for k in able)
        best = [k for k in able if options.effort[k] <= least + TIE]
        rows = np.stack([options.fits.gain(k)[j] @ (left[:, :rank].T * root) for k in best])
        found.append(Gain(j, [options.sets[k] for k in best], rows))
    return found
