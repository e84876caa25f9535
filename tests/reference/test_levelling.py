"""A levelling network whose adjustment is published: each observed difference is a set-up that reads two points."""

from __future__ import annotations

import numpy as np
import pytest

from references import reference
from tramwright_solvers.model.machine import Bed, Machine
from tramwright_solvers.reduction.stations import layout

# Ghilani, Adjustment Computations, levelling example with equal weights: benchmarks X = 100 and Y = 107.5, heights of
# A, B and C wanted. [from memory; recomputed independently]
X, Y = 100.0, 107.5
OBSERVED = [
    ("X", "A", 5.10),
    ("A", "Y", 2.34),
    ("Y", "C", -1.25),
    ("C", "X", -6.13),
    ("A", "B", -0.68),
    ("B", "Y", 3.00),
    ("B", "C", 1.70),
]
# Both benchmarks are fixed, so they are one station here, and what is read at Y is less by Y - X.
STATION = {"X": 0, "Y": 0, "A": 1, "B": 2, "C": 3}
ABOVE = {"X": 0.0, "Y": Y - X, "A": 0.0, "B": 0.0, "C": 0.0}
ENDS = [(STATION[start], STATION[end]) for start, end, _ in OBSERVED]
DIFFERENCE = np.array([seen + ABOVE[start] - ABOVE[end] for start, end, seen in OBSERVED])


@reference(
    "published",
    source="C. D. Ghilani, Adjustment Computations, levelling example with equal weights (from memory, recomputed)",
    proves="set-ups joined as a levelling network: heights, residuals, their deviations and redundancy numbers",
)
def test_levelling_network_with_equal_weights() -> None:
    machine = Machine(bed=Bed((0.0, 10.0), (0.0, 10.0)))
    readings = [(float(at), 0.0, f"{k}", 1, None) for k, ends in enumerate(ENDS) for at in ends]
    plan = layout(machine, tuple(readings))
    # each set-up's zero is invented, the first one's is kept
    zeros = np.array([0.0, 0.3, -2.0, 0.1, 5.0, -0.7, 1.1])
    values = np.column_stack([zeros, zeros + DIFFERENCE]).ravel()
    gaps, variance = plan.reduce(values[None], 1.0)
    place = {at: row for row, at in enumerate(plan.points[:, 0].astype(int).tolist())}
    level = {at: float(gaps[0, row] - gaps[0, place[0]]) for at, row in place.items()}
    # Heights A 105.1410, B 104.4829, C 106.1876. [from memory; recomputed]
    assert [X + level[at] for at in (1, 2, 3)] == pytest.approx([105.1410, 104.4829, 106.1876], abs=5e-5)

    residual = np.array([level[end] - level[start] for start, end in ENDS]) - DIFFERENCE
    # Residuals, and s0 with 7 - 3 degrees of freedom. [from memory; recomputed]
    assert residual == pytest.approx([0.0410, 0.0190, -0.0624, -0.0576, 0.0219, 0.0171, 0.0048], abs=5e-5)
    s0 = float(np.sqrt(residual @ residual / 4))
    assert s0 == pytest.approx(0.050119, abs=5e-7)

    # An observed difference is that of two readings, each of the variance that a single reading has here.
    noise, one = plan.noise(variance), np.sqrt(2.0 * (plan.fixed + plan.default_repeat))

    def relative_u(start: int, end: int) -> float:
        difference = np.eye(len(place))[[place[end]]] - np.eye(len(place))[[place[start]]]
        return float(noise.of(difference, np.linalg.norm(difference, axis=1))[0, 0] / one)

    # Standard deviations of A, B, C. [from memory; recomputed]
    sd = [s0 * relative_u(0, at) for at in (1, 2, 3)]
    assert sd == pytest.approx([0.03093, 0.03281, 0.03093], abs=5e-6)
    # Redundancy of each observation. [recomputed]
    redundancy = [1.0 - relative_u(start, end) ** 2 for start, end in ENDS]
    assert redundancy == pytest.approx([0.6190] * 4 + [0.4762, 0.5714, 0.4762], abs=5e-5)
