"""The exact programme over whole steps and stacks of shims, against everything; all that is here is invented."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from itertools import combinations_with_replacement, product

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec.structs import replace
from scipy.optimize import linprog

from adjusters import screw, seat
from profiles import budget
from tramwright_solvers.adjustment.mixed_integer import Task, objective, programme
from tramwright_solvers.adjustment.problem import Problem
from tramwright_solvers.adjustment.work import Work
from tramwright_solvers.model.contract import Adjuster
from tramwright_solvers.model.machine import Sheet
from tramwright_solvers.model.options import Criterion

CRITERIA: tuple[Criterion, ...] = ("least-squares", "minimum-zone")
ENOUGH = 60.0


def posed(influence: np.ndarray, adjusters: Sequence[Adjuster], offset_free: bool = True) -> Problem:
    n, m = influence.shape
    return Problem(
        influence,
        np.ones(n),
        np.array([adjuster.effort for adjuster in adjusters]),
        np.array([adjuster.lower for adjuster in adjusters]),
        np.array([adjuster.upper for adjuster in adjusters]),
        np.zeros((0, m)),
        np.zeros(0),
        np.zeros(0),
        offset_free,
    )


@st.composite
def cases(draw: st.DrawFn) -> tuple[Problem, np.ndarray, list[Adjuster], int]:
    """Up to four seats with three thicknesses and up to two screws, some of them redundant."""
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    seats, screws = draw(st.integers(1, 4)), draw(st.integers(0, 2))
    total = seats + screws
    rank = draw(st.integers(1, total))
    influence = rng.normal(size=(9, rank)) @ rng.normal(size=(rank, total)) / np.sqrt(rank)
    thicknesses = rng.choice([0.05, 0.1, 0.13, 0.2, 0.5], 3, replace=False).tolist()
    stock = tuple(Sheet(t, int(count)) for t, count in zip(thicknesses, rng.choice([1, 2, 1000], 3), strict=True))
    pool = "shelf" if draw(st.booleans()) else None
    most = 1 if seats == 4 else 2
    adjusters = []
    for name in range(seats):
        effort = float(rng.uniform(1, 5))
        if rng.random() < 0.25:
            adjusters.append(replace(screw(str(name), step=0.1, lower=-0.3, upper=0.3), effort=effort))
        else:
            fitted = tuple(rng.choice(thicknesses, rng.integers(0, 2)).tolist())
            one = seat(str(name), stock=stock, fitted=fitted, largest_stack=most, pool=pool)
            adjusters.append(replace(one, effort=effort))
    limit = draw(st.sampled_from([np.inf, 0.1]))
    adjusters += [screw(f"screw-{name}", lower=-limit, upper=limit) for name in range(screws)]
    problem = posed(influence, adjusters, offset_free=draw(st.booleans()))
    return problem, rng.normal(size=9) * 0.3, adjusters, seats


def everything(adjusters: Sequence[Adjuster], seats: int) -> np.ndarray:
    """List every combination of discrete travels, shared counts kept, by brute force; shape (K, seats)."""
    each: list[list[tuple[float, tuple[int, ...]]]] = []
    for adjuster in adjusters[:seats]:
        if adjuster.stock is None:
            each.append([(k * 0.1, (0, 0, 0)) for k in range(-3, 4)])
            continue
        hand = Counter({sheet.thickness: sheet.count for sheet in adjuster.stock}) + Counter(adjuster.fitted)
        ways = set()
        for size in range((adjuster.largest_stack or 0) + 1):
            for pile in combinations_with_replacement(sorted(hand), size):
                if not Counter(pile) - hand:
                    added = Counter(pile) - Counter(adjuster.fitted)
                    height = round(sum(pile) - sum(adjuster.fitted), 9)
                    ways.add((height, tuple(added[sheet.thickness] for sheet in adjuster.stock)))
        each.append(sorted(ways))
    counts = next(
        ([sheet.count for sheet in a.stock] for a in adjusters[:seats] if a.stock is not None and a.pool), None
    )
    found = set()
    for combination in product(*each):
        used = np.sum([taken for _, taken in combination], axis=0)
        if counts is None or np.all(used <= counts):
            found.add(tuple(height for height, _ in combination))
    return np.array(sorted(found))


def best_of_all(problem: Problem, gap: np.ndarray, travels: np.ndarray, criterion: Criterion) -> float:
    """Solve the screws for every combination by another method than the product's: normal equations, or scipy's LP."""
    seats = travels.shape[1]
    changed = gap + travels @ problem.influence[:, :seats].T
    own, low, high = problem.influence[:, seats:], problem.lower[seats:], problem.upper[seats:]
    shift = np.ones((len(gap), 1 if problem.offset_free else 0))
    basis = np.linalg.svd(np.hstack([own, shift]), full_matrices=False)
    span = basis[0][:, basis[1] > 1e-9 * np.max(basis[1], initial=0.0)]
    # Without limits on the screws; a lower bound of both criteria, and so the order in which to try them.
    rms = np.sqrt(np.mean((changed - changed @ span @ span.T) ** 2, axis=1))
    if criterion == "least-squares" and not (np.isfinite(low).any() and own.shape[1]):
        return float(rms.min())
    best = np.inf
    for index in np.argsort(rms):
        if rms[index] >= best:
            break
        best = min(best, by_screws(changed[index], own, shift, (low, high), criterion))
    return best


def by_screws(
    gap: np.ndarray, own: np.ndarray, shift: np.ndarray, limits: tuple[np.ndarray, np.ndarray], criterion: Criterion
) -> float:
    low, high = (
        np.concatenate([side, np.full(shift.shape[1], end)])
        for side, end in zip(limits, (-np.inf, np.inf), strict=True)
    )
    columns = np.hstack([own, shift])
    if criterion == "least-squares":
        from scipy.optimize import lsq_linear

        if not columns.shape[1]:
            return float(np.sqrt(np.mean(gap**2)))
        found = lsq_linear(columns, -gap, (low, high), method="bvls", tol=1e-14)
        return float(np.sqrt(2 * found.cost / len(gap)))
    wall = np.ones((len(gap), 1))
    matrix = np.vstack([np.hstack([columns, -wall]), np.hstack([-columns, -wall])])
    bounds = [*zip(low, high, strict=True), (0, None)]
    result = linprog(np.append(np.zeros(columns.shape[1]), 1.0), A_ub=matrix, b_ub=np.append(-gap, gap), bounds=bounds)
    assert result.status == 0
    return float(result.fun)


@pytest.mark.parametrize("criterion", CRITERIA)
@budget(2)
@given(case=cases())
def test_nothing_beats_it_among_all_combinations(
    criterion: Criterion, case: tuple[Problem, np.ndarray, list[Adjuster], int]
) -> None:
    problem, gap, adjusters, seats = case
    answer = programme(problem, gap, adjusters, criterion, ENOUGH)
    combinations = everything(adjusters, seats)
    assert answer.outcome == "optimal"
    assert answer.gap == 0.0
    assert answer.objective == objective(problem, gap, answer.travels, criterion)
    away = np.abs(combinations - answer.travels[:seats]).max(axis=1)
    assert away.min() < 1e-9, "the answer is not one of the combinations"
    alone = objective(problem, gap, np.zeros(len(adjusters)), criterion)
    assert answer.objective == pytest.approx(
        best_of_all(problem, gap, combinations, criterion), rel=1e-6, abs=1e-8 * alone
    )


@pytest.mark.parametrize("criterion", CRITERIA)
@budget(2)
@given(case=cases())
def test_never_worse_than_nothing_and_never_better_than_continuous(
    criterion: Criterion, case: tuple[Problem, np.ndarray, list[Adjuster], int]
) -> None:
    problem, gap, adjusters, _ = case
    alone = objective(problem, gap, np.zeros(len(adjusters)), criterion)
    relaxed = objective(problem, gap, Task(problem, gap, adjusters, Work.within(ENOUGH)).relaxed(criterion), criterion)
    for seconds in (1e-9, ENOUGH):
        answer = programme(problem, gap, adjusters, criterion, seconds)
        assert answer.objective <= alone
        assert answer.objective >= relaxed - 1e-8 * alone
        assert answer.bound <= answer.objective
        assert np.all(answer.travels >= problem.lower - 1e-12)
        assert np.all(answer.travels <= problem.upper + 1e-12)


@pytest.mark.parametrize("criterion", CRITERIA)
@budget(1)
@given(case=cases())
def test_more_sheets_or_higher_stacks_never_hurt(
    criterion: Criterion, case: tuple[Problem, np.ndarray, list[Adjuster], int]
) -> None:
    problem, gap, adjusters, _ = case
    first = programme(problem, gap, adjusters, criterion, ENOUGH).objective
    slack = 1e-8 * objective(problem, gap, np.zeros(len(adjusters)), criterion)
    richer = [
        replace(a, stock=tuple(Sheet(s.thickness, min(s.count + 1, 1000)) for s in a.stock)) if a.stock else a
        for a in adjusters
    ]
    higher = [replace(a, largest_stack=a.largest_stack + 1) if a.largest_stack else a for a in adjusters]
    assert programme(problem, gap, richer, criterion, ENOUGH).objective <= first + slack
    assert programme(problem, gap, higher, criterion, ENOUGH).objective <= first + slack


@pytest.mark.parametrize("criterion", CRITERIA)
def test_shared_counts_are_never_overdrawn(criterion: Criterion) -> None:
    """Both seats want 0.2; there is one such sheet and one of 0.05."""
    influence = np.eye(3)[:, :2]
    shared = [seat(name, stock=(Sheet(0.2, 1), Sheet(0.05, 1)), pool="shelf") for name in ("a", "b")]
    problem = posed(influence, shared, offset_free=False)
    gap = np.array([-0.2, -0.2, 0.0])
    answer = programme(problem, gap, shared, criterion, ENOUGH)
    used = Counter(sheet for stack in answer.stacks if stack for sheet in stack.add)
    assert not used - Counter({0.2: 1, 0.05: 1})
    if criterion == "least-squares":
        assert sorted(answer.travels.round(9)) == [0.05, 0.2]
    assert answer.objective == pytest.approx(0.15 / np.sqrt(3) if criterion == "least-squares" else 0.15, rel=1e-8)
    own = [replace(adjuster, pool=None) for adjuster in shared]
    assert programme(problem, gap, own, criterion, ENOUGH).objective == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("criterion", CRITERIA)
def test_equal_answers_are_settled_by_effort(criterion: Criterion) -> None:
    """Raising one seat or the other is all the same to the gap; the easier one is raised, and no more than needed."""
    influence = np.array([[-1.0, -1.0], [-1.0, -1.0], [0.0, 0.0]])
    seats = [replace(seat("hard"), effort=5.0), replace(seat("easy"), effort=2.0)]
    answer = programme(posed(influence, seats), np.array([0.1, 0.1, 0.0]), seats, criterion, ENOUGH)
    assert answer.travels == pytest.approx([0.0, 0.1])
    assert answer.stacks[0] is not None
    assert answer.stacks[1] is not None
    assert (answer.stacks[0].add, answer.stacks[1].add) == ((), (0.1,))


@pytest.mark.parametrize("criterion", CRITERIA)
def test_steps_without_bounds_round_to_the_best_multiple(criterion: Criterion) -> None:
    """Three screws that click every 0.02 under a plane gap: each corner's remainder is found without a table."""
    influence = np.vstack([np.eye(3), np.full((1, 3), 1 / 3)])
    screws = [screw(name, step=0.02) for name in "abc"]
    wanted = np.array([412.0, -1731.0, 90.0]) * 0.02
    gap = -influence @ wanted
    answer = programme(posed(influence, screws, offset_free=False), gap, screws, criterion, ENOUGH)
    assert answer.objective == pytest.approx(0.0, abs=1e-8)
    assert answer.travels == pytest.approx(wanted, abs=1e-9)
    assert answer.outcome == "optimal"
    assert answer.stacks == (None, None, None)


