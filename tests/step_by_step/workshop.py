"""A person at an exact machine whose adjusters do less or more than they are asked, step by step with the dial.

Everything here is invented: shares drawn evenly from 0.7 to 1.3, a total of 1 to 3 mm as found, a plate with a form of
a few micrometres, a good indicator. An adjuster that sticks moves nothing, or a tenth, until the person looks at it;
one that slips goes back by any part of each step until then. What the person does is only what the answer says: its
first step, by the turn or travel asked for; where it says stop, the adjuster is looked at and the step done again.
"""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from judgement.truth import Dial, ExactMachine
from simulated_machine import grid
from tramwright_solvers.correction.api import correct
from tramwright_solvers.correction.cache import GeometryCache
from tramwright_solvers.mechanisms import FourScrew, RailShim, ThreeScrew
from tramwright_solvers.model.contract import Mechanism
from tramwright_solvers.model.done import Done, Parked
from tramwright_solvers.model.machine import Bed, Indicator, Machine, Rails, Screw, Seat, Support
from tramwright_solvers.model.options import Solve
from tramwright_solvers.model.survey import Reading, Survey
from tramwright_solvers.results.correction import Correction
from tramwright_solvers.results.moves import Step

AIM, SHARES, AS_FOUND, MOST_STEPS = 0.03, (0.7, 1.3), (1.0, 3.0), 60

SCREWS = {"dunnock": (30.0, 40.0), "siskin": (470.0, 40.0), "brambling": (250.0, 460.0)}
FOUR = {"FL": (30.0, 30.0), "FR": (470.0, 20.0), "RL": (40.0, 470.0), "RR": (470.0, 460.0)}
SEATS = {"left": (-40.0, (0.0, 500.0)), "right": (540.0, (0.0, 500.0))}
MORE_SEATS = {"left": (-40.0, (0.0, 260.0, 500.0)), "right": (540.0, (10.0, 180.0, 350.0, 490.0))}

Jobs = dict[str, tuple[tuple[Mechanism, ...], dict[str, tuple[float, float]], dict[str, tuple[float, Sequence[float]]]]]
JOBS: Jobs = {
    "three screws": ((ThreeScrew(),), SCREWS, {}),
    "three screws, four seats": ((ThreeScrew(), RailShim()), SCREWS, SEATS),
    "three screws, seven seats": ((ThreeScrew(), RailShim()), SCREWS, MORE_SEATS),
    "four screws, rigid": ((FourScrew(),), FOUR, {}),
}
"""Invented. Seats that stand closer together are out by less, as what tilts the tool is the slope between them."""

Fault = Literal["", "sticks", "slips"]


def machine_for(job: str) -> Machine:
    """A machine of 500 mm on these screws and seats, and a good indicator."""
    _, screws, rails = JOBS[job]
    seats = [Seat(f"{rail}-{y:g}", rail, x, y) for rail, (x, ys) in rails.items() for y in ys]
    return Machine(
        bed=Bed((0.0, 500.0), (0.0, 500.0), thickness=12.0),
        id="fieldfare-03",
        supports=[Support(name, x, y, screw=Screw(2.0)) for name, (x, y) in screws.items()],
        rails=Rails("y", seats, block_spacing=60.0, tool_offset=-35.0) if seats else None,
        indicator=Indicator(division=0.001, error_limit=0.003, repeatability=0.001),
    )


