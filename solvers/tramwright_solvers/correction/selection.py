"""Which plan to carry out: every subset of adjusters scored, and the choice among them, for a stack of surveys."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property
from typing import Any

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from ..model.contract import Floats
from ..model.errors import Impossible
from ..model.options import Solve
from ..model.units import K
from ..reduction.covariance import GapCovariance
from ..uncertainty.range import margin_as_read
from . import sentences
from .scoring import TIE, Scores, narrow_to_lowest
from .subset_table import SubsetTable


class Selection(Struct, frozen=True, dict=True):
    """The subset chosen for each survey of a stack.

    ``index`` (N,), whether it ``reached`` the aim (N,), where it does not the best total's u ``known`` (N,), every
    adjuster's ``travels`` and their ``u`` (N, m). A bed proven within its limit is left ``alone`` (N,) unless an aim is
    given; ``could`` (N,) is what would be chosen for it otherwise. ``passed_over`` says that a choice of any survey was
    changed because one of its travels is too small to be set.
    """

    index: np.ndarray
    reached: np.ndarray
    known: Floats
    travels: Floats
    u: Floats
    alone: np.ndarray
    could: np.ndarray
    passed_over: bool = False

    @cached_property
    def listed(self) -> list[tuple[int, bool, float, bool]]:
        """Of each survey ``index``, ``reached``, ``known`` and ``alone``."""
        return list(zip(*(one.tolist() for one in (self.index, self.reached, self.known, self.alone)), strict=True))

    def standing_still(self, rows: Sequence[int]) -> Selection:
        """Return the same choice but that nothing is moved in these surveys."""
        index, reached, travels, could = self.index.copy(), self.reached.copy(), self.travels.copy(), self.could.copy()
        index[rows], reached[rows], travels[rows], could[rows] = 0, False, 0.0, 0
        return replace(self, index=index, reached=reached, travels=travels, could=could)


def choose(options: SubsetTable, solve: Solve[Any], scores: Scores, noise: GapCovariance) -> Selection:
    """Choose the least effort that reaches the aim; otherwise the best total without moves too small to measure.

    A subset is chosen only if its predicted total with its U is below the total as found, and if each of its travels
    can be set and be seen at the dial. Subset 0, which moves nothing, always may be. Where conditions exclude it,
    whatever satisfies them may be chosen.

    Raises:
        Impossible: no subset that may be moved satisfies the conditions.
    """
    rows = np.arange(len(scores.total))
    allowed = gains(scores, scores.covered)
    if not (scores.may_stand or allowed.any(axis=1).all()):
        raise Impossible.at("/solve", sentences.NOTHING_PERMITTED)
    index, reached, known = pick(options, scores, allowed)
    travels = scores.travels[rows, index]
    unset = too_small(travels, options.least, scores.slack)
    if passed_over := bool(scores.may_stand and np.count_nonzero(unset)):
        small = np.asarray(unset.any(axis=1))
        least = options.least[small] if len(options.least) > 1 else options.least
        settable = np.asarray(~too_small(scores.travels[small], least[:, None], scores.slack[small, None]).any(axis=2))
        settable[:, 0] = True
        settable &= allowed[small]
        index[small], reached[small], known[small] = pick(options, scores.some(small), settable)
        travels = scores.travels[rows, index]
    alone, could = np.zeros(len(rows), dtype=bool), index
    if solve.aim_for is None and scores.may_stand:
        alone = scores.spread[:, 0] + margin_as_read(scores.u[:, 0], options.division) <= options.limit
        if np.count_nonzero(alone):
            index = np.where(alone, 0, index)
            travels = scores.travels[rows, index]
    return Selection(
        index=index,
        reached=reached,
        known=known,
        travels=np.where(np.abs(travels) <= scores.slack, 0.0, travels),
        u=options.candidates.fits.u(index, noise),
        alone=alone,
        could=could,
        passed_over=passed_over,
    )


def gains(scores: Scores, covered: Floats) -> np.ndarray:
    """Return which subsets (N, K) may be chosen, if these spreads with their U (N, K) are what they leave.

    What a subset leaves has to be smaller with its U than the total as found; subset 0 moves nothing and always may be.
    """
    better: np.ndarray = covered < (scores.spread[:, :1] if scores.may_stand else np.inf)
    better[:, scores.most :] = False
    better[:, 0] = scores.may_stand
    return better


def too_small(travels: Floats, least: Floats, slack: Floats) -> np.ndarray:
    """Return which travels are too small to be set, those of adjusters that stand still not counted."""
    size = np.abs(travels)
    unset: np.ndarray = (size > slack) & (size < least)
    return unset


def pick(options: SubsetTable, scores: Scores, allowed: np.ndarray) -> tuple[np.ndarray, np.ndarray, Floats]:
    """Return the choice (N,) among the subsets allowed (N, K), whether it reaches the aim, and the best total's u."""
    aim, (surveys, subsets) = scores.aim, allowed.shape
    pool = allowed & (scores.covered <= aim)
    reached, known = np.asarray(pool.any(axis=1)), np.zeros(surveys)
    if (count := np.count_nonzero(reached)) < surveys:
        spread = np.where(allowed, scores.spread, np.inf)
        best = spread.argmin(axis=1) + np.arange(0, surveys * subsets, subsets)
        known = scores.u.take(best)
        nearest = (
            spread <= (spread.take(best) + known)[:, None]
            if aim or options.begun
            else narrow_to_lowest(allowed, scores.objective, scores.slack)
        )
        pool = np.where(reached[:, None], pool, nearest) if count else nearest
    pool = narrow_to_lowest(pool, options.effort, TIE)
    if np.count_nonzero(pool) > surveys:
        pool = narrow_to_lowest(pool, scores.spread if aim else scores.objective, scores.slack)
    if np.count_nonzero(pool) > surveys:
        pool = narrow_to_lowest(pool, scores.work, scores.slack)
    return pool.argmax(axis=1), reached, known


def undecided_subsets(options: SubsetTable, scores: Scores, least: Floats) -> np.ndarray:
    """Return which subsets (N, K) must be fitted before the choice is certain, given bounds on their minimum zones.

    The scores are those of an outline (:meth:`Candidates.outline`), ``least`` (N, K) what no spread can be below. A
    subset may reach the aim if this bound does; dearer ones than the cheapest that is sure to reach it cannot be
    chosen.
    """
    covered = least + K * scores.u
    may = gains(scores, covered) & (covered <= scores.aim)
    sure = gains(scores, scores.covered) & (scores.covered <= scores.aim)
    cheapest = np.where(sure, options.effort, np.inf).min(axis=1, keepdims=True)
    return np.asarray(may & (options.effort <= cheapest + TIE))


def undecided_nearest(scores: Scores, least: Floats) -> np.ndarray:
    """Return the same (N, K) for surveys of which nothing reaches the aim: what may come as near as the best."""
    allowed = gains(scores, scores.covered)
    nothing = ~np.any(allowed & (scores.covered <= scores.aim), axis=1, keepdims=True)
    best = np.where(allowed, scores.spread, np.inf).min(axis=1, keepdims=True)
    near = scores.u.max(axis=1, keepdims=True) if scores.aim else 2.0 * scores.slack
    return np.asarray(nothing & gains(scores, least + K * scores.u) & (least <= best + near))
