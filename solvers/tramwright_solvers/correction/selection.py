"""Which plan to carry out: every subset of adjusters scored, and the choice among them, for a stack of surveys."""

from __future__ import annotations

from typing import Any

import numpy as np
from msgspec import Struct

from ..adjustment.active_bounds import binding
from ..adjustment.candidates import SubsetAnswers
from ..adjustment.discrete_subsets import DiscreteAnswers
from ..model.contract import Floats
from ..model.deadline import NEVER, Deadline
from ..model.options import Solve
from ..model.units import K
from ..reduction.covariance import GapCovariance
from ..results.correction import Binding, Choice
from . import sentences
from .geometry import Geometry
from .scoring import TIE, Scores, narrow_to_lowest
from .subset_table import SubsetTable

BLOCK = 2**20
"""Numbers of what remains that are looked through at a time."""


class Selection(Struct, frozen=True):
    """The subset chosen for each survey of a stack.

    ``index`` (N,), whether it ``reached`` the aim (N,), the total's u at the best ``known`` (N,), every adjuster's
    ``travels`` and their ``u`` (N, m).
    """

    index: np.ndarray
    reached: np.ndarray
    known: Floats
    travels: Floats
    u: Floats


def choose(options: SubsetTable, scores: Scores, table: SubsetAnswers, noise: GapCovariance) -> Selection:
    """Choose the least effort that reaches the aim; otherwise the best total without moves too small to measure."""
    aim = scores.aim
    allowed, rows = np.arange(len(options.effort)) < scores.most, np.arange(len(scores.total))
    pool = allowed & (scores.spread + K * scores.u <= aim)
    reached = np.asarray(pool.any(axis=1))
    known = scores.u[rows, scores.spread[:, : scores.most].argmin(axis=1)]
    if not reached.all():
        nearest = (
            narrow_to_lowest(allowed, scores.spread, known[:, None])
            if aim
            else narrow_to_lowest(allowed, scores.objective, scores.slack)
        )
        pool = np.where(reached[:, None], pool, nearest)
    pool = narrow_to_lowest(pool, options.effort, TIE)
    pool = narrow_to_lowest(pool, scores.spread if aim else scores.objective, scores.slack)
    index = narrow_to_lowest(pool, scores.work, scores.slack).argmax(axis=1)
    travels = table.travels[rows, index]
    return Selection(
        index=index,
        reached=reached,
        known=known,
        travels=np.where(np.abs(travels) <= scores.slack, 0.0, travels),
        u=options.candidates.fits.u(index, noise),
    )


def undecided_subsets(options: SubsetTable, scores: Scores, least: Floats) -> np.ndarray:
    """Return which subsets (N, K) must be fitted before the choice is certain, given bounds on their minimum zones.

    The scores are those of an outline (:meth:`Candidates.outline`), ``least`` (N, K) what no spread can be below. A
    subset may reach the aim if this bound does; dearer ones than the cheapest that is sure to reach it cannot be
    chosen.
    """
    may = (least + K * scores.u <= scores.aim) & (np.arange(len(options.effort)) < scores.most)
    sure = may & (scores.spread + K * scores.u <= scores.aim)
    cheapest = np.where(sure, options.effort, np.inf).min(axis=1, keepdims=True)
    return np.asarray(may & (options.effort <= cheapest + TIE))


def undecided_nearest(options: SubsetTable, scores: Scores, least: Floats) -> np.ndarray:
    """Return the same (N, K) for surveys of which nothing reaches the aim: what may come as near as the best."""
    allowed = np.arange(len(options.effort)) < scores.most
    nothing = ~np.any(allowed & (scores.spread + K * scores.u <= scores.aim), axis=1, keepdims=True)
    best = np.where(allowed, scores.spread, np.inf).min(axis=1, keepdims=True)
    near = scores.u.max(axis=1, keepdims=True) if scores.aim else 2.0 * scores.slack
    return np.asarray(nothing & allowed & (least <= best + near))


def describe_choice(
    prepared: Geometry,
    solve: Solve[Any],
    scores: Scores,
    chosen: Selection,
    row: int,
    gap: Floats,
    settled: DiscreteAnswers | None,
    within: Deadline = NEVER,
) -> Choice:
    """Return one survey's choice in words; ``gap`` (n,).

    Raises:
        OutOfTime: the time is up.
    """
    options, aim, index = prepared.candidates, scores.aim, int(chosen.index[row])
    unit, reached, known = prepared.machine.units, bool(chosen.reached[row]), float(chosen.known[row])
    if reached:
        why = sentences.least_effort(aim, unit, searched=settled is not None)
    elif aim == 0.0:
        why = sentences.BEST_ATTAINABLE
    else:
        why = sentences.not_sure_to_reach(aim, known, unit)
    more: tuple[Binding, ...] = ()
    if not reached and options.bounded and scores.spread[row, index] + K * scores.u[row, index] > aim:
        more = binding(options.problem, prepared.adjusters, prepared.groups[-1], gap, solve.criterion, within)
        if more:
            why += sentences.relaxation(more[0], float(scores.total[row, index]), unit)
    unproven = settled.gap if settled else 0.0
    return Choice(
        [prepared.adjusters[j].id for j in options.sets[index]],
        "reached" if reached else "stopped" if unproven > 0.0 else "best",
        aim,
        why,
        options.exact_moves,
        unproven,
        more,
    )
