"""The smallest zone as a mixed-integer linear programme: one variable for each kind of sheet under each seat."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from msgspec import Struct

from ..model.contract import Adjuster, Floats
from .problem import Problem
from .shim_stacks import Discrete, Lattice, Pools, Stacks, kept_and_added, most_sheets
from .work import NODE, ROOT, Work

SCALE = 1e3
"""The gap is scaled to this size: the tolerance of HiGHS is 1e-6, so zones are found to 1e-9 of the gap."""

INFEASIBLE = 2
"""Status of ``scipy.optimize.milp`` for a programme without a solution."""


class Found(Struct, frozen=True):
    """Travels (m,), if any, a bound that no zone undercuts (half zone), and whether the optimum is proven."""

    travels: Floats | None
    bound: float
    done: bool


class Column(Struct, frozen=True):
    """One variable: how it moves its adjuster, per unit, and its range."""

    adjuster: int
    travel: float
    lower: float
    upper: float
    whole: bool


class SheetModel:
    """Variables in order: columns, the half zone, the constant."""

    def __init__(
        self,
        problem: Problem,
        gap: Floats,
        adjusters: Sequence[Adjuster],
        *,
        tables: Mapping[int, Discrete],
        pools: Pools,
        size: float,
    ) -> None:
        """Write the programme down; ``size`` is the half zone of the gap as it stands, the unit of scaling."""
        self.unit = size / SCALE
        self.problem = problem
        self.start = np.zeros(len(adjusters))
        self.columns: list[Column] = []
        limits: list[tuple[Mapping[int, float], float]] = []
        takes: dict[tuple[int, float], int] = {}
        for index, adjuster in enumerate(adjusters):
            table = tables.get(index)
            if table is None:
                low, high = float(problem.lower[index]), float(problem.upper[index])
                self.columns.append(Column(index, self.unit, low / self.unit, high / self.unit, False))
            elif isinstance(table, Lattice):
                self.columns.append(Column(index, table.step, table.first, table.last, True))
            else:
                self.start[index] = -sum(adjuster.fitted)
                first = len(self.columns)
                for thickness, kept, added in kept_and_added(adjuster):
                    takes[index, thickness] = len(self.columns) + 1
                    self.columns.append(Column(index, thickness, 0.0, kept, True))
                    self.columns.append(Column(index, thickness, 0.0, added, True))
                limits.append((dict.fromkeys(range(first, len(self.columns)), 1.0), most_sheets(adjuster)))
        for seats, scarce in pools.groups:
            for thickness, count in scarce.items():
                used = [takes[seat, thickness] for seat in seats if (seat, thickness) in takes]
                limits.append((dict.fromkeys(used, 1.0), count))
        self._write(gap, limits, [index for index, table in tables.items() if isinstance(table, Stacks)])

    def _write(self, gap: Floats, limits: list[tuple[Mapping[int, float], float]], stacked: list[int]) -> None:
        problem, size = self.problem, len(self.columns)
        self.lift = np.zeros((len(self.start), size))
        for place, column in enumerate(self.columns):
            self.lift[column.adjuster, place] = column.travel
        moved = problem.influence @ self.lift / self.unit
        begin = (gap + problem.influence @ self.start) / self.unit
        ones = np.ones((len(begin), 1))
        free = ones if problem.offset_free else 0.0 * ones
        zone = np.vstack([np.hstack([moved, -ones, -free]), np.hstack([-moved, -ones, free])])
        sheets = np.zeros((len(limits), size + 2))
        for row, (entries, _) in enumerate(limits):
            for place, factor in entries.items():
                sheets[row, place] = factor
        bounds = np.hstack([self.lift[stacked] / self.unit, np.zeros((len(stacked), 2))])
        rows = np.hstack([problem.rows @ self.lift / self.unit, np.zeros((len(problem.rows), 2))])
        used = problem.rows @ self.start
        self.matrix = np.vstack([zone, sheets, bounds, rows])
        slack = 1e-9 * SCALE
        self.low = np.concatenate(
            [
                np.full(len(zone) + len(limits), -np.inf),
                (problem.lower[stacked] - self.start[stacked]) / self.unit - slack,
                (problem.rows_lower - used) / self.unit,
            ]
        )
        self.high = np.concatenate(
            [
                -begin,
                begin,
                [limit for _, limit in limits],
                (problem.upper[stacked] - self.start[stacked]) / self.unit + slack,
                (problem.rows_upper - used) / self.unit,
            ]
        )

    def travels(self, values: Floats) -> Floats:
        """Turn the variables into travels, whole numbers made whole."""
        whole = np.array([column.whole for column in self.columns], dtype=bool)
        values = values[: len(self.columns)].copy()
        values[whole] = np.round(values[whole])
        return np.asarray(self.start + self.lift @ values)

    def solve(self, best: float, work: Work) -> Found:
        """Look for a half zone no larger than ``best`` within the work allowed; there being none proves ``best``.

        HiGHS takes the same path with any number of threads, so a limit on its nodes fixes what it answers.
        """
        nodes = int((work.left / len(self.columns) - ROOT) / NODE)
        if nodes < 1:
            return Found(None, 0.0, False)
        from scipy.optimize import Bounds, LinearConstraint, milp

        count = len(self.columns)
        aim = np.zeros(count + 2)
        aim[count] = 1.0
        result = milp(
            aim,
            integrality=np.array([int(column.whole) for column in self.columns] + [0, 0]),
            bounds=Bounds(
                np.array([column.lower for column in self.columns] + [0.0, -np.inf]),
                np.array([column.upper for column in self.columns] + [best / self.unit, np.inf]),
            ),
            constraints=LinearConstraint(self.matrix, self.low, self.high),
            options={"mip_rel_gap": 0.0, "node_limit": nodes, "time_limit": max(work.seconds, 0.01)},
        )
        used = nodes if result.mip_node_count is None else result.mip_node_count
        work.spend(len(self.columns) * (ROOT + NODE * used))
        if result.status == INFEASIBLE:
            return Found(None, best, True)
        bound = result.mip_dual_bound
        floor = max(float(bound), 0.0) * self.unit if bound is not None and np.isfinite(bound) else 0.0
        return Found(None if result.x is None else self.travels(result.x), floor, result.status == 0)
