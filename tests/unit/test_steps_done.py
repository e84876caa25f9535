"""Steps carried out: what contradicts the machine, what the dial says of each, and what is left to do."""

from __future__ import annotations

from typing import Any

import msgspec
import numpy as np
import pytest
from msgspec.structs import replace

from simulated_machine import grid
from steps_made import ERRORS, NEAR, PERFECT, asked_for, faults, found, sent, three, told
from tramwright_service.wire.requests import correction_request
from tramwright_solvers.correction.api import correct
from tramwright_solvers.mechanisms import ThreeScrew
from tramwright_solvers.mechanisms.registry import installed
from tramwright_solvers.model.done import Done, Parked
from tramwright_solvers.model.machine import Indicator, Limit, Machine, Rails, Seat
from tramwright_solvers.model.options import Solve
from tramwright_solvers.model.survey import Survey


class TestWhatContradictsTheMachine:
    machine = three()
    survey = found(machine)[1]
    step = correct(machine, survey).steps[0]
    park = Parked(step.park.x, step.park.y)

    def test_an_unknown_adjuster(self) -> None:
        wrong = faults(self.machine, self.survey, [Done("heron", 0.1, self.park)])
        assert "wren, robin, linnet" in wrong["/done/0/adjuster"]

    def test_one_that_is_held(self) -> None:
        solve = Solve(with_=[ThreeScrew(hold=("wren",))])
        assert "held" in faults(self.machine, self.survey, [Done("wren", 0.1, self.park)], solve)["/done/0/adjuster"]

    @pytest.mark.parametrize("at", [(250.0, 250.0), (900.0, 20.0)])
    def test_no_station(self, at: tuple[float, float]) -> None:
        wrong = faults(self.machine, self.survey, [Done("wren", 0.1, Parked(*at))])
        assert "no station at" in wrong["/done/0/park"]

    def test_the_same_step_twice(self) -> None:
        once = sent(self.step, self.step.dial_after)
        assert "step 0 once more" in faults(self.machine, self.survey, [once, once])["/done/1"]

    @pytest.mark.parametrize(("travel", "says"), [(0.0, "moves something"), (None, "until it meets the bed")])
    def test_no_travel(self, travel: float | None, says: str) -> None:
        assert says in faults(self.machine, self.survey, [Done("wren", travel, self.park)])["/done/0/travel"]

    def test_every_fault_is_told(self) -> None:
        wrong = faults(self.machine, self.survey, [Done("heron", 0.1, Parked(1.0, 1.0)), Done("wren", 0.0, self.park)])
        assert list(wrong) == ["/done/0/adjuster", "/done/0/park", "/done/1/travel"]

    def test_beyond_the_end_of_its_travel(self) -> None:
        machine = three(travel=(-0.2, 0.2))
        wrong = faults(machine, self.survey, [Done("wren", -0.15, self.park), Done("wren", -0.15, self.park)])
        assert "0.050 mm left that way" in wrong["/done/1/travel"]

    def test_no_whole_steps(self) -> None:
        machine = three(step=0.05)
        assert "whole steps of 0.05" in faults(machine, self.survey, [Done("wren", 0.12, self.park)])["/done/0/travel"]


