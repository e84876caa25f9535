"""Work under way on any machine: dial targets are met, whatever adjusters make of what they are asked; nothing breaks.

Machines, shares and readings are invented.
"""

from __future__ import annotations

from typing import Any

import msgspec
import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from msgspec.structs import replace

from profiles import budget
from simulated_machine import SimulatedMachine, grid
from strategies import GROUPS, jobs, machines, percent
from tramwright_solvers.correction.api import correct
from tramwright_solvers.model.contract import Site
from tramwright_solvers.model.done import Done, Parked
from tramwright_solvers.model.errors import Refused
from tramwright_solvers.model.machine import Bed, Indicator, Machine, Rails, Seat
from tramwright_solvers.model.options import Solve
from tramwright_solvers.model.survey import Reading, Survey
from tramwright_solvers.results.correction import Correction
from tramwright_solvers.results.moves import Step

NEAR = 1e-4
"""mm; an ideal dial is known to 1e-6 only, which leaves the shares of the adjusters something to say."""

EXACT = Indicator(division=1e-6, error_limit=1e-6, repeatability=1e-6)


def sent(step: Step, read: float | None) -> Done:
    assert step.adjuster is not None
    return Done(step.adjuster, step.travel, Parked(step.park.x, step.park.y), read)


def asked_for(answer: Correction, step: Step) -> float:
    move = next(one for one in answer.moves if one.adjuster == step.adjuster)
    assert step.travel is not None
    return step.travel if move.ask is None else step.travel * move.ask / move.travel


def at_work(answer: Correction) -> bool:
    return bool(answer.steps) and answer.steps[0].adjuster is not None


class Ideal:
    """A machine that is what the solvers say of it: its dial shows influence times travel, to the last digit."""

    def __init__(self, machine: Machine, group: str, errors: dict[str, float]) -> None:
        self.machine, self.solvers = machine, GROUPS[group]
        self.ids = [one.id for solver in self.solvers for one in solver.adjusters(machine)]
        self.stands = np.array([errors[name] for name in self.ids])

    def influence(self, places: list[tuple[float, float]]) -> np.ndarray:
        return np.hstack([solver.influence(Site(self.machine, np.array(places))) for solver in self.solvers])

    def move(self, adjuster: str, travel: float) -> None:
        self.stands[self.ids.index(adjuster)] += travel

    def read(self, x: float, y: float) -> float:
        return float(self.machine.sense * (self.influence([(x, y)]) @ self.stands)[0] + 0.137)

    def survey(self) -> Survey:
        return Survey([Reading(x, y, self.read(x, y)) for x, y in grid(self.machine, 4, 4)])


@st.composite
def spoiled(draw: st.DrawFn, group: str, indicator: Indicator = EXACT) -> tuple[Machine, dict[str, float]]:
    """A machine and its errors, which are to be seen: seats that stand close are out by less."""
    machine = draw(machines(group, indicator))
    errors = {one.id: draw(st.sampled_from([-0.3, -0.17, 0.11, 0.24])) for one in machine.supports}
    seats = machine.rails.seats if machine.rails else []
    return machine, errors | {one.id: draw(st.sampled_from([-0.1, -0.04, 0.05, 0.12])) for one in seats}


@budget(0.5)
@pytest.mark.parametrize("group", GROUPS)
@given(data=st.data())
def test_every_shifted_target_is_met_on_an_ideal_machine(group: str, data: st.DataObject) -> None:
    machine, errors = data.draw(spoiled(group))
    shares = {name: data.draw(percent(70, 130)) for name in errors}
    if data.draw(st.booleans(), label="every adjuster does as it is asked"):
        shares = dict.fromkeys(shares, 1.0)
    ideal = Ideal(machine, group, errors)
    survey, solve = ideal.survey(), Solve[Any](with_=list(GROUPS[group]), aim_for=0.005)
    answer, done = correct(machine, survey, solve), list[Done]()
    assume(answer.advice.do == "move")  # else the machine is so odd that more is to be read first
    while at_work(answer) and len(done) < 30:
        step = answer.steps[0]
        name, asked = str(step.adjuster), asked_for(answer, step)
        assert ideal.read(step.park.x, step.park.y) == pytest.approx(step.dial_before, abs=NEAR)
        ideal.move(name, shares[name] * asked)
        read = ideal.read(step.park.x, step.park.y)
        if shares[name] * asked == pytest.approx(step.travel, rel=1e-9):
            assert read == pytest.approx(step.dial_after, abs=NEAR)
        done.append(sent(step, read))
        answer = correct(machine, survey, solve, done=done)
        assert answer.progress is not None
        assert answer.progress.next != "stop"
        assert answer.progress.steps[-1].moved == pytest.approx(shares[name] * asked, abs=0.003)
    assert not at_work(answer)
    assert np.ptp([ideal.read(x, y) for x, y in grid(machine, 4, 4)]) < 0.01


