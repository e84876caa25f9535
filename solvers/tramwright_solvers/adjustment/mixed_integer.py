"""The best travels where whole steps and stacks of shims are mixed with screws: the optimum, or a bound on the distance
from it.

Both criteria are searched exactly by :mod:`.sphere_search`: the root mean square about the mean never exceeds half the
zone, so one radius serves for both. A zone that the search cannot settle by half the work goes on to HiGHS as a
mixed-integer linear programme, which is the better at proving bounds. All start from the better of leaving the machine
alone and of rounding the continuous answer, so no answer is worse than that.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Literal

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from ..linalg.orthogonalize import dominant
from ..model.contract import Adjuster, Floats
from ..model.errors import Impossible, SolverError
from ..model.options import Criterion
from . import constrained_lsq, minimum_zone
from .constrained_lsq import RANK
from .milp import SheetModel
from .problem import Problem
from .shim_stacks import Discrete, Pools, Stack, Stacks, choices, stack_for
from .sphere_search import Reduced, Search, SettleScrews, reduce
from .work import DEALT, FITTED, JUDGED, Work, completing, screening

SAME: dict[Criterion, float] = {"least-squares": 1e-11, "minimum-zone": 1e-9}
"""Answers that differ by less than this share of the gap are equal, and effort decides; zones are no sharper."""

SEARCH = 0.5
"""Share of the work allowed after which a zone still being searched goes on to HiGHS."""


BEYOND = 10.0
"""How much worse than the continuous answer the first found may be, in gaps as found, where conditions leave no answer
to begin with. Our own choice."""


class Programme(Struct, frozen=True):
    """An answer in whole steps and stacks.

    ``travels`` (m,); ``objective`` is what the criterion makes of them, root mean square or half the zone, ``bound``
    what no allowed travels can undercut, ``gap`` their difference; ``outcome`` says whether the search was finished.
    ``stacks`` has an entry for each adjuster, None where it carries no shims. Where the conditions allow none, the
    objective is infinite.
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
    """Return the best travels, shape (m,), for one gap, shape (n,), within the work of ``time_limit`` seconds.

    Of equally good answers it is the one of least ``sum((effort * a) ** 2)``; where a search was stopped, the least
    found.

    Raises:
        Refused: a stock makes more different stacks than are searched.
    """
    return Task(problem, gap, adjusters, Work.within(time_limit)).solve(criterion)


