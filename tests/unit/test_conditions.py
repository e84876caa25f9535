"""Conditions that a mechanism puts on its travels: those that exclude zero travel, choices, at most so many."""

from __future__ import annotations

from itertools import combinations
from typing import Any, Literal

import msgspec
import numpy as np
import pytest
from scipy.optimize import linprog, minimize

from tramwright_solvers.adjustment.feasibility import smallest_relaxation
from tramwright_solvers.adjustment.problem import Problem
from tramwright_solvers.contract import Adjuster, AtMost, Conditions, Floats, Machine, Mechanism, Site
from tramwright_solvers.correction.api import correct
from tramwright_solvers.mechanisms import BUILT_IN
from tramwright_solvers.mechanisms.registry import build
from tramwright_solvers.model.errors import Impossible
from tramwright_solvers.model.options import Criterion, Solve
from tramwright_solvers.model.survey import Survey
from tramwright_solvers.results.correction import Correction

BOTH: tuple[Criterion, ...] = ("least-squares", "minimum-zone")


class Levers(Mechanism, frozen=True, tag="levers"):
    """Four levers under a bed 400 wide and deep, each lifting a quarter of it more than the rest."""

    matrix: tuple[tuple[float, ...], ...] = ()
    lower: tuple[float, ...] = ()
    upper: tuple[float, ...] = ()
    at_most: tuple[tuple[int, tuple[int, ...]], ...] = ()
    within: float = 1e3
    step: float | None = None

    def adjusters(self, machine: Machine) -> tuple[Adjuster, ...]:
        return tuple(
            Adjuster(
                s.id, "support", 1.0, f"/machine/supports/{i}", lower=-self.within, upper=self.within, step=self.step
            )
            for i, s in enumerate(machine.supports)
        )

    def influence(self, site: Site) -> Floats:
        at = np.array([(s.x, s.y) for s in site.machine.supports])
        away = np.hypot(*(site.points[:, None] - at).transpose(2, 0, 1))
        return np.exp(-((away / 300.0) ** 2))

    def conditions(self, machine: Machine) -> Conditions:
        rows = np.array(self.matrix).reshape(-1, len(machine.supports))
        reasons = tuple(f"Reason {row}." for row in range(len(rows)))
        limited = tuple(AtMost(count, which) for count, which in self.at_most)
        return Conditions(rows, np.array(self.lower), np.array(self.upper), reasons, limited)


class Tilts(Levers, frozen=True, tag="tilts"):
    """Two screws that tilt a bed along y: together they lift it, which a zero set anew does not show."""

    def influence(self, site: Site) -> Floats:
        share = site.points[:, 1] / site.machine.bed.y[1]
        return np.column_stack([1.0 - share, share])


REGISTRY = build((*BUILT_IN, Levers, Tilts))
CORNERS = [(0, 0), (400, 0), (0, 400), (400, 400)]
MACHINE = msgspec.convert(
    {
        "bed": {"x": [0, 400], "y": [0, 400]},
        "supports": [{"id": f"lever-{i}", "x": x, "y": y} for i, (x, y) in enumerate(CORNERS)],
    },
    Machine,
)
POINTS = np.array([(x, y) for x in (0, 150, 260, 400) for y in (0, 140, 270, 400)], dtype=float)
# invented: a hollow, a tilt and a wave
GAP = 1e-3 * POINTS[:, 0] - 4e-6 * (POINTS[:, 1] - 180) ** 2 + 0.02 * np.sin(POINTS[:, 0] / 60)
SURVEY = msgspec.convert(
    {"readings": [{"x": x, "y": y, "value": v} for (x, y), v in zip(POINTS.tolist(), GAP.tolist(), strict=True)]},
    Survey,
)


def answered(criterion: Criterion, lever: dict[str, Any], **more: Any) -> Correction:
    asked = {"with": [{"solver": "levers", **lever}], "criterion": criterion, "aim_for": 0, **more}
    return correct(MACHINE, SURVEY, msgspec.convert(asked, Solve[REGISTRY.union()]), REGISTRY)


def travels_of(answer: Correction) -> Floats:
    moved = {move.adjuster: move.travel for move in answer.moves}
    return np.array([moved.get(f"lever-{i}", 0.0) for i in range(4)])


def left_by(travels: Floats, criterion: Criterion) -> float:
    left = GAP + Levers().influence(Site(MACHINE, POINTS)) @ travels
    return float(np.std(left)) if criterion == "least-squares" else float(np.ptp(left)) / 2


