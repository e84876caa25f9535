"""Least squares and minimum zone within bounds against general optimisers, which know nothing of machines."""

from __future__ import annotations

from pathlib import Path

import msgspec
import numpy as np
import pytest
from scipy.optimize import linprog, lsq_linear

from references import library, reference
from regression import as_problem, fitted
from tramwright_solvers.adjustment.candidates import candidates
from tramwright_solvers.adjustment.problem import Problem
from tramwright_solvers.correction.api import correct
from tramwright_solvers.mechanisms.four_screw import FourScrew
from tramwright_solvers.mechanisms.rail_shim import RailShim
from tramwright_solvers.mechanisms.three_screw import ThreeScrew
from tramwright_solvers.model.contract import Site
from tramwright_solvers.model.machine import Bed, Machine, Rails, Seat, Support
from tramwright_solvers.model.options import Criterion, Solve
from tramwright_solvers.model.survey import Survey

SEEDS = range(6)
GRID = np.array([(x, y) for y in (20.0, 135.0, 250.0, 365.0, 480.0) for x in (20.0, 135.0, 250.0, 365.0, 480.0)])
MACHINE = Machine(
    bed=Bed((0.0, 500.0), (0.0, 500.0)),
    supports=[Support("a", 30.0, 40.0), Support("b", 470.0, 40.0), Support("c", 250.0, 460.0)],
    rails=Rails(
        "y",
        [
            Seat(f"{rail}-{y:g}", rail, x, y)
            for rail, x in (("left", -40.0), ("right", 540.0))
            for y in (0.0, 200.0, 500.0)
        ],
        block_spacing=60.0,
        tool_offset=-35.0,
    ),
)


def problem(seed: int) -> tuple[Problem, np.ndarray]:
    """Nine adjusters within bounds that bind, and a gap of 0.1 mm or so; invented."""
    rng = np.random.default_rng(seed)
    site = Site(MACHINE, GRID)
    influence = np.hstack([ThreeScrew().influence(site), RailShim().influence(site)])
    count = influence.shape[1]
    weights = rng.uniform(0.5, 1.5, len(GRID))
    return Problem(
        influence=influence,
        weights=weights / weights.mean(),
        effort=np.ones(count),
        lower=rng.uniform(-0.06, -0.01, count),
        upper=rng.uniform(0.01, 0.06, count),
        rows=np.empty((0, count)),
        rows_lower=np.empty(0),
        rows_upper=np.empty(0),
    ), influence @ rng.normal(0.0, 0.1, count) + rng.normal(0.0, 0.01, len(GRID))


def within(posed: Problem, gap: np.ndarray, criterion: Criterion) -> np.ndarray:
    """Travels of all adjusters within their bounds, as for any subset whose free answer breaks one."""
    everything = tuple(range(len(posed.effort)))
    options = candidates(posed, everything, (everything,))
    return options.within(options.sets.index(everything), gap, criterion)


@reference(
    "library",
    packages=("scipy",),
    source="lsq_linear, bounded-variable least squares (Stark & Parker 1995)",
    proves="least squares within bounds: the gap left, and the sum of squares",
)
@pytest.mark.parametrize("seed", SEEDS)
def test_bounded_least_squares_by_scipy(seed: int) -> None:
    posed, gap = problem(seed)
    root = np.sqrt(posed.weights)
    # The offset is one more unknown, without bounds.
    design = np.column_stack([posed.influence, np.ones(len(gap))]) * root[:, None]
    found = lsq_linear(
        design, -root * gap, (np.append(posed.lower, -np.inf), np.append(posed.upper, np.inf)), "bvls", tol=1e-14
    )
    assert found.status > 0
    travels = within(posed, gap, "least-squares")
    assert np.all((travels >= posed.lower) & (travels <= posed.upper))
    assert np.any((travels == posed.lower) | (travels == posed.upper))
    left = posed.centred(gap + posed.influence @ travels)
    # Redundant adjusters may share the work otherwise; the gap that is left is unique.
    assert left == pytest.approx(design @ found.x / root + gap, abs=1e-10)
    assert posed.weights @ left**2 == pytest.approx(2.0 * found.cost, rel=1e-10)


