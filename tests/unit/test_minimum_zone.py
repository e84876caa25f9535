"""Minimum zone against an independently written linear programme; ties, rank, scale, bounds, least effort.

All readings are invented.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import linprog

from tramwright_solvers.adjustment import chebyshev_exchange, minimum_zone
from tramwright_solvers.adjustment.minimum_zone import chebyshev

TIGHT = {"primal_feasibility_tolerance": 1e-10, "dual_feasibility_tolerance": 1e-10}


def columns(model: str, points: np.ndarray) -> np.ndarray:
    x, y = points.T
    terms = [np.ones_like(x), x, y, x * y, x * x, y * y]
    return np.column_stack(terms[: {"plane": 3, "bilinear": 4, "quadratic": 6}[model]])


def stations(layout: str, rng: np.random.Generator) -> np.ndarray:
    if layout.startswith("random"):
        return rng.uniform(-1, 1, (int(layout[6:]), 2))
    if layout == "repeated":
        return np.repeat(rng.integers(-2, 3, (8, 2)) / 2.0, 3, axis=0) + 0.0
    ticks = np.linspace(-1, 1, int(layout[0]))
    return np.array([(x, y) for y in ticks for x in ticks])


def zone_by_dual(design: np.ndarray, values: np.ndarray) -> float:
    """Half the zone, from the dual: the largest `w · values` with `designᵀ w = 0`, `sum |w| <= 1`; w = up - down."""
    n = len(values)
    best = linprog(
        np.concatenate([-values, values]),
        A_eq=np.hstack([design.T, -design.T]),
        b_eq=np.zeros(design.shape[1]),
        A_ub=np.ones((1, 2 * n)),
        b_ub=[1.0],
        method="highs",
        options=TIGHT,
    )
    assert best.status == 0
    return float(-best.fun)


LAYOUTS = ["3x3", "4x4", "5x5", "random9", "random25"]
"""Times three models, three roundings and 23 surveys each: 1035 cases."""


@pytest.mark.parametrize("model", ["plane", "bilinear", "quadratic"])
@pytest.mark.parametrize("layout", LAYOUTS)
@pytest.mark.parametrize("decimals", [12, 2, 1])
def test_agrees_with_the_linear_programme(model: str, layout: str, decimals: int) -> None:
    rng = np.random.default_rng([LAYOUTS.index(layout), len(model), decimals])
    design = columns(model, stations(layout, rng))
    values = np.round(0.3 * rng.normal(size=(23, len(design))), decimals)
    found = chebyshev(design, values)
    assert found.finished.all()
    left = np.abs(values - found.coefficients @ design.T).max(axis=1)
    assert left == pytest.approx(found.half_zone, rel=1e-12)
    assert found.half_zone == pytest.approx([zone_by_dual(design, row) for row in values], rel=1e-9)


@pytest.mark.parametrize("seed", range(10))
def test_stations_read_three_times_with_rounded_values(seed: int) -> None:
    rng = np.random.default_rng(seed)
    design = columns("plane", stations("repeated", rng))
    values = rng.integers(-2, 3, (10, len(design))) / 10.0
    found = chebyshev(design, values)
    assert found.finished.all()
    assert found.half_zone == pytest.approx([zone_by_dual(design, row) for row in values], rel=1e-9)


def test_every_problem_may_have_its_own_design() -> None:
    rng = np.random.default_rng(2)
    designs = np.stack([columns("bilinear", stations("random25", rng)) for _ in range(62)])
    values = np.broadcast_to(rng.normal(size=25), (62, 25))
    found = chebyshev(designs, values)
    assert found.finished.all()
    expected = [zone_by_dual(design, row) for design, row in zip(designs, values, strict=True)]
    assert found.half_zone == pytest.approx(expected, rel=1e-9)


def test_dependent_columns_take_the_same_zone_as_those_that_remain() -> None:
    rng = np.random.default_rng(3)
    plane = columns("plane", stations("5x5", rng))
    mixed = np.stack([plane, plane @ np.array([[1, 0, 0], [0, 1, 0], [0, 0, 0]]), plane @ np.ones((3, 3))])
    values = np.broadcast_to(rng.normal(size=25), (3, 25))
    found = chebyshev(mixed, values)
    expected = [zone_by_dual(design, row) for design, row in zip(mixed, values, strict=True)]
    assert found.finished.all()
    assert found.half_zone == pytest.approx(expected, rel=1e-9)
    # Three equal columns share alike: the shortest coefficients.
    assert found.coefficients[2] == pytest.approx(np.full(3, found.coefficients[2].mean()))


def test_as_many_stations_as_columns_leave_nothing() -> None:
    rng = np.random.default_rng(4)
    values = rng.normal(size=(5, 3))
    found = chebyshev(np.column_stack([np.ones(3), rng.normal(size=(3, 2))]), values)
    assert found.finished.all()
    assert np.all(found.half_zone < 1e-13)


def test_perfect_surveys_and_nothing_at_all() -> None:
    design = columns("plane", stations("5x5", np.random.default_rng(0)))
    found = chebyshev(design, np.stack([np.zeros(25), design @ [0.1, 0.2, 0.3]]))
    assert found.finished.all()
    assert found.coefficients == pytest.approx(np.array([[0, 0, 0], [0.1, 0.2, 0.3]]), abs=1e-14)
    assert np.all(found.half_zone < 1e-15)
    assert chebyshev(design, np.empty((0, 25))).coefficients.shape == (0, 3)


def test_without_columns_the_zone_is_the_largest_value() -> None:
    found = chebyshev(np.empty((4, 0)), np.array([[1.0, -3.0, 2.0, 0.0]]))
    assert found.half_zone == pytest.approx([3.0])
    assert found.coefficients.shape == (1, 0)


def test_a_row_does_not_depend_on_its_neighbours_to_the_last_bit() -> None:
    rng = np.random.default_rng(5)
    design = columns("bilinear", stations("5x5", rng))
    values = np.round(rng.normal(size=(40, 25)), 2)
    together = chebyshev(design, values)
    again = chebyshev(design, values)
    alone = [chebyshev(design, row[None]) for row in values]
    own = chebyshev(np.broadcast_to(design, (40, 25, 4)), values)
    assert together.coefficients.tobytes() == again.coefficients.tobytes()
    assert together.coefficients.tobytes() == np.vstack([one.coefficients for one in alone]).tobytes()
    assert together.coefficients.tobytes() == own.coefficients.tobytes()


@pytest.mark.parametrize("factor", [1e-6, 1e3])
def test_scaled_readings_scale_the_zone(factor: float) -> None:
    rng = np.random.default_rng(6)
    design = columns("bilinear", 500.0 * stations("random25", rng))
    values = rng.normal(size=(20, 25))
    one, other = chebyshev(design, values), chebyshev(design, factor * values)
    assert other.finished.all()
    assert other.half_zone == pytest.approx(factor * one.half_zone, rel=1e-12)
    assert other.coefficients == pytest.approx(factor * one.coefficients, rel=1e-8)


def test_what_the_exchange_leaves_unfinished_the_programme_settles(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(7)
    for designs in (
        columns("bilinear", stations("random25", rng)),
        np.stack([columns("bilinear", stations("random25", rng)) for _ in range(20)]),
    ):
        values = rng.normal(size=(20, 25))
        proven = chebyshev(designs, values)
        with monkeypatch.context() as patch:
            patch.setattr(chebyshev_exchange, "PATIENCE", 0)
            settled = chebyshev(designs, values)
        assert proven.finished.all()
        assert not settled.finished.all()
        assert settled.half_zone == pytest.approx(proven.half_zone, rel=1e-9)


def test_a_poor_reference_is_never_taken_for_proof(monkeypatch: pytest.MonkeyPatch) -> None:
    """After one exchange some rows are done and most are not; `finished` must tell them apart."""
    rng = np.random.default_rng(8)
    design = columns("plane", stations("random25", rng))
    values = rng.normal(size=(200, 25))
    monkeypatch.setattr(minimum_zone, "by_programme", lambda design, values, _: np.zeros(design.shape[1]))
    monkeypatch.setattr(chebyshev_exchange, "PATIENCE", 1)
    found = chebyshev(design, values)
    right = found.half_zone <= np.array([zone_by_dual(design, row) for row in values]) * (1 + 1e-9)
    assert 0 < found.finished.sum() < 200
    assert np.array_equal(found.finished, right)