def best_of(criterion: Criterion, lever: dict[str, Any], free: tuple[int, ...] = (0, 1, 2, 3)) -> float:
    """Return the best that these levers can do, by scipy alone; infinite where they can do nothing."""
    influence = Levers().influence(Site(MACHINE, POINTS))
    rows = np.array(lever.get("matrix", [])).reshape(-1, 4)
    low, high = np.array(lever.get("lower", [])), np.array(lever.get("upper", []))
    span = lever.get("within", 1e3)
    bounds = [(-span, span) if j in free else (0.0, 0.0) for j in range(4)]
    count, stations = len(rows), len(POINTS)
    ones, wall = np.ones((stations, 1)), np.zeros((count, 2))
    upper = np.block([[influence, -ones, ones], [-influence, -ones, -ones], [rows, wall], [-rows, wall]])
    found = linprog(
        [0, 0, 0, 0, 1, 0],
        A_ub=upper,
        b_ub=np.concatenate([-GAP, GAP, high, -low]),
        bounds=[*bounds, (0, None), (None, None)],
    )
    if found.status:
        return np.inf
    if criterion == "minimum-zone":
        return float(found.fun)
    centred, aim = influence - influence.mean(axis=0), GAP - GAP.mean()
    quadratic = minimize(
        lambda a: np.sum((aim + centred @ a) ** 2),
        found.x[:4],
        jac=lambda a: 2 * centred.T @ (aim + centred @ a),
        bounds=bounds,
        constraints=[
            {"type": "ineq", "fun": lambda a: rows @ a - low, "jac": lambda a: rows},
            {"type": "ineq", "fun": lambda a: high - rows @ a, "jac": lambda a: -rows},
        ],
        method="SLSQP",
        options={"ftol": 1e-15, "maxiter": 500},
    )
    return float(np.sqrt(quadratic.fun / stations))


APART = {"matrix": [[1, -1, 0, 0]], "lower": [0.5], "upper": [0.5]}
BETWEEN = {"matrix": [[1, -1, 0, 0]], "lower": [0.2], "upper": [0.3]}
TWO = {"matrix": [[1, -1, 0, 0], [0, 1, 1, 1]], "lower": [0.2, 0.1], "upper": [0.3, 0.1]}


@pytest.mark.parametrize("criterion", BOTH)
@pytest.mark.parametrize(
    "lever", [APART, BETWEEN, TWO, BETWEEN | {"within": 0.4}], ids=["equal", "range", "two", "tight"]
)
def test_conditions_that_exclude_zero_travel_are_kept_by_the_best_travels_that_keep_them(
    criterion: Criterion, lever: dict[str, Any]
) -> None:
    answer = answered(criterion, lever)
    travels = travels_of(answer)
    along = np.array(lever["matrix"]) @ travels
    assert np.all(along >= np.array(lever["lower"]) - 1e-9)
    assert np.all(along <= np.array(lever["upper"]) + 1e-9)
    # derived: the same posed to scipy's linear programme and to its sequential quadratic programming
    assert left_by(travels, criterion) == pytest.approx(best_of(criterion, lever), rel=1e-6)
    assert answer.predicted.total == pytest.approx(2 * left_by(travels, "minimum-zone"), abs=1e-9)
    assert "It cannot stay as it is: Reason 0." in answer.chosen.why


@pytest.mark.parametrize("criterion", BOTH)
def test_an_equation_that_leaves_nothing_to_the_readings_is_kept_with_the_least_effort(criterion: Criterion) -> None:
    named = {"id": "two", "bed": {"x": [0, 400], "y": [0, 400]}}
    screws = [{"id": name, "x": 200, "y": y} for name, y in (("front", 0), ("rear", 400))]
    rows = [{"x": x, "y": y, "value": -0.001 * y} for x in (0, 200, 400) for y in (0, 100, 300, 400)]
    kept = {"solver": "tilts", "matrix": [[1, -1]], "lower": [0.5], "upper": [0.5]}
    answer = correct(
        msgspec.convert(named | {"supports": screws}, Machine),
        msgspec.convert({"readings": rows}, Survey),
        msgspec.convert({"with": [kept], "criterion": criterion, "aim_for": 0}, Solve[REGISTRY.union()]),
        REGISTRY,
    )
    moved = {move.adjuster: move.travel for move in answer.moves}
    assert moved.get("front", 0.0) - moved.get("rear", 0.0) == pytest.approx(0.5, abs=1e-9)


@pytest.mark.parametrize("criterion", BOTH)
def test_a_good_bed_is_moved_where_it_cannot_stay_as_it_is(criterion: Criterion) -> None:
    flat = msgspec.structs.replace(
        SURVEY, readings=[msgspec.structs.replace(one, value=0.0) for one in SURVEY.readings]
    )
    asked = {"with": [{"solver": "levers", **APART}], "criterion": criterion}
    answer = correct(MACHINE, flat, msgspec.convert(asked, Solve[REGISTRY.union()]), REGISTRY)
    travels = travels_of(answer)
    assert answer.advice.do == "move"
    assert travels[0] - travels[1] == pytest.approx(0.5, abs=1e-9)


