"""Least squares within bounds: first-order conditions, agreement with other methods, scale and rank."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from scipy.optimize import linprog, lsq_linear

from adjusters import problem_of
from profiles import budget
from tramwright_solvers.adjustment.constrained_lsq import bounded, feasible_best, response
from tramwright_solvers.adjustment.problem import Problem
from tramwright_solvers.model.errors import Impossible


@st.composite
def cases(draw: st.DrawFn, sides: bool = True) -> tuple[Problem, np.ndarray]:
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    n, m = draw(st.integers(3, 12)), draw(st.integers(1, 7))
    rank = draw(st.integers(1, min(m, n)))
    influence = rng.normal(size=(n, rank)) @ rng.normal(size=(rank, m)) if rank < m else rng.normal(size=(n, m))
    scale = draw(st.sampled_from([1e-6, 1e-2, 1.0, 1e3]))
    lower = np.where(rng.random(m) < 0.4, -np.inf, -rng.random(m) * rng.integers(0, 2, m)) * scale
    upper = np.where(rng.random(m) < 0.4, np.inf, rng.random(m) * rng.integers(0, 2, m)) * scale
    count = draw(st.integers(0, 3)) if sides else 0
    rows = rng.normal(size=(count, m))
    width = rng.random(count) * rng.integers(0, 2, count) * scale
    low, high = -np.where(rng.random(count) < 0.3, np.inf, width), width
    problem = problem_of(
        influence,
        lower=np.nan_to_num(lower, nan=0.0, neginf=-np.inf),
        upper=np.nan_to_num(upper, nan=0.0, posinf=np.inf),
        rows=rows,
        low=low,
        high=high,
        effort=rng.uniform(0.5, 5, m),
        weights=rng.uniform(0.5, 2, n),
        offset_free=draw(st.booleans()),
    )
    return problem, rng.normal(size=n) * scale


def pieces(problem: Problem, gap: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    root = np.sqrt(problem.weights)
    return (problem.centred(problem.influence.T) * root).T, -root * problem.centred(gap)


def sides(problem: Problem) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    rows = np.vstack([np.eye(len(problem.effort)), problem.rows])
    low = np.concatenate([problem.lower, problem.rows_lower])
    high = np.concatenate([problem.upper, problem.rows_upper])
    return rows, low, high


def slides_far() -> tuple[Problem, np.ndarray]:
    """Limits that run nearly along what the gap cannot see: the best travels are a thousand times the gap."""
    influence = np.outer(
        [0.84215346, 0.86135595, -0.43456761], [1.0, -0.507979, 0.242714, -0.752242, -0.325396, 0.340814]
    )
    problem = problem_of(
        influence,
        lower=np.array([0.0, -0.589123174, -np.inf, -np.inf, -np.inf, -np.inf]),
        upper=np.array([0.0, 0.0, 0.418646938, 0.0, 0.390166804, 0.0]),
        rows=np.array(
            [
                [-0.76666708, -0.3439884, 2.13177215, 1.77477722, -0.96584963, -0.73164453],
                [-0.62077745, -0.31816877, -0.93563557, -0.12402677, -0.43045355, 2.00090993],
            ]
        ),
        low=np.array([-0.375794044, 0.0]),
        high=np.array([0.375794044, 0.0]),
        effort=np.array([0.94354766, 3.96102304, 2.61071918, 3.17528035, 2.09595337, 3.66601163]),
        weights=np.array([1.63574642, 0.58455783, 0.77969575]),
        offset_free=False,
    )
    return problem, np.array([0.878833343, -1.51787249, -0.707620648])


@budget(13)
@given(cases())
@example(slides_far())
def test_no_allowed_direction_descends(case: tuple[Problem, np.ndarray]) -> None:
    """The first-order condition of a convex problem, put to an independent linear programme (Farkas)."""
    problem, gap = case
    travels = bounded(problem, gap)
    scale = np.max(np.abs(gap))
    rows, low, high = sides(problem)
    at = rows @ travels
    assert np.all(at >= low - 1e-11 * scale)
    assert np.all(at <= high + 1e-11 * scale)
    matrix, to_fit = pieces(problem, gap)
    slope = matrix.T @ (matrix @ travels - to_fit) / scale
    on_low, on_high = at <= low + 1e-9 * scale, at >= high - 1e-9 * scale
    barred = np.vstack([-rows[on_low], rows[on_high]])
    # Steepest allowed direction in the unit box.
    best = linprog(slope, A_ub=barred, b_ub=np.zeros(len(barred)), bounds=(-1, 1))
    assert best.status == 0
    assert best.fun >= -1e-6


def held_by_the_fit_alone() -> tuple[Problem, np.ndarray]:
    """The fit is reached with the last adjuster still; less effort moves it a little."""
    shape = [-0.053654, -0.502695, -0.057719, -0.215317, 0.826963, 0.056189, -0.087756]
    problem = problem_of(
        np.outer([8.201059, -10.269471, 1.680053, -2.281478, -1.818888], shape),
        lower=np.array([0.0, 0.0, 0.0, -0.138276, -np.inf, 0.0, 0.0]),
        upper=np.array([np.inf, np.inf, 0.0, 0.384562, np.inf, 0.0, np.inf]),
        rows=np.array([[1.405598, 0.747408, 0.193816, 1.111633, -0.205523, -0.9259, 0.584058]]),
        low=np.zeros(1),
        high=np.zeros(1),
        effort=np.array([2.298453, 3.258093, 1.384877, 1.311294, 3.860872, 3.885005, 3.0514]),
        weights=np.array([1.312761, 0.564184, 1.239318, 0.525686, 1.358052]),
        offset_free=False,
    )
    return problem, np.array([-1.0, -0.230787, 0.152002, -0.282305, 0.737088])


@budget(7)
@given(cases())
@example(held_by_the_fit_alone())
def test_redundant_directions_take_least_effort(case: tuple[Problem, np.ndarray]) -> None:
    problem, gap = case
    travels = bounded(problem, gap)
    scale = np.max(np.abs(gap))
    matrix, _ = pieces(problem, gap)
    rows, low, high = sides(problem)
    at = rows @ travels
    slope = problem.effort**2 * travels / scale
    barred = np.vstack([-rows[at <= low + 1e-9 * scale], rows[at >= high - 1e-9 * scale]])
    # Only directions that the gap cannot see, found by the null space, are open to the second stage.
    _, values, right = np.linalg.svd(matrix)
    unseen = (
        right[int(np.sum(values > 1e-9 * values[0])) :].T if len(values) and values[0] > 0 else np.eye(len(travels))
    )
    if not unseen.shape[1]:
        assert np.linalg.matrix_rank(matrix) == len(travels)
        return
    best = linprog(unseen.T @ slope, A_ub=barred @ unseen, b_ub=np.zeros(len(barred)), bounds=(-1, 1))
    assert best.status == 0
    assert best.fun >= -1e-6


def two_alike() -> tuple[Problem, np.ndarray]:
    """Two screws of one effect but for rounding, which a method may take for a difference."""
    influence = np.array(
        [
            [-0.7770752222412183, -0.273856071370543, -0.12870994779494607],
            [-0.25804031171445213, -0.09093830815701158, -0.04274020596612078],
            [-1.0842891261655827, -0.3821240876334752, -0.17959496433419705],
        ]
    )
    lower, upper = np.array([0.0, 0.0, -np.inf]), np.array([np.inf, 0.0, 0.0])
    weights = np.array([1.414960399045886, 0.6267904233894904, 0.9582491775646231])
    gap = np.array([4.8342360943214285e-07, -1.0889173416353798e-07, -8.3321640597254293e-07])
    return problem_of(influence, lower=lower, upper=upper, weights=weights), gap


@budget(7)
@given(cases(sides=False))
@example(two_alike())
def test_bounds_alone_agree_with_another_method(case: tuple[Problem, np.ndarray]) -> None:
    problem, gap = case
    travels = bounded(problem, gap)
    matrix, to_fit = pieces(problem, gap)
    free = problem.lower < problem.upper
    if not free.any():
        assert np.array_equal(travels, np.zeros(len(travels)))
        return
    scale = np.max(np.abs(gap))
    # The other method takes columns that depend on each other for independent ones, so it is given the range alone.
    left, values, right = np.linalg.svd(matrix[:, free], full_matrices=False)
    rank = int(np.sum(values > 1e-9 * values[0]))
    seen, aim = values[:rank, None] * right[:rank], left[:, :rank].T @ to_fit / scale
    other = lsq_linear(seen, aim, (problem.lower[free] / scale, problem.upper[free] / scale), method="bvls")
    best = 2 * other.cost + np.sum((to_fit / scale) ** 2) - np.sum(aim**2)
    assert np.sum((matrix @ travels - to_fit) ** 2) / scale**2 == pytest.approx(best, rel=0, abs=1e-10)


@pytest.mark.parametrize("scale", [1e-6, 1.0, 1e3])
@pytest.mark.parametrize("offset_free", [True, False])
def test_interior_answer_is_the_pseudo_inverse(scale: float, offset_free: bool) -> None:
    rng = np.random.default_rng(7)
    influence = rng.normal(size=(9, 3)) @ rng.normal(size=(3, 5))
    effort = np.array([1.0, 2.0, 5.0, 1.0, 3.0])
    gap = rng.normal(size=9) * scale
    problem = problem_of(influence, lower=-1e4 * scale, upper=1e4 * scale, effort=effort, offset_free=offset_free)
    matrix, to_fit = pieces(problem, gap)
    expected = np.linalg.pinv(matrix / effort, rcond=1e-10) @ to_fit / effort
    for travels in (bounded(problem, gap), response(problem) @ gap):
        assert np.max(np.abs(travels - expected)) <= 1e-12 * np.max(np.abs(expected))


def test_the_response_to_any_gap_is_the_fit_of_that_gap_and_keeps_equations() -> None:
    rng = np.random.default_rng(11)
    rows = np.array([[1.0, -1.0, 1.0, -1.0], [2.0, -2.0, 2.0, -2.0]])
    problem = problem_of(rng.normal(size=(8, 4)), rows=rows, low=np.zeros(2), high=np.zeros(2))
    gaps = rng.normal(size=(5, 8))
    together = gaps @ response(problem).T
    assert np.max(np.abs(together @ rows.T)) < 1e-12
    for one, gap in zip(together, gaps, strict=True):
        assert bounded(problem, gap) == pytest.approx(one, rel=1e-12, abs=1e-13)


def test_raising_all_supports_is_shared_with_lowering_all_seats_by_effort() -> None:
    """Raising the bed by h and lowering the seats by h are one and the same: travel goes as one over effort squared."""
    problem = problem_of(np.array([[1.0, -1.0]] * 4), effort=np.array([1.0, 2.0]), offset_free=False)
    travels = bounded(problem, np.full(4, -0.5))
    # Minimise s² + 4 r² on s - r = 0.5: s = 0.4, r = -0.1.
    assert travels == pytest.approx([0.4, -0.1], rel=1e-12)


def test_fixed_adjuster_stands_still_and_zero_gap_asks_for_nothing() -> None:
    rng = np.random.default_rng(3)
    problem = problem_of(rng.normal(size=(6, 2)), lower=np.array([0.0, -1.0]), upper=np.array([0.0, 1.0]))
    assert bounded(problem, rng.normal(size=6))[0] == 0.0
    assert np.array_equal(bounded(problem, np.zeros(6)), np.zeros(2))
    still = problem_of(rng.normal(size=(6, 2)), lower=0.0, upper=0.0)
    assert np.array_equal(bounded(still, rng.normal(size=6)), np.zeros(2))


def test_conditions_that_shut_everything_out_are_said_to() -> None:
    influence = np.eye(3)
    rows = np.array([[1.0, 1.0, 1.0]])
    problem = problem_of(influence, lower=0.0, upper=1.0, rows=rows, low=np.array([4.0]), high=np.array([5.0]))
    assert feasible_best(problem, np.zeros(3)) is None
    with pytest.raises(Impossible):
        bounded(problem, np.ones(3))
