"""What turning the plate can tell of plate and gantry, and what it cannot."""

from __future__ import annotations

import numpy as np
import pytest

from references import reference
from reversed_plates import HALF, MACHINE, NOT_MOVED, QUARTER, THREE_QUARTERS, Lay, surveys
from tramwright_solvers.reversal.separation import separate
from tramwright_solvers.reversal.validation import match_surveys

EVANS = (
    "by rank, plate and gantry as polynomials to degree 3 with a plane for each survey; the principle is that of C. J. "
    "Evans, R. J. Hocken and W. T. Estler, Self-calibration: reversal, redundancy, error separation, and 'absolute "
    "testing', CIRP Annals 45(2), 1996, from memory"
)

COLUMNS = {
    "0 + 180": (NOT_MOVED, HALF),
    "0 + 90": (NOT_MOVED, QUARTER),
    "0, 90, 180, 270": (NOT_MOVED, QUARTER, HALF, THREE_QUARTERS),
}
# Can the plate's term be told from the gantry's? [by rank, as above]
TABLE = {
    "xy": (False, True, True),
    "x2-y2": (False, True, True),
    "x2+y2": (False, False, False),
    "x3-3xy2": (True, True, True),
    "x3+xy2": (True, True, True),
}


def polynomials(points: np.ndarray) -> np.ndarray:
    """All polynomials to degree 3 as columns (n, 10): the terms of the table, then those beside them."""
    x, y = ((points - 250.0) / 230.0).T
    return np.column_stack(
        [x * y, x**2 - y**2, x**2 + y**2, x**3 - 3 * x * y**2, x**3 + x * y**2,
         np.ones(len(x)), x, y, y**3 - 3 * x**2 * y, y**3 + x**2 * y]
    )  # fmt: skip


def by_rank(lays: tuple[Lay, ...], term: int) -> bool:
    """Whether the plate's coefficient has one value in all solutions, by rank alone and without our code."""
    points = np.array([(x, y) for x in np.linspace(20, 480, 5) for y in np.linspace(20, 480, 5)])
    rows = []
    for index, (turned, _) in enumerate(lays):
        angle = np.radians(turned)
        back = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
        planes = np.zeros((len(points), 3 * len(lays)))
        planes[:, 3 * index : 3 * index + 3] = np.column_stack([np.ones(len(points)), points / 500.0])
        rows.append(np.hstack([polynomials((points - 250.0) @ back.T + 250.0), -polynomials(points), planes]))
    design = np.concatenate(rows)
    asked = np.eye(design.shape[1])[term]
    rank = int(np.linalg.matrix_rank(design, tol=1e-8))
    return bool(np.linalg.matrix_rank(np.vstack([design, asked]), tol=1e-8) == rank)


@pytest.mark.parametrize("column", COLUMNS)
@pytest.mark.parametrize("term", TABLE)
@reference("derived", source=EVANS, proves="which terms of a plate turned by quarters can be told from the gantry's")
def test_what_turning_can_tell(term: str, column: str) -> None:
    index, expected = list(TABLE).index(term), TABLE[term][list(COLUMNS).index(column)]
    apart = separate(match_surveys(MACHINE, surveys(COLUMNS[column])))
    functional = np.zeros(len(apart.estimate))
    functional[apart.on_plate] = np.linalg.pinv(polynomials(apart.laid.plate))[index]
    assert apart.decides(functional) is expected
    assert by_rank(COLUMNS[column], index) is expected


@reference(
    "derived",
    source="a quadratic moved along x changes by a linear function, and a turn leaves x² + y² as it is",
    proves="that no turn and no shift tells a round bow while the plate is levelled anew each time",
)
def test_a_round_bow_is_never_told() -> None:
    lays = [(float(turn), shift) for turn in (0, 90, 180, 270) for shift in ((0.0, 0.0), (115.0, 0.0), (0.0, -115.0))]
    apart = separate(match_surveys(MACHINE, surveys(lays)))
    assert apart.null.shape[1] == 1
    x, y = ((apart.laid.plate - 250.0) / 230.0).T
    plate = apart.null[apart.on_plate, 0]
    design = np.column_stack([x**2 + y**2, np.ones(len(x)), x, y])
    coefficients, *_ = np.linalg.lstsq(design, plate, rcond=None)
    assert np.abs(plate - design @ coefficients).max() < 1e-9 < abs(coefficients[0])
    assert apart.null[apart.on_gantry, 0] == pytest.approx(plate, abs=1e-9)


@reference(
    "derived",
    source="a shape of the null space is the same after half a turn; on 5 × 5 stations 13 pairs of opposite stations "
    "(the middle one with itself), less the piston, which no survey sees",
    proves="that the undecidable part of 0 + 180° is exactly the shapes that half a turn leaves as they are",
)
def test_half_a_turn_leaves_the_even_shapes() -> None:
    apart = separate(match_surveys(MACHINE, surveys([NOT_MOVED, HALF])))
    points = {(x, y) for x, y in apart.laid.plate.tolist()}
    pairs = {frozenset([(x, y), (500.0 - x, 500.0 - y)]) for x, y in points}
    assert len(pairs) == 13
    assert apart.null.shape[1] == len(pairs) - 1
    # stations stand in order of y and x, so that the opposite one has the opposite number
    for part in (apart.null[apart.on_plate], apart.null[apart.on_gantry]):
        assert part == pytest.approx(part[::-1], abs=1e-12)
        assert np.linalg.matrix_rank(part) == len(pairs) - 1
    assert apart.null[apart.on_plate] == pytest.approx(apart.null[apart.on_gantry], abs=1e-12)