@pytest.mark.parametrize("criterion", BOTH)
def test_a_condition_that_binds_is_reported_with_what_more_of_it_would_bring(criterion: Criterion) -> None:
    answer = answered(criterion, BETWEEN, aim_for=0.001)
    (end,) = [one for one in answer.chosen.binding if one.adjuster is None]
    assert end.condition == "Reason 0."
    free = best_of(criterion, {})
    below = best_of(criterion, BETWEEN | {"lower": [-1e3]})
    above = best_of(criterion, BETWEEN | {"upper": [1e3]})
    # derived: the end whose lifting gains is the one that is named, and all of the gain comes from it
    assert (end.way == "down") == (below < above)
    assert min(below, above) == pytest.approx(free, rel=1e-6)
    assert "A condition stands in the way: Reason 0." in answer.chosen.why
    inner = answered(criterion, {"matrix": [[1, -1, 0, 0]], "lower": [-50], "upper": [50]}, aim_for=0.001)
    assert not inner.chosen.binding


@pytest.mark.parametrize("criterion", BOTH)
@pytest.mark.parametrize("at_most", [[(1, [0, 1])], [(2, [0, 1, 2, 3])], [(1, [0, 1]), (1, [2, 3])]])
def test_choices_and_at_most_so_many_leave_the_best_that_they_permit(
    criterion: Criterion, at_most: list[tuple[int, list[int]]]
) -> None:
    answer = answered(criterion, {"at_most": at_most})
    permitted = [
        subset
        for size in range(5)
        for subset in combinations(range(4), size)
        if all(len(set(subset) & set(which)) <= count for count, which in at_most)
    ]
    moved = tuple(np.flatnonzero(travels_of(answer)).tolist())
    assert moved in permitted
    best = min(best_of(criterion, {}, subset) for subset in permitted)
    assert left_by(travels_of(answer), criterion) == pytest.approx(best, rel=1e-6)
    assert all(tuple(int(name[-1]) for name in plan.adjusters) in permitted for plan in answer.plans)


@pytest.mark.parametrize("criterion", BOTH)
def test_whole_steps_keep_conditions_that_exclude_zero_travel(criterion: Criterion) -> None:
    step, lever = 0.05, {"matrix": [[1, -1, 0, 0]], "lower": [0.12], "upper": [0.32], "within": 0.3}
    answer = answered(criterion, lever | {"step": step})
    travels = travels_of(answer)
    assert np.allclose(travels / step, np.round(travels / step), atol=1e-9)
    marks = step * np.arange(-6, 7)
    grid = np.stack(np.meshgrid(*[marks] * 4), axis=-1).reshape(-1, 4)
    grid = grid[np.abs(grid[:, 0] - grid[:, 1] - 0.22) <= 0.1 + 1e-12]
    left = GAP + grid @ Levers().influence(Site(MACHINE, POINTS)).T
    each = left.std(axis=1) if criterion == "least-squares" else np.ptp(left, axis=1) / 2
    # derived: every setting that is allowed, tried
    assert left_by(travels, criterion) == pytest.approx(float(each.min()), rel=1e-9)


@pytest.mark.parametrize("criterion", BOTH)
def test_conditions_that_nothing_satisfies_are_refused_with_what_would_have_to_give_way(criterion: Criterion) -> None:
    with pytest.raises(Impossible, match=r"Reason 0: would have to give way by 0\.3") as caught:
        answered(criterion, {"matrix": [[1, -1, 0, 0]], "lower": [0.5], "upper": [0.6], "within": 0.1})
    assert caught.value.faults[0].pointer == "/solve/with"


@pytest.mark.parametrize("criterion", BOTH)
def test_too_few_moves_for_a_condition_are_refused(criterion: Criterion) -> None:
    with pytest.raises(Impossible, match="cannot stay as it is"):
        answered(
            criterion, {"matrix": [[1, -1, 0, 0], [0, 0, 1, 0]], "lower": [0.5, 0.1], "upper": [0.6, 0.2]}, most_moves=1
        )


@pytest.mark.parametrize(("lower", "gives"), [(0.1, {}), (0.5, {0: 0.3})])
def test_the_smallest_relaxation_by_hand(lower: float, gives: dict[int, float]) -> None:
    end: Literal[1] = 1
    problem = Problem(
        influence=np.zeros((0, 2)),
        weights=np.zeros(0),
        effort=np.ones(2),
        lower=np.full(2, -0.1),
        upper=np.full(2, 0.1),
        rows=np.array([[1.0, -1.0]]),
        rows_lower=np.array([lower]),
        rows_upper=np.array([float(end)]),
    )
    # derived: a0 - a1 reaches 0.2 at the most
    assert smallest_relaxation(problem) == pytest.approx(gives)
