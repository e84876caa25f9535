"""Subsets of adjusters where some move only in whole steps or by stacks of shims.

The continuous answers bound the discrete ones from below, so for each number of moves the subsets are tried in the
order of their bounds until no bound undercuts the best found: exact, without solving every subset.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from msgspec import Struct

from ..model.contract import Adjuster, Floats
from ..model.deadline import NEVER, Deadline
from ..model.options import Criterion
from .candidates import Candidates, SubsetAnswers, measure
from .mixed_integer import Programme, Task
from .shim_stacks import Stack
from .work import SECOND, Work, completing

GROUP_SHARE, PLAN_SHARE, LEAST_WORK = 0.15, 0.3, 0.05 * SECOND
"""Shares of the work allowed that one programme may take, and what it may always take; our own choice."""


def discrete_subsets(options: Candidates, adjusters: Sequence[Adjuster]) -> list[int]:
    """Return the subsets in which some adjuster moves in whole steps or by shims."""
    own = {j for j, adjuster in enumerate(adjusters) if adjuster.stock is not None or adjuster.step is not None}
    return [index for index, subset in enumerate(options.sets) if own.intersection(subset)]


class DiscreteAnswers(Struct, frozen=True):
    """What the programmes found for one survey: shims by subset, and how far from proven the best answer may be.

    ``seconds`` are what the survey's time limit has left, counted in work done.
    """

    stacks: dict[int, dict[int, Stack]]
    gap: float
    seconds: float


def solve_discrete(
    options: Candidates,
    table: SubsetAnswers,
    row: int,
    gap: Floats,
    adjusters: Sequence[Adjuster],
    criterion: Criterion,
    groups: Sequence[tuple[int, ...]],
    time_limit: float,
    within: Deadline = NEVER,
) -> DiscreteAnswers:
    """Replace the continuous answers in one row of a table by attainable ones; subsets not worth solving become
    infinite.

    ``groups`` are always solved. ``gap`` has shape (n,). Once ``time_limit`` has passed, the best found is the answer.

    Raises:
        OutOfTime: the time of the whole request is up, or nobody waits.
    """
    work = Work.within(time_limit)
    bound = table.objective[row].copy()
    whole = set(discrete_subsets(options, adjusters))
    solved: dict[int, Programme] = {}

    def solve(index: int, share: float) -> float:
        columns = options.sets[index]
        within.check()
        own = work.part(max(min(work.left, share * work.limit), LEAST_WORK))
        solved[index] = Task(options.problem.moving(columns), gap, [adjusters[j] for j in columns], own).solve(
            criterion
        )
        return solved[index].objective

    def tightened(index: int) -> float:
        work.spend(completing(len(gap), zone=criterion == "minimum-zone"))
        travels = options.within(index, gap, criterion, within)
        if travels is None:
            return np.inf
        left = options.problem.centred(gap + options.problem.influence[:, list(options.sets[index])] @ travels)
        return float(measure(options.problem, left[None], criterion)[0])

    slack = 1e-9 * max(float(np.abs(gap).max()), 1e-300)
    for index in sorted({options.sets.index(group) for group in groups if group in options.sets}):
        if index in whole:
            solve(index, GROUP_SHARE)
    spent, reached, sizes = False, np.inf, np.array(options.count)
    may_stand = options.problem.may_stand
    for count in sorted(set(options.count) if may_stand else set(options.count) - {0}):
        members = np.flatnonzero(sizes == count)
        known = [
            solved[k].objective if k in solved else float(bound[k])
            for k in members.tolist()
            if k in solved or k not in whole
        ]
        best = min(known, default=np.inf)
        for index in members[np.argsort(bound[members], kind="stable")].tolist():
            if bound[index] >= min(best, reached) - slack:
                break
            if index in whole and index not in solved:
                if work.over():
                    spent = True
                    break
                if tightened(index) < min(best, reached) - slack:
                    best = min(best, solve(index, PLAN_SHARE))
        reached = min(reached, best)
    for index in sorted(whole):
        if index in solved and np.isfinite(solved[index].objective):
            _write(options, table, row, index, gap, solved[index])
        else:
            for worth in (table.objective, table.total, table.rms, table.spread):
                worth[row, index] = np.inf
    stopped = spent or any(found.outcome == "stopped" for found in solved.values())
    unproven = reached - float(bound[0 if may_stand else 1 :].min(initial=np.inf))
    return DiscreteAnswers(
        stacks={
            index: {
                column: stack
                for column, stack in zip(options.sets[index], found.stacks, strict=True)
                if stack is not None
            }
            for index, found in solved.items()
        },
        gap=unproven if stopped and unproven > slack else 0.0,
        seconds=max(work.left, LEAST_WORK) / SECOND,
    )


def _write(options: Candidates, table: SubsetAnswers, row: int, index: int, gap: Floats, found: Programme) -> None:
    problem = options.problem
    table.travels[row, index] = 0.0
    table.travels[row, index, list(options.sets[index])] = found.travels
    left = problem.centred(gap + problem.influence @ table.travels[row, index])
    table.left[row, :, index] = left
    table.total[row, index] = np.ptp(left)
    table.spread[row, index] = np.ptp(left) if problem.offset_free else 2.0 * np.abs(left).max()
    table.rms[row, index] = problem.rms(left)
    table.objective[row, index] = found.objective
