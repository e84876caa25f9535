"""The best travels where whole steps and stacks of shims are mixed with screws: true optimum, or how far from it.

Half the zone is a mixed-integer linear programme, solved by HiGHS through scipy. The sum of squares is searched
exactly by :mod:`.lattice`. Both start from the better of leaving the machine alone and of rounding the continuous
answer, so neither ever answers worse than that.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from time import monotonic
from typing import Literal

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from ..contract import Adjuster, Floats
from .lattice import Search, Settle, reduce
from .least_squares import bounded, feasible_best, response
from .problem import Criterion, Problem
from .sheets import Model
from .stock import Discrete, Pools, Stack, Stacks, choices, stack_for

SAME = 1e-11
"""Norms that differ by less than this share of the gap are equal, and effort decides."""

PROVEN = 1e-8
"""A zone this close to its bound, as a share of the gap as found, is the smallest: HiGHS promises 1e-9."""


class Programme(Struct, frozen=True):
    """An answer in whole steps and stacks.

    ``travels`` (m,); ``objective`` is what the criterion makes of them, root mean square or half the zone, ``bound``
    what no allowed travels can undercut, ``gap`` their difference; ``outcome`` says whether the search was finished.
    ``stacks`` has an entry for each adjuster, None where it carries no shims.
    """

    travels: Floats
    objective: float
    bound: float
    outcome: Literal["optimal", "stopped"]
    stacks: tuple[Stack | None, ...]

    @property
    def gap(self) -> float:
        """By how much a better answer might undercut this one."""
        return max(self.objective - self.bound, 0.0)


def objective(problem: Problem, gap: Floats, travels: Floats, criterion: Criterion) -> float:
    """Return root mean square or half the zone, in the unit of the gap, once these travels are made."""
    left = gap + problem.influence @ travels
    if criterion == "least-squares":
        return float(np.sqrt(np.average(problem.centred(left) ** 2, weights=problem.weights)))
    return float(np.ptp(left) / 2 if problem.offset_free else np.max(np.abs(left), initial=0.0))


def programme(
    problem: Problem, gap: Floats, adjusters: Sequence[Adjuster], criterion: Criterion, time_limit: float
) -> Programme:
    """Return the best travels, shape (m,), for one gap, shape (n,), within ``time_limit`` seconds.

    Of equally good answers it is the one of least effort: sum of squares of effort × travel, or for the minimum zone,
    whose programme is linear, sum of effort × size of travel.

    Raises:
        Refused: a stock makes more different stacks than are searched.
    """
    deadline = monotonic() + time_limit
    task = Task(problem, gap, adjusters)
    if criterion == "least-squares":
        return task.least_squares(deadline)
    return task.minimum_zone(deadline)


class Task:
    """One gap with the choices of its discrete adjusters."""

    def __init__(self, problem: Problem, gap: Floats, adjusters: Sequence[Adjuster]) -> None:
        """Work out the choices of every adjuster within the problem's bounds.

        Raises:
            Refused: a stock makes more different stacks than are searched.
        """
        self.adjusters = [
            replace(adjuster, lower=max(adjuster.lower, low), upper=min(adjuster.upper, high))
            for adjuster, low, high in zip(adjusters, problem.lower.tolist(), problem.upper.tolist(), strict=True)
        ]
        self.gap = gap
        self.tables: dict[int, Discrete] = {}
        for column, adjuster in enumerate(self.adjusters):
            table = choices(adjuster)
            if table is not None:
                self.tables[column] = table
        self.discrete = tuple(self.tables)
        self.continuous = [column for column in range(len(adjusters)) if column not in self.tables]
        self.pools = Pools({column: self.adjusters[column] for column in self.discrete}, self.tables)
        lower, upper = problem.lower.copy(), problem.upper.copy()
        for column, table in self.tables.items():
            lower[column], upper[column] = table.low, table.high
        self.problem = replace(problem, lower=lower, upper=upper)
        self.screws = self.problem.moving(self.continuous)

    def least_squares(self, deadline: float) -> Programme:
        """Search for the least sum of squares."""
        problem, root = self.problem, np.sqrt(self.problem.weights)
        influence = (problem.centred(problem.influence.T) * root).T
        to_fit = -root * problem.centred(self.gap)
        middle = bounded(problem, self.gap)
        size = float(np.linalg.norm(to_fit))

        def norm_of(travels: Floats) -> float:
            return float(np.linalg.norm(influence @ travels - to_fit))

        search = Search(
            reduced=reduce(influence, to_fit, self._equations(), self.discrete),
            tables=self.tables,
            effort=problem.effort,
            middle=middle,
            settle=self._settler(),
            allowed=(lambda picks: self.pools.together(picks) is not None) if self.pools else None,
            slack=SAME * size,
        )
        floor = norm_of(middle)
        for travels in (np.zeros(len(middle)), self._rounded(middle, search)):
            if travels is not None:
                search.offer(travels, norm_of(travels))
        bound = max(search.run(norm_of, deadline), floor) / np.sqrt(len(root))
        assert search.travels is not None
        return self._answer(search.travels, "least-squares", bound, not search.cut)

    def _equations(self) -> Floats:
        """Return the equations among the conditions, with unit normals."""
        rows = self.problem.rows[self.problem.rows_lower == self.problem.rows_upper]
        size = np.linalg.norm(rows, axis=1, keepdims=True)
        return np.asarray(rows / np.where(size > 0, size, 1.0))

    def _rounded(self, middle: Floats, search: Search) -> Floats | None:
        picks = {column: table.nearest(middle[column]) for column, table in self.tables.items()}
        if self.pools.together(picks) is None:
            return None
        return search.settle(picks)

    def _settler(self) -> Settle:
        """Return what completes picks by the best continuous travels, or by None where none are allowed."""
        by_gap = None if self.screws.bounded or len(self.problem.rows) else response(self.screws)

        def settle(picks: Mapping[int, int]) -> Floats | None:
            travels = self.made(picks)
            changed = self.gap + self.problem.influence @ travels
            if by_gap is not None:
                travels[self.continuous] = by_gap @ changed
                return travels
            return self._completed(travels, feasible_best(self._left(travels), changed))

        return settle

    def made(self, picks: Mapping[int, int]) -> Floats:
        """Return travels, shape (m,), with these picks made and everything else left alone."""
        travels = np.zeros(len(self.adjusters))
        for column, pick in picks.items():
            travels[column] = self.tables[column].travel(np.array(pick))
        return travels

    def _left(self, travels: Floats) -> Problem:
        """Return the problem that these travels leave to the continuous adjusters."""
        used = self.problem.rows @ travels
        return replace(
            self.screws, rows_lower=self.problem.rows_lower - used, rows_upper=self.problem.rows_upper - used
        )

    def _completed(self, travels: Floats, screws: Floats | None) -> Floats | None:
        if screws is None:
            return None
        travels = travels.copy()
        travels[self.continuous] = screws
        along = self.problem.rows @ travels
        slack = 1e-9 * np.max(np.abs(self.problem.rows) @ np.abs(travels), initial=0.0)
        if np.any(along < self.problem.rows_lower - slack) or np.any(along > self.problem.rows_upper + slack):
            return None
        return travels

    def minimum_zone(self, deadline: float) -> Programme:
        """Solve for the smallest zone, then among the smallest for least effort."""
        best = np.zeros(len(self.adjusters))
        size = objective(self.problem, self.gap, best, "minimum-zone")
        if size == 0.0:
            return self._answer(best, "minimum-zone", 0.0, True)
        model = Model(self.problem, self.gap, self.adjusters, tables=self.tables, pools=self.pools, size=size)
        relaxed = model.relaxed()
        picks = self._picked(best if relaxed.travels is None else relaxed.travels)
        offers = [self._zone_settled(picks)] if self.pools.together(picks) is not None else []
        found = model.solve(deadline - monotonic())
        if found.travels is not None:
            offers.append(self._zone_settled(self._picked(found.travels)))
            kind = self._best(offers, best)
            if found.done and deadline - monotonic() > 0.0:
                cheap = model.cheapest(objective(self.problem, self.gap, kind, "minimum-zone"), deadline - monotonic())
                if cheap is not None:
                    offers.insert(0, self._completed(*self._parted(cheap)))
        best = self._best(offers, best)
        bound = max(relaxed.bound, found.bound)
        proven = found.done and objective(self.problem, self.gap, best, "minimum-zone") <= bound + PROVEN * size
        return self._answer(best, "minimum-zone", bound, proven)

    def _best(self, offers: Sequence[Floats | None], alone: Floats) -> Floats:
        """Return the first offer that none undercuts by more than the programme's own tolerance."""
        known = [offer for offer in (*offers, alone) if offer is not None]
        values = [objective(self.problem, self.gap, offer, "minimum-zone") for offer in known]
        slack = 1e-9 * values[-1]
        return next(offer for offer, value in zip(known, values, strict=True) if value <= min(values) + slack)

    def _picked(self, travels: Floats) -> dict[int, int]:
        return {column: table.nearest(travels[column]) for column, table in self.tables.items()}

    def _parted(self, travels: Floats) -> tuple[Floats, Floats]:
        made = self.made(self._picked(travels))
        return made, travels[self.continuous]

    def _zone_settled(self, picks: Mapping[int, int]) -> Floats | None:
        """Complete picks by the continuous travels of the smallest zone."""
        travels = self.made(picks)
        changed = self.gap + self.problem.influence @ travels
        left = self._left(travels)
        size = max(objective(left, changed, np.zeros(len(self.continuous)), "minimum-zone"), 1e-300)
        own = [self.adjusters[column] for column in self.continuous]
        screws = Model(left, changed, own, tables={}, pools=Pools({}, {}), size=size).relaxed()
        return self._completed(travels, screws.travels)

    def _answer(self, travels: Floats, criterion: Criterion, bound: float, done: bool) -> Programme:
        value = objective(self.problem, self.gap, travels, criterion)
        shared = self.pools.together(self._picked(travels)) or {}
        return Programme(
            travels,
            value,
            value if done else min(bound, value),
            "optimal" if done else "stopped",
            tuple(
                stack_for(adjuster, shared[column]) if isinstance(self.tables.get(column), Stacks) else None
                for column, adjuster in enumerate(self.adjusters)
            ),
        )
