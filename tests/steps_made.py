"""An invented machine on three screws, its survey, and steps of an answer as they are sent once made."""

from __future__ import annotations

from typing import Any

import pytest

from simulated_machine import SimulatedMachine, grid
from tramwright_solvers.correction.api import correct
from tramwright_solvers.model.done import Done, Parked
from tramwright_solvers.model.errors import Refused
from tramwright_solvers.model.machine import Bed, Indicator, Machine, Screw, Support
from tramwright_solvers.model.options import Solve
from tramwright_solvers.model.survey import Survey
from tramwright_solvers.results.correction import Correction
from tramwright_solvers.results.moves import Step

NEAR = 1e-4
"""mm: products of two small angles, which the solvers leave out."""

PERFECT = Indicator(division=1e-6, error_limit=1e-6, repeatability=1e-6)
SCREWS = {"wren": (30.0, 40.0), "robin": (470.0, 55.0), "linnet": (240.0, 460.0)}
ERRORS = {"wren": 0.31, "robin": -0.24, "linnet": 0.12}


def three(indicator: Indicator = Indicator(), **more: Any) -> Machine:  # noqa: B008 (a frozen Struct)
    """A bed on three screws; ``more`` is said of each of them."""
    supports = [Support(name, *at, screw=Screw(2.0), **more) for name, at in SCREWS.items()]
    return Machine(bed=Bed((0.0, 500.0), (0.0, 500.0)), id="kestrel-05", supports=supports, indicator=indicator)


def found(machine: Machine, errors: dict[str, float] = ERRORS) -> tuple[SimulatedMachine, Survey]:
    """The machine as found, and its survey."""
    simulated = SimulatedMachine(machine, errors, zero=0.137)
    return simulated, simulated.survey(grid(machine, 4, 4))


def sent(step: Step, read: float | None, **more: Any) -> Done:
    """A step of an answer as it is sent once it is made."""
    assert step.adjuster is not None
    return Done(step.adjuster, step.travel, Parked(step.park.x, step.park.y), read, **more)


def asked_for(answer: Correction, step: Step) -> float:
    """The travel that a step asks to set."""
    move = next(one for one in answer.moves if one.adjuster == step.adjuster)
    assert step.travel is not None
    return step.travel if move.ask is None else step.travel * move.ask / move.travel


def told(machine: Machine, survey: Survey, share: float, solve: Solve[Any] | None = None) -> Correction:
    """The answer once the first step made this share of what it should, by the dial as it would read then."""
    solve = solve or Solve()
    step = correct(machine, survey, solve).steps[0]
    assert step.dial_before is not None
    assert step.dial_after is not None
    read = step.dial_before + share * (step.dial_after - step.dial_before)
    return correct(machine, survey, solve, done=[sent(step, read)])


def faults(machine: Machine, survey: Survey, done: list[Done], solve: Solve[Any] | None = None) -> dict[str, str]:
    with pytest.raises(Refused) as refused:
        correct(machine, survey, solve or Solve(), done=done)
    return {fault.pointer: fault.detail for fault in refused.value.faults}