class Task:
    """One gap with the choices of its discrete adjusters, and the work allowed for it."""

    def __init__(self, problem: Problem, gap: Floats, adjusters: Sequence[Adjuster], work: Work) -> None:
        """Work out the choices of every adjuster within the problem's bounds.

        Raises:
            Refused: a stock makes more different stacks than are searched.
        """
        self.adjusters = [
            replace(adjuster, lower=max(adjuster.lower, low), upper=min(adjuster.upper, high))
            for adjuster, low, high in zip(adjusters, problem.lower.tolist(), problem.upper.tolist(), strict=True)
        ]
        self.gap = gap
        self.work = work
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

    def solve(self, criterion: Criterion) -> Programme:
        """Search, and let HiGHS finish a zone that takes long."""
        alone = np.zeros(len(self.adjusters))
        size = objective(self.problem, self.gap, alone, criterion)
        if size == 0.0 and self.problem.may_stand:
            return self._answer(alone, criterion, 0.0, True)
        try:
            middle = self.relaxed(criterion)
        except Impossible:
            return self._none()
        size = size or float(np.abs(middle).max())
        root = np.sqrt(len(self.gap))

        def norm_of(travels: Floats) -> float:
            return float(root * objective(self.problem, self.gap, travels, criterion))

        settle = self._settler(criterion)
        search = Search(
            reduced=self._reduced(criterion),
            tables=self.tables,
            effort=self.problem.effort,
            middle=middle,
            settle=settle,
            screen=self._zones if criterion == "minimum-zone" else None,
            allowed=self._allowed if self.pools else None,
            slack=SAME[criterion] * size * root,
            work=self.work,
            share=SEARCH if criterion == "minimum-zone" else 1.0,
        )
        for travels in (alone if self.problem.may_stand else None, self.rounded(middle, criterion)):
            if travels is not None:
                search.offer(travels, norm_of(travels))
        if search.travels is None:
            search.best = BEYOND * (norm_of(middle) + norm_of(alone) + size)
        bound = max(search.run(norm_of), norm_of(middle)) / root
        if search.travels is None:
            return self._none()
        if self.pools.unsure:
            bound = norm_of(middle) / root
        if not search.cut or criterion == "least-squares":
            return self._answer(search.travels, criterion, bound, not search.cut and not self.pools.unsure)
        best = objective(self.problem, self.gap, search.travels, criterion)
        model = SheetModel(self.problem, self.gap, self.adjusters, tables=self.tables, pools=self.pools, size=size)
        found = model.solve(best, self.work)
        if found.travels is not None and (better := settle(self._picked(found.travels))) is not None:
            search.offer(better, norm_of(better))
        return self._answer(search.travels, criterion, max(bound, found.bound), found.done)

    def relaxed(self, criterion: Criterion) -> Floats:
        """Return the best travels, shape (m,), with every discrete adjuster free between its lowest and highest."""
        solver = constrained_lsq if criterion == "least-squares" else minimum_zone
        self.work.spend(completing(len(self.gap), zone=criterion == "minimum-zone"))
        return np.asarray(solver.bounded(self.problem, self.gap))

    def rounded(self, relaxed: Floats, criterion: Criterion) -> Floats | None:
        """Return relaxed travels rounded, the continuous ones settled again, or None where that is not allowed."""
        picks = self._picked(relaxed)
        return None if self.pools.together(picks) is None else self._settler(criterion)(picks)

    def _reduced(self, criterion: Criterion) -> Reduced:
        """Reduce by the weights of the criterion: the zone has none."""
        weights = self.problem.weights if criterion == "least-squares" else np.ones(len(self.gap))
        problem, root = replace(self.problem, weights=weights), np.sqrt(weights)
        return reduce(problem.weighted(), -root * problem.centred(self.gap), self._equations(), self.discrete)

    def _zones(self, travels: Floats) -> Floats:
        """Return, times root n, half the zones that unlimited screws would leave, for discrete travels (K, m)."""
        self.work.spend(screening(len(travels), len(self.gap)))
        changed = self.gap + travels @ self.problem.influence.T
        design = self.screws.influence
        if self.problem.offset_free:
            design = np.column_stack([design, np.ones(len(self.gap))])
        design = dominant(design, RANK)
        zones = (
            minimum_zone.chebyshev(design, changed).half_zone if design.shape[1] else np.max(np.abs(changed), axis=1)
        )
        return np.asarray(np.sqrt(len(self.gap)) * zones)

    def _allowed(self, picks: Mapping[int, int]) -> bool:
        """Say whether the scarce sheets go round."""
        before = self.pools.dealt
        allowed = self.pools.together(picks) is not None
        self.work.spend(JUDGED + DEALT * (self.pools.dealt - before))
        return allowed

    def _equations(self) -> Floats:
        """Return the equations among the conditions that zero travel satisfies, with unit normals."""
        rows = self.problem.rows[self.problem.equations]
        size = np.linalg.norm(rows, axis=1, keepdims=True)
        return np.asarray(rows / np.where(size > 0, size, 1.0))

    def _settler(self, criterion: Criterion) -> SettleScrews:
        """Return a function that completes picks by the best continuous travels, or returns None where none are
        allowed."""
        simple = criterion == "least-squares" and not self.screws.bounded and not len(self.problem.rows)
        by_gap = constrained_lsq.response(self.screws) if simple else None
        price = FITTED if simple else completing(len(self.gap), zone=criterion == "minimum-zone")

        def settle(picks: Mapping[int, int]) -> Floats | None:
            self.work.spend(price)
            travels = self.made(picks)
            changed = self.gap + self.problem.influence @ travels
            if by_gap is not None:
                travels[self.continuous] = by_gap @ changed
                return travels
            left = self._left(travels)
            if criterion == "least-squares":
                return self._completed(travels, constrained_lsq.feasible_best(left, changed))
            try:
                return self._completed(travels, minimum_zone.bounded(left, changed))
            except SolverError:
                return None  # the conditions leave these picks no screws; zero travel need not satisfy what is left

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

    def _picked(self, travels: Floats) -> dict[int, int]:
        return {column: table.nearest(travels[column]) for column, table in self.tables.items()}

    def _none(self) -> Programme:
        """Say that none was found that the conditions allow."""
        nothing = (None,) * len(self.adjusters)
        return Programme(np.zeros(len(self.adjusters)), np.inf, np.inf, "optimal", nothing)

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
