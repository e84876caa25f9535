"""Which plan to carry out: every subset of adjusters scored, and the choice among them, for a stack of surveys."""

from __future__ import annotations

from math import sqrt
from typing import Any

import numpy as np
from msgspec import Struct

from .adjust.fewest import Table
from .adjust.whole import Settled
from .answer import Binding, Choice, Plan, Rung
from .contract import Floats
from .noise import Noise
from .options import Options
from .prepared import Prepared
from .relax import binding
from .solve import Solve
from .steps import DECIMALS
from .totals import covering_each
from .verdict import K

TIE = 1e-9
"""Scores closer than this, relative to the gap, are equal; then the next rule decides, never rounding."""


class Scores(Struct, frozen=True):
    """What a stack of N surveys makes of K subsets, (N, K) each.

    ``spread`` is what has to be small, ``u`` the standard uncertainty of the total, ``work`` the sum of effort ×
    travel. ``slack`` (N, 1) is what counts as rounding in a gap, ``aim`` the total to reach, ``most`` how many subsets
    are small enough to be chosen.
    """

    total: Floats
    spread: Floats
    u: Floats
    rms: Floats
    objective: Floats
    work: Floats
    slack: Floats
    aim: float
    most: int


class Chosen(Struct, frozen=True):
    """The subset chosen for each survey of a stack.

    ``index`` (N,), whether it ``reached`` the aim (N,), the total's u at the best ``known`` (N,), every adjuster's
    ``travels`` and their ``u`` (N, m).
    """

    index: np.ndarray
    reached: np.ndarray
    known: Floats
    travels: Floats
    u: Floats


def score(options: Options, solve: Solve[Any], gaps: Floats, noise: Noise, table: Table) -> Scores:
    """Score every subset for gaps (N, n)."""
    subsets = options.candidates
    within = len(subsets.sets)
    if solve.most_moves is not None:
        within = int(np.searchsorted(subsets.count, solve.most_moves, side="right"))
    return Scores(
        total=table.total,
        spread=table.spread,
        u=np.hypot(of_every_total(table.left, noise), options.added),
        rms=table.rms,
        objective=table.objective,
        work=np.matmul(np.abs(table.travels), subsets.problem.effort),
        slack=TIE * np.abs(gaps).max(axis=1, keepdims=True),
        aim=options.limit / 3.0 if solve.aim_for is None else solve.aim_for,
        most=within,
    )


def of_every_total(left: Floats, noise: Noise) -> Floats:
    """Return u (N, K) of the totals of what every subset leaves, (N, n, K), errors of setting apart."""
    if noise.uniform is not None:
        return np.full((left.shape[0], left.shape[2]), sqrt(2.0) * noise.uniform)
    # what was given up is infinite, and never chosen
    gaps = np.where(np.isfinite(left), left, 0.0).transpose(0, 2, 1)
    return covering_each(np.ascontiguousarray(gaps), noise)


def lowest(pool: np.ndarray, values: Floats, slack: Floats | float) -> np.ndarray:
    """Narrow each row's pool (N, K), not empty, to the members whose value is the lowest in it, up to slack."""
    of_pool = np.where(pool, values, np.inf)
    return np.asarray(of_pool <= of_pool.min(axis=1, keepdims=True) + slack)


def choose(options: Options, scores: Scores, table: Table, noise: Noise) -> Chosen:
    """Choose the least effort that reaches the aim; failing that, the best without moves too small to measure."""
    aim = scores.aim
    allowed, rows = np.arange(len(options.effort)) < scores.most, np.arange(len(scores.total))
    pool = allowed & (scores.spread + K * scores.u <= aim)
    reached = np.asarray(pool.any(axis=1))
    known = scores.u[rows, scores.spread[:, : scores.most].argmin(axis=1)]
    if not reached.all():
        nearest = (
            lowest(allowed, scores.spread, known[:, None]) if aim else lowest(allowed, scores.objective, scores.slack)
        )
        pool = np.where(reached[:, None], pool, nearest)
    pool = lowest(pool, options.effort, TIE)
    pool = lowest(pool, scores.spread if aim else scores.objective, scores.slack)
    index = lowest(pool, scores.work, scores.slack).argmax(axis=1)
    travels = table.travels[rows, index]
    return Chosen(
        index=index,
        reached=reached,
        known=known,
        travels=np.where(np.abs(travels) <= scores.slack, 0.0, travels),
        u=options.candidates.fits.u(index, noise),
    )


def open_pairs(options: Options, scores: Scores, least: Floats) -> np.ndarray:
    """Return which subsets (N, K) must be fitted before the choice is certain, given bounds on their minimum zones.

    The scores are those of an outline (:meth:`Candidates.outline`), ``least`` (N, K) what no spread can be below. A
    subset may reach the aim if this bound does; dearer ones than the cheapest that is sure to reach it cannot be
    chosen.
    """
    may = (least + K * scores.u <= scores.aim) & (np.arange(len(options.effort)) < scores.most)
    sure = may & (scores.spread + K * scores.u <= scores.aim)
    cheapest = np.where(sure, options.effort, np.inf).min(axis=1, keepdims=True)
    return np.asarray(may & (options.effort <= cheapest + TIE))


