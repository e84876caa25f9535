"""Uncertainties of whole answers against packages that carry uncertainty through every operation by itself.

The packages are given the readings with the uncertainty of the dial and nothing else; how travels and heights follow
from readings is written out here by hand, in other formulas than the service's.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import pytest
from msgspec.structs import replace

from references import library, reference
from tramwright_solvers.correction.api import correct
from tramwright_solvers.mechanisms.three_screw import ThreeScrew
from tramwright_solvers.model.machine import Machine
from tramwright_solvers.model.options import Solve
from tramwright_solvers.model.survey import Reading, Survey
from tramwright_solvers.model.units import K
from tramwright_solvers.results.correction import Correction
from tramwright_solvers.results.findings import Budget

Uncertain = Any


def example(path: Path) -> tuple[Machine, Survey]:
    payload = msgspec.json.decode((path / "tilted-bed.json").read_bytes())
    return msgspec.convert(payload["machine"], Machine), msgspec.convert(payload["survey"], Survey)


STILL = 1e-6
"""Relative share of setting in the u of a station, where screws are set as exactly as can be stated."""


def exactly_set(machine: Machine) -> Machine:
    """The same machine with screws that are set to a millionth."""
    return replace(machine, supports=[replace(one, setting=1e-6) for one in machine.supports])


def best(machine: Machine, survey: Survey) -> Correction:
    """The best that the three screws can do, by least squares."""
    return correct(machine, survey, Solve(with_=[ThreeScrew()], aim_for=0.0))


def solved(matrix: np.ndarray, right: Sequence[Uncertain]) -> list[Uncertain]:
    """Solve a small system with uncertain right-hand sides by Gauss-Jordan elimination."""
    rows = [[*map(float, row), value] for row, value in zip(matrix, right, strict=True)]
    for k, row in enumerate(rows):
        row[:] = [entry / row[k] for entry in row]
        for other in rows:
            if other is not row:
                factor = other[k]
                other[:] = [a - factor * b for a, b in zip(other, row, strict=True)]
    return [row[-1] for row in rows]


def fitted_plane(points: np.ndarray, heights: Sequence[Uncertain]) -> list[Uncertain]:
    """Coefficients of 1, x, y by the normal equations."""
    design = np.column_stack([np.ones(len(points)), (points - 250.0) / 250.0])
    right = [sum((float(c) * h for c, h in zip(column, heights, strict=True)), 0.0) for column in design.T]
    return solved(design.T @ design, right)


def screw_travels(machine: Machine, plane: Sequence[Uncertain], moved: Sequence[str]) -> dict[str, Uncertain]:
    """Travels that level the plane where the screw that is not named stands still."""
    height = {
        s.id: plane[0] + (s.x - 250.0) / 250.0 * plane[1] + (s.y - 250.0) / 250.0 * plane[2] for s in machine.supports
    }
    (still,) = height.keys() - set(moved)
    return {name: height[still] - height[name] for name in moved}


def read_u(budget: Budget) -> float:
    """What the readings alone make uncertain: how exactly screws are set is checked elsewhere, by Monte Carlo."""
    lines = (line for line in budget.lines if not line.name.startswith("setting of "))
    return float(np.sqrt(sum((line.sensitivity * line.u) ** 2 for line in lines)))


def check_one_setup(
    path: Path, uncertain: Callable[[float, float], Uncertain], u_of: Callable[[Uncertain], float]
) -> None:
    """Travels, gaps and totals of a survey with one zero, against a package's own propagation."""
    machine, survey = example(path)
    answer = best(machine, survey)
    points = np.array([(r.x, r.y) for r in survey.readings])
    # Error limit 15 µm, half a division and repeatability, all rectangular (JCGM 100, 4.3.7); division 0.01 mm.
    u = float(np.sqrt(0.015**2 + 0.005**2 + 0.003**2) / np.sqrt(3.0))
    gaps = [uncertain(float(r.value), u) for r in survey.readings]
    moves = {move.adjuster: move for move in answer.moves}
    assert len(moves) == 2
    travels = screw_travels(machine, fitted_plane(points, gaps), list(moves))
    for name, move in moves.items():
        assert move.u == pytest.approx(u_of(travels[name]), rel=1e-9), name
    for total, budget in ((answer.as_found, answer.budget.as_found), (answer.predicted, answer.budget.predicted)):
        at = [next(k for k, p in enumerate(points.tolist()) if p == [w.x, w.y]) for w in (total.highest, total.lowest)]
        assert read_u(budget) == pytest.approx(u_of(gaps[at[0]] - gaps[at[1]]), rel=1e-9)
        assert pytest.approx(K * total.u, rel=1e-15) == total.expanded