class TestWhatTheDialSays:
    machine = three()
    survey = found(machine)[1]

    @pytest.mark.parametrize(
        ("share", "word", "says"),
        [
            (1.0, "go-on", "moved as asked"),
            (0.75, "go-on", "%). Go on with it"),
            (1.3, "turn-back", "Turn back: move it"),
            (0.0, "stop", "does not do what it is told"),
            (0.3, "stop", "lock nut"),
            (-1.0, "stop", "went the wrong way"),
            (9.0, "stop", "read the dial"),
            (-7.0, "stop", "read the dial"),
        ],
    )
    def test_one_step(self, share: float, word: str, says: str) -> None:
        answer = told(self.machine, self.survey, share)
        assert answer.progress is not None
        assert answer.progress.next == word
        assert says in answer.progress.says
        assert answer.says == answer.progress.says
        (step,) = answer.progress.steps
        assert step.moved is not None
        assert step.asked is not None
        if word != "stop":
            assert step.moved == pytest.approx(share * step.asked, abs=0.02)
            assert answer.advice.do == "move"

    @pytest.mark.parametrize("share", [0.1, -1.0])
    def test_how_far_an_adjuster_went_is_not_told_as_what_the_dial_shows(self, share: float) -> None:
        machine = replace(self.machine, indicator=replace(self.machine.indicator, bed_high_reads="minus"))
        survey = Survey([replace(one, value=-one.value) for one in self.survey.readings])
        answer = told(machine, survey, share)
        (step,) = answer.progress.steps if answer.progress else []
        assert step.asked is not None
        assert f"it moved {share * step.asked:+.3f} mm for {step.asked:+.3f}" in step.says

    def test_after_a_stop_nothing_is_moved(self) -> None:
        answer = told(self.machine, self.survey, 0.0)
        assert answer.moves == []
        (closing,) = answer.steps
        assert (closing.adjuster, answer.advice.do, answer.verdict.predicted) == (None, "nothing", "undecided")

    def test_a_misreading_is_read_again(self) -> None:
        answer = told(self.machine, self.survey, 9.0)
        assert answer.advice.do == "read-again"
        assert answer.steps[0].park == answer.advice.read[0]
        assert answer.moves == []

    def test_turning_back_comes_first(self) -> None:
        first = correct(self.machine, self.survey).steps[0]
        answer = told(self.machine, self.survey, 1.3)
        assert first.travel is not None
        assert answer.steps[0].adjuster == first.adjuster
        assert answer.steps[0].travel == pytest.approx(-0.3 * first.travel, abs=0.02)

    def test_what_fell_short_goes_on_first_by_as_much_more_as_it_takes(self) -> None:
        first = correct(self.machine, self.survey).steps[0]
        answer = told(self.machine, self.survey, 0.75)
        assert first.travel is not None
        assert answer.steps[0].adjuster == first.adjuster
        assert answer.steps[0].travel == pytest.approx(0.25 * first.travel, abs=0.02)
        assert asked_for(answer, answer.steps[0]) == pytest.approx(0.25 * first.travel / 0.75, abs=0.03)

    def test_play_is_no_fault_once(self) -> None:
        machine = three(Indicator(division=0.001, error_limit=0.003))
        first = told(machine, self.survey, 1.3).steps[0]
        made = correct(machine, self.survey).steps[0]
        assert made.dial_before is not None
        assert made.dial_after is not None
        over = sent(made, made.dial_before + 1.3 * (made.dial_after - made.dial_before))
        stood = sent(first, over.read)
        answer = correct(machine, self.survey, done=[over, stood])
        assert answer.progress is not None
        assert (answer.progress.next, answer.steps[0].adjuster) == ("go-on", first.adjuster)
        assert "play" in answer.progress.says
        again = sent(answer.steps[0], over.read)
        stuck = correct(machine, self.survey, done=[over, stood, replace(again, travel=0.99 * (again.travel or 0.0))])
        assert stuck.progress is not None
        assert stuck.progress.next == "stop"

    def test_not_read_counts_as_asked(self) -> None:
        step = correct(self.machine, self.survey).steps[0]
        answer = correct(self.machine, self.survey, done=[sent(step, None)])
        assert answer.progress is not None
        (one,) = answer.progress.steps
        assert one.u is not None
        assert one.moved == pytest.approx(step.travel)
        assert one.u == pytest.approx(np.hypot(0.3 * abs(step.travel or 0.0), 0.01), rel=0.2)

    def test_with_another_zero_the_change_counts(self) -> None:
        step = correct(self.machine, self.survey).steps[0]
        assert step.dial_before is not None
        assert step.dial_after is not None
        moved = 0.8 * (step.dial_after - step.dial_before)
        answers = [
            correct(self.machine, self.survey, done=[sent(step, zero + moved, read_before=zero)])
            for zero in (0.0, step.dial_before)
        ]
        for answer in answers:
            assert answer.progress is not None
            assert answer.progress.steps[0].moved == pytest.approx(0.8 * (step.travel or 0.0), abs=0.01)

    def test_a_doubtful_survey_is_not_worked_on(self) -> None:
        readings = [
            replace(one, value=one.value + (0.5 if at == 5 else 0.0)) for at, one in enumerate(self.survey.readings)
        ]  # type: ignore[operator]  # single values
        doubted = correct(self.machine, Survey(readings))
        assert doubted.advice.do == "read-again"
        answer = correct(self.machine, Survey(readings), done=[Done("wren", 0.1, Parked(readings[0].x, readings[0].y))])
        assert answer.progress is not None
        assert answer.progress.next == "stop"
        assert "in doubt" in answer.progress.says
        assert answer.moves == []


def test_no_steps_done_is_no_work_under_way() -> None:
    machine = three()
    survey = found(machine)[1]
    assert msgspec.json.encode(correct(machine, survey, done=[])) == msgspec.json.encode(correct(machine, survey))


def test_what_was_found_stays_that_of_the_survey() -> None:
    machine = three()
    survey = found(machine)[1]
    before, after = correct(machine, survey), told(machine, survey, 0.8)
    for name in ("as_found", "breakdown", "ladder", "attribution", "suspects", "closing_errors", "machine", "units"):
        assert getattr(after, name) == getattr(before, name)
    assert after.verdict.as_found == before.verdict.as_found
    assert after.over_bed.as_found == before.over_bed.as_found
    assert after.budget.as_found == before.budget.as_found
    assert [one.before for one in after.predicted.stations] == [one.before for one in before.predicted.stations]
    assert after.steps[-1].adjuster is None
    assert "Survey again" in after.steps[-1].do


def test_a_bed_within_its_limit_is_brought_to_the_aim_once_begun() -> None:
    machine = replace(three(), limit=Limit(0.3))
    survey = found(machine, {"wren": 0.3, "robin": -0.05, "linnet": -0.05})[1]
    answer = told(machine, survey, 0.7)
    assert answer.progress is not None
    assert 0.1 < answer.progress.now.total < 0.3
    assert answer.moves