@pytest.mark.parametrize("criterion", CRITERIA)
def test_four_clicking_supports_stay_in_one_plane(criterion: Criterion) -> None:
    corners = np.array([(x, y) for x in (0.0, 1.0) for y in (0.0, 1.0)])
    influence = np.array([[(1 - x) * (1 - y), (1 - x) * y, x * (1 - y), x * y] for x, y in corners])
    screws = [screw(name, step=0.05) for name in "abcd"]
    row = np.array([[1.0, -1.0, -1.0, 1.0]])
    problem = replace(posed(influence, screws), rows=row, rows_lower=np.zeros(1), rows_upper=np.zeros(1))
    gap = np.array([0.0, -0.11, -0.24, -0.31])
    answer = programme(problem, gap, screws, criterion, ENOUGH)
    assert abs(row @ answer.travels) < 1e-9
    steps = np.arange(-8, 9) * 0.05
    # The offset is free, so one corner may be taken as standing still; the fourth follows from the plane.
    brute = min(objective(problem, gap, np.array([0.0, b, c, b + c]), criterion) for b in steps for c in steps)
    assert answer.objective == pytest.approx(brute, abs=1e-9)


def test_a_condition_between_limits_is_kept_by_seats_and_screws_together() -> None:
    """Seat and screw may differ by 0.12 at most; every height of the seat is tried with the screw between its ends."""
    rng = np.random.default_rng(17)
    influence = rng.normal(size=(8, 2))
    adjusters = [seat("a", stock=(Sheet(0.1, 3), Sheet(0.25, 1)), largest_stack=3), screw("b")]
    row = np.array([[1.0, -1.0]])
    problem = replace(posed(influence, adjusters), rows=row, rows_lower=np.full(1, -0.12), rows_upper=np.full(1, 0.12))
    gap = influence @ np.array([-0.37, 0.6]) + 0.01 * rng.normal(size=8)
    for criterion in CRITERIA:
        answer = programme(problem, gap, adjusters, criterion, ENOUGH)
        assert abs(row @ answer.travels) <= 0.12 + 1e-9
        brute = min(
            objective(problem, gap, np.array([height, other]), criterion)
            for height in (0.0, 0.1, 0.2, 0.25, 0.3, 0.35, 0.45)
            for other in np.linspace(height - 0.12, height + 0.12, 4001)
        )
        # The minimum zone seeks least effort within 1e-9 of the zone and 1e-9 of the gap's size.
        alone = objective(problem, gap, np.zeros(2), criterion)
        assert brute - 1e-4 <= answer.objective <= brute + 2e-9 * alone