def test_a_move_begun_is_finished_though_it_gains_less_at_the_stations_than_it_changes_corners() -> None:
    """The seats go 70 % of what they are asked; what is left of the last one changes the corner beyond the stations by
    more than a third of what it gains."""
    rows = {"near": (-12.0, (-3.0, 75.0, 153.0)), "far": (160.5, (-3.0, 49.0, 101.0, 153.0))}
    seats = [Seat(f"{rail}-{k}", rail, x, y, method="slip") for rail, (y, xs) in rows.items() for k, x in enumerate(xs)]
    machine = Machine(Bed((0.0, 150.0), (0.0, 150.0)), id="wagtail-01", rails=Rails("x", seats), indicator=EXACT)
    ideal = Ideal(machine, "rails", {one.id: -0.04 if one.id in ("far-2", "far-3") else -0.1 for one in seats})
    survey, solve, done = ideal.survey(), Solve[Any](with_=list(GROUPS["rails"]), aim_for=0.005), list[Done]()
    while at_work(answer := correct(machine, survey, solve, done=done)) and len(done) < 30:
        step = answer.steps[0]
        ideal.move(str(step.adjuster), 0.7 * asked_for(answer, step))
        done.append(sent(step, ideal.read(step.park.x, step.park.y)))
    assert np.ptp([ideal.read(x, y) for x, y in grid(machine, 4, 4)]) < 0.005


@budget(0.5)
@pytest.mark.parametrize("group", GROUPS)
@given(data=st.data())
def test_steps_made_as_told_change_nothing_of_the_rest(group: str, data: st.DataObject) -> None:
    machine, errors = data.draw(spoiled(group, Indicator(division=0.001, error_limit=0.003)))
    survey, solve = SimulatedMachine(machine, errors).survey(grid(machine, 4, 4)), Solve[Any](aim_for=0.0)
    whole = correct(machine, survey, solve)
    steps = [step for step in whole.steps if step.adjuster]
    assume(whole.advice.do == "move" and len(steps) > 1)
    done = [sent(step, step.dial_after) for step in steps[: data.draw(st.integers(1, len(steps) - 1))]]
    rest = correct(machine, survey, solve, done=done)
    assert rest.progress is not None
    assert rest.progress.next == "go-on"
    left = [step for step in rest.steps if step.adjuster]
    travels = {step.adjuster: step.travel for step in left}
    for step in steps[len(done) :]:
        if step.adjuster in travels:  # another subset may do as well for what is left, or a step be too small by now
            assert travels[step.adjuster] == pytest.approx(step.travel, abs=2e-3 + 0.05 * abs(step.travel or 0.0))
    for step, one in zip(done, rest.progress.steps, strict=True):
        assert one.expected == pytest.approx(step.read, abs=1e-9)
        assert one.moved == pytest.approx(step.travel, abs=1e-9)
    assert rest.predicted.total <= whole.predicted.total + rest.predicted.expanded


@given(data=st.data())
def test_whatever_is_sent_is_answered_or_refused(data: st.DataObject) -> None:
    group = data.draw(st.sampled_from(sorted(GROUPS)))
    machine, survey = data.draw(jobs(group))
    ids = [one.id for one in [*machine.supports, *(machine.rails.seats if machine.rails else [])]]
    places = [(one.x, one.y) for one in survey.readings]
    value = st.one_of(st.none(), st.integers(-2000, 2000).map(lambda whole: whole / 500), st.sampled_from([1e3, -1e3]))
    done = [
        Done(
            data.draw(st.sampled_from([*ids, "heron"])),
            data.draw(value),
            Parked(*data.draw(st.sampled_from([*places, (1.0, 2.0)]))),
            data.draw(value),
            data.draw(st.one_of(st.none(), value)),
        )
        for _ in range(data.draw(st.integers(1, 5)))
    ]
    try:
        answer = correct(machine, survey, Solve(with_=list(GROUPS[group])), done=done)
    except Refused as refused:
        wrong = [fault.pointer for fault in refused.faults if not fault.pointer.startswith("/done/")]
        if wrong:
            pytest.fail(f"elsewhere than in the steps: {wrong}")
    else:
        assert answer.progress is not None
        assert [one.adjuster for one in answer.progress.steps] == [one.adjuster for one in done]
        assert answer.steps[-1].adjuster is None
        if answer.progress.next == "stop":
            assert answer.moves == []
        if answer.progress.next == "turn-back":
            assert answer.steps[0].adjuster == done[-1].adjuster
        numbers = [answer.predicted.total, answer.predicted.u, answer.progress.now.total, answer.progress.now.u]
        assert np.isfinite(numbers).all()


@given(data=st.data())
def test_the_same_steps_get_the_same_bytes(data: st.DataObject) -> None:
    machine, errors = data.draw(spoiled("both", Indicator(division=0.001, error_limit=0.003)))
    survey = SimulatedMachine(machine, errors).survey(grid(machine, 4, 4))
    first = correct(machine, survey, Solve(aim_for=0.0))
    assume(at_work(first))
    step = first.steps[0]
    done = [replace(sent(step, step.dial_after), read=(step.dial_after or 0.0) + 0.01)]
    once, again = (correct(machine, survey, Solve(aim_for=0.0), done=done) for _ in range(2))
    assert msgspec.json.encode(once) == msgspec.json.encode(again)
