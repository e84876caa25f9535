"""Where to measure: optimal designs on the square [-1, 1]² against published ones."""

from __future__ import annotations

from math import exp

import numpy as np
import pytest

from references import reference
from tramwright_solvers.model.machine import Bed, Machine, Rails, Seat
from tramwright_solvers.planning import Area, PlanSolve, plan_survey
from tramwright_solvers.planning.design import Determinant, Trace, best_design, exchanged
from tramwright_solvers.planning.rating import mean_range

FACTORIAL = (
    "the 2² factorial is D-optimal for the plane and the plane with interaction, as in A. C. Atkinson and A. N. Donev, "
    "Optimum Experimental Designs (from memory; recomputed, the equivalence theorem of Kiefer and Wolfowitz holds)"
)
BOX_DRAPER = "M. J. Box and N. R. Draper, Biometrika 58 (1971): six points for a quadratic (from memory, recomputed)"
CORNERS = {(-1.0, -1.0), (-1.0, 1.0), (1.0, -1.0), (1.0, 1.0)}


def square(count: int) -> np.ndarray:
    """The places of a count × count grid."""
    x, y = np.meshgrid(*[np.linspace(-1.0, 1.0, count)] * 2)
    return np.column_stack([x.ravel(), y.ravel()])


def plane(at: np.ndarray) -> np.ndarray:
    return np.column_stack([np.ones(len(at)), at])


def bilinear(at: np.ndarray) -> np.ndarray:
    return np.column_stack([plane(at), at[:, 0] * at[:, 1]])


def quadratic(at: np.ndarray) -> np.ndarray:
    return np.column_stack([bilinear(at), at**2])


def largest_variance(columns: np.ndarray, design: np.ndarray) -> float:
    """Of the fit anywhere, for each reading: the number of terms where the design is D-optimal (Kiefer & Wolfowitz)."""
    inverse = np.linalg.inv(design.T @ design / len(design))
    return float(np.einsum("ij,jk,ik->i", columns, inverse, columns).max())


@reference(
    "published",
    source=FACTORIAL,
    proves="for the plane and the bilinear model the best four places are the corners, and the best of 4 n n at each",
)
@pytest.mark.parametrize("model", [plane, bilinear])
@pytest.mark.parametrize("each", [1, 3])
def test_plane_and_bilinear_designs_lie_on_the_corners(model: object, each: int) -> None:
    at = np.tile(square(7), (each, 1))  # every place may be taken as often as it stands in the list
    columns = model(at)
    chosen = best_design([Determinant(columns)], 4 * each)
    places, taken = np.unique(at[chosen], axis=0, return_counts=True)
    assert {tuple(place) for place in places.tolist()} == CORNERS
    assert set(taken.tolist()) == {each}
    assert largest_variance(columns, columns[chosen]) == pytest.approx(columns.shape[1], abs=1e-9)


@reference(
    "derived",
    source="efficiencies of the 3 × 3 grid against the corners, recomputed from the same designs: .763143 and .666667",
    proves="D-efficiency of a regular grid",
)
@pytest.mark.parametrize(("model", "published"), [(plane, 0.763143), (bilinear, 0.666667)])
def test_efficiency_of_the_three_by_three_grid(model: object, published: float) -> None:
    at = np.concatenate([square(3), square(3)[[0, 2, 6, 8]]])
    columns = model(at)
    criterion, terms = Determinant(columns), columns.shape[1]
    # for each reading: nine against four
    found = exp(criterion.value(range(9, 13)) - criterion.value(range(9))) * 4.0 / 9.0
    assert found == pytest.approx(published, abs=5e-7)
    assert largest_variance(columns, columns[9:]) == pytest.approx(terms, abs=1e-12)


