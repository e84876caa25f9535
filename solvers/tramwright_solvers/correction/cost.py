"""What a request will take, told from its size before any work is done: seconds and bytes.

Counted are readings, adjusters and the subsets of adjusters that are weighed; the factors are measured (`attack.py`
among the benchmarks prints them against what is really taken). They are meant to be near, and rather too high: what
really takes longer is stopped by the clock (:mod:`..model.deadline`). Nothing is worked out that depends on a value
read.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from math import comb, inf
from typing import Any, NamedTuple, Protocol

from msgspec import Struct

from ..adjustment.counts import exact_moves, room_beyond
from ..adjustment.subset_lsq import MOST_LEFT
from ..adjustment.zones import MOST_SPANNED
from ..diagnostics.gaussian_process import MOST_STATIONS
from ..model.done import Done
from ..model.errors import Refused
from ..model.machine import Machine
from ..model.options import Solve
from ..model.survey import Reading, Survey
from . import sentences

QUICK = 0.02
"""Seconds up to which a request is answered between two others, and not beside them."""

LEAST = 3e-3
"""Seconds that the smallest correction takes where nothing of it is known yet."""


MOST_PLACES = 2500
"""Places that a plan weighs at the most; a finer spacing is refused."""


class Readings(Protocol):
    """Anything that was read."""

    @property
    def readings(self) -> list[Reading]:
        """The dial at the stations."""
        ...


class Cost(Struct, frozen=True):
    """Estimated seconds of one processor, and bytes beside what the process holds anyway; ``each`` further survey of
    the same stations takes so many bytes more. ``plain`` says that nothing is searched or improved step by step.
    """

    seconds: float
    bytes: float
    each: float = 0.0
    plain: bool = False

    @property
    def quick(self) -> bool:
        """Whether it is not worth handing to another thread."""
        return self.plain and self.seconds <= QUICK


class Most(Struct, frozen=True):
    """What one request may take."""

    seconds: float = inf
    bytes: float = inf

    def check(self, cost: Cost, pointer: str, what: str, remedy: str) -> None:
        """Refuse a request that would take more, with the numbers.

        Raises:
            Refused: ``what``, at ``pointer``, would take more time or memory than there may be.
        """
        if cost.seconds > self.seconds or cost.bytes > self.bytes:
            most = (self.seconds, cost.bytes / 1e6, self.bytes / 1e6)
            raise Refused.at(pointer, sentences.too_large(what, cost.seconds, *most, remedy))


def correction_cost(machine: Machine, survey: Survey, solve: Solve[Any], done: Sequence[Done] = ()) -> Cost:
    """Return what one correction will take where nothing of it is known yet."""
    if done:
        # the survey is answered twice, then the rest of the work, each of whose subsets has errors of many causes
        once, count = correction_cost(machine, survey, solve), len(survey.readings)
        rest, causes = readings_cost(machine, solve, count, count + 1, 2), min(count, 2 * len(done)) + 2
        subsets, size = weighed(adjusters(machine, solve), count)[0], 2 * len(done) + described(machine)
        seconds = 2.0 * once.seconds + rest.seconds + 2e-6 * subsets * causes + len(done) * (1e-3 + 1.5e-8 * size**2)
        return Cost(seconds, once.bytes + rest.bytes + 40.0 * size**2, 0.0, once.plain)
    readings, previous = survey.readings, survey.previous
    values, setups = len(readings), len({reading.setup for reading in readings})
    if list in {type(reading.value) for reading in readings}:
        values = sum([len(reading.value) if isinstance(reading.value, list) else 1 for reading in readings])
    cost = readings_cost(machine, solve, len(readings), values, setups)
    if previous is None:
        return cost
    passes = (previous, *previous.earlier)
    rows = len(readings) + sum(len(one.readings) for one in passes)
    columns = len(passes) + sum(len(one.moves) for one in passes)
    seconds = cost.seconds + (1e-5 * rows + 2e-9 * rows * columns**2)
    return Cost(seconds, cost.bytes + 64.0 * rows * columns, cost.each)


def readings_cost(machine: Machine, solve: Solve[Any], readings: int, values: int, setups: int = 1) -> Cost:
    """Return what one correction from so many readings will take, of so many values and set-ups, without passes."""
    bounded, whole = limits(machine)
    bounded |= any(mechanism.limited for mechanism in solve.with_)
    cost = of_size(
        Size(adjusters(machine, solve), readings, values, setups, solve.criterion == "minimum-zone", bounded)
    )
    return Cost(cost.seconds + solve.time_limit, cost.bytes, cost.each) if whole else cost


class Size(NamedTuple):
    """What the cost of a correction depends on."""

    free: int
    readings: int
    values: int
    setups: int
    zone: bool
    bounded: bool


TRIED = 600
"""Subsets solved one by one within their bounds; beyond the first 300 only those that may still be the best."""


@lru_cache(4096)
def of_size(size: Size) -> Cost:
    """Return what a correction of this size will take, searches and learning apart."""
    free, count, values, setups, zone, bounded = size
    subsets, moves = weighed(free, count)
    rank, cells = min(free, count), subsets * count
    fitted, lifted = subsets * free * rank, min(cells * rank, MOST_LEFT)
    seconds = LEAST + 7e-6 * count + 4e-7 * values + 8e-9 * count * free**2
    seconds += 3e-6 * subsets + 3e-8 * (fitted + cells) + 1.5e-8 * lifted
    most = max(5.0 * fitted, 2.0 * fitted + 3.0 * cells) + 3.0 * lifted + 12.0 * count * free
    if count <= MOST_STATIONS:
        seconds += 8e-5 * count + 1.3e-9 * count**3
        most += 20.0 * count**2
    if setups > 1 or values > count:
        seconds += 4e-5 * count + 2e-7 * cells + 4e-9 * count * setups**2
        most += 10.0 * count * setups
    if zone:
        seconds += 1.1e-6 * cells
        most += 12.0 * min(cells * moves, MOST_SPANNED)
    if bounded:
        seconds += min(subsets, TRIED) * ((1.5e-2 + 1e-5 * count * moves) if zone else 2.5e-3)
    return Cost(seconds, 8.0 * most + 2500.0 * count + 150.0 * values, 24.0 * cells, not (zone or bounded))


def weighed(free: int, stations: int) -> tuple[int, float]:
    """Return how many subsets of ``free`` adjusters are weighed, and how many adjusters they have on average."""
    most = exact_moves(free, stations)
    counts = [comb(free, size) for size in range(most + 1)]
    more = room_beyond(free, stations) if most < free else 0
    moves = sum(size * count for size, count in enumerate(counts)) + more * free
    return sum(counts) + more, moves / (sum(counts) + more)


def described(machine: Machine) -> int:
    """Return how many supports and seats a machine describes."""
    return len(machine.supports) + (len(machine.rails.seats) if machine.rails is not None else 0)


def adjusters(machine: Machine, solve: Solve[Any]) -> int:
    """Return how many adjusters may move at the most."""
    every = described(machine)
    held = {name for mechanism in solve.with_ for name in mechanism.hold}  # perhaps more than there are
    return max(0, every - len(held))


def limits(machine: Machine) -> tuple[bool, bool]:
    """Say whether anything limits how far adjusters move, and whether any moves in whole steps or by shims."""
    bounded = whole = False
    for support in machine.supports:
        bounded |= support.travel is not None
        whole |= support.step is not None
    if machine.rails is not None:
        for seat in machine.rails.seats:
            bounded |= seat.travel is not None
            whole |= seat.step is not None or seat.method == "shim"
    return bounded, whole


def affordable(machine: Machine, survey: Survey, solve: Solve[Any], done: Sequence[Done], most: Most) -> Cost:
    """Return what a correction will take.

    Raises:
        Refused: more than it may.
    """
    cost = correction_cost(machine, survey, solve, done)
    if cost.seconds > most.seconds or cost.bytes > most.bytes:
        count, free = len(survey.readings), adjusters(machine, solve)
        ways = [sentences.FEWER_READINGS, sentences.HOLD_ADJUSTERS]
        if solve.criterion != "least-squares":
            ways.append(sentences.LEAST_SQUARES)
        if survey.previous is not None:
            ways.append(sentences.FEWER_PASSES)
        if limits(machine)[1]:
            ways.append(sentences.LESS_TIME)
        most.check(cost, "/survey/readings", sentences.size(count, free), "; or ".join(ways))
    return cost


def surveys_cost(machine: Machine, surveys: Sequence[Readings]) -> Cost:
    """Return what it takes to compare surveys with each other, of whichever question."""
    rows = sum(len(one.readings) for one in surveys)
    setups = sum(len({reading.setup for reading in one.readings}) for one in surveys)
    columns = described(machine) + setups + TERMS
    joint = min(rows, 2000) ** 2
    return Cost(
        0.01 + 2e-5 * rows + 1.5e-9 * rows * columns**2 + 4e-7 * joint,
        8.0 * (7.0 * rows * columns + 6.0 * joint) + 2500.0 * rows,
    )


def plan_cost(machine: Machine) -> Cost:
    """Return what memory a survey plan takes at the most; its time is bounded by the plan itself, and by the clock."""
    columns = described(machine) + TERMS
    return Cost(0.0, 8.0 * 50.0 * MOST_PLACES * columns)


TERMS = 30
"""Columns of a form beside those of the adjusters, about."""
