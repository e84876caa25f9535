"""The least zone that adjusters with limits reach, and the least effort for it, against a linear programme.

All readings are invented.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import linprog

from adjusters import problem_of
from tramwright_solvers.adjustment import minimum_zone
from tramwright_solvers.adjustment.minimum_zone import bounded, chebyshev
from tramwright_solvers.adjustment.problem import Problem
from tramwright_solvers.model.errors import SolverError

TIGHT = {"primal_feasibility_tolerance": 1e-10, "dual_feasibility_tolerance": 1e-10}


def half_zone(problem: Problem, gap: np.ndarray, travels: np.ndarray) -> float:
    left = gap + problem.influence @ travels
    return float(np.ptp(left) / 2.0 if problem.offset_free else np.abs(left).max())


def best_zone(problem: Problem, gap: np.ndarray) -> float:
    """Half the zone by another programme: highest and lowest gap as two variables over unsplit travels."""
    n, m = problem.influence.shape
    walls = np.zeros((2 * n + (0 if problem.offset_free else 1), m + 2))
    walls[:n, :m], walls[:n, m] = problem.influence, -1.0
    walls[n : 2 * n, :m], walls[n : 2 * n, m + 1] = -problem.influence, 1.0
    sides = [walls, np.pad(problem.rows, ((0, 0), (0, 2))), np.pad(-problem.rows, ((0, 0), (0, 2)))]
    ends = [-gap, gap, np.zeros(len(walls) - 2 * n), problem.rows_upper, -problem.rows_lower]
    if not problem.offset_free:
        walls[-1, m:] = -1.0, -1.0  # about zero: highest = -lowest, so their sum is nothing
    matrix, end = np.vstack(sides), np.concatenate(ends)
    use = np.isfinite(end)
    equal = None if problem.offset_free else np.append(np.zeros(m), [1.0, 1.0])[None]
    found = linprog(
        np.append(np.zeros(m), [0.5, -0.5]),
        A_ub=matrix[use],
        b_ub=end[use],
        A_eq=equal,
        b_eq=None if equal is None else [0.0],
        bounds=[*zip(problem.lower, problem.upper, strict=True), (None, None), (None, None)],
        method="highs",
        options=TIGHT,
    )
    assert found.status == 0
    return float(found.fun)


@st.composite
def limited(draw: st.DrawFn) -> tuple[Problem, np.ndarray]:
    n, m = draw(st.integers(2, 9)), draw(st.integers(1, 5))
    share = st.integers(-20, 20).map(lambda tenth: tenth / 10)
    limit = st.one_of(st.just(np.inf), st.integers(0, 30).map(lambda tenth: tenth / 10))

    def array(of: st.SearchStrategy[float], *shape: int) -> np.ndarray:
        size = int(np.prod(shape))
        return np.array(draw(st.lists(of, min_size=size, max_size=size)), dtype=float).reshape(shape)

    c = draw(st.integers(0, 2))
    equation = draw(st.booleans())
    low, high = (np.zeros(c), np.zeros(c)) if equation else (-array(limit, c), array(limit, c))
    problem = problem_of(
        array(share, n, m),
        lower=-array(limit, m),
        upper=array(limit, m),
        effort=array(st.integers(1, 9).map(float), m),
        rows=array(share, c, m),
        low=low,
        high=high,
        offset_free=draw(st.booleans()),
    )
    return problem, array(share, n)


@given(limited())
def test_bounded_travels_reach_the_best_zone_and_keep_every_limit(case: tuple[Problem, np.ndarray]) -> None:
    problem, gap = case
    travels = bounded(problem, gap)
    assert np.all((problem.lower <= travels) & (travels <= problem.upper))
    along = problem.rows @ travels
    assert np.all((problem.rows_lower - 1e-8 <= along) & (along <= problem.rows_upper + 1e-8))
    assert half_zone(problem, gap, travels) == pytest.approx(best_zone(problem, gap), rel=1e-8, abs=1e-8)
    assert bounded(problem, gap).tobytes() == travels.tobytes()


@pytest.mark.parametrize("offset_free", [True, False])
def test_bounded_beats_every_point_of_a_fine_lattice(offset_free: bool) -> None:
    rng = np.random.default_rng(9)
    influence, gap = rng.normal(size=(9, 2)), rng.normal(size=9)
    problem = problem_of(influence, lower=-0.3, upper=0.2, offset_free=offset_free)
    reached = half_zone(problem, gap, bounded(problem, gap))
    ticks = np.linspace(-0.3, 0.2, 101)
    tried = [half_zone(problem, gap, np.array([a, b])) for a in ticks for b in ticks]
    # Least effort may use up 1e-9 of the zone and 1e-10 of the gap's size.
    assert reached <= min(tried) * (1 + 1e-9) + 2e-10 * np.abs(gap).max()
    assert reached >= min(tried) - 0.005 * np.abs(influence).sum(axis=1).max()


def test_without_limits_bounded_and_exchange_agree() -> None:
    rng = np.random.default_rng(10)
    influence, gaps = rng.normal(size=(25, 4)), rng.normal(size=(20, 25))
    problem = problem_of(influence)
    by_exchange = chebyshev(np.column_stack([np.ones(25), influence]), gaps)
    travels = [bounded(problem, gap) for gap in gaps]
    reached = [half_zone(problem, gap, travel) for gap, travel in zip(gaps, travels, strict=True)]
    assert reached == pytest.approx(by_exchange.half_zone, rel=1e-8)
    assert np.array(travels) == pytest.approx(-by_exchange.coefficients[:, 1:], abs=1e-6)


def corners() -> np.ndarray:
    x, y = (axis.ravel() for axis in np.meshgrid(*[np.linspace(0.0, 1.0, 5)] * 2))
    return np.column_stack([(1 - x) * (1 - y), x * (1 - y), (1 - x) * y, x * y])


def test_redundant_adjusters_leave_the_work_to_the_easy_ones() -> None:
    """Four supports and four seats that do the same the other way round, at three times the effort."""
    gap = np.round(corners() @ [0.3, -0.1, 0.2, 0.0] + 0.01 * np.random.default_rng(11).normal(size=25), 3)
    problem = problem_of(np.hstack([corners(), -corners()]), effort=np.array([1, 1, 1, 1, 3, 3, 3, 3.0]))
    travels = bounded(problem, gap)
    assert np.all(travels[4:] == 0.0)
    alone = problem_of(corners())
    assert half_zone(problem, gap, travels) == pytest.approx(best_zone(alone, gap), rel=1e-8)


def test_effort_is_the_least_that_keeps_the_zone() -> None:
    """An exact warp: raising the first corner by 0.3 and the second by 0.1 undoes it, and so do other sets of four."""
    gap = corners() @ [-0.3, -0.1, 0.0, 0.0]
    travels = bounded(problem_of(corners()), gap)
    # Any constant may be added to all four; sum |a| is least anywhere between the middle two of 0.3, 0.1, 0, 0: 0.4.
    assert half_zone(problem_of(corners()), gap, travels) < 1e-8
    assert np.abs(travels).sum() == pytest.approx(0.4, abs=1e-7)


def test_an_adjuster_at_its_stop_hands_over_to_a_harder_one() -> None:
    gap = np.array([-1.0, 0.0])
    problem = problem_of(np.array([[1.0, 1.0], [0.0, 0.0]]), upper=np.array([0.6, np.inf]), effort=np.array([1.0, 5.0]))
    assert bounded(problem, gap) == pytest.approx([0.6, 0.4], abs=1e-8)


def test_offset_kept_moves_the_whole_bed_and_free_does_not() -> None:
    gap = np.full(4, 0.25)
    lift = np.ones((4, 1))
    assert bounded(problem_of(lift), gap) == pytest.approx([0.0], abs=0)
    assert bounded(problem_of(lift, offset_free=False), gap) == pytest.approx([-0.25], abs=1e-8)


def test_four_that_must_stay_in_one_plane() -> None:
    gap = corners() @ [0.2, 0.0, 0.0, 0.0]
    flat = np.array([[1.0, -1.0, -1.0, 1.0]])
    travels = bounded(problem_of(corners(), rows=flat, low=np.zeros(1), high=np.zeros(1)), gap)
    assert flat @ travels == pytest.approx([0.0], abs=1e-9)
    # What remains is pure twist of +-0.05 at the corners: a quarter of 0.2, the alternating part. [derived]
    assert half_zone(problem_of(corners()), gap, travels) == pytest.approx(0.05, rel=1e-7)


@pytest.mark.parametrize("size", [1e-6, 1e-3, 1e3])
@pytest.mark.parametrize("limit", [0.05, 1.0, np.inf])
def test_bounded_scales_with_the_gap(size: float, limit: float) -> None:
    rng = np.random.default_rng(12)
    gap = corners() @ rng.normal(size=4) + 0.1 * rng.normal(size=25)
    one = bounded(problem_of(corners(), lower=-limit, upper=limit), gap)
    other = bounded(problem_of(corners(), lower=-limit * size, upper=limit * size), gap * size)
    assert other / size == pytest.approx(one, abs=1e-7)


def test_bounds_far_beyond_the_gap_do_no_harm() -> None:
    gap = 1e-6 * np.random.default_rng(13).normal(size=25)
    free, far = (bounded(problem_of(corners(), lower=-limit, upper=limit), gap) for limit in (np.inf, 1e3))
    assert far == pytest.approx(free, abs=1e-12)


@pytest.mark.parametrize("seed", range(10))
def test_many_redundant_adjusters_between_far_bounds(seed: int) -> None:
    """Twenty adjusters that make only three shapes, efforts from 0.01 to 1000, bounds far away: hard on tolerances."""
    rng = np.random.default_rng(seed)
    influence = rng.uniform(-1, 1, (25, 3)) @ rng.normal(size=(3, 20))
    far = 1e4 * rng.uniform(0, 1, (2, 20))
    gap = np.round(rng.normal(size=25), 2)
    problem = problem_of(influence, lower=-far[0], upper=far[1], effort=10.0 ** rng.uniform(-2, 3, 20))
    travels = bounded(problem, gap)
    assert half_zone(problem, gap, travels) == pytest.approx(best_zone(problem, gap), rel=1e-7)


def test_a_tolerance_out_of_reach_gives_way_to_the_next(monkeypatch: pytest.MonkeyPatch) -> None:
    def unable(*given: object, options: dict[str, float], **named: object) -> object:
        found = linprog(*given, options=options, **named)
        found.status = 4 if options["primal_feasibility_tolerance"] < 1e-9 else found.status
        return found

    gap = np.random.default_rng(14).normal(size=25)
    problem = problem_of(corners(), lower=-0.1, upper=0.1)
    monkeypatch.setattr("scipy.optimize.linprog", unable)
    assert half_zone(problem, gap, bounded(problem, gap)) == pytest.approx(best_zone(problem, gap), rel=1e-8)


def test_a_simplex_that_fails_gives_way_to_the_interior_point(monkeypatch: pytest.MonkeyPatch) -> None:
    def unable(*given: object, method: str, **named: object) -> object:
        found = linprog(*given, method=method, **named)
        found.status = 4 if method == "highs-ds" else found.status
        return found

    gap = np.random.default_rng(14).normal(size=25)
    problem = problem_of(corners(), lower=-0.1, upper=0.1)
    monkeypatch.setattr("scipy.optimize.linprog", unable)
    travels = bounded(problem, gap)
    assert np.all(np.abs(travels) <= 0.1)
    assert half_zone(problem, gap, travels) == pytest.approx(best_zone(problem, gap), rel=1e-6)


def test_a_programme_that_is_not_solved_says_so() -> None:
    nothing = np.empty((0, 1)), np.empty(0)
    with pytest.raises(SolverError, match="not solved"):
        minimum_zone.programme(np.array([-1.0]), nothing, nothing, np.array([0.0]), np.array([np.inf]))


def test_no_adjusters_and_no_gap() -> None:
    assert bounded(problem_of(np.empty((4, 0))), np.arange(4.0)).shape == (0,)
    assert np.array_equal(bounded(problem_of(corners()), np.full(25, 0.3)), np.zeros(4))
