"""Redundancy numbers, studentized residuals and smallest detectable slips against published examples."""

from __future__ import annotations

import numpy as np
import pytest

from references import reference
from regression import as_problem, fitted, studentized
from tramwright_solvers.diagnostics.reliability import non_centrality, reliability, smallest_detectable

# Levelling network of C. D. Ghilani, Adjustment Computations (the chapter on levelling). [from memory, recomputed]
# Benchmarks X = 100 and Y = 107.5; lines X-A, A-Y, Y-C, C-X, A-B, B-Y, B-C; unknown A, B, C.
DESIGN = np.array([[1, 0, 0], [-1, 0, 0], [0, 0, 1], [0, 0, -1], [-1, 1, 0], [0, -1, 0], [0, -1, 1]], dtype=float)
OBSERVED = np.array([5.10 + 100, 2.34 - 107.5, -1.25 + 107.5, -6.13 - 100, -0.68, 3.00 - 107.5, 1.70])
LENGTHS = np.array([4.0, 3.0, 2.0, 3.0, 2.0, 2.0, 2.0])


@reference(
    "published",
    source="C. D. Ghilani, Adjustment Computations, chapter on levelling, equal weights (from memory, recomputed); "
    "smallest detectable slips recomputed",
    proves="heights, residuals, redundancy numbers, studentized residuals and smallest detectable slips",
)
def test_ghilani_levelling_equal_weights() -> None:
    model = reliability(DESIGN, np.ones(7))
    residual = model.residual(OBSERVED)
    # Residuals in the book are fitted less observed. [from memory, recomputed]
    assert -residual == pytest.approx([0.0410, 0.0190, -0.0624, -0.0576, 0.0219, 0.0171, 0.0048], abs=5e-5)
    assert model.dof == 4
    heights = fitted(as_problem(DESIGN), OBSERVED).travels
    assert heights == pytest.approx([105.1410, 104.4829, 106.1876], abs=5e-5)  # [from memory, recomputed]
    assert np.sqrt(residual @ residual / 4) == pytest.approx(0.050119, abs=5e-7)
    assert model.redundancy == pytest.approx([0.6190] * 4 + [0.4762, 0.5714, 0.4762], abs=5e-5)
    assert np.abs(studentized(model, np.ones(7), OBSERVED)[0]) == pytest.approx(
        [1.039, 0.483, 1.582, 1.461, 0.633, 0.452, 0.138], abs=5e-4
    )
    # For a standard deviation of 1 and Baarda's risks. [recomputed]
    assert smallest_detectable(np.ones(7), model) == pytest.approx([5.2519] * 4 + [5.9881, 5.4663, 5.9881], abs=5e-5)


@reference(
    "published",
    source="C. D. Ghilani, Adjustment Computations, chapter on levelling, weights by length (from memory, recomputed)",
    proves="the same with weights: heights, residual deviation and redundancy numbers",
)
def test_ghilani_levelling_weighted_by_length() -> None:
    root = np.sqrt(12.0 / LENGTHS)
    model = reliability(DESIGN, root)
    residual = model.residual(root * OBSERVED)
    assert np.sqrt(residual @ residual / 4) == pytest.approx(0.107219, abs=5e-7)  # [from memory, recomputed]
    heights = fitted(as_problem(DESIGN, 12.0 / LENGTHS), OBSERVED).travels
    assert heights == pytest.approx([105.1504, 104.4892, 106.1972], abs=5e-5)  # [from memory, recomputed]
    assert model.redundancy == pytest.approx([0.7200, 0.6267, 0.5600, 0.7067, 0.4044, 0.5378, 0.4444], abs=5e-5)


@reference(
    "published",
    source="W. Baarda, A testing procedure for use in geodetic networks, 1968: 4.13 (from memory); 4.1321 recomputed",
    proves="the non-centrality behind the smallest detectable slip",
)
def test_baardas_non_centrality() -> None:
    # Risk 0.001, power 0.8: 4.13 in Baarda 1968 [from memory], 4.1321 recomputed.
    assert non_centrality() == pytest.approx(4.1321, abs=5e-5)


# K. A. Brownlee, Statistical Theory and Methodology in Science and Engineering: stack loss of an ammonia plant; air
# flow, water temperature, acid concentration, loss. [from memory; the published fit below holds the figures]
STACK_LOSS = np.array(
    [
        (80, 27, 89, 42), (80, 27, 88, 37), (75, 25, 90, 37), (62, 24, 87, 28), (62, 22, 87, 18), (62, 23, 87, 18),
        (62, 24, 93, 19), (62, 24, 93, 20), (58, 23, 87, 15), (58, 18, 80, 14), (58, 18, 89, 14), (58, 17, 88, 13),
        (58, 18, 82, 11), (58, 19, 93, 12), (50, 18, 89, 8), (50, 18, 86, 7), (50, 19, 72, 8), (50, 19, 79, 8),
        (50, 20, 80, 9), (56, 20, 82, 15), (70, 20, 91, 15),
    ],
    dtype=float,
)  # fmt: skip


@reference(
    "published",
    source="K. A. Brownlee, Statistical Theory and Methodology; N. R. Draper & H. Smith, Applied Regression Analysis: "
    "coefficients, deviation and observation 21 (from memory, recomputed)",
    proves="coefficients, residual deviation and studentized residuals of an outlier",
)
def test_stack_loss() -> None:
    design, loss = np.column_stack([np.ones(21), STACK_LOSS[:, :3]]), STACK_LOSS[:, 3]
    coefficients = fitted(as_problem(design), loss).travels
    # Coefficients and deviation as published widely, Draper & Smith, Applied Regression Analysis. [from memory]
    assert coefficients == pytest.approx([-39.9197, 0.7156, 1.2953, -0.1521], abs=5e-5)
    model = reliability(design, np.ones(21))
    residual = model.residual(loss)
    assert np.sqrt(residual @ residual / model.dof) == pytest.approx(3.24336, abs=5e-6)
    internal, external = studentized(model, np.ones(21), loss)
    # Observation 21: −2.64 internally, −3.33 externally studentized. [published, recomputed]
    assert internal[20] == pytest.approx(-2.64, abs=5e-3)
    assert external[20] == pytest.approx(-3.33, abs=5e-3)


@reference(
    "derived",
    source="a reading with a free slip of its own has no weight: the fit equals that of the other rows",
    proves="setting a reading aside without fitting anew",
)
def test_setting_aside_is_fitting_without() -> None:
    design = np.column_stack([np.ones(21), STACK_LOSS[:, :3]])
    model, less = reliability(design, np.ones(21)), reliability(design[:20], np.ones(20))
    (slip,), fitted = model.slips(np.array([20])), model.residual(STACK_LOSS[:, 3])
    residual = fitted - slip * (slip @ fitted)
    assert model.dof - 1 == less.dof
    assert (model.redundancy - slip**2)[:20] == pytest.approx(less.redundancy, abs=1e-12)
    assert residual[:20] == pytest.approx(less.residual(STACK_LOSS[:20, 3]), abs=1e-10)
    assert residual[20] == pytest.approx(0.0, abs=1e-10)