@reference(
    "published",
    source="corners .1458, mid-edges .0802, centre .0962 for the quadratic on the square, as in A. C. Atkinson and "
    "A. N. Donev, Optimum Experimental Designs (from memory; recomputed to six decimals by the equivalence theorem)",
    proves="the exchange spreads many readings over corners, mid-edges and centre by the published weights",
)
def test_quadratic_d_optimal_weights() -> None:
    count = 1000
    at = np.tile(square(5), (160, 1))
    columns = quadratic(at)
    chosen = best_design([Determinant(columns)], count, scattered=0)
    places, taken = np.unique(at[chosen], axis=0, return_counts=True)
    weights = {tuple(place): share for place, share in zip(places.tolist(), (taken / count).tolist(), strict=True)}
    assert weights.keys() == {(x, y) for x in (-1.0, 0.0, 1.0) for y in (-1.0, 0.0, 1.0)}
    for (x, y), share in weights.items():
        expected = {0: 0.096193, 1: 0.080161, 2: 0.145791}[round(abs(x) + abs(y))]
        assert share == pytest.approx(expected, abs=1.0 / count)  # whole readings: one more or less
    # 6 by the equivalence theorem; half a reading of the rarest place's 80 is what whole readings can miss it by
    assert 6.0 <= largest_variance(columns, columns[chosen]) <= 6.0 * (1.0 + 0.5 / 80.0)


@reference(
    "derived",
    source="I-optimal weights for the quadratic on the square: corners .091075, mid-edges .091206, centre .270875 "
    "(computed independently; the equivalence theorem holds)",
    proves="the exchange for the mean variance spreads many readings by the optimal weights",
)
def test_quadratic_i_optimal_weights() -> None:
    count = 1000
    at = np.tile(square(5), (280, 1))
    columns = quadratic(at)
    # moments of 1, x, y, xy, x², y² over the square, exactly: means of x² 1/3, x⁴ 1/5, x²y² 1/9
    moments = np.diag([1.0, 1 / 3, 1 / 3, 1 / 9, 1 / 5, 1 / 5])
    moments[0, 4:] = moments[4:, 0] = 1 / 3
    moments[4, 5] = moments[5, 4] = 1 / 9
    chosen = best_design([Trace(columns, np.zeros((6, 6)), moments)], count, scattered=0)
    places, taken = np.unique(at[chosen], axis=0, return_counts=True)
    for (x, y), share in zip(places.tolist(), (taken / count).tolist(), strict=True):
        expected = {0: 0.270875, 1: 0.091206, 2: 0.091075}[round(abs(x) + abs(y))]
        assert share == pytest.approx(expected, abs=2.0 / count)


@reference("published", source=BOX_DRAPER, proves="the exchange finds their design to 0.1 %, and cannot improve on it")
def test_box_and_draper_six_points() -> None:
    a = (4.0 - np.sqrt(13.0)) / 3.0
    six = np.array([(-1, -1), (1, -1), (-1, 1), (-a, -a), (1, 3 * a), (3 * a, 1)])
    at = np.concatenate([square(21), six])
    criterion = Determinant(quadratic(at))
    theirs = list(range(len(at) - 6, len(at)))
    assert sorted(exchanged([criterion], theirs)) == theirs
    ours = best_design([Determinant(quadratic(square(21)))], 6)
    efficiency = exp(criterion.value(theirs) - criterion.value(ours))
    assert 0.999 < efficiency <= 1.0


@reference(
    "published",
    source=FACTORIAL,
    proves="a survey plan of four stations for a frame that twists (the bilinear model) reads the corners",
)
def test_a_plan_for_four_seats_reads_the_corners() -> None:
    # invented machine; two rails with two seats each tilt and twist the gap: 1, x, y, xy
    seats = [Seat(f"{rail}{y:g}", rail, x, y) for rail, x in (("l", 0.0), ("r", 400.0)) for y in (0.0, 400.0)]
    machine = Machine(bed=Bed((0.0, 400.0), (0.0, 400.0)), rails=Rails("y", seats))
    plan = plan_survey(machine, PlanSolve(), Area(margin=20.0), count=4).plan
    assert {(stop.x, stop.y) for stop in plan.stations} == {(x, y) for x in (20.0, 380.0) for y in (20.0, 380.0)}
    assert plan.efficiency.d_efficiency == pytest.approx(1.0, abs=1e-9)


@reference(
    "published",
    source="L. H. C. Tippett, Biometrika 17 (1925), as d2 in tables of control charts: n = 2, 5, 10, 25 (from memory)",
    proves="the total that a flat bed shows by the readings' uncertainty alone",
)
def test_mean_range_of_normal_values() -> None:
    assert [mean_range(n) for n in (2, 5, 10, 25)] == pytest.approx([1.128, 2.326, 3.078, 3.931], abs=5e-4)
    assert mean_range(2) == pytest.approx(2.0 / np.sqrt(np.pi), rel=1e-9)
