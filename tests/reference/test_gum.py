"""Worked examples of the Guide to the expression of uncertainty in measurement, by the code that answers surveys."""

from __future__ import annotations

from math import sqrt

import numpy as np
import pytest
from scipy.stats import t as student

from references import reference
from regression import as_problem
from tramwright_solvers.adjustment.candidates import candidates
from tramwright_solvers.diagnostics.reliability import reliability
from tramwright_solvers.model.contract import Adjuster
from tramwright_solvers.model.machine import Bed, Machine
from tramwright_solvers.model.units import K
from tramwright_solvers.reduction.covariance import GapCovariance
from tramwright_solvers.uncertainty.budget import Source, combined
from tramwright_solvers.uncertainty.setting_error import settings_of

H1 = (
    "JCGM 100:2008, H.1 end-gauge calibration: uc 32 nm, effective degrees of freedom 16, t99 2.92, U99 93 nm (from "
    "memory, recomputed: 31.7106, 16.656, 92.62)"
)
H2 = (
    "JCGM 100:2008, H.2 resistance and reactance: R 127.732 (0.0711), X 219.847 (0.2956), Z 254.260 (0.2363) ohm, "
    "r(R,X) -0.588, r(R,Z) -0.485, r(X,Z) 0.993 (from memory, recomputed)"
)
H3 = (
    "JCGM 100:2008, H.3 calibration of a thermometer: y1 -0.1712 (0.0029), y2 0.00218 (0.00067), r -0.930, s 0.0035, "
    "b(30) -0.1494 (0.0041) degC (from memory, recomputed)"
)
SUMS = (
    "JCGM 101:2008, 9.2.3 and 9.2.4: four rectangular quantities of unit standard deviation, 95 % within 3.88; with "
    "one of standard deviation 10, u 10.15 and 95 % within 17.0 (from memory, recomputed)"
)


def line(name: str, u: float, dof: float | None, sensitivity: float = 1.0) -> Source:
    return (name, u, "normal", "B", u, dof, sensitivity)


@reference("published", source=H1, proves="combined uncertainty and effective degrees of freedom of a budget")
def test_h1_end_gauge() -> None:
    length, difference, expansion = 50_000_623.0, -0.1, 11.5e-6
    budget = combined(
        [
            line("standard", 25.0, 18.0),
            line("comparator", 9.7, 25.6),
            line("difference of expansion coefficients", 0.58e-6, 50.0, -length * difference),
            line("difference of temperatures", 0.029, 2.0, -length * expansion),
        ]
    )
    assert budget.u == pytest.approx(32.0, abs=0.5)
    assert budget.u == pytest.approx(31.7106, abs=5e-5)  # [recomputed]
    assert budget.dof is not None
    # The Guide takes the next lower whole number (G.4.1, note 1).
    assert int(budget.dof) == 16
    assert budget.dof == pytest.approx(16.656, abs=5e-4)  # [recomputed]
    assert student.ppf(0.995, int(budget.dof)) * budget.u == pytest.approx(93.0, abs=0.5)
    assert sum(one.share for one in budget.lines) == pytest.approx(1.0, abs=1e-12)


VOLTS = [5.007, 4.994, 5.005, 4.990, 4.999]
AMPERES = [0.019663, 0.019639, 0.019640, 0.019685, 0.019678]
RADIANS = [1.0456, 1.0438, 1.0468, 1.0428, 1.0433]


@reference("published", source=H2, proves="u of combinations of correlated readings, and their correlations")
def test_h2_resistance_and_reactance() -> None:
    seen = np.array([VOLTS, AMPERES, RADIANS])
    v, i, phi = seen.mean(axis=1)
    # Means whose covariance is that of five simultaneous observations: no error of their own, all of it in common.
    factors = (seen - seen.mean(axis=1, keepdims=True)) / sqrt(5 * 4)
    noise = GapCovariance(np.zeros((1, 3)), factors, None)
    r, x, z = v / i * np.cos(phi), v / i * np.sin(phi), v / i
    gradient = np.array([[r / v, -r / i, -x], [x / v, -x / i, r], [z / v, -z / i, 0.0]])
    assert [r, x, z] == pytest.approx([127.732, 219.847, 254.260], abs=5e-4)

    def u(gain: np.ndarray) -> np.ndarray:
        return noise.of(gain, np.linalg.norm(gain, axis=1))[0]

    of_r, of_x, of_z = u(gradient)
    assert [of_r, of_x, of_z] == pytest.approx([0.0711, 0.2956, 0.2363], abs=5e-5)
    pairs = ((0, 1, -0.588), (0, 2, -0.485), (1, 2, 0.993))
    for one, other, published in pairs:
        together = u(gradient[[one]] + gradient[[other]])[0]
        apart = u(gradient)[[one, other]]
        assert (together**2 - np.sum(apart**2)) / (2 * np.prod(apart)) == pytest.approx(published, abs=5e-4)


