"""The exchange of stations: what it says a step gains is what the step gains."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable

import numpy as np
import pytest

from tramwright_solvers.planning.design import (
    Criterion,
    Determinant,
    Inverse,
    Trace,
    best_design,
    exchanged,
    grown,
    total,
)

RANDOM = np.random.default_rng(8)
COLUMNS = RANDOM.standard_normal((40, 4))
HALF = RANDOM.standard_normal((4, 4))
WEIGHTS = HALF @ HALF.T
CHOSEN = [3, 9, 14, 20, 31, 38]
CRITERIA: list[Callable[[], Criterion]] = [
    lambda: Determinant(COLUMNS),
    lambda: Trace(COLUMNS, np.zeros((4, 4)), WEIGHTS),
    lambda: Trace(COLUMNS, np.diag([0.0, 0.0, 2.0, 5.0]), WEIGHTS),
]
every_criterion = pytest.mark.parametrize("make", CRITERIA, ids=["determinant", "trace", "trace with a prior"])


@every_criterion
def test_the_gain_of_an_exchange_is_the_fall_of_the_criterion(make: Callable[[], Criterion]) -> None:
    criterion = make()
    gains = criterion.gains(Inverse(criterion, CHOSEN), 14)
    before = criterion.value(CHOSEN)
    for place in range(40):
        after = criterion.value([place if one == 14 else one for one in CHOSEN])
        assert gains[place] == pytest.approx(before - after, rel=1e-6, abs=1e-6)


@every_criterion
def test_the_gain_of_one_place_more_is_the_fall_of_the_criterion(make: Callable[[], Criterion]) -> None:
    criterion = make()
    gains = criterion.gains(Inverse(criterion, CHOSEN), None)
    for place in range(40):
        assert gains[place] == pytest.approx(
            criterion.value(CHOSEN) - criterion.value([*CHOSEN, place]), rel=1e-6, abs=1e-6
        )


@every_criterion
def test_a_state_kept_up_to_date_is_that_worked_out_afresh(make: Callable[[], Criterion]) -> None:
    criterion = make()
    kept = Inverse(criterion, CHOSEN)
    kept.add(5, 1.0)
    kept.add(20, -1.0)
    fresh = Inverse(criterion, [3, 9, 14, 5, 31, 38])
    for name in ("inverse", "variance", "weighed"):
        assert getattr(kept, name) == pytest.approx(getattr(fresh, name), rel=1e-6, abs=1e-9)


@every_criterion
def test_no_exchange_betters_what_comes_out_and_no_place_is_taken_twice(make: Callable[[], Criterion]) -> None:
    criterion = make()
    chosen = exchanged([criterion], CHOSEN)
    assert len(set(chosen)) == len(CHOSEN)
    best = criterion.value(chosen)
    assert best <= criterion.value(CHOSEN)
    for position in range(len(chosen)):
        for place in set(range(40)) - set(chosen):
            assert criterion.value([*chosen[:position], place, *chosen[position + 1 :]]) >= best - 1e-7


def test_the_best_design_is_no_worse_than_any_start() -> None:
    both = [Trace(COLUMNS, np.zeros((4, 4)), WEIGHTS), Determinant(COLUMNS)]
    starts = [CHOSEN, [0, 1, 2, 3, 4, 5]]
    best = total(both, best_design(both, 6, starts))
    assert all(best <= total(both, start) for start in (*starts, grown(both, 6)))


def test_a_design_too_small_for_its_model_is_worth_nothing() -> None:
    assert Determinant(COLUMNS).value([1, 2, 3]) == np.inf
    assert Trace(COLUMNS, np.zeros((4, 4)), WEIGHTS).value([1, 2, 3]) == np.inf
    assert np.isfinite(Trace(COLUMNS, np.eye(4), WEIGHTS).value([1, 2, 3]))


def test_a_start_that_does_not_determine_the_model_is_mended() -> None:
    columns = np.column_stack([np.ones(30), np.repeat([0.0, 1.0, 2.0], 10), np.tile(np.arange(10.0), 3)])
    flat = list(range(5))  # all in one row: the second column cannot be told from the first
    assert np.isfinite(Determinant(columns).value(exchanged([Determinant(columns)], flat)))


ALIKE_ON_ALL_SIDES = """
import numpy as np
from tramwright_solvers.planning.design import Determinant, Trace, best_design

x, y = (axis.ravel() for axis in np.meshgrid(*[np.linspace(-1.0, 1.0, 13)] * 2))
columns = np.column_stack([np.ones(169), x, y, x * y, x * x, y * y])
for count in (8, 12, 16):
    for criterion in (Determinant(columns), Trace(columns, np.zeros((6, 6)), columns.T @ columns / 169.0)):
        print(best_design([criterion], count))
"""


def test_another_processor_chooses_the_same_stations() -> None:
    told = set()
    for kernels in ("Nehalem", "Sandybridge", "Haswell"):  # by which OpenBLAS rounds as on such a processor
        environment = os.environ | {"OPENBLAS_CORETYPE": kernels, "OPENBLAS_NUM_THREADS": "1"}
        command = [sys.executable, "-c", ALIKE_ON_ALL_SIDES]
        told.add(subprocess.run(command, env=environment, capture_output=True, text=True, check=True).stdout)
    assert len(told) == 1
    assert told.pop().count("[") == 6
