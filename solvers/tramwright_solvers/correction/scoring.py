"""What every subset of the adjusters is worth, for a stack of surveys."""

from __future__ import annotations

from functools import cached_property
from typing import Any

import numpy as np
from msgspec.structs import asdict, replace

from ..adjustment.candidates import SubsetAnswers
from ..model.contract import Floats
from ..model.options import Solve
from ..model.units import K
from ..reduction.covariance import GapCovariance
from ..uncertainty.range import covering_each
from .subset_table import SubsetTable

TIE = 1e-9
"""Scores closer than this, relative to the gap, are equal; then the next rule decides, so that rounding never does."""


BLOCK = 2**20
"""Numbers of what remains that are looked through at a time."""


class Scores(SubsetAnswers, frozen=True, dict=True):
    """What a stack of N surveys makes of K subsets.

    ``u`` (N, K) is the standard uncertainty of the total, ``wider`` (K,) how many times wider it is than that of two
    readings, because moves hang on the same readings. ``effort`` (m,) is that of each adjuster, ``slack`` (N, 1) what
    counts as rounding in a gap, ``aim`` the total to reach, ``most`` how many subsets are small enough to be chosen.
    Where conditions do not let it, the machine ``may_stand`` as it is no longer.
    """

    u: Floats
    wider: Floats
    effort: Floats
    slack: Floats
    aim: float
    most: int
    may_stand: bool

    def some(self, rows: np.ndarray) -> Scores:
        """Return the scores of these surveys of the stack."""
        own = (*SubsetAnswers.__struct_fields__, "u", "slack")
        return replace(self, **{name: getattr(self, name)[rows] for name in own})

    @cached_property
    def covered(self) -> Floats:
        """What the spread (N, K) is with its U."""
        return np.asarray(self.spread + K * self.u)

    @cached_property
    def work(self) -> Floats:
        """The sum (N, K) of effort × travel, which is asked for where other scores are equal."""
        return np.asarray(np.matmul(np.abs(self.travels), self.effort))


def score(options: SubsetTable, solve: Solve[Any], gaps: Floats, noise: GapCovariance, table: SubsetAnswers) -> Scores:
    """Score every subset for gaps (N, n)."""
    subsets = options.candidates
    within = len(subsets.sets)
    if solve.most_moves is not None:
        within = int(np.searchsorted(subsets.count, solve.most_moves, side="right"))
    wider, u = options.known_alike(noise.uniform or 0.0, solve.criterion)
    if noise.uniform is None:
        u = np.hypot(u_of_totals(table.left, noise) * wider, options.added)
    return Scores(
        **asdict(table),
        u=u if len(u) == len(gaps) else u.repeat(len(gaps), axis=0),
        wider=wider,
        effort=subsets.problem.effort,
        slack=TIE * np.abs(gaps).max(axis=1, keepdims=True),
        aim=options.limit / 3.0 if solve.aim_for is None else solve.aim_for,
        most=within,
        may_stand=subsets.may_stand,
    )


def u_of_totals(left: Floats, noise: GapCovariance) -> Floats:
    """Return u (N, K) of the totals of what every subset leaves, (N, n, K), errors of setting apart."""
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
