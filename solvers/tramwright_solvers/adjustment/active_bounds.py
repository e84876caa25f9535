"""The active bounds that limit the answer, and the total that more travel would give."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from typing import Literal

import numpy as np
from msgspec.structs import replace

from ..model.contract import Adjuster, Floats
from ..model.deadline import NEVER, Deadline
from ..model.options import Criterion
from ..results.moves import Binding
from .problem import Problem

WORTH = 1e-6
"""A relaxation must gain at least this share of the objective to be named."""

LAST = 1e3
"""Factor on the effort of the adjuster let go: of equally good answers, the one that moves it least is named."""


def binding(
    problem: Problem,
    adjusters: tuple[Adjuster, ...],
    free: tuple[int, ...],
    gap: Floats,
    criterion: Criterion,
    within: Deadline = NEVER,
    because: Sequence[str] = (),
) -> tuple[Binding, ...]:
    """Name each adjuster that stands at a bound in the best answer, with what more travel would bring.

    So are conditions that the answer stands at the end of, by the reasons ``because`` of each; equations that zero
    travel satisfies are how the mechanism works and are not. Each is lifted on its own and the problem solved again;
    those whose lifting gains something are named, the smallest total first. ``gap`` has shape (n,).

    Raises:
        OutOfTime: the time is up.
    """
    solve = _solver(criterion, within)
    alone = problem.moving(free)
    travels = solve(alone, gap)
    reached = _objective(alone, gap, travels, criterion)
    slack = 1e-9 * max(float(np.abs(gap).max()), 1e-300)
    found = []
    for place, column in enumerate(free):
        ways: tuple[tuple[Literal["down", "up"], Floats], ...] = (("down", alone.lower), ("up", alone.upper))
        for way, bounds in ways:
            bound = bounds[place]
            if abs(travels[place] - bound) > slack:
                continue
            lifted = bounds.copy()
            lifted[place] = -np.inf if way == "down" else np.inf
            effort = alone.effort * np.where(np.arange(len(free)) == place, LAST, 1.0)
            wider = replace(alone, effort=effort, **{"lower" if way == "down" else "upper": lifted})
            further = solve(wider, gap)
            more = abs(float(further[place] - bound))
            if more > slack and _objective(wider, gap, further, criterion) < reached * (1.0 - WORTH) - slack:
                after = gap + alone.influence @ further
                found.append(Binding(adjusters[column].id, way, more, float(np.ptp(after))))
    along = alone.rows @ travels
    for row in np.flatnonzero(~alone.equations).tolist():
        size = max(float(np.abs(alone.rows[row]).max(initial=0.0)), 1e-300)
        ends: tuple[tuple[Literal["down", "up"], str], ...] = (("down", "rows_lower"), ("up", "rows_upper"))
        for way, end in ends:
            bound = float(getattr(alone, end)[row])
            if abs(along[row] - bound) > slack * size:
                continue
            lifted = getattr(alone, end).copy()
            lifted[row] = -np.inf if way == "down" else np.inf
            wider = replace(alone, **{end: lifted})
            further = solve(wider, gap)
            more = abs(float(alone.rows[row] @ further - bound))
            if more > slack * size and _objective(wider, gap, further, criterion) < reached * (1.0 - WORTH) - slack:
                after = gap + alone.influence @ further
                found.append(Binding(None, way, more, float(np.ptp(after)), because[row]))
    return tuple(sorted(found, key=lambda item: (item.total, item.more)))


def _solver(criterion: Criterion, within: Deadline) -> Callable[[Problem, Floats], Floats]:
    if criterion == "least-squares":
        from .constrained_lsq import bounded

        def solve(problem: Problem, gap: Floats) -> Floats:
            within.check()
            return bounded(problem, gap)

        return solve
    from .minimum_zone import bounded as zone_bounded

    return partial(zone_bounded, within=within)


def _objective(problem: Problem, gap: Floats, travels: Floats, criterion: Criterion) -> float:
    left = problem.centred(gap + problem.influence @ travels)
    if criterion == "least-squares":
        return problem.rms(left)
    return float(np.ptp(left)) / 2.0 if problem.offset_free else float(np.abs(left).max())