@dataclass
class Workshop:
    """One machine as found, its adjusters' shares, its dial, and the one adjuster that is at fault, if any."""

    job: str
    seed: int
    fault: Fault = ""
    culprit: str = ""
    stops: list[str] = field(default_factory=list)
    steps: int = 0

    def __post_init__(self) -> None:
        self.random = np.random.default_rng([self.seed, len(self.fault)])
        self.machine = machine_for(self.job)
        self.solve: Solve[Mechanism] = Solve(with_=list(JOBS[self.job][0]), aim_for=AIM)
        self.stations = grid(self.machine, 5, 5)
        seats = self.machine.rails.seats if self.machine.rails else []
        self.shares = {one.id: float(self.random.uniform(*SHARES)) for one in [*self.machine.supports, *seats]}
        if self.fault:
            self.culprit = str(self.random.choice(list(self.shares)))
        self.exact = self.spoiled(seats)
        self.dial = Dial(self.machine, self.random, 0.137)

    def spoiled(self, seats: Sequence[Seat]) -> ExactMachine:
        """Return the machine as found: every support on one plane where more than three carry a rigid plate."""
        supports, random = self.machine.supports, self.random
        if len(supports) > 3:
            along, across = random.uniform(-1.0, 1.0, 2)
            heights = {one.id: along * one.x / 500 + across * one.y / 500 for one in supports}
        else:
            heights = {one.id: float(random.uniform(-1.0, 1.0)) for one in supports}
        close = 0.3 if len(seats) > 4 else 1.0
        heights |= {one.id: close * float(random.uniform(-1.0, 1.0)) for one in seats}
        found = ExactMachine(self.machine, heights, form=flat, centre=(240.0, 255.0)).total(self.stations)
        size = random.uniform(*AS_FOUND) / found
        return ExactMachine(
            self.machine, {name: size * height for name, height in heights.items()}, form=wavy, centre=(240.0, 255.0)
        )

    def survey(self) -> Survey:
        """Read every station once."""
        return Survey([Reading(x, y, self.dial.read(self.exact, (x, y))) for x, y in self.stations])

    @property
    def total(self) -> float:
        """True total over the stations."""
        return self.exact.total(self.stations)

    def carry_out(self, answer: Correction, step: Step) -> None:
        """Do one step as it is told: what is asked for is what is turned, whatever comes of it."""
        name = step.adjuster
        assert name is not None
        if step.travel is None:
            with suppress(AssertionError):  # a bed that lies on it already, for want of room, has nothing to be met
                self.exact.bring_up(name)
            return
        move = next((one for one in answer.moves if one.adjuster == name), None)
        asked = step.travel if move is None or move.ask is None else step.travel * move.ask / move.travel
        share = self.shares[name]
        if name == self.culprit and self.fault:
            share *= self.random.uniform(0.0, 0.1) if self.fault == "sticks" else self.random.uniform(-0.2, 0.3)
        self.exact.move(name, share * asked)

    def look_at(self, name: str) -> None:
        """Look at an adjuster that is said not to do what it is told; what is wrong with it is put right."""
        self.stops.append(name)
        if name == self.culprit:
            self.fault = ""

    def follow(self, cache: GeometryCache | None = None) -> None:
        """Follow answers that are asked for anew after every step, up to the survey that closes the work."""
        survey, done = self.survey(), list[Done]()
        answer = correct(self.machine, survey, self.solve, cache=cache)
        while (step := answer.steps[0] if answer.steps else None) and step.adjuster and self.steps < MOST_STEPS:
            self.steps += 1
            self.carry_out(answer, step)
            done.append(self.written(step))
            before, answer = answer, correct(self.machine, survey, self.solve, cache=cache, done=done)
            for _ in range(3):
                assert answer.progress is not None
                if answer.progress.next != "stop":
                    break
                self.look_at(step.adjuster)
                if answer.advice.do != "read-again":
                    self.carry_out(before, step)
                done[-1] = self.written(step)
                answer = correct(self.machine, survey, self.solve, cache=cache, done=done)

    def written(self, step: Step) -> Done:
        """Return a step as it is sent, with what the dial reads now."""
        assert step.adjuster is not None
        at = (step.park.x, step.park.y)
        return Done(step.adjuster, step.travel, Parked(*at), self.dial.read(self.exact, at))

    def follow_blindly(self, cache: GeometryCache | None = None) -> None:
        """Carry out all steps of the first answer, as they are asked."""
        answer = correct(self.machine, self.survey(), self.solve, cache=cache)
        for step in answer.steps:
            if step.adjuster:
                self.steps += 1
                self.carry_out(answer, step)


def flat(u: float, v: float) -> float:
    """A plate without form."""
    return 0.0


def wavy(u: float, v: float) -> float:
    """A plate whose form no adjuster makes, 0.004 mm from highest to lowest."""
    return float(0.002 * np.sin(u / 90.0) * np.cos(v / 70.0))
