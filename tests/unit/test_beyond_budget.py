"""Faults that no budget counts, told where the readings show them. All data invented."""

from __future__ import annotations

import numpy as np
import pytest
from msgspec.structs import replace

from repeated_passes import machine_for
from tramwright_solvers.correction.api import correct
from tramwright_solvers.mechanisms import ThreeScrew
from tramwright_solvers.model.machine import Machine
from tramwright_solvers.model.options import Solve
from tramwright_solvers.model.survey import Made, Previous, Reading, Survey
from tramwright_solvers.results.correction import Correction

MACHINE = machine_for("three screws")
ROWS = (20.0, 135.0, 250.0, 365.0, 480.0)
TO_AND_FRO = [(x, y) for row, y in enumerate(ROWS) for x in (ROWS if row % 2 == 0 else ROWS[::-1])]
ONE_WAY = [(x, y) for y in ROWS for x in ROWS]


def solved(readings: list[Reading], machine: Machine = MACHINE, previous: Previous | None = None) -> Correction:
    return correct(machine, Survey(readings, previous=previous), Solve(with_=[ThreeScrew()]))


def read(places: list[tuple[float, float]], drift: float, seed: int = 3) -> list[Reading]:
    noise = 0.002 * np.random.default_rng(seed).standard_normal(len(places))
    steady = np.linspace(0.0, drift, len(places)) + noise
    return [Reading(x, y, round(2e-4 * x + value, 3)) for (x, y), value in zip(places, steady.tolist(), strict=True)]


@pytest.mark.parametrize("reads", ["plus", "minus"])
def test_a_drift_that_was_not_declared_is_told_and_nothing_is_moved_on_it(reads: str) -> None:
    machine = replace(MACHINE, indicator=replace(MACHINE.indicator, bed_high_reads=reads))
    answer = solved(read(TO_AND_FRO, 0.12), machine)
    (note,) = answer.notes
    assert "they drift by +0.1" in note
    assert "fewer than one sound survey in a hundred" in note
    assert answer.says.startswith("The readings drift by +0.1")
    assert answer.advice.do == "read-again"
    assert [(one.x, one.y) for one in answer.advice.read] == [TO_AND_FRO[0]]
    assert (answer.moves, answer.verdict.as_found, answer.verdict.predicted) == ([], "undecided", "undecided")


def test_no_drift_is_told_of_steady_readings_or_of_a_drift_that_looks_like_tilt() -> None:
    assert solved(read(TO_AND_FRO, 0.0)).notes == []
    assert solved(read(ONE_WAY, 0.12)).notes == []


def test_a_drift_smaller_than_the_total_is_known_is_noted_only() -> None:
    coarse = replace(MACHINE, indicator=replace(MACHINE.indicator, error_limit=0.012))
    answer = solved(read([TO_AND_FRO[at] for at in np.random.default_rng(8).permutation(25)], 0.04), MACHINE)
    assert "they drift by +0.0" in answer.notes[0]
    assert solved(read(TO_AND_FRO, 0.02), coarse).notes == []


def test_repeats_that_scatter_more_than_stated_are_told() -> None:
    random = np.random.default_rng(4)

    def repeated(size: float) -> list[Reading]:
        return [Reading(x, y, np.round(size * random.standard_normal(4), 3).tolist()) for x, y in TO_AND_FRO]

    (note,) = solved(repeated(0.006)).notes
    assert "Repeats scatter by 0.00" in note
    assert "once in a thousand" in note
    assert solved(repeated(0.0006)).notes == []


@pytest.mark.parametrize(("scale", "words"), [(1.04, "too long"), (0.96, "too short"), (1.0, "")])
def test_a_dial_whose_scale_is_off_is_told_by_what_all_adjusters_did(scale: float, words: str) -> None:
    screws, asked = [(one.x, one.y) for one in MACHINE.supports], {"dunnock": 1.5, "siskin": -1.2, "brambling": 0.4}
    (plane,) = [np.linalg.solve(np.column_stack([np.ones(3), screws]), list(asked.values()))]
    noise = 0.002 * np.random.default_rng(6).standard_normal((2, 25))
    before = [Reading(x, y, round(float(e), 3)) for (x, y), e in zip(ONE_WAY, noise[0], strict=True)]
    after = [
        Reading(x, y, round(scale * float(plane @ [1.0, x, y]) + float(e), 3))
        for (x, y), e in zip(ONE_WAY, noise[1], strict=True)
    ]
    answer = solved(after, previous=Previous(before, [Made(name, travel) for name, travel in asked.items()]))
    assert [words in note for note in answer.notes] == ([True] if words else [])
    if words:
        assert "Check it against a gauge block" in answer.notes[0]
