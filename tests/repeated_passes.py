"""Tramming pass after pass on a machine whose adjusters move less or more than they are asked, by a lasting share.

Survey, correct, move, survey again, until the true total over the stations is inside. Everything here is invented:
0.003 mm of noise in a reading (a good indicator, read with care), a total of 1 to 3 mm as found, as after assembly, and
shares drawn evenly from 0.7 to 1.3. Where play is asked for, an adjuster also loses that much whenever it is moved the
other way than last.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from msgspec import Struct

from simulated_machine import SimulatedMachine, grid
from tramwright_solvers.correction.api import reduce_stack
from tramwright_solvers.correction.assemble import ReducedStack
from tramwright_solvers.correction.decision import decide_lazily
from tramwright_solvers.correction.previous_passes import current_pass, learn_from
from tramwright_solvers.learning.forecast import Goal, forecast
from tramwright_solvers.learning.responses import Responses, Slack, learn, travels_to_ask
from tramwright_solvers.mechanisms import RailShim, ThreeScrew
from tramwright_solvers.mechanisms.registry import installed
from tramwright_solvers.model.contract import Mechanism
from tramwright_solvers.model.machine import Bed, Indicator, Machine, Rails, Screw, Seat, Support
from tramwright_solvers.model.options import Solve
from tramwright_solvers.model.survey import Made, Pass, Previous, Survey
from tramwright_solvers.results.learning import Forecast

INSIDE, NOISE, MOST = 0.03, 0.003, 12
"""mm to get inside, mm of noise in one reading, and the passes after which a machine is given up."""

SHARES, AS_FOUND = (0.7, 1.3), (1.0, 3.0)

SCREWS = (("dunnock", 30.0, 40.0), ("siskin", 470.0, 40.0), ("brambling", 250.0, 460.0))
SEATS = (("left", -40.0, 0.0), ("left", -40.0, 500.0), ("right", 540.0, 0.0), ("right", 540.0, 500.0))
JOBS: dict[str, tuple[Mechanism, ...]] = {
    "three screws": (ThreeScrew(),),
    "three screws, four seats": (ThreeScrew(), RailShim()),
}


class Run(Struct, frozen=True):
    """One machine trammed: passes to the true total inside, that total after each, and the forecast made before each.

    ``errors`` are (learnt - true response) / u of every determined adjuster, before each pass from the second.
    """

    passes: int
    totals: tuple[float, ...]
    forecasts: tuple[Forecast, ...]
    errors: tuple[float, ...]


def machine_for(job: str) -> Machine:
    """A machine of 500 mm with three screws under the bed, and four slipping seats where the job has rails."""
    seats = [Seat(f"{rail}-{y:g}", rail, x, y) for rail, x, y in SEATS]
    return Machine(
        bed=Bed((0.0, 500.0), (0.0, 500.0), thickness=12.0),
        id="fieldfare-03",
        supports=[Support(name, x, y, screw=Screw(4.0)) for name, x, y in SCREWS],
        rails=Rails("y", seats, block_spacing=60.0, tool_offset=-35.0) if len(JOBS[job]) > 1 else None,
        indicator=Indicator(division=0.001, error_limit=0.005, repeatability=0.001),
    )


def spoiled(machine: Machine, seed: int, found: tuple[float, float]) -> tuple[SimulatedMachine, dict[str, float]]:
    """The machine as found, and the share of what is asked that each of its adjusters moves."""
    random = np.random.default_rng(seed)
    seats = machine.rails.seats if machine.rails else []
    ids = [one.id for one in [*machine.supports, *seats]]
    heights = {name: float(random.uniform(-1.0, 1.0)) for name in ids}
    shares = {name: float(random.uniform(*SHARES)) for name in ids}
    size = random.uniform(*found) / total(SimulatedMachine(machine, heights), grid(machine, 5, 5))
    heights = {name: size * height for name, height in heights.items()}
    return SimulatedMachine(machine, heights, noise=NOISE, seed=seed), shares


def total(simulated: SimulatedMachine, stations: Sequence[tuple[float, float]]) -> float:
    """The true total over the stations."""
    gaps = [simulated.gap(*at) for at in stations]
    return max(gaps) - min(gaps)


def tram(
    job: str,
    seed: int,
    *,
    learning: bool,
    aim: float = INSIDE,
    play: float = 0.0,
    found: tuple[float, float] = AS_FOUND,
) -> Run:
    """Tram one machine until it is inside, with or without learning from the passes before."""
    machine = machine_for(job)
    simulated, shares = spoiled(machine, seed, found)
    upwards = dict.fromkeys(shares, True)
    stations = grid(machine, 5, 5)
    solve = Solve(with_=list(JOBS[job]), aim_for=aim)
    passes = list[Pass]()
    totals, forecasts, errors = [total(simulated, stations)], list[Forecast](), list[float]()
    while totals[-1] > INSIDE and len(passes) < MOST:
        survey = simulated.survey(stations)
        if passes:
            survey = Survey(survey.readings, previous=Previous(passes[-1].readings, passes[-1].moves, passes[:-1]))
        work = work_of(machine, survey, solve)
        travels = decide_lazily(work.prepared, solve, work.gaps, work.noise).chosen.travels[0]
        learnt = learnt_of(work, survey, solve)
        asks = travels_to_ask(travels, learnt) if learning else travels
        seen = current_pass(work.prepared, work.gaps[0], work.noise.variance[0])
        if learning:
            goal = Goal(aim, aim, work.prepared.setting.half, np.zeros(len(asks)))
            forecasts.append(forecast(learnt, seen, travels, asks, goal))
        errors += [
            (learnt.will.response[j] - shares[one.id]) / learnt.will.u[j]
            for j, one in enumerate(learnt.adjusters)
            if learnt.will.determined[j]
        ]
        made = {one.id: ask for one, ask in zip(learnt.adjusters, asks.tolist(), strict=True) if ask}
        if not made:
            break
        move(simulated, made, shares, upwards, play)
        passes.append(Pass(survey.readings, [Made(name, ask) for name, ask in made.items()]))
        totals.append(total(simulated, stations))
    done = len(passes) if totals[-1] <= INSIDE else MOST + 1
    return Run(done, tuple(totals), tuple(forecasts), tuple(errors))


def move(
    simulated: SimulatedMachine,
    asks: Mapping[str, float],
    shares: Mapping[str, float],
    upwards: dict[str, bool],
    play: float,
) -> None:
    """Move every adjuster by its share of what it is asked, less the play where it turns back; notes the direction."""
    for name, ask in asks.items():
        lost = min(play, abs(ask)) if (ask > 0) != upwards[name] else 0.0
        simulated.move(name, shares[name] * float(np.sign(ask)) * (abs(ask) - lost))
        upwards[name] = ask > 0


def work_of(machine: Machine, survey: Survey, solve: Solve[Mechanism]) -> ReducedStack:
    """Reduce one survey, prepared."""
    return reduce_stack(machine, [survey], solve, installed(False))


def learnt_of(work: ReducedStack, survey: Survey, solve: Solve[Mechanism]) -> Responses:
    """What the survey's passes tell; before the first, nothing but the prior."""
    learnt = learn_from(work.prepared, solve, survey, work.gaps[0], work.noise.variance[0])
    adjusters, nothing = work.prepared.adjusters, np.zeros((0, len(work.prepared.adjusters)))
    return learnt or learn(
        adjusters, [current_pass(work.prepared, work.gaps[0], work.noise.variance[0])], nothing, Slack()
    )
