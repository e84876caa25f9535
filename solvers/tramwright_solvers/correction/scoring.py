"""What every subset of the adjusters is worth, for a stack of surveys."""

from __future__ import annotations

from math import sqrt
from typing import Any

import numpy as np
from msgspec import Struct

from ..adjustment.candidates import SubsetAnswers
from ..model.contract import Floats
from ..model.options import Solve
from ..model.units import K
from ..reduction.covariance import GapCovariance
from ..uncertainty.range import covering_each, fitted_factor
from .subset_table import SubsetTable

TIE = 1e-9
"""Scores closer than this, relative to the gap, are equal; then the next rule decides, so that rounding never does."""


BLOCK = 2**20
"""Numbers of what remains that are looked through at a time."""


class Scores(Struct, frozen=True):
    """What a stack of N surveys makes of K subsets, (N, K) each.

    ``spread`` is what has to be small, ``u`` the standard uncertainty of the total, ``work`` the sum of effort ×
    travel. ``wider`` (K,) is how many times wider than that of two readings u is, because moves hang on the same
    readings. ``slack`` (N, 1) is what counts as rounding in a gap, ``aim`` the total to reach, ``most`` how many
    subsets are small enough to be chosen. Where conditions do not let it, the machine ``may_stand`` as it is no
    longer.
    """

    total: Floats
    spread: Floats
    u: Floats
    wider: Floats
    rms: Floats
    objective: Floats
    work: Floats
    slack: Floats
    aim: float
    most: int
    may_stand: bool = True

    def some(self, rows: np.ndarray) -> Scores:
        """Return the scores of these surveys of the stack."""
        return Scores(
            total=self.total[rows],
            spread=self.spread[rows],
            u=self.u[rows],
            wider=self.wider,
            rms=self.rms[rows],
            objective=self.objective[rows],
            work=self.work[rows],
            slack=self.slack[rows],
            aim=self.aim,
            most=self.most,
            may_stand=self.may_stand,
        )


def score(options: SubsetTable, solve: Solve[Any], gaps: Floats, noise: GapCovariance, table: SubsetAnswers) -> Scores:
    """Score every subset for gaps (N, n)."""
    subsets = options.candidates
    within = len(subsets.sets)
    if solve.most_moves is not None:
        within = int(np.searchsorted(subsets.count, solve.most_moves, side="right"))
    wider = fitted_factor(options.unknowns, gaps.shape[1], solve.criterion) / K
    return Scores(
        total=table.total,
        spread=table.spread,
        u=np.hypot(u_of_totals(table.left, noise) * wider, options.added),
        wider=wider,
        rms=table.rms,
        objective=table.objective,
        work=np.matmul(np.abs(table.travels), subsets.problem.effort),
        slack=TIE * np.abs(gaps).max(axis=1, keepdims=True),
        aim=options.limit / 3.0 if solve.aim_for is None else solve.aim_for,
        most=within,
        may_stand=subsets.may_stand,
    )


def u_of_totals(left: Floats, noise: GapCovariance) -> Floats:
    """Return u (N, K) of the totals of what every subset leaves, (N, n, K), errors of setting apart."""
    if noise.uniform is not None:
        return np.full((left.shape[0], left.shape[2]), sqrt(2.0) * noise.uniform)
    step = max(1, BLOCK // (left.shape[0] * left.shape[1]))
    u = []
    for start in range(0, left.shape[2], step):
        some = left[:, :, start : start + step]
        # what was given up is infinite, and never chosen
        gaps = np.where(np.isfinite(some), some, 0.0).transpose(0, 2, 1)
        u.append(covering_each(np.ascontiguousarray(gaps), noise))
    return np.concatenate(u, axis=1)


def narrow_to_lowest(pool: np.ndarray, values: Floats, slack: Floats | float) -> np.ndarray:
    """Narrow each row's pool (N, K), not empty, to the members whose value is the lowest in it, up to slack."""
    of_pool = np.where(pool, values, np.inf)
    narrowed: np.ndarray = of_pool <= of_pool.min(axis=1, keepdims=True) + slack
    return narrowed