TEMPERATURES = np.array([21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511])
CORRECTIONS = np.array([-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160])


@reference(
    "published", source=H3, proves="travels by least squares, their u and correlation, and a gap predicted elsewhere"
)
def test_h3_thermometer() -> None:
    design = np.column_stack([np.ones(11), TEMPERATURES - 20.0])
    model = reliability(design, np.ones(11))
    residual = model.residual(CORRECTIONS)
    s = sqrt(residual @ residual / model.dof)
    assert s == pytest.approx(0.0035, abs=5e-5)

    # Two "adjusters" that lower the gap by 1 and by t - 20: what they have to travel is the line.
    options = candidates(as_problem(design), (0, 1), ((0, 1),))
    both = np.array([options.sets.index((0, 1))])
    noise = GapCovariance(np.full((1, 11), s * s), np.zeros((11, 0)), s)
    table = options.evaluate(CORRECTIONS[None], "least-squares")
    y1, y2 = table.travels[0, both[0]]
    assert (y1, y2) == (pytest.approx(-0.1712, abs=5e-5), pytest.approx(0.00218, abs=5e-6))
    u1, u2 = options.fits.u(both, noise)[0]
    assert (u1, u2) == (pytest.approx(0.0029, abs=5e-5), pytest.approx(0.00067, abs=5e-6))
    gain = options.fits.gain(int(both[0]))

    def u(*of: float) -> float:
        combination = np.array([of]) @ gain
        return float(noise.of(combination, np.linalg.norm(combination, axis=1))[0, 0])

    assert (u(1.0, 1.0) ** 2 - u1**2 - u2**2) / (2 * u1 * u2) == pytest.approx(-0.930, abs=5e-4)
    assert y1 + 10.0 * y2 == pytest.approx(-0.1494, abs=5e-5)
    assert u(1.0, 10.0) == pytest.approx(0.0041, abs=5e-5)


@reference(
    "published",
    source=SUMS,
    proves="u of rectangular errors of setting, and that the normal factor taken for their sum is on the safe side",
)
@pytest.mark.parametrize(
    ("deviations", "u", "half_u", "within", "half_within"),
    [([1.0] * 4, 2.0, 5e-9, 3.88, 0.005), ([1.0, 1.0, 1.0, 10.0], 10.15, 0.005, 17.0, 0.05)],
)
def test_jcgm_101_sums_of_rectangular_quantities(
    deviations: list[float], u: float, half_u: float, within: float, half_within: float
) -> None:
    # Adjusters that move the second of two stations alone, each set to ± √3 of its standard deviation.
    adjusters = [Adjuster(f"{k}", "seat", 1.0, "", setting=sqrt(3.0) * one) for k, one in enumerate(deviations)]
    influence = np.array([[0.0] * len(deviations), [1.0] * len(deviations)])
    points, machine = np.array([[0.0, 0.0], [10.0, 0.0]]), Machine(bed=Bed((0.0, 10.0), (0.0, 10.0)))
    (setting,) = settings_of([(machine, adjusters)], influence[None], points[None], [tuple(range(len(deviations)))])
    stated = np.sqrt(setting.of_gaps(np.ones((1, len(deviations)), dtype=bool)))[0]
    assert stated == pytest.approx([0.0, u], abs=half_u)
    budget = combined(
        [(one.id, 1.0, "rectangular", "B", by, None, 1.0) for one, by in zip(adjusters, setting.u, strict=True)]
    )
    assert budget.u == pytest.approx(u, abs=half_u)
    # The 95 % range of the total is stated as K times its u; JCGM 100's normal distribution makes it 1.96 u.
    covered = K * float(setting.totals[0])
    assert covered == pytest.approx(1.96 * budget.u, rel=1e-4)
    assert covered >= within - half_within
