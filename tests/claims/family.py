"""The family of machines on which statements are measured: mechanisms, layouts, forms and errors, all invented.

Wider than what the numerics were tuned on: sizes, places of the supports, tilts and the phase of every form are drawn
anew for every machine. True gaps come from the exact machine (:mod:`judgement.truth`), which shares no formula with the
solvers. Lengths are in mm.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from msgspec.structs import replace

from judgement.machines import MECHANISMS, rails_of, supports_of
from judgement.machines import stations as stations_of
from judgement.truth import ExactMachine, Place
from tramwright_solvers.model.contract import Mechanism
from tramwright_solvers.model.machine import Bed, Indicator, Machine
from tramwright_solvers.model.survey import Reading, Survey

Surface = Callable[[float, float], float]
Form = Callable[[np.random.Generator, float, float], Surface]
"""Draws a form for a bed of this size (side, mm), whose stations are so far apart (share of the side)."""

DIAL = Indicator(division=0.01, error_limit=0.012)
FINE = 25
"""Points along each side at which the true bed is looked at."""


def none(random: np.random.Generator, side: float, pitch: float) -> Surface:
    return lambda u, v: 0.0


def smooth(random: np.random.Generator, side: float, pitch: float) -> Surface:
    """A few long waves across each other."""
    size, waves = random.uniform(0.005, 0.03), random.uniform(0.9, 2.0, 2)
    turns = random.uniform(0.0, 2.0 * np.pi, 2)
    return lambda u, v: float(
        size * np.sin(2 * np.pi * u / side / waves[0] + turns[0]) * np.sin(2 * np.pi * v / side / waves[1] + turns[1])
    )


def bowl(random: np.random.Generator, side: float, pitch: float) -> Surface:
    size, (x, y) = random.uniform(-0.06, 0.06), random.uniform(0.35, 0.65, 2)
    return lambda u, v: float(size * 2 * ((u / side - x) ** 2 + (v / side - y) ** 2))


def sag(random: np.random.Generator, side: float, pitch: float) -> Surface:
    """Bent one way, as a beam under an even load on two supports."""
    size, turn = random.uniform(0.01, 0.04), random.uniform(0.0, np.pi)

    def beam(u: float, v: float) -> float:
        t = np.cos(turn) * (u / side - 0.5) + np.sin(turn) * (v / side - 0.5) + 0.5
        return float(-size * 3.2 * (t - 2 * t**3 + t**4))

    return beam


def waves(shortest: float, longest: float) -> Form:
    """A wave whose length is so many times the distance of stations."""

    def wave(random: np.random.Generator, side: float, pitch: float) -> Surface:
        size, turn = random.uniform(0.005, 0.02), random.uniform(0.0, 2.0 * np.pi)
        phase, length = random.uniform(0.0, 2.0 * np.pi), pitch * side * random.uniform(shortest, longest)
        across, along = np.cos(turn), np.sin(turn)
        return lambda u, v: float(size * np.sin(2 * np.pi * (across * u + along * v) / length + phase))

    return wave


def seam(random: np.random.Generator, side: float, pitch: float) -> Surface:
    """Two plates side by side, one higher than the other and a little tilted against it."""
    step, tilt, at = random.uniform(-0.03, 0.03), random.uniform(-0.02, 0.02), random.uniform(0.3, 0.7) * side
    if random.random() < 0.5:
        return lambda u, v: float((step + tilt * (u - at) / side) * (u > at))
    return lambda u, v: float((step + tilt * (v - at) / side) * (v > at))


def dent(random: np.random.Generator, side: float, pitch: float) -> Surface:
    """A hollow about as wide as the distance of stations."""
    size, (x, y) = random.uniform(0.01, 0.04), random.uniform(0.0, 1.0, 2) * side
    width = random.uniform(0.2, 0.4) * pitch * side
    return lambda u, v: float(-size * np.exp(-((u - x) ** 2 + (v - y) ** 2) / (2 * width**2)))


def corner(random: np.random.Generator, side: float, pitch: float) -> Surface:
    """One corner that falls smoothly."""
    size, x, y = random.uniform(0.01, 0.06), side * random.integers(2), side * random.integers(2)
    width = random.uniform(0.2, 0.4) * side
    return lambda u, v: float(-size * np.exp(-((u - x) ** 2 + (v - y) ** 2) / (2 * width**2)))


CLAIMED: dict[str, Form] = {
    "none": none,
    "smooth": smooth,
    "bowl": bowl,
    "sag": sag,
    "waves": waves(2.05, 5.0),
    "seam": seam,
    "corner": corner,
}
"""Forms of which the total over the whole bed is claimed to be known."""

UNSEEN: dict[str, Form] = {"dent": dent, "fine waves": waves(0.8, 1.9)}
"""Forms that the stations do not show; what holds at the stations holds for them too."""

FORMS = CLAIMED | UNSEEN
MOVED = (
    ("three screws", 2),
    ("cone, vee, flat", 2),
    ("four screws, flexible", 2),
    ("rails that slip", 3),
    ("screws and rails", 2),
    ("screws and rails", 4),
)
"""Mechanisms, and seats of each rail where there are any. Shims, whose travels are those of their sheets, are not
among them."""
LAYOUTS = ("3 × 3", "5 × 5", "cross", "scattered 12")
APART = {"3 × 3": 0.45, "5 × 5": 0.225, "cross": 0.225, "scattered 12": 0.27}
"""Distance of stations, as a share of the bed; between scattered ones about the root of what each has for itself."""


def layout(name: str, random: np.random.Generator, side: float) -> list[Place]:
    """Return the stations of a layout."""
    if name != "scattered 12":
        return stations_of(name, random, side)
    while len(places := stations_of("scattered", random, side)) != 12:
        pass
    return places


@dataclass(frozen=True)
class Subject:
    """A machine of known errors, where it is read, and what is true of it."""

    machine: Machine
    solvers: list[Mechanism]
    exact: ExactMachine
    places: list[Place]

    @cached_property
    def true(self) -> np.ndarray:
        """True gaps at the stations, (n,)."""
        return self.exact.gaps(self.places)

    @cached_property
    def everywhere(self) -> list[Place]:
        """Places over the whole bed, close together."""
        (left, right), (front, rear) = self.machine.bed.x, self.machine.bed.y
        return [(x, y) for y in np.linspace(front, rear, FINE) for x in np.linspace(left, right, FINE)]

    @cached_property
    def bed(self) -> np.ndarray:
        """True gaps everywhere."""
        return self.exact.gaps(self.everywhere)

    def read(self, random: np.random.Generator, times: int, true: np.ndarray | None = None) -> np.ndarray:
        """Return what the dial shows in so many surveys, (times, n): each error rectangular, read in divisions.

        The zero lies anywhere between two divisions, so that rounding is as good as random.
        """
        gaps = self.true if true is None else true
        shape, machine = (times, len(gaps)), self.machine
        off = random.uniform(-1, 1, shape) * machine.error_limit
        off += random.uniform(-1, 1, shape) * np.sqrt(3.0 * machine.repeat_variance)
        shown = gaps + off + random.uniform(0.0, machine.division, (times, 1))
        return np.round(np.round(shown / machine.division) * machine.division, 9)

    def surveys(self, values: np.ndarray) -> list[Survey]:
        """Return readings as surveys, one a row; every machine reads plus where the bed is high."""
        return [
            Survey([Reading(x, y, v) for (x, y), v in zip(self.places, row, strict=True)]) for row in values.tolist()
        ]

    def in_two_setups(self, random: np.random.Generator, times: int) -> list[Survey]:
        """Return surveys with two zeros of the dial: the second half is read with another, and four stations twice."""
        half = len(self.places) // 2
        order = [*((at, "A") for at in range(half + 2)), *((at, "B") for at in range(half - 2, len(self.places)))]
        read = self.read(random, times, self.true[[at for at, _ in order]])
        shift = np.array([0.3 if name == "B" else 0.0 for _, name in order])
        return [
            Survey([Reading(*self.places[at], v, name) for (at, name), v in zip(order, row, strict=True)])
            for row in (read + shift).tolist()
        ]


def subject(
    random: np.random.Generator,
    mechanism: str,
    stations: str,
    form: str,
    *,
    seats: int = 2,
    tilt: float = 0.15,
    setting: float | None = None,
    indicator: Indicator = DIAL,
) -> Subject:
    """Draw a machine with errors up to ``tilt`` at every adjuster, and its stations."""
    side = round(random.uniform(200.0, 800.0), 3)
    supports, rails = supports_of(mechanism, side, 1.0, random), rails_of(mechanism, side, 1.0, seats, random)
    if setting is not None:
        supports = [replace(one, setting=setting) for one in supports]
        rails = rails and replace(rails, seats=[replace(one, setting=setting) for one in rails.seats])
    machine = Machine(
        bed=Bed((0.0, side), (0.0, side), 12.0, "aluminium", 70.0, 0.33, 250.0),
        id="goldcrest-01",
        supports=supports,
        rails=rails,
        indicator=indicator,
    )
    names = [one.id for one in [*supports, *(rails.seats if rails else [])]]
    exact = ExactMachine(
        machine,
        {name: float(random.uniform(-tilt, tilt)) for name in names},
        form=FORMS[form](random, side, APART[stations]),
        flexible=mechanism == "four screws, flexible",
        centre=(side / 2, side / 2),
    )
    if mechanism == "four screws, rigid":
        exact.bring_up("RR")
    return Subject(machine, MECHANISMS[mechanism], exact, layout(stations, random, side))


def shuffled(random: np.random.Generator, options: Sequence[str], count: int) -> list[str]:
    """Return so many of the options, each about as often as the others, in random order."""
    rounds = -(-count // len(options))
    return [str(one) for one in random.permutation(list(options) * rounds)[:count]]