@reference(
    "library",
    packages=("GTC",),
    source="GTC propagates uncertainty by automatic differentiation (JCGM 100, 5.1 and 5.2)",
    proves="u of travels and of the total, for one zero of the dial",
)
def test_travels_of_a_survey_by_gtc(examples: Path) -> None:
    gtc = library("GTC")
    check_one_setup(examples, gtc.ureal, gtc.uncertainty)


@reference(
    "library",
    packages=("uncertainties",),
    source="uncertainties propagates to first order with all correlations",
    proves="u of travels and of the total, for one zero of the dial",
)
def test_travels_of_a_survey_by_uncertainties(examples: Path) -> None:
    package = library("uncertainties")
    check_one_setup(examples, package.ufloat, lambda value: float(value.std_dev))


@reference(
    "library",
    packages=("uncertainties",),
    source="uncertainties propagates to first order with all correlations; the zeros are estimated by normal equations",
    proves="u of gaps and totals where set-ups with zeros of their own share stations (correlated gaps)",
)
def test_two_setups_by_uncertainties(examples: Path) -> None:
    package = library("uncertainties")
    machine, survey = example(examples)
    # The second set-up reads the rear half again, five stations of it in common with the first; its zero is invented.
    front = [replaced(r, "A") for r in survey.readings if r.y <= 250.0]
    rear = [replaced(r, "B", 0.37) for r in survey.readings if r.y >= 250.0]
    readings = front + rear
    answer = best(exactly_set(machine), Survey(readings))

    u = float(np.sqrt(0.015**2 + 0.005**2 + 0.003**2) / np.sqrt(3.0))
    values = [package.ufloat(float(r.value), u) for r in readings]
    at = {(r.x, r.y): value for r, value in zip(front, values, strict=False)}
    again = {(r.x, r.y): value for r, value in zip(rear, values[len(front) :], strict=True)}
    shared = sorted(at.keys() & again.keys())
    assert len(shared) == 5
    # The zero of B against A: the mean difference over the shared stations, all readings being alike.
    zero = sum(again[p] - at[p] for p in shared) / len(shared)
    gaps = {}
    for r in survey.readings:
        here = (r.x, r.y)
        seen = [at[here]] if here in at else []
        seen += [again[here] - zero] if here in again else []
        gaps[here] = sum(seen) / len(seen)
    for station in answer.predicted.stations:
        gap = gaps[station.x, station.y]
        assert station.before == pytest.approx(gap.nominal_value, abs=1e-12)
        assert station.u == pytest.approx(gap.std_dev, rel=STILL)
    # u covers every pair of stations, not the extremes alone.
    widest = max(
        one.nominal_value - other.nominal_value + K * (one - other).std_dev
        for one in gaps.values()
        for other in gaps.values()
    )
    assert answer.as_found.total + answer.as_found.expanded == pytest.approx(widest, rel=1e-9)


@reference(
    "library",
    packages=("statsmodels",),
    source="OLS with a dummy for each station and a column for the drift",
    proves="gaps and their u where the dial drifts and closing readings show it",
)
def test_drift_by_a_regression_package(examples: Path) -> None:
    linear = library("statsmodels.regression.linear_model")
    machine, survey = example(examples)
    # One reading every 20 s, a drift of 0.2 µm/s, and three stations read again at the end; rounding is invented noise.
    order = [*survey.readings, *(survey.readings[k] for k in (0, 12, 24))]
    readings = [
        Reading(r.x, r.y, round(float(r.value) + 2e-4 * 20.0 * k, 3), "A", 20.0 * k) for k, r in enumerate(order)
    ]
    answer = best(exactly_set(machine), Survey(readings))
    stations = [(r.x, r.y) for r in survey.readings]
    design = np.zeros((len(readings), len(stations) + 1))
    for k, r in enumerate(readings):
        design[k, stations.index((r.x, r.y))], design[k, -1] = 1.0, r.time
    found = linear.OLS([r.value for r in readings], design).fit()
    u = float(np.sqrt(0.015**2 + 0.005**2 + 0.003**2) / np.sqrt(3.0))
    covariance = u**2 * found.normalized_cov_params
    assert found.params[-1] == pytest.approx(2e-4, rel=0.05)
    for station in answer.predicted.stations:
        row = stations.index((station.x, station.y))
        assert station.before == pytest.approx(found.params[row], abs=1e-12)
        assert station.u == pytest.approx(np.sqrt(covariance[row, row]), rel=STILL)
    variances = np.diag(covariance)[: len(stations)]
    differences = np.sqrt(np.maximum(variances[:, None] + variances - 2.0 * covariance[:25, :25], 0.0))
    gaps = np.array(found.params[: len(stations)])
    widest = np.max(gaps[:, None] - gaps + K * differences)
    assert answer.as_found.total + answer.as_found.expanded == pytest.approx(widest, rel=1e-9)


def replaced(reading: Reading, setup: str, zero: float = 0.0) -> Reading:
    return Reading(reading.x, reading.y, float(reading.value) + zero, setup)
