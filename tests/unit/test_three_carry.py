"""A rigid plate is set on three of its screws: which three, what is backed off, and what the dial shows meanwhile."""

from __future__ import annotations

import numpy as np
import pytest
from msgspec.structs import replace

from judgement.truth import ExactMachine
from simulated_machine import grid
from tramwright_solvers.correction.api import correct
from tramwright_solvers.mechanisms import FourScrew, ManyScrew
from tramwright_solvers.model.contract import Mechanism, Move
from tramwright_solvers.model.machine import Bed, Indicator, Machine, Screw, Support
from tramwright_solvers.model.options import Solve
from tramwright_solvers.model.survey import Reading, Survey
from tramwright_solvers.results.correction import Correction
from tramwright_solvers.results.moves import Step

NEAR = 2e-4
"""mm: products of two small angles, which the solvers leave out."""

BED = Bed((0.0, 500.0), (0.0, 400.0), thickness=12.0)
SQUARE = {"FL": (30.0, 30.0), "FR": (470.0, 30.0), "RL": (30.0, 370.0), "RR": (470.0, 370.0)}
SKEW = {"FL": (30.0, 60.0), "FR": (470.0, 20.0), "RL": (110.0, 370.0), "RR": (450.0, 350.0)}
LAYOUTS: dict[str, tuple[Mechanism, dict[str, tuple[float, float]]]] = {
    "four in a rectangle": (FourScrew(), SQUARE),
    "four askew": (FourScrew(), SKEW),
    "five": (ManyScrew(), SQUARE | {"M": (240.0, 190.0)}),
    "six in two rows": (ManyScrew(), SQUARE | {"FM": (250.0, 30.0), "RM": (250.0, 370.0)}),
    "eight": (
        ManyScrew(),
        SKEW | {"FM": (260.0, 35.0), "RM": (250.0, 375.0), "LM": (60.0, 210.0), "RS": (480.0, 190.0)},
    ),
}
"""Invented."""


def machine_of(places: dict[str, tuple[float, float]], sense: str = "plus", lead: float | None = 2.0) -> Machine:
    screw = None if lead is None else Screw(lead)
    return Machine(
        bed=BED,
        id="dunnock-02",
        supports=[Support(name, *at, screw=screw) for name, at in places.items()],
        indicator=Indicator(bed_high_reads=sense),
    )


def tilted(machine: Machine, along: float, across: float, centre: tuple[float, float] = (250.0, 200.0)) -> ExactMachine:
    """A machine whose plate lies on all its screws, out by so much from one side and from the front to the other."""
    heights = {one.id: along * (one.x / 500 - 0.5) + across * (one.y / 400 - 0.5) for one in machine.supports}
    return ExactMachine(machine, heights, form=lambda u, v: 0.01 * np.sin(u / 90) * np.cos(v / 70), centre=centre)


def survey(exact: ExactMachine) -> Survey:
    return Survey([Reading(x, y, exact.machine.sense * exact.gap(x, y)) for x, y in grid(exact.machine, 4, 4)])


def make(exact: ExactMachine, step: Step) -> None:
    assert step.adjuster is not None
    exact.bring_up(step.adjuster) if step.travel is None else exact.move(step.adjuster, step.travel)


def follow(exact: ExactMachine, answer: Correction) -> None:
    """Make every step as it is told and compare the dial before and after it."""
    for step in answer.steps:
        before = exact.machine.sense * exact.gap(step.park.x, step.park.y)
        make(exact, step)
        after = exact.machine.sense * exact.gap(step.park.x, step.park.y)
        assert before == pytest.approx(step.dial_before, abs=NEAR)
        assert after == pytest.approx(step.dial_after, abs=NEAR)
        moved = "up" if after > before else "down"
        assert step.dial_goes == ("still" if abs(after - before) < NEAR else moved)


