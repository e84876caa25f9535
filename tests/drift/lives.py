"""Machines over a year: steady, slowly drifting, or jumped; read now and then, and moved by people in some visits.

Everything here is invented, and nothing shares a formula with what follows the surveys. The bed lies as its supports
and seats hold it, in exact geometry for one machine in five; its form is a hill and a wave. A drift is a support or a
seat that creeps, a bed that bows like a cosine, or a corner that sinks; evenly, slower or faster with time, or by fits
and starts; from the first day on, or later. A jump is the same at once. Between two surveys every machine changes a
little with its temperature, and comes back. The dial has an error of its own that stays, at most what is stated of it;
it reads to a fifth of its division, and each reading scatters.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from simulated_machine import SimulatedMachine, grid
from tramwright_solvers.model.machine import Bed, Indicator, Limit, Machine, Rails, Screw, Seat, Support
from tramwright_solvers.model.survey import Reading, Survey

Kind = Literal["steady", "drifting", "jumped"]
KINDS: tuple[Kind, ...] = ("steady", "drifting", "jumped")
BIRDS = ("avocet", "bittern", "curlew", "dipper", "firecrest", "grebe", "hobby", "jackdaw", "knot", "lapwing")
DAYS = 400
LEAST = 6
"""Surveys at least between the beginning of a drift and the day on which the limit is passed: fewer tell nothing."""

Shape = Callable[[float, float], float]
"""Change of gap at a place of the bed, both coordinates from 0 to 1, for each unit of what happens."""


@dataclass
class Visit:
    """One day on which the machine is read; where it is also moved, it is read again afterwards unless ``closes`` is
    false."""

    day: float
    moves: dict[str, float] = field(default_factory=dict)
    closes: bool = True


class Life:
    """One machine, its true gap on any day, and its visits."""

    def __init__(self, seed: int) -> None:
        self.random = random = np.random.default_rng([seed, 7919])
        self.seed, self.kind = seed, KINDS[seed % 3]
        self.mm = 1.0 if random.random() < 0.75 else 1.0 / 25.4
        self.limit = float(random.uniform(0.08, 0.2))
        self.exact = random.random() < 0.2
        self.machine = self._machine()
        self.error_limit = (self.machine.indicator.error_limit or 0.0) / self.mm
        side = random.choice([3, 4, 5])
        self.stations = grid(self.machine, int(side), int(random.choice([3, side])), float(random.uniform(0.03, 0.1)))
        self.noise = float(random.uniform(0.001, 0.004))
        self.wander = float(random.uniform(0.0, 0.004))
        self.dial = float(random.uniform(-1.0, 1.0) * self.error_limit), float(random.uniform(0.5, 3.0))
        self.start = self._start()
        self.shape, self.by = self._shape(), float(random.choice([-1.0, 1.0]))
        self.visits = self._visits()
        self.size, self.course, self.begins, self.jump = 0.0, _evenly, 0.0, 0
        getattr(self, f"_make_{self.kind}")()

    # the machine

    def _machine(self) -> Machine:
        random, mm = self.random, self.mm
        size = float(random.choice([300.0, 500.0, 800.0])) * mm
        supports = [
            Support(name, x * size, y * size, screw=Screw(1.0 * mm))
            for name, x, y in (("left", 0.06, 0.08), ("right", 0.94, 0.08), ("rear", 0.5, 0.92))
        ]
        rails = None
        if random.random() < 0.6:
            seats = [
                Seat(f"{rail}-{end}", rail, x * size, y * size)
                for rail, x in (("near", -0.08), ("far", 1.08))
                for end, y in (("front", 0.0), ("back", 1.0))
            ]
            rails = Rails("y", seats, block_spacing=0.1 * size, tool_offset=-0.05 * size)
        division = float(random.choice([0.002, 0.01]))
        return Machine(
            bed=Bed((0.0, size), (0.0, size), thickness=10.0 * mm),
            id=BIRDS[self.seed % len(BIRDS)],
            units="mm" if mm == 1.0 else "inch",
            supports=supports,
            rails=rails,
            indicator=Indicator(division=division * mm, error_limit=float(random.choice([0.004, 0.01])) * mm),
            limit=Limit(self.limit * mm),
        )

    def _start(self) -> dict[str, float]:
        """Errors of the adjusters on the first day, in mm: a machine that was trammed with some care."""
        names = [one.id for one in self.machine.supports]
        names += [seat.id for seat in self.machine.rails.seats] if self.machine.rails else []
        return {name: float(self.random.normal(0.0, 0.06 * self.limit)) for name in names}

    def _shape(self) -> Shape:
        """What creeps or is knocked."""
        random = self.random
        shapes: list[Shape] = [
            lambda x, y: x - 0.5,
            lambda x, y: (x - 0.3) * 0.4 + (y - 0.5),
            lambda x, y: (1.0 - x) * (1.0 - y),  # one seat of a rail
            lambda x, y: float(np.cos(np.pi * x)) * float(np.cos(np.pi * y)),
            lambda x, y: float(np.cos(2.0 * np.pi * (x - 0.5))),
            lambda x, y: float(np.exp(-((x - 1.0) ** 2 + (y - 1.0) ** 2) / 0.3)),
        ]
        if self.exact:
            shapes = shapes[:3]  # in exact geometry an adjuster moves
        return shapes[int(random.integers(len(shapes)))]

    # what happens

    def _visits(self) -> list[Visit]:
        random = self.random
        mean, day, visits = float(random.uniform(8.0, 35.0)), 0.0, list[Visit]()
        while day < DAYS:
            visits.append(Visit(day))
            day += mean * float(random.uniform(0.4, 1.6))
        if random.random() < 0.4:
            for at in random.choice(len(visits) - 1, min(2, len(visits) - 1), replace=False):
                adjuster = str(random.choice([one.id for one in self.machine.supports]))
                visits[at].moves = {adjuster: float(random.normal(0.0, 0.15 * self.limit))}
                visits[at].closes = bool(random.random() < 0.8)
        return visits

    def _make_steady(self) -> None:
        pass

    def _make_jumped(self) -> None:
        self.jump = int(self.random.integers(2, len(self.visits) - 1))
        self.size = self.by * self.limit * float(self.random.uniform(0.4, 1.0))
        moment = (self.visits[self.jump - 1].day + self.visits[self.jump].day) / 2.0
        self.course = lambda day: float(day > moment)

    def _make_drifting(self) -> None:
        random = self.random
        self.begins = float(random.choice([0.0, random.uniform(0.0, 0.4 * DAYS)]))
        bend = float(random.uniform(0.7, 1.4))
        steps = np.cumsum(random.gamma(2.0, 0.5, DAYS // 5 + 2))
        fits = random.random() < 0.3

        def course(day: float) -> float:
            on = max(day - self.begins, 0.0) / DAYS
            return float(np.interp(on * DAYS / 5.0, np.arange(len(steps)), steps) / len(steps)) if fits else on**bend

        self.course = course
        enough = [one.day for one in self.visits if one.day >= self.begins]
        latest = DAYS if len(enough) <= LEAST + 1 else float(random.uniform(enough[LEAST], DAYS))
        low, high = 0.0, 40.0 * self.limit
        for _ in range(40):  # the size with which the limit is passed on that day
            self.size = self.by * (low + high) / 2.0
            low, high = (low, abs(self.size)) if self.total(latest) > self.limit else (abs(self.size), high)

    # the truth

    def heights(self, day: float, *, after: bool = True) -> dict[str, float]:
        """Errors of the adjusters, moves made until then included; on the day itself where ``after`` says so."""
        heights = dict(self.start)
        for visit in self.visits:
            if visit.day < day or (visit.day == day and after):
                for adjuster, travel in visit.moves.items():
                    heights[adjuster] += travel
        return heights

    def gap(self, day: float, *, after: bool = True, wander: np.ndarray | None = None) -> np.ndarray:
        """True gap at the stations, in mm."""
        heights, side = self.heights(day, after=after), self.machine.bed.x[1]
        places = [(x / side, y / side) for x, y in self.stations]
        happens = self.size * self.course(day)
        if self.exact:
            model = SimulatedMachine(self.machine, {name: one * self.mm for name, one in heights.items()})
            found = np.array([model.gap(x, y) for x, y in self.stations]) / self.mm
        else:
            found = np.array([self._lies(heights, x, y) for x, y in places])
        found += np.array([happens * self.shape(x, y) for x, y in places])
        form = [np.sin(5.0 * x + 1.0) + np.exp(-8.0 * (y - 0.4) ** 2) for x, y in places]
        found += 0.05 * self.limit * np.array(form)
        if wander is not None:
            across, along = np.array(places).T - 0.5
            found += np.column_stack([across, along, 4.0 * across * along, 4.0 * across**2]) @ wander
        return found

    def _lies(self, heights: dict[str, float], x: float, y: float) -> float:
        """Height of the plane through three supports less that of the two rails."""
        a, b, c = (heights[one.id] for one in self.machine.supports)
        across, along = (x - 0.06) / 0.88, (y - 0.08) / 0.84
        plane = a + (b - a) * (across - along / 2.0) + (c - a) * along
        if self.machine.rails is None:
            return float(plane)
        near, far = ((1.0 - y) * heights[f"{rail}-front"] + y * heights[f"{rail}-back"] for rail in ("near", "far"))
        return float(plane - near - (far - near) * (x + 0.08) / 1.16)

    def total(self, day: float, *, after: bool = True) -> float:
        """True total at the stations, in mm."""
        return float(np.ptp(self.gap(day, after=after)))

    def passing(self) -> float:
        """The first day after the last visit with moves on which the limit is passed; infinite if none is."""
        return next((day for day in np.arange(0.0, 3.0 * DAYS, 1.0).tolist() if self.total(day) > self.limit), np.inf)

    def survey(self, day: float, *, after: bool) -> Survey:
        """What a person reads on a day, before or after the moves of that day."""
        size, waves = self.dial
        gap = self.gap(day, after=after, wander=self.random.normal(0.0, self.wander, 4))
        shown = gap + size * np.sin(waves * gap / self.limit) + self.random.normal(0.0, self.noise, len(gap))
        division = (self.machine.indicator.division or 0.01) / 5.0
        values = np.round(shown * self.mm / division) * division
        return Survey([Reading(x, y, float(value)) for (x, y), value in zip(self.stations, values, strict=True)])


def _evenly(day: float) -> float:
    return day / DAYS