SEATS = {"left-0": 0.21, "left-500": -0.13, "right-10": 0.17, "right-490": 0.34}
RAILS = Rails(
    "y",
    [
        Seat(f"{rail}-{y:g}", rail, x, y)
        for rail, x, ys in (("left", -40.0, (0.0, 500.0)), ("right", 540.0, (10.0, 490.0)))
        for y in ys
    ],
    block_spacing=60.0,
    tool_offset=-35.0,
)


@pytest.mark.parametrize("rails", [None, RAILS], ids=["screws", "screws and seats"])
@pytest.mark.parametrize("sense", ["plus", "minus"])
@pytest.mark.parametrize("share", [0.7, 0.85, 1.0, 1.15, 1.3])
def test_every_target_is_met_by_an_exact_dial(sense: str, share: float, rails: Rails | None) -> None:
    machine = replace(three(replace(PERFECT, bed_high_reads=sense)), rails=rails)
    simulated, survey = found(machine, ERRORS | (SEATS if rails else {}))
    solve: Solve[Any] = Solve(aim_for=0.001)
    done, answer = list[Done](), correct(machine, survey, solve)
    while (step := answer.steps[0]).adjuster:
        assert simulated.read(step.park.x, step.park.y) == pytest.approx(step.dial_before, abs=NEAR)
        simulated.move(step.adjuster, share * asked_for(answer, step))
        read = simulated.read(step.park.x, step.park.y)
        if share * asked_for(answer, step) == pytest.approx(step.travel, rel=1e-4):
            assert read == pytest.approx(step.dial_after, abs=NEAR)
        done.append(sent(step, read))
        answer = correct(machine, survey, solve, done=done)
        assert answer.progress is not None
        assert answer.progress.steps[-1].expected == pytest.approx(step.dial_after)
        assert len(done) < 16
    assert np.ptp([simulated.gap(x, y) for x, y in grid(machine, 4, 4)]) < 0.002


def test_the_estimate_is_the_posterior_of_all_at_once() -> None:
    """The recursion gives what one Bayesian regression over all unknowns gives.

    Derived here: normal errors, e of two stations and the travels of two steps, both readings in one linear system.
    """
    machine = three(Indicator(division=0.01, error_limit=0.012))
    survey = found(machine)[1]
    first = correct(machine, survey, Solve(aim_for=0.0))
    steps = [step for step in first.steps if step.adjuster][:2]
    reads = [0.8, 1.2]
    done = [
        sent(step, (step.dial_before or 0.0) + share * ((step.dial_after or 0.0) - (step.dial_before or 0.0)))
        for step, share in zip(steps, reads, strict=True)
    ]
    answer = correct(machine, survey, Solve(aim_for=0.0), done=done)
    assert answer.progress is not None
    gaps = {(one.x, one.y): float(np.mean(one.value)) for one in survey.readings}
    reach = np.array([one.travel or 0.0 for one in steps])
    solver = ThreeScrew()
    from tramwright_solvers.model.contract import Site

    at = [(step.park.x, step.park.y) for step in steps]
    influence = solver.influence(Site(machine, np.array(at)))
    names = [one.id for one in machine.supports]
    column = [names.index(str(step.adjuster)) for step in steps]
    one_reading = machine.indicator_variance + machine.repeat_variance
    # unknowns: e at both stations, the two travels
    prior = np.diag(
        [one_reading, one_reading, *((0.3 * reach) ** 2 + 0.01**2 + (own_setting(machine, at, column) ** 2))]
    )
    mean = np.array([0.0, 0.0, *reach])
    design = np.zeros((2, 4))
    for row in range(2):
        design[row, row] = 1.0
        for other in range(row + 1):
            design[row, 2 + other] = influence[row, column[other]]
    seen = np.array([one.read or 0.0 for one in done]) - [gaps[place] for place in at]
    known = np.linalg.inv(prior) + design.T @ design / one_reading
    spread = np.linalg.inv(known)
    posterior = mean + spread @ design.T @ (seen - design @ mean) / one_reading
    for place, step in enumerate(answer.progress.steps):
        assert step.moved == pytest.approx(posterior[2 + place], rel=1e-9)
        assert step.u == pytest.approx(np.sqrt(spread[2 + place, 2 + place]), rel=1e-6)


def own_setting(machine: Machine, at: list[tuple[float, float]], column: list[int]) -> np.ndarray:
    """Standard uncertainty of setting each: half a division at the dial, or a hundredth of a turn, as rectangular."""
    points = np.array([(one.x, one.y) for one in found(machine)[1].readings])
    from tramwright_solvers.model.contract import Site

    seen = np.abs(ThreeScrew().influence(Site(machine, points))).max(axis=0)[column]
    assert len(at) == len(column)
    return np.minimum(0.5 * machine.division / seen, 0.01 * 2.0) / np.sqrt(3.0)


def test_the_example_is_answered() -> None:
    from tramwright_service.catalogue import examples

    asked = msgspec.convert(examples.corrections()["after-two-steps"], correction_request(installed(False)))
    answer = correct(asked.machine, asked.survey, asked.solve, done=asked.done)
    assert answer.progress is not None
    assert (answer.progress.next, len(answer.progress.steps)) == ("go-on", 2)
