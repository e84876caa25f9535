"""Follow an answer on a machine of exact geometry, step by step, with one's eye on the dial."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from msgspec.structs import replace

from simulated_machine import SimulatedMachine, bump, grid
from tramwright_solvers.correction.api import correct
from tramwright_solvers.mechanisms import RailShim, ThreeScrew
from tramwright_solvers.model.contract import Mechanism
from tramwright_solvers.model.machine import Bed, Indicator, Machine, Rails, Screw, Seat, Support
from tramwright_solvers.model.options import Solve
from tramwright_solvers.model.survey import Survey
from tramwright_solvers.results.correction import Correction

NEAR = 1e-4
"""mm: a hundredth of a division. What is left are products of two small angles, which the solvers leave out."""

SCREWS = {
    "bearing below": Screw(4.0),
    "thumb screw from above": Screw(0.7, turned_from="above", turned_part="travels"),
    "left-hand nut from below": Screw(2.0, hand="left", turned_part="travels"),
    "left-hand screw from above": Screw(8.0, hand="left", turned_from="above"),
}
SEATS = {"left": (-40.0, [0.0, 500.0]), "right": (540.0, [10.0, 490.0])}
MORE_SEATS = {"left": (-40.0, [0.0, 260.0, 500.0]), "right": (540.0, [10.0, 180.0, 350.0, 490.0])}
SUPPORTS = {"wren": (30.0, 40.0), "robin": (470.0, 55.0), "linnet": (240.0, 460.0)}
SCREW_ERRORS = {"wren": 0.31, "robin": -0.24, "linnet": 0.12}
SEAT_ERRORS = {4: (0.21, -0.13, 0.17, 0.34), 7: (0.12, -0.07, 0.09, 0.21, -0.10, 0.03, 0.06)}
"""Seats that stand closer together are out by less: what tilts the tool is the slope between them."""


def rails(along: str, places: dict[str, tuple[float, list[float]]]) -> Rails:
    seats = [
        Seat(f"{rail}-{at:g}", rail, *((across, at) if along == "y" else (at, across)))
        for rail, (across, ats) in places.items()
        for at in ats
    ]
    return Rails(along, seats, block_spacing=60.0, tool_offset=-35.0)


def machine_with(screw: Screw | None, rails_: Rails | None, sense: str) -> Machine:
    carried = [Support(name, *at, screw=screw) for name, at in SUPPORTS.items()]
    return Machine(
        bed=Bed((0.0, 500.0), (0.0, 500.0), thickness=12.0),
        id="kestrel-05",
        supports=carried if screw else [],
        rails=rails_,
        indicator=Indicator(bed_high_reads=sense),
    )


def seat_errors(rails_: Rails) -> dict[str, float]:
    return dict(zip((seat.id for seat in rails_.seats), SEAT_ERRORS[len(rails_.seats)], strict=True))


def read_again(simulated: SimulatedMachine, machine: Machine, found: Survey, solve: Solve[Any]) -> Correction:
    """Return the answer once the stations that it doubts are read again: the hill is steep, but it is there."""
    for _ in range(4):
        answer = correct(machine, found, solve)
        if answer.advice.do != "read-again":
            return answer
        for place in answer.advice.read:
            assert answer.moves == []
            at = next(k for k, one in enumerate(found.readings) if (one.x, one.y) == (place.x, place.y))
            found.readings[at] = replace(found.readings[at], value=[simulated.read(place.x, place.y)] * 2)
    return answer


def follow(simulated: SimulatedMachine, answer: Correction) -> None:
    """Make every step as it is told and compare the dial."""
    moves = {move.adjuster: move for move in answer.moves}
    assert {step.adjuster for step in answer.steps} == set(moves)
    for move in answer.moves:  # a seat may go in rounds
        shares = [step.travel for step in answer.steps if step.adjuster == move.adjuster]
        assert sum(shares) == pytest.approx(move.travel, rel=1e-12)
    for step in answer.steps:
        move = moves[step.adjuster]
        before = simulated.read(step.park.x, step.park.y)
        assert before == pytest.approx(step.dial_before, abs=NEAR)
        if move.direction is None:
            simulated.move(step.adjuster, step.travel)
        else:
            assert move.degrees == pytest.approx(360 * move.turns)
            made = simulated.turn(step.adjuster, move.direction, move.degrees, move.seen_from)
            assert made == pytest.approx(step.travel, rel=1e-12)
        after = simulated.read(step.park.x, step.park.y)
        assert after == pytest.approx(step.dial_after, abs=NEAR)
        assert step.dial_goes == ("up" if after > before else "down")


JOBS: dict[str, tuple[list[Mechanism], Screw | None, Rails | None]] = {
    **{f"three screws, {title}": ([ThreeScrew()], screw, None) for title, screw in SCREWS.items()},
    "rails along y": ([RailShim()], None, rails("y", SEATS)),
    "rails along x": ([RailShim()], None, rails("x", SEATS)),
    "rails on seven seats": ([RailShim()], None, rails("y", MORE_SEATS)),
    "both along y": ([ThreeScrew(), RailShim()], SCREWS["bearing below"], rails("y", SEATS)),
    "both along x": ([ThreeScrew(), RailShim()], SCREWS["thumb screw from above"], rails("x", SEATS)),
    "both on seven seats": ([ThreeScrew(), RailShim()], SCREWS["left-hand nut from below"], rails("y", MORE_SEATS)),
    "chosen by the service": ([], SCREWS["bearing below"], rails("y", SEATS)),
}


@pytest.mark.parametrize("job", JOBS)
@pytest.mark.parametrize("sense", ["plus", "minus"])
@pytest.mark.parametrize("criterion", ["least-squares", "minimum-zone"])
@pytest.mark.parametrize("asked", [{"aim_for": 0.0}, {"offset": "keep", "aim_for": 0.0}, {}], ids=str)
def test_the_dial_does_what_the_answer_says(job: str, sense: str, criterion: str, asked: dict[str, Any]) -> None:
    solvers, screw, rails_ = JOBS[job]
    machine = machine_with(screw, rails_, sense)
    errors = (SCREW_ERRORS if screw else {}) | (seat_errors(rails_) if rails_ else {})
    simulated = SimulatedMachine(machine, errors, form=bump(0.12, 320.0, 190.0, 110.0), zero=0.137)
    found = simulated.survey(grid(machine, 5, 5))
    total = np.ptp([reading.value for reading in found.readings])
    assert total > 0.3
    answer = read_again(simulated, machine, found, Solve(with_=solvers, criterion=criterion, **asked))
    assert answer.as_found.total == pytest.approx(total)
    follow(simulated, answer)
    for station in answer.predicted.stations:
        assert simulated.read(station.x, station.y) == pytest.approx(station.dial, abs=NEAR)
    # What is left is mostly the plate's own hill, 0.12 high, which no adjuster here can take away. Where not asked for
    # the very best, an answer may leave as much more as the total is known to (u).
    assert 0.02 < answer.predicted.total < 0.12 + (0.0 if "aim_for" in asked else answer.predicted.u)


@pytest.mark.parametrize("sense", ["plus", "minus"])
def test_a_wrong_turn_is_seen_on_the_dial(sense: str) -> None:
    # The check above can fail: one screw turned the wrong way leaves the dial where the step says it must not be.
    machine = machine_with(SCREWS["bearing below"], None, sense)
    simulated = SimulatedMachine(machine, SCREW_ERRORS)
    answer = correct(machine, simulated.survey(grid(machine, 4, 4)), Solve(with_=[ThreeScrew()], aim_for=0.0))
    step = answer.steps[0]
    move = next(move for move in answer.moves if move.adjuster == step.adjuster)
    other = {"clockwise": "anticlockwise", "anticlockwise": "clockwise"}[move.direction]
    simulated.turn(step.adjuster, other, move.degrees, move.seen_from)
    after = simulated.read(step.park.x, step.park.y)
    assert abs(after - step.dial_after) > 0.1
    assert step.dial_goes != ("up" if after > step.dial_before else "down")


def test_a_second_survey_finds_nothing_left_to_do() -> None:
    machine = machine_with(SCREWS["bearing below"], rails("y", SEATS), "plus")
    errors = SCREW_ERRORS | seat_errors(machine.rails)
    simulated = SimulatedMachine(machine, errors, noise=0.001, resolution=0.01, seed=4)
    stations = grid(machine, 5, 5)
    first = correct(machine, simulated.survey(stations), Solve())
    assert (first.verdict.as_found, first.verdict.predicted) == ("outside", "within")
    for move in first.moves:
        simulated.move(move.adjuster, move.travel)
    second = correct(machine, simulated.survey(stations), Solve())
    assert second.moves == []
    assert second.verdict.as_found == "within"


def test_simulated_machine_without_errors_reads_its_zero_everywhere() -> None:
    machine = machine_with(SCREWS["bearing below"], rails("x", MORE_SEATS), "minus")
    simulated = SimulatedMachine(machine, {}, zero=0.2)
    assert [simulated.read(*at) for at in grid(machine, 3, 3)] == pytest.approx([0.2] * 9, abs=1e-12)


@pytest.mark.parametrize("along", ["x", "y"])
def test_influence_is_what_a_small_move_does_to_the_simulated_machine(along: str) -> None:
    # Two derivations meet: the solvers' linear influence and differences of the exact geometry.
    from tramwright_solvers.model.contract import Site

    machine = machine_with(SCREWS["bearing below"], rails(along, MORE_SEATS), "plus")
    points = np.array(grid(machine, 4, 3, margin=-0.05))
    for solver in (ThreeScrew(), RailShim()):
        influence = solver.influence(Site(machine, points))
        for column, adjuster in zip(influence.T, solver.adjusters(machine), strict=True):
            up, down = (SimulatedMachine(machine, {adjuster.id: end}) for end in (1e-3, -1e-3))
            change = np.array([(up.gap(*at) - down.gap(*at)) / 2e-3 for at in points.tolist()])
            np.testing.assert_allclose(column, change, atol=1e-9)