def test_a_short_stock_among_many_seats_is_settled_within_the_time_given() -> None:
    """Too little time for a proof: what is answered is still attainable, and says how far it may be from the best."""
    rng = np.random.default_rng(23)
    stock = tuple(Sheet(thickness, 2) for thickness in (0.05, 0.07, 0.11, 0.13, 0.17))
    adjusters = [seat(str(name), stock=stock, pool="shelf") for name in range(8)]
    problem = posed(rng.normal(size=(12, 8)), adjusters)
    gap = rng.normal(size=12)
    for criterion in CRITERIA:
        answer = programme(problem, gap, adjusters, criterion, 0.3)
        used = Counter(sheet for stack in answer.stacks if stack for sheet in stack.add)
        assert max(used.values(), default=0) <= 2
        assert answer.objective <= objective(problem, gap, np.zeros(8), criterion)
        assert answer.bound <= answer.objective
        assert (answer.outcome == "optimal") == (answer.gap == 0.0)


def test_a_flat_machine_is_left_alone_and_equal_requests_get_equal_answers() -> None:
    adjusters = [seat("a"), seat("b"), screw("c")]
    problem = posed(np.random.default_rng(5).normal(size=(6, 3)), adjusters)
    gap = np.random.default_rng(6).normal(size=6)
    for criterion in CRITERIA:
        flat = programme(problem, np.full(6, 0.7), adjusters, criterion, ENOUGH)
        assert flat.travels.tolist() == [0.0, 0.0, 0.0]
        first, second = (programme(problem, gap, adjusters, criterion, ENOUGH) for _ in range(2))
        assert first.travels.tobytes() == second.travels.tobytes()