@reference(
    "library",
    packages=("cvxpy",),
    source="the problem as cvxpy states it: quadratic over a box, solved by Clarabel's interior point",
    proves="least squares within bounds, and of its answers the one of least effort",
)
@pytest.mark.parametrize("seed", SEEDS)
def test_bounded_least_squares_by_convex_optimisation(seed: int) -> None:
    cp = library("cvxpy")
    posed, gap = problem(seed)
    a, offset = cp.Variable(len(posed.effort)), cp.Variable()
    left = gap + posed.influence @ a + offset
    box = [a >= posed.lower, a <= posed.upper]
    squares = cp.sum_squares(cp.multiply(np.sqrt(posed.weights), left))
    least = cp.Problem(cp.Minimize(squares), box).solve(solver="CLARABEL", tol_gap_abs=1e-13, tol_gap_rel=1e-13)
    travels = within(posed, gap, "least-squares")
    remaining = posed.centred(gap + posed.influence @ travels)
    assert posed.weights @ remaining**2 == pytest.approx(least, rel=1e-6)
    # Of all travels that leave this very gap, up to the offset: the least sum of squares.
    same = [*box, posed.influence @ a + offset == remaining - gap]
    effort = cp.Problem(cp.Minimize(cp.sum_squares(a)), same).solve(solver="CLARABEL")
    assert travels @ travels == pytest.approx(effort, rel=1e-5)


@reference(
    "library",
    packages=("cvxpy",),
    source="the problem as cvxpy states it: largest less smallest gap over a box, solved by Clarabel's interior point",
    proves="minimum zone within bounds",
)
@pytest.mark.parametrize("seed", SEEDS)
def test_bounded_minimum_zone_by_convex_optimisation(seed: int) -> None:
    cp = library("cvxpy")
    posed, gap = problem(seed)
    a = cp.Variable(len(posed.effort))
    left = gap + posed.influence @ a
    total = cp.Problem(cp.Minimize(cp.max(left) - cp.min(left)), [a >= posed.lower, a <= posed.upper]).solve(
        solver="CLARABEL", tol_gap_abs=1e-12, tol_gap_rel=1e-12, tol_feas=1e-12
    )
    travels = within(posed, gap, "minimum-zone")
    assert np.all((travels >= posed.lower) & (travels <= posed.upper))
    # Clarabel's own tolerance sets the figure; ours may lie 1e-9 of the zone above the least for the sake of effort.
    assert np.ptp(gap + posed.influence @ travels) == pytest.approx(total, rel=1e-7)


@reference(
    "library",
    packages=("scipy",),
    source="linprog with the interior point of HiGHS, where ours exchanges contacts or uses the dual simplex",
    proves="minimum zone without bounds for planes, twisted planes and all bows",
)
@pytest.mark.parametrize("columns", [3, 4, 6])
def test_minimum_zone_by_linear_programming(columns: int) -> None:
    u, v = ((GRID - 250.0) / 250.0).T
    design = np.column_stack([np.ones_like(u), u, v, u * v, u * u, v * v])[:, :columns]
    values = np.random.default_rng(columns).normal(0.0, 0.05, (8, len(GRID)))  # invented
    wall = np.ones((len(GRID), 1))
    for row in values:
        half = fitted(as_problem(design), row, "minimum-zone").half_zone
        programme = linprog(
            np.append(np.zeros(columns), 1.0),
            A_ub=np.block([[design, -wall], [-design, -wall]]),
            b_ub=np.concatenate([row, -row]),
            bounds=(None, None),
            method="highs-ipm",
        )
        assert programme.status == 0
        assert half == pytest.approx(programme.fun, rel=1e-7)


@reference(
    "library",
    packages=("cvxpy",),
    source="largest less smallest gap with the barycentric coordinates of the supports, solved by Clarabel",
    proves="the predicted total of a whole answer by minimum zone, from the example that is shipped",
)
def test_whole_answer_by_minimum_zone(examples: Path) -> None:
    cp = library("cvxpy")
    payload = msgspec.json.decode((examples / "minimum-zone.json").read_bytes())
    machine, survey = msgspec.convert(payload["machine"], Machine), msgspec.convert(payload["survey"], Survey)
    solver = ThreeScrew if len(machine.supports) == 3 else FourScrew
    answer = correct(machine, survey, Solve(with_=[solver()], criterion="minimum-zone", aim_for=0.0))
    points = np.array([(r.x, r.y) for r in survey.readings])
    gap = machine.sense * np.array([float(np.mean(r.value)) for r in survey.readings])
    plane = cp.Variable(2)
    left = gap + points @ plane
    total = cp.Problem(cp.Minimize(cp.max(left) - cp.min(left))).solve(
        solver="CLARABEL", tol_gap_abs=1e-12, tol_gap_rel=1e-12, tol_feas=1e-12
    )
    assert answer.predicted.total == pytest.approx(total, rel=1e-7)
    assert answer.predicted.total < answer.as_found.total
