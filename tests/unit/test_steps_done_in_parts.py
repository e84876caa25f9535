"""Steps carried out where a travel is more than one turn: shims, a fourth screw backed off, rounds."""

from __future__ import annotations

from typing import Any

import pytest
from msgspec.structs import replace

from judgement.truth import ExactMachine
from simulated_machine import grid
from steps_made import NEAR, PERFECT, asked_for, faults, found, sent, told
from tramwright_solvers.correction.api import correct
from tramwright_solvers.mechanisms import FourScrew, RailShim
from tramwright_solvers.model.contract import Mechanism
from tramwright_solvers.model.done import Done, Parked
from tramwright_solvers.model.machine import Bed, Machine, Rails, Screw, Seat, Sheet, Support
from tramwright_solvers.model.options import Solve
from tramwright_solvers.model.survey import Reading, Survey

STOCK = [Sheet(0.05, 3), Sheet(0.1, 1), Sheet(0.2, 2)]


def shimmed(stock: list[Sheet]) -> Machine:
    """Rails on four shimmed seats that share a stock."""
    seats = [
        Seat(f"{rail}-{y:g}", rail, x, y, method="shim", fitted=[0.2])
        for rail, x in (("left", -40.0), ("right", 540.0))
        for y in (0.0, 500.0)
    ]
    rails = Rails("y", seats, block_spacing=60.0, stock=list(stock))
    return Machine(bed=Bed((0.0, 500.0), (0.0, 500.0)), id="dipper-04", rails=rails)


class TestShims:
    machine = shimmed(STOCK)
    survey = found(machine, {"left-0": -0.22, "right-0": 0.17})[1]

    def test_sheets_put_in_are_no_longer_at_hand(self) -> None:
        first = correct(self.machine, self.survey, Solve(aim_for=0.0))
        step = first.steps[0]
        move = next(one for one in first.moves if one.adjuster == step.adjuster)
        answer = correct(self.machine, self.survey, Solve(aim_for=0.0), done=[sent(step, step.dial_after)])
        used = sum((one.stack or [] for one in answer.moves), list(move.stack or []))
        for sheet in STOCK:
            assert used.count(sheet.thickness) <= sheet.count + 1  # one of 0.2 is under each seat, and may come out
        assert {one.adjuster for one in answer.moves} == {one.adjuster for one in first.moves} - {step.adjuster}

    def test_a_stack_that_made_less_is_told_and_left(self) -> None:
        answer = told(self.machine, self.survey, 0.85, Solve(aim_for=0.0))
        assert answer.progress is not None
        assert answer.progress.next == "go-on"
        (one,) = answer.progress.steps
        assert one.asked is not None
        assert one.moved == pytest.approx(0.85 * one.asked, abs=0.01)
        assert all(move.ask is None for move in answer.moves)

    def test_sheets_that_there_are_not(self) -> None:
        park = Parked(self.survey.readings[0].x, self.survey.readings[0].y)
        assert "No sheets" in faults(self.machine, self.survey, [Done("left-0", 0.13, park)])["/done/0/travel"]

    def test_one_stock_for_all(self) -> None:
        park = Parked(self.survey.readings[0].x, self.survey.readings[0].y)
        done = [Done("left-0", 0.1, park), Done("left-500", 0.1, park)]  # the only 0.1, then 0.05 + 0.05
        assert correct(self.machine, self.survey, done=done).progress is not None
        more = Done("right-500", 0.15, park)
        assert "No sheets" in faults(self.machine, self.survey, [*done, more])["/done/2/travel"]


SQUARE = {"FL": (30.0, 30.0), "FR": (470.0, 30.0), "RL": (30.0, 370.0), "RR": (470.0, 370.0)}


