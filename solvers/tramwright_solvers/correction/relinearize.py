"""Adjusters whose effect is not proportional to their travel: their influence is taken at the travels, and these worked
out again, until they settle.

Each pass solves the adjustment with the influence at the last travels (Gauss-Newton, or its like for the minimum zone)
and goes as much of the way as what is exactly left grows less.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import NamedTuple

import numpy as np
from msgspec.structs import replace

from ..adjustment import constrained_lsq, minimum_zone
from ..adjustment.candidates import SubsetAnswers, measure
from ..adjustment.discrete_subsets import DiscreteAnswers
from ..adjustment.mixed_integer import Task
from ..adjustment.problem import Problem
from ..adjustment.shim_stacks import Stack
from ..adjustment.work import Work
from ..model.contract import Floats
from ..model.deadline import Deadline
from ..model.options import Criterion
from ..uncertainty.setting_error import settings_of
from .geometry import Geometry
from .setup import NUDGE_MM

PASSES = 25
"""Passes after which travels that still change are taken as they are, and doubted."""

HALVINGS = 12
"""How often a pass is cut to half before it is given up."""

SETTLED = 1e-8
"""Share of the gap by which travels may still change once they have settled."""

MOST = 300
"""Subsets worked out for one survey; beyond them those that look worse by their influence at zero are dropped."""

SHARE = 0.15
"""Share of the time limit that whole steps and shims of one pass may take. Our own choice."""


class Answer(NamedTuple):
    """Travels (s,) of a subset and its shims, if any."""

    travels: Floats
    stacks: Mapping[int, Stack]


Solve = Callable[[Problem, Floats], Answer | None]


class Settled(NamedTuple):
    """Travels (m,) of a subset, the influence there (n, m), shims by column, and whether they have settled."""

    travels: Floats
    influence: Floats
    stacks: Mapping[int, Stack]
    sure: bool


def settle_rows(
    prepared: Geometry,
    criterion: Criterion,
    time_limit: float,
    table: SubsetAnswers,
    gaps: Floats,
    discrete: Sequence[DiscreteAnswers | None],
    within: Deadline,
) -> list[dict[int, Settled]]:
    """Replace what a table says of subsets that move adjusters which are not linear; return these for each survey.

    Raises:
        OutOfTime: the time is up.
    """
    bent = {j for mechanism, own in prepared.own_columns() if not mechanism.linear for j in own}
    found = []
    for row, gap in enumerate(gaps):
        known = dict[int, Settled]()
        for index in weighed(prepared, table, row, bent):
            within.check()
            if len(known) >= MOST and prepared.candidates.sets[index] not in prepared.groups:
                give_up(table, row, index)
                continue
            one = settle(prepared, criterion, time_limit, index, gap, table.travels[row, index], within)
            if (stacks := discrete[row]) is not None and one.stacks:
                stacks.stacks[index] = dict(one.stacks)
            known[index] = one
            write(prepared, criterion, table, row, index, gap, one.travels)
        found.append(known)
    return found


def weighed(prepared: Geometry, table: SubsetAnswers, row: int, bent: set[int]) -> list[int]:
    """Return the subsets with an adjuster that is not linear, of each size the most promising first."""
    places = [
        index
        for index, subset in enumerate(prepared.candidates.sets)
        if bent.intersection(subset) and np.isfinite(table.objective[row, index])
    ]
    return sorted(places, key=lambda index: (float(table.objective[row, index]), index))


def settle(
    prepared: Geometry,
    criterion: Criterion,
    time_limit: float,
    index: int,
    gap: Floats,
    first: Floats,
    within: Deadline,
) -> Settled:
    """Return the travels of one subset for one gap (n,), beginning with what its influence at zero makes of it."""
    whole, columns = prepared.candidates.problem, list(prepared.candidates.sets[index])
    points, slack = prepared.layout.points, SETTLED * max(float(np.abs(gap).max()), 1e-300)
    solve = solver(prepared, columns, criterion, time_limit, discrete=index in prepared.discrete, within=within)

    def left_by(travels: Floats) -> float:
        left = whole.centred(gap + prepared.change_at(points, travels))
        return float(measure(whole, left[None], criterion)[0])

    made, now, stacks = np.zeros_like(first), np.inf, dict[int, Stack]()
    if prepared.limits.may_stand:
        now = left_by(made)
    seen = list[Floats]()
    answer: Answer | None = Answer(first[columns], {})
    influence = prepared.influence
    for turn in range(PASSES):
        within.check()
        if turn or index in prepared.discrete:
            answer = solve(
                replace(whole, influence=influence), gap + prepared.change_at(points, made) - influence @ made
            )
        if answer is None:
            return Settled(made, influence, stacks, False)
        aim = np.zeros_like(made)
        aim[columns] = answer.travels
        if np.max(np.abs(aim - made), initial=0.0) <= slack:
            return Settled(made, influence, stacks, True)
        if index in prepared.discrete:
            # whole steps and shims cannot go part of the way: the best of what is met again and again is taken
            again = any(np.array_equal(aim, one) for one in seen)
            seen.append(aim)
            if (reached := left_by(aim)) < now or turn == 0:
                made, now, stacks = aim, reached, dict(answer.stacks)
            elif again:
                return Settled(made, influence, stacks, False)
            influence = influence_at(prepared, columns, aim)
            continue
        share = 1.0
        for _ in range(HALVINGS):
            if (reached := left_by(made + share * (aim - made))) <= now:
                break
            share /= 2.0
        else:
            # no part of the way leaves less: what is left is the least to rounding, or this is no way to it
            return Settled(made, influence, stacks, bool(np.max(np.abs(aim - made)) <= 1e3 * slack))
        made, now = made + share * (aim - made), reached
        influence = influence_at(prepared, columns, made)
    return Settled(made, influence, stacks, False)


def influence_at(prepared: Geometry, columns: Sequence[int], travels: Floats) -> Floats:
    """Return the influence (n, m) at these travels (m,), by central differences where it is not always the same."""
    influence, points = prepared.influence.copy(), prepared.layout.points
    nudge = prepared.machine.from_mm(NUDGE_MM)
    for mechanism, own in prepared.own_columns():
        if mechanism.linear:
            continue
        for column in set(own).intersection(columns):
            step = np.zeros_like(travels)
            step[column] = nudge
            up, down = (prepared.change_at(points, travels + way * step) for way in (1.0, -1.0))
            influence[:, column] = (up - down) / (2.0 * nudge)
    return influence


def solver(
    prepared: Geometry,
    columns: Sequence[int],
    criterion: Criterion,
    time_limit: float,
    *,
    discrete: bool,
    within: Deadline,
) -> Solve:
    """Return what solves one pass for a subset: bounds, conditions, whole steps and shims kept."""
    adjusters = [prepared.adjusters[j] for j in columns]

    def by_programme(problem: Problem, gap: Floats) -> Answer | None:
        found = Task(problem.moving(columns), gap, adjusters, Work.within(SHARE * time_limit)).solve(criterion)
        made = zip(columns, found.stacks, strict=True)
        return Answer(found.travels, {column: stack for column, stack in made if stack is not None})

    def by_squares(problem: Problem, gap: Floats) -> Answer | None:
        travels = constrained_lsq.feasible_best(problem.moving(columns), gap)
        return None if travels is None else Answer(travels, {})

    def by_zone(problem: Problem, gap: Floats) -> Answer | None:
        travels = minimum_zone.feasible_best(problem.moving(columns), gap, within)
        return None if travels is None else Answer(travels, {})

    return by_programme if discrete else by_squares if criterion == "least-squares" else by_zone


def write(
    prepared: Geometry, criterion: Criterion, table: SubsetAnswers, row: int, index: int, gap: Floats, travels: Floats
) -> None:
    """Write the travels of a subset into one row of a table, with what they exactly leave."""
    problem = prepared.candidates.problem
    left = problem.centred(gap + prepared.change_at(prepared.layout.points, travels))
    table.travels[row, index], table.left[row, :, index] = travels, left
    table.total[row, index] = np.ptp(left)
    table.spread[row, index] = np.ptp(left) if problem.offset_free else 2.0 * np.abs(left).max()
    table.rms[row, index] = problem.rms(left)
    table.objective[row, index] = measure(problem, left[None], criterion)[0]


def give_up(table: SubsetAnswers, row: int, index: int) -> None:
    """Leave a subset out of one row of a table."""
    for worth in (table.objective, table.total, table.rms, table.spread):
        worth[row, index] = np.inf


def added_by_setting(prepared: Geometry, bent: Sequence[Mapping[int, Settled]]) -> Floats:
    """Return what errors of setting add to the u of each survey's and subset's total (N, K), by the influence at the
    travels."""
    added = np.tile(prepared.setting.totals, (len(bent), 1))
    described = (prepared.machine, prepared.adjusters)
    for row, known in enumerate(bent):
        for index, one in known.items():
            points, subset = prepared.layout.points[None], prepared.candidates.sets[index]
            added[row, index] = settings_of([described], one.influence[None], points, [subset])[0].totals[0]
    return added


def travel_u(prepared: Geometry, index: int, settled: Settled, noise_of: Callable[[Floats, Floats], Floats]) -> Floats:
    """Return the standard uncertainty of every travel (m,) of a subset, by its influence at the travels."""
    columns, u = list(prepared.candidates.sets[index]), np.zeros(len(prepared.adjusters))
    problem = replace(prepared.candidates.problem, influence=settled.influence).moving(columns)
    gain = constrained_lsq.response(problem)
    u[columns] = noise_of(gain, np.linalg.norm(gain, axis=1))[0]
    return u