@pytest.mark.parametrize("layout", LAYOUTS)
@pytest.mark.parametrize("sense", ["plus", "minus"])
@pytest.mark.parametrize(("along", "across"), [(0.6, 0.2), (-0.3, 0.5), (0.05, -0.7), (-0.4, -0.4)])
@pytest.mark.parametrize("off_centre", [-15.0, 15.0])
def test_the_dial_does_what_the_answer_says(
    layout: str, sense: str, along: float, across: float, off_centre: float
) -> None:
    solver, places = LAYOUTS[layout]
    machine = machine_of(places, sense)
    exact = tilted(machine, along, across, (250.0 + off_centre, 200.0 - off_centre))
    answer = correct(machine, survey(exact), Solve(with_=[solver], aim_for=0.0))
    last = [step for step in answer.steps if step.travel is None]
    assert len(last) == len(places) - 3
    assert answer.steps[-len(last) :] == last
    follow(exact, answer)
    for station in answer.predicted.stations:
        assert exact.machine.sense * exact.gap(station.x, station.y) == pytest.approx(station.dial, abs=NEAR)
    heights = np.array([exact.heights[one] for one in places])
    np.testing.assert_allclose(exact.plane(tuple(exact.carrying())), heights, atol=1e-9)  # it lies on all of them


def carried(machine: Machine, travels: list[float], solver: Mechanism | None = None) -> tuple[set[str], list[str]]:
    """Names of what is set while it carries, and of what is backed off."""
    move = Move(machine, np.zeros((0, 2)), np.array(travels))
    parts = (solver or FourScrew()).parts(move)
    names = [one.id for one in machine.supports]
    return {names[part.adjuster] for part in parts if part.counts}, [
        names[part.adjuster] for part in parts if part.travel is not None and not part.counts
    ]


TILT = [0.3, -0.1, 0.1, -0.3]


def test_the_middle_of_the_bed_stays_between_the_three_that_carry() -> None:
    spared = {"FL": "FR", "FR": "FL", "RL": "RR", "RR": "RL"}
    for corner, (x, y) in SQUARE.items():  # drawn in, its diagonal passes the middle on one side
        drawn_in = SQUARE | {corner: (250.0 + 0.5 * (x - 250.0), y)}
        travels = [0.3 - 0.4 * x / 500 for x, _ in drawn_in.values()]
        assert carried(machine_of(drawn_in), travels)[1] == [spared[corner]]


def test_the_screw_of_most_effort_is_only_brought_up() -> None:
    for corner in SQUARE:
        machine = machine_of(SQUARE)
        hard = [replace(one, effort=3.0) if one.id == corner else one for one in machine.supports]
        assert carried(replace(machine, supports=hard), TILT)[1] == [corner]


def test_a_screw_that_is_held_carries() -> None:
    held = FourScrew(hold=("FL",))
    carrying, off = carried(machine_of(SQUARE), [0.0, 0.2, 0.1, 0.3], held)
    assert off != ["FL"]
    assert "FL" not in carrying  # it carries where it stands


def test_a_screw_at_its_lower_end_is_not_backed_off() -> None:
    machine = machine_of(SQUARE)
    low = [replace(one, travel=(0.0, 5.0)) if one.id != "RL" else one for one in machine.supports]
    assert carried(replace(machine, supports=low), [0.1, 0.3, -0.1, 0.1])[1] == ["RL"]


def test_it_is_backed_off_further_than_the_plate_comes_down_over_it() -> None:
    parts = FourScrew().parts(Move(machine_of(SQUARE), np.zeros((0, 2)), np.array([-0.9, -0.7, -0.5, -0.3])))
    down = min(sum(part.counts.get(parts[0].adjuster, 0.0) for part in parts[:end]) for end in range(len(parts)))
    assert parts[0].travel == pytest.approx(down - 0.2)
    assert parts[-1].about == pytest.approx([-0.9, -0.7, -0.5, -0.3][parts[0].adjuster] - parts[0].travel)


def test_the_steps_say_what_carries_and_keep_fingers_out() -> None:
    machine = machine_of(SQUARE)
    answer = correct(machine, survey(tilted(machine, 0.5, 0.3)), Solve(with_=[FourScrew()]))
    first, last = answer.steps[0], answer.steps[-1]
    assert first.adjuster == last.adjuster
    assert "carry the plate" in first.do
    assert "Put a weight on the plate" in first.do
    assert "free of the bed" in first.do
    assert "just stirs" in last.do
    assert any("keep fingers out" in caution for caution in answer.cautions)
    turned = machine_of(SQUARE, lead=None)
    plain = correct(turned, survey(tilted(turned, 0.5, 0.3)), Solve(with_=[FourScrew()]))
    assert plain.steps[-1].do.startswith(f"Bring {plain.steps[-1].adjuster} up until the dial")