class TestFourScrews:
    machine = Machine(
        bed=Bed((0.0, 500.0), (0.0, 400.0), thickness=12.0),
        id="dunnock-02",
        supports=[Support(name, *at, screw=Screw(2.0)) for name, at in SQUARE.items()],
        indicator=PERFECT,
    )
    solve: Solve[Mechanism] = Solve(with_=[FourScrew()], aim_for=0.002)

    def exact(self) -> ExactMachine:
        heights = {one.id: 0.5 * (one.x / 500 - 0.5) - 0.3 * (one.y / 400 - 0.5) for one in self.machine.supports}
        return ExactMachine(self.machine, heights, form=lambda u, v: 0.0, centre=(235.0, 215.0))

    def survey(self, exact: ExactMachine) -> Survey:
        return Survey([Reading(x, y, exact.gap(x, y)) for x, y in grid(self.machine, 4, 4)])

    @pytest.mark.parametrize("share", [0.75, 1.0, 1.25])
    def test_one_is_backed_off_once_and_brought_up_last(self, share: float) -> None:
        exact = self.exact()
        survey = self.survey(exact)
        done, answer = list[Done](), correct(self.machine, survey, self.solve)
        (off,) = {step.adjuster for step in answer.steps if step.travel is None}
        while (step := answer.steps[0]).adjuster:
            if step.travel is None:
                exact.bring_up(step.adjuster)
            else:
                made = step.travel if step.dial_goes == "still" else asked_for(answer, step)
                exact.move(step.adjuster, share * made)
            read = exact.gap(step.park.x, step.park.y)
            if step.dial_goes == "still":
                assert step.adjuster == off
                assert read == pytest.approx(step.dial_before, abs=2 * NEAR)
            done.append(sent(step, read))
            answer = correct(self.machine, survey, self.solve, done=done)
            assert answer.progress is not None
            assert answer.progress.next != "stop"
            assert len(done) < 20
        assert done[-1].travel is None
        assert sum(one.travel is None for one in done) == 1
        assert exact.total(grid(self.machine, 4, 4)) < 0.004

    def test_a_fourth_screw_that_lifts_the_bed_is_taken_back(self) -> None:
        exact = self.exact()
        survey = self.survey(exact)
        done, answer = list[Done](), correct(self.machine, survey, self.solve)
        while (step := answer.steps[0]).travel is not None:
            done.append(sent(step, step.dial_after))
            answer = correct(self.machine, survey, self.solve, done=done)
        assert step.dial_after is not None
        answer = correct(self.machine, survey, self.solve, done=[*done, sent(step, step.dial_after + 0.05)])
        assert answer.progress is not None
        assert answer.progress.next == "turn-back"
        back = answer.steps[0]
        assert (back.adjuster, back.travel, back.dial_goes) == (step.adjuster, None, "down")
        assert back.dial_after == pytest.approx(step.dial_after, abs=NEAR)
        answer = correct(self.machine, survey, self.solve, done=[*done, sent(step, step.dial_after)])
        assert [one.adjuster for one in answer.steps] == [None]

    @pytest.mark.parametrize("sense", ["plus", "minus"])
    def test_a_bed_that_follows_the_screw_backed_off_stops_the_work(self, sense: str) -> None:
        machine = replace(self.machine, indicator=replace(PERFECT, bed_high_reads=sense))
        survey = self.survey(self.exact())
        if sense == "minus":
            survey = Survey([replace(one, value=-one.value) for one in survey.readings])
        step = correct(machine, survey, self.solve).steps[0]
        assert step.dial_after is not None
        answer = correct(machine, survey, self.solve, done=[sent(step, step.dial_after - 0.06)])
        assert answer.progress is not None
        assert answer.progress.next == "stop"
        assert "settle" in answer.progress.says
        assert "moved by -0.060 mm" in answer.progress.says  # as the dial shows it, not the gap


def test_a_round_begun_is_ended_before_the_next() -> None:
    places = {"left": (-40.0, (0.0, 250.0, 500.0)), "right": (540.0, (0.0, 250.0, 500.0))}
    seats = [Seat(f"{rail}-{y:g}", rail, x, y) for rail, (x, ys) in places.items() for y in ys]
    machine = Machine(
        bed=Bed((0.0, 500.0), (0.0, 500.0)),
        id="merlin-01",
        rails=Rails("y", seats, block_spacing=60.0),
        indicator=PERFECT,
    )
    errors = {"left-0": 0.9, "left-250": -0.6, "left-500": 0.8, "right-250": 0.7}
    simulated, survey = found(machine, errors)
    solve: Solve[Any] = Solve(with_=[RailShim()], aim_for=0.002)
    done, answer = list[Done](), correct(machine, survey, solve)
    share = dict.fromkeys((seat.id for seat in seats), 0.0)
    whole = {move.adjuster: move.travel for move in answer.moves}
    assert len(answer.steps) > len(answer.moves)  # it goes in rounds
    while (step := answer.steps[0]).adjuster:
        simulated.move(step.adjuster, asked_for(answer, step))
        share[step.adjuster] += (step.travel or 0.0) / whole[step.adjuster]
        apart = [share[name] for name in whole]
        assert max(apart) - min(apart) < 0.75
        done.append(sent(step, simulated.read(step.park.x, step.park.y)))
        answer = correct(machine, survey, solve, done=done)
        assert len(done) < 40
    assert all(one == pytest.approx(1.0, abs=0.02) for name, one in share.items() if name in whole)