def open_nearest(options: Options, scores: Scores, least: Floats) -> np.ndarray:
    """Return the same (N, K) for surveys of which nothing reaches the aim: what may come as near as the best."""
    allowed = np.arange(len(options.effort)) < scores.most
    nothing = ~np.any(allowed & (scores.spread + K * scores.u <= scores.aim), axis=1, keepdims=True)
    best = np.where(allowed, scores.spread, np.inf).min(axis=1, keepdims=True)
    near = scores.u.max(axis=1, keepdims=True) if scores.aim else 2.0 * scores.slack
    return np.asarray(nothing & allowed & (least <= best + near))


def choice_of(
    prepared: Prepared,
    solve: Solve[Any],
    scores: Scores,
    chosen: Chosen,
    row: int,
    gap: Floats,
    settled: Settled | None,
) -> Choice:
    """Return one survey's choice in words; ``gap`` (n,)."""
    options, aim, index = prepared.candidates, scores.aim, int(chosen.index[row])
    digits, unit = DECIMALS[prepared.machine.units], prepared.machine.units
    reached, known = bool(chosen.reached[row]), float(chosen.known[row])
    if reached:
        of = "The least effort" if settled is None else "Of the best plans for each number of moves, the least effort"
        why = f"{of} whose total with its uncertainty (k = {K:.2f}) reaches {aim:.{digits}f} {unit}."
    elif aim == 0.0:
        why = "The best that all adjusters together can attain, with the least effort that attains it."
    else:
        why = (
            f"No set of moves is sure to reach {aim:.{digits}f} {unit}. This is the least effort that comes within "
            f"{known:.{digits}f} {unit} of the best total, which is as well as the total is known (u)."
        )
    more: tuple[Binding, ...] = ()
    if not reached and options.bounded and scores.spread[row, index] + K * scores.u[row, index] > aim:
        more = binding(options.problem, prepared.adjusters, prepared.groups[-1], gap, solve.criterion)
        why += relaxation(more, float(scores.total[row, index]), digits, unit)
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


def relaxation(more: tuple[Binding, ...], total: float, digits: int, unit: str) -> str:
    """Say the smallest relaxation that would help, in words."""
    if not more:
        return ""
    first = more[0]
    way = "upward" if first.way == "up" else "downward"
    return (
        f" `{first.adjuster}` is at the end of its travel: {first.more:.{digits}f} {unit} more {way} travel would "
        f"leave {first.total:.{digits}f} {unit}; otherwise accept {total:.{digits}f} {unit}."
    )


def plans(prepared: Prepared, scores: Scores, chosen: Chosen) -> list[list[Plan]]:
    """Return for each survey the best subset for each number of moves, as long as one more still gains something."""
    options, of_size = prepared.candidates, prepared.plans
    starts = of_size.starts
    rows = np.arange(len(scores.total))

    def within_size(pool: np.ndarray | bool, values: Floats, slack: Floats | float) -> np.ndarray:
        of_pool = np.where(pool, values, np.inf)
        return np.asarray(of_pool <= np.minimum.reduceat(of_pool, starts, axis=1)[:, of_size.of] + slack)

    pool = within_size(True, scores.objective, scores.slack)
    pool = within_size(pool, prepared.options.effort, TIE)
    # the plan that is carried out stands for its size wherever it is among the equals
    work = scores.work.copy()
    work[rows, chosen.index] = -1.0
    pool = within_size(pool, work, scores.slack)
    best = np.minimum.reduceat(np.where(pool, of_size.numbers, len(options.sets)), starts, axis=1)
    objective, total, rms = (
        values[rows[:, None], best].tolist() for values in (scores.objective, scores.total, scores.rms)
    )
    found = []
    for row, (places, picked, slack) in enumerate(
        zip(best.tolist(), chosen.index.tolist(), scores.slack[:, 0].tolist(), strict=True)
    ):
        reached, listed = objective[row][0], list[Plan]()
        for size in range(1, len(starts)):
            if objective[row][size] < reached - slack:
                reached, index = objective[row][size], places[size]
                listed.append(
                    Plan(
                        options.count[index],
                        [prepared.adjusters[j].id for j in options.sets[index]],
                        total[row][size],
                        rms[row][size],
                        options.effort[index],
                        index == picked,
                    )
                )
        found.append(listed)
    return found


def ladders(prepared: Prepared, scores: Scores) -> list[list[Rung]]:
    """Return for each survey what is left once each solver's adjusters, with those before, have done all they can."""
    of_rung = np.where(prepared.plans.rungs, scores.objective[:, None, :], np.inf)
    best, rows = of_rung.argmin(axis=2), np.arange(len(scores.total))[:, None]
    names = ("as found", *prepared.versions)
    totals, rmses = scores.total[rows, best].tolist(), scores.rms[rows, best].tolist()
    return [[Rung(*rung) for rung in zip(names, *row, strict=True)] for row in zip(totals, rmses, strict=True)]
