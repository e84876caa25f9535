"""Minimum zones that are known otherwise: published, in closed form, or certain by construction."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import linprog

from references import reference
from regression import Fit, as_problem, fitted

# H. P. Williams, Model Building in Mathematical Programming, 5th ed., example 11 (pp. 266, 319-320); the same data ship
# as a worked example with a free linear programming package. [published; recomputed independently]
WILLIAMS_X = np.array([0, 0.5, 1, 1.5, 1.9, 2.5, 3, 3.5, 4, 4.5, 5, 5.5, 6, 6.6, 7, 7.6, 8.5, 9, 10])
WILLIAMS_Y = np.array([1, 0.9, 0.7, 1.5, 2, 2.4, 3.2, 2, 2.7, 3.5, 1, 4, 3.6, 2.7, 5.7, 4.6, 6, 6.8, 7.3])

# J. C. Moody, "How to calibrate surface plates in the plant", The Tool Engineer, October 1955: the nine crossing points
# of the eight lines, x and y in steps of a 4-inch foot, height in 1e-5 in. [data transcribed from a public file, two
# misprints mended there; heights recomputed]
NINE = np.array(
    [
        (0, 0, 2.909), (8, 0, 17.841), (16, 0, 6.206),
        (0, 5, 2.133), (8, 5, 13.187), (16, 5, 0.582),
        (0, 10, 6.206), (8, 10, 15.320), (16, 10, 2.909),
    ]
)  # fmt: skip

GRID = np.array([(x, y) for y in (-1.0, 0.0, 1.0) for x in (-1.0, 0.0, 1.0)])


def plane(points: np.ndarray) -> np.ndarray:
    return np.column_stack([np.ones(len(points)), points])


def levelled(points: np.ndarray, heights: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """What tilts along the columns of points leave by our least squares, about its mean, and their slopes."""
    found = fitted(as_problem(points, offset_free=True), heights)
    return found.left, found.travels


def fit(design: np.ndarray, values: np.ndarray) -> Fit:
    """The smallest zone, through the table of subsets from which every answer is chosen."""
    return fitted(as_problem(design), values, "minimum-zone")


@reference(
    "published",
    source="H. P. Williams, Model Building in Mathematical Programming, 5th ed., example 11 (pp. 266, 319-320), "
    "recomputed",
    proves="minimum zone of a line, with its contacts, and its least squares",
)
def test_line_of_williams() -> None:
    found = fit(np.column_stack([np.ones(19), WILLIAMS_X]), WILLIAMS_Y)
    # y = 0.6250 x - 0.4000, largest deviation 1.725: Williams, example 11. [published, recomputed]
    assert found.travels == pytest.approx([-0.4, 0.625], abs=1e-12)
    assert found.half_zone == pytest.approx(1.725, rel=1e-12)
    out = np.abs(WILLIAMS_Y - (0.625 * WILLIAMS_X - 0.4))
    # Contacts at x = 3, 5 and 7. [recomputed]
    assert set(WILLIAMS_X[out > 1.725 - 1e-9]) == {3.0, 5.0, 7.0}
    # Least squares 0.61077172 x + 0.42612616 leaves a range of 3.4784566, more than the zone of 3.45. [recomputed]
    left, slope = levelled(WILLIAMS_X[:, None], WILLIAMS_Y)
    assert slope == pytest.approx([0.61077172], abs=5e-9)
    assert (WILLIAMS_Y - slope[0] * WILLIAMS_X).mean() == pytest.approx(0.42612616, abs=5e-9)
    assert np.ptp(left) == pytest.approx(3.4784566, abs=5e-8)


@reference(
    "published",
    source="H. P. Williams, Model Building in Mathematical Programming, 5th ed., example 11 (from memory, recomputed)",
    proves="minimum zone with three unknowns",
)
def test_parabola_of_williams() -> None:
    found = fit(np.column_stack([np.ones(19), WILLIAMS_X, WILLIAMS_X**2]), WILLIAMS_Y)
    # y = 0.125 x² - 0.625 x + 2.475, largest deviation 1.475: Williams, example 11. [from memory, recomputed]
    assert found.travels == pytest.approx([2.475, -0.625, 0.125], abs=1e-11)
    assert found.half_zone == pytest.approx(1.475, rel=1e-12)


@reference(
    "derived",
    source="J. C. Moody's surface plate, The Tool Engineer, October 1955, at its nine crossings; zone recomputed by "
    "two other methods, least squares recomputed",
    proves="flatness of published data by minimum zone, with its contacts, and by least squares",
)
def test_nine_points_of_the_plate() -> None:
    found = fit(plane(NINE[:, :2]), NINE[:, 2])
    # Zone 15.46525, z = 10.641625 - 0.06665625 x - 0.2521 y. [derived from Moody's data by two other methods]
    assert 2.0 * found.half_zone == pytest.approx(15.46525, rel=1e-12)
    assert found.travels == pytest.approx([10.641625, -0.06665625, -0.2521], abs=1e-11)
    deviation = NINE[:, 2] - plane(NINE[:, :2]) @ found.travels
    contacts = np.abs(deviation) > found.half_zone - 1e-9
    # Low contacts (0, 0) and (16, 5), high (8, 0) and (8, 10). [derived]
    assert {tuple(point) for point in NINE[contacts & (deviation < 0), :2]} == {(0, 0), (16, 5)}
    assert {tuple(point) for point in NINE[contacts & (deviation > 0), :2]} == {(8, 0), (8, 10)}
    # Least squares: z = 8.15566667 - 0.0323125 x - 0.08403333 y, range 16.5803333, deviation 7.3158796 with 6 degrees
    # of freedom; larger than the minimum zone, as it must be. [derived, recomputed]
    left, tilts = levelled(NINE[:, :2], NINE[:, 2])
    assert tilts == pytest.approx([-0.0323125, -0.08403333], abs=5e-9)
    assert (NINE[:, 2] - NINE[:, :2] @ tilts).mean() == pytest.approx(8.15566667, abs=5e-9)
    assert np.ptp(left) == pytest.approx(16.5803333, abs=5e-8)
    assert np.sqrt(left @ left / 6) == pytest.approx(7.3158796, abs=5e-8)


@reference(
    "derived",
    source="closed forms on the grid {-1, 0, 1}², by symmetry: least-squares range and minimum zone of xy 2/2, x²+y² "
    "2/2, x² 1/1, x²-y² 2/2; recomputed",
    proves="flatness of pure twist and pure bows, whatever the tilt",
)
@pytest.mark.parametrize(
    ("form", "zone"),
    [
        # Closed forms on the grid {-1, 0, 1}², by symmetry. [derived, recomputed]
        (lambda x, y: x * y, 2.0),
        (lambda x, y: x**2 + y**2, 2.0),
        (lambda x, y: x**2, 1.0),
        (lambda x, y: x**2 - y**2, 2.0),
    ],
    ids=["xy", "x2+y2", "x2", "x2-y2"],
)
def test_closed_forms_on_the_three_by_three_grid(form: object, zone: float) -> None:
    values = form(GRID[:, 0], GRID[:, 1])
    assert 2.0 * fit(plane(GRID), values).half_zone == pytest.approx(zone, rel=1e-12)
    # Adding a plane changes nothing.
    tilted = values + plane(GRID) @ [7.0, -0.3, 2.1]
    assert 2.0 * fit(plane(GRID), tilted).half_zone == pytest.approx(zone, rel=1e-12)
    assert np.ptp(levelled(GRID, tilted)[0]) == pytest.approx(zone, rel=1e-12)


@reference(
    "derived",
    source="contacts at +h and -h whose hulls in plan intersect, all else inside (Radon, Helly): the zone is exactly 2 "
    "h",
    proves="minimum zone of surveys whose zone is known because they were made so",
)
@pytest.mark.parametrize("seed", range(40))
def test_zone_certain_by_construction(seed: int) -> None:
    """Upper and lower contacts whose hulls meet make the zone exactly 2 h (Radon, Helly); invented data."""
    rng = np.random.default_rng(seed)
    half = 0.05 * (1 + seed % 7)
    meeting = rng.uniform(100, 400, 2)
    angle = rng.uniform(0, np.pi, 2)
    arm = np.column_stack([np.cos(angle), np.sin(angle)])
    # Two segments that cross in `meeting`: one carries the upper contacts, the other the lower.
    reach = rng.uniform(20, 90, (2, 2))
    upper = meeting + arm[0] * np.array([[reach[0, 0]], [-reach[0, 1]]])
    lower = meeting + arm[1] * np.array([[reach[1, 0]], [-reach[1, 1]]])
    inside = rng.uniform(0, 500, (21, 2))
    points = np.vstack([upper, lower, inside])
    deviation = np.concatenate([[half, half, -half, -half], rng.uniform(-0.95, 0.95, 21) * half])
    order = rng.permutation(len(points))
    tilt = plane(points) @ [rng.normal(), 1e-3 * rng.normal(), 1e-3 * rng.normal()]
    found = fit(plane(points[order]), (deviation + tilt)[order])
    assert found.half_zone == pytest.approx(half, rel=1e-9)


@reference(
    "derived",
    source="a plane is best exactly where the hulls of upper and lower contacts meet; checked by linear programming",
    proves="that any answer is optimal, by a condition that the solver does not use",
)
@pytest.mark.parametrize("seed", range(40))
def test_hulls_of_upper_and_lower_contacts_meet(seed: int) -> None:
    """The same condition as a check of any answer: a point common to both hulls proves a plane best; invented data."""
    rng = np.random.default_rng(seed)
    points = rng.integers(0, 6, (30, 2)) * 100.0
    values = np.round(rng.normal(size=30), 2)
    found = fit(plane(points), values)
    deviation = values - plane(points) @ found.travels
    high = points[deviation > found.half_zone - 1e-9]
    low = points[deviation < -found.half_zone + 1e-9]
    # Weights over both sets, each summing to one, with the same centre.
    equations = np.vstack(
        [
            np.hstack([high.T, -low.T]),
            np.hstack([np.ones(len(high)), np.zeros(len(low))]),
            np.hstack([np.zeros(len(high)), np.ones(len(low))]),
        ]
    )
    assert linprog(np.zeros(len(high) + len(low)), A_eq=equations, b_eq=[0, 0, 1, 1], method="highs").status == 0
