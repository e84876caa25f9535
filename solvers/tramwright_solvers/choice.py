"""Which plan to carry out: every subset of adjusters scored for one survey, and the choice among them."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from typing import Any, Literal

import numpy as np
from msgspec import Struct

from .adjust.fewest import Table
from .adjust.whole import Settled
from .answer import Binding, Choice, Plan, Rung
from .contract import Floats
from .noise import Noise
from .prepared import Prepared
from .relax import binding
from .solve import Solve
from .steps import DECIMALS
from .verdict import K

TIE = 1e-9
"""Scores closer than this, relative to the gap, are equal; then the next rule decides, never rounding."""


class Case(Struct, frozen=True):
    """One survey of a stack: its gap (n,), how well it is known, its row in the table of subsets, what shims attain."""

    gap: Floats
    noise: Noise
    table: Table
    row: int
    settled: Settled | None


class Scores(Struct, frozen=True):
    """What one survey makes of every subset: a list of K values each; travels (K, m) and effort (m,) to break ties."""

    total: list[float]
    spread: list[float]
    u: list[float]
    rms: list[float]
    objective: list[float]
    travels: Floats
    effort: Floats
    slack: float

    def least(self, pool: Sequence[int], score: Sequence[float], slack: float | None = None) -> list[int]:
        """Return the members of a pool whose score is the lowest in it; equal up to rounding counts as equal."""
        if len(pool) == 1:
            return list(pool)
        of_pool = score[pool.start : pool.stop] if isinstance(pool, range) else [score[k] for k in pool]
        lowest = min(of_pool) + (self.slack if slack is None else slack)
        return [k for k, value in zip(pool, of_pool, strict=True) if value <= lowest]

    def easiest(self, pool: Sequence[int]) -> int:
        """Return the member of a pool with the least sum of effort × travel, the first of equals."""
        if len(pool) == 1:
            return pool[0]
        work = (np.abs(self.travels[pool]) @ self.effort).tolist()
        lowest = min(work) + self.slack
        return next(k for k, value in zip(pool, work, strict=True) if value <= lowest)


class Chosen(Struct, frozen=True):
    """The subset chosen, its index, every adjuster's travel and its standard uncertainty, and the choice in words."""

    index: int
    travels: list[float]
    u: list[float]
    choice: Choice


def score(prepared: Prepared, case: Case) -> Scores:
    """Score every subset for one survey."""
    table, row = case.table, case.row
    total, rms = table.total[row].tolist(), table.rms[row].tolist()
    return Scores(
        total=total,
        spread=total if table.spread is table.total else table.spread[row].tolist(),
        u=case.noise.of_totals(table.left[row]),
        rms=rms,
        objective=rms if table.objective is table.rms else table.objective[row].tolist(),
        travels=table.travels[row],
        effort=prepared.candidates.problem.effort,
        slack=TIE * max(float(case.gap.max()), -float(case.gap.min())),
    )


def choose(prepared: Prepared, solve: Solve[Any], case: Case, scores: Scores) -> Chosen:
    """Choose the least effort that reaches the aim; failing that, the best without moves too small to measure."""
    machine, options = prepared.machine, prepared.candidates
    aim = machine.total_limit / 3.0 if solve.aim_for is None else solve.aim_for
    most = len(options.sets) if solve.most_moves is None else bisect_right(options.count, solve.most_moves)
    digits, unit = DECIMALS[machine.units], machine.units
    outcome: Literal["reached", "best"] = "best"
    pool = [
        k for k, (spread, u) in enumerate(zip(scores.spread[:most], scores.u, strict=False)) if spread + K * u <= aim
    ]
    if pool:
        outcome = "reached"
        of = (
            "The least effort"
            if case.settled is None
            else "Of the best plans for each number of moves, the least effort"
        )
        why = f"{of} whose total with its uncertainty (k = {K:.2f}) reaches {aim:.{digits}f} {unit}."
    elif aim == 0.0:
        pool = scores.least(range(most), scores.objective)
        why = "The best that all adjusters together can attain, with the least effort that attains it."
    else:
        known = scores.u[scores.spread.index(min(scores.spread[:most]))]
        pool = scores.least(range(most), scores.spread, known)
        why = (
            f"No set of moves is sure to reach {aim:.{digits}f} {unit}. This is the least effort that comes within "
            f"{known:.{digits}f} {unit} of the best total, which is as well as the total is known (u)."
        )
    pool = scores.least(pool, options.effort, TIE)
    pool = scores.least(pool, scores.spread if aim else scores.objective)
    index = scores.easiest(pool)
    travels = [0.0 if abs(travel) <= scores.slack else travel for travel in scores.travels[index].tolist()]
    more: tuple[Binding, ...] = ()
    if outcome == "best" and options.bounded and scores.spread[index] + K * scores.u[index] > aim:
        more = binding(options.problem, prepared.adjusters, prepared.groups[-1], case.gap, solve.criterion)
        why += relaxation(more, scores.total[index], digits, unit)
    unproven = case.settled.gap if case.settled else 0.0
    return Chosen(
        index=index,
        travels=travels,
        u=options.u(index, case.noise),
        choice=Choice(
            [prepared.adjusters[j].id for j in options.sets[index]],
            "stopped" if unproven > 0.0 and outcome == "best" else outcome,
            aim,
            why,
            options.exact_moves,
            unproven,
            more,
        ),
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


def plans(prepared: Prepared, scores: Scores, chosen: Chosen) -> list[Plan]:
    """Return the best subset for each number of moves, as long as one more still gains something."""
    options = prepared.candidates
    rows, reached, start = [], scores.objective[0], 1
    while start < len(options.sets):
        end = bisect_right(options.count, options.count[start])
        pool = scores.least(range(start, end), scores.objective)
        if scores.objective[pool[0]] < reached - scores.slack:
            pool = scores.least(pool, options.effort, TIE)
            index = chosen.index if chosen.index in pool else scores.easiest(pool)
            reached = scores.objective[index]
            rows.append(
                Plan(
                    moves=options.count[start],
                    adjusters=[prepared.adjusters[j].id for j in options.sets[index]],
                    total=scores.total[index],
                    rms=scores.rms[index],
                    effort=options.effort[index],
                    chosen=index == chosen.index,
                )
            )
        start = end
    return rows


def ladder(prepared: Prepared, scores: Scores) -> list[Rung]:
    """Return what is left once each solver's adjusters, with those before them, have done all they can."""
    rungs = [Rung("as found", scores.total[0], scores.rms[0])]
    for name, members in prepared.rungs:
        best = min(members, key=scores.objective.__getitem__)
        rungs.append(Rung(name, scores.total[best], scores.rms[best]))
    return rungs
