"""Best subsets against brute force: every subset fitted on its own by a general least-squares routine."""

from itertools import combinations

import numpy as np
import pytest

from tramwright_solvers.adjustment.candidates import candidates
from tramwright_solvers.adjustment.minimum_zone import chebyshev
from tramwright_solvers.adjustment.problem import Problem


def problem(influence: np.ndarray, weights: np.ndarray, offset_free: bool = True) -> Problem:
    adjusters = influence.shape[1]
    return Problem(
        influence=influence,
        weights=weights / weights.mean(),
        effort=np.ones(adjusters),
        lower=np.full(adjusters, -np.inf),
        upper=np.full(adjusters, np.inf),
        rows=np.zeros((0, adjusters)),
        rows_lower=np.zeros(0),
        rows_upper=np.zeros(0),
        offset_free=offset_free,
    )


def left_by_lstsq(posed: Problem, gap: np.ndarray, columns: tuple[int, ...]) -> float:
    design = posed.influence[:, columns]
    if posed.offset_free:
        design = np.column_stack([design, np.ones(len(gap))])
    root = np.sqrt(posed.weights)
    if design.shape[1]:
        gap = gap - design @ np.linalg.lstsq(design * root[:, None], gap * root, rcond=None)[0]
    return float(np.sqrt(np.mean(posed.weights * gap**2)))


@pytest.mark.parametrize("offset_free", [True, False])
@pytest.mark.parametrize("seed", range(6))
def test_best_of_each_count_equals_brute_force_for_seven_adjusters(seed: int, offset_free: bool):
    rng = np.random.default_rng(seed)
    x, y = rng.uniform(-1, 1, (2, 25))
    # invented: three tilting and four twisting adjusters, as on a bed on three screws under four rail seats
    shapes = np.column_stack([np.ones(25), x, y, x * y])
    mix = rng.normal(size=(4, 7))
    mix[3, :3] = 0.0
    posed = problem(shapes @ mix, rng.uniform(0.5, 2.0, 25), offset_free)
    gap = shapes @ rng.normal(0, 0.1, 4) + rng.normal(0, 0.01, 25)
    options = candidates(posed, tuple(range(7)), (tuple(range(7)),))
    table = options.evaluate(gap[None, :], "least-squares")
    best = np.inf
    for count in range(8):
        brute = min(left_by_lstsq(posed, gap, columns) for columns in combinations(range(7), count))
        ours = [table.objective[0, k] for k, size in enumerate(options.count) if size == count]
        best = min([best, *ours])
        assert best == pytest.approx(brute, rel=1e-9)
    assert min(options.count) == 0
    predicted = table.left[0].T - posed.centred(gap + table.travels[0] @ posed.influence.T)
    assert np.abs(predicted).max() < 1e-12


@pytest.mark.parametrize("offset_free", [True, False])
@pytest.mark.parametrize("seed", range(4))
def test_each_subset_has_the_minimum_zone_of_a_fit_of_its_own_and_alike_ones_make_the_same_gap(
    seed: int, offset_free: bool
):
    rng = np.random.default_rng(seed)
    x, y = np.meshgrid(np.linspace(-1, 1, 5), np.linspace(-1, 1, 5))
    shapes = np.column_stack([np.ones(25), x.ravel(), y.ravel(), (x * y).ravel()])
    posed = problem(shapes @ rng.normal(size=(4, 6)), np.ones(25), offset_free)  # invented
    # whole hundredths, as a dial is read, on a regular grid: several fits are often equally good
    gaps = np.round(shapes @ rng.normal(0, 0.1, (4, 5)) + rng.normal(0, 0.02, (25, 5)), 2).T
    options = candidates(posed, tuple(range(6)), (tuple(range(6)),))
    table = options.evaluate(gaps, "minimum-zone")
    for index, columns in enumerate(options.sets):
        if columns:
            design = np.column_stack([posed.influence[:, columns], np.ones((25, int(offset_free)))])
            assert 0.5 * table.spread[:, index] == pytest.approx(chebyshev(design, gaps).half_zone, rel=1e-8, abs=1e-12)
    assert len(set(options.alike.tolist())) < len(options.sets)
    alike = table.left[:, :, options.alike]
    assert np.abs(table.left - alike).max() < 1e-12
    predicted = table.left - posed.centred(gaps[:, None] + table.travels @ posed.influence.T).swapaxes(1, 2)
    assert np.abs(predicted).max() < 1e-12


def test_adjusters_that_do_the_same_are_never_paired_and_the_dearer_is_dropped():
    column = np.array([0.0, 1.0, 2.0, 3.0])
    twin = problem(np.column_stack([column, -2.0 * column, column**2]), np.ones(4))
    options = candidates(twin, (0, 1, 2), ((0, 1, 2),))
    assert (0, 1) not in options.sets
    dear = Problem(
        **{name: getattr(twin, name) for name in twin.__struct_fields__} | {"effort": np.array([1.0, 3.0, 1.0])}
    )
    assert candidates(dear, (0, 1, 2), ((0, 1, 2),)).sets == ((), (0,), (2,), (0, 2))


def test_an_equation_between_travels_is_kept_exactly():
    rng = np.random.default_rng(3)
    influence = rng.normal(size=(12, 4))
    plain = problem(influence, np.ones(12))
    row = np.array([[1.0, -1.0, 1.0, -1.0]])
    fields = {name: getattr(plain, name) for name in plain.__struct_fields__}
    posed = Problem(**fields | {"rows": row, "rows_lower": np.zeros(1), "rows_upper": np.zeros(1)})
    options = candidates(posed, (0, 1, 2, 3), ((0, 1, 2, 3),))
    table = options.evaluate(rng.normal(size=(3, 12)), "least-squares")
    assert np.abs(table.travels @ row.T).max() < 1e-12
    assert all(len(subset) != 1 for subset in options.sets), "one alone would break the equation"


def test_beyond_twelve_adjusters_the_answer_says_up_to_which_count_it_is_exact():
    rng = np.random.default_rng(0)
    posed = problem(rng.normal(size=(30, 6)) @ rng.normal(size=(6, 16)), np.ones(30))
    everything = tuple(range(16))
    options = candidates(posed, everything, (everything[:4], everything))
    assert options.exact_moves == 4
    # six make all that sixteen can, with less effort than any more of them: the whole is never the answer
    weighed = [len(subset) for subset in options.sets]
    assert max(weighed) == 6
    assert not options.least_shown(weighed.index(6), 16)
    assert options.least_shown(weighed.index(4), 16)
    free = np.linalg.matrix_rank(posed.weighted()[:, list(options.sets[weighed.index(6)])])
    assert free == np.linalg.matrix_rank(posed.weighted()) == 6
    assert candidates(posed, everything[:12], (everything[:12],)).exact_moves == 12
