"""Suspects, measured: how often a slip is offered for a sound reading on a plate with form, and how often a real one is
found on a plate that the check allows for."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np

from tramwright_solvers.diagnostics.sentences import UNKNOWN_SLIP
from tramwright_solvers.model.machine import Indicator
from tramwright_solvers.results.findings import Suspect

from .corrections import decided, share
from .family import DIAL, LAYOUTS, Subject, subject
from .row import Row

SURVEYS = 40
INDICATORS = (DIAL, Indicator(division=0.001, error_limit=0.005, repeatability=0.001))
MOVED = (("three screws", 2), ("screws and rails", 2), ("rails that slip", 3))
FORMED = ("smooth", "corner", "dent", "waves", "seam", "sag")
LEAST = 0.1
"""Slips that are looked for are at least so far from the true reading, in mm."""

Bump = Callable[[np.random.Generator, np.ndarray, np.ndarray], np.ndarray]
"""Heights of a form at places given as shares of the bed."""


def steep_corner(random: np.random.Generator, u: np.ndarray, v: np.ndarray) -> np.ndarray:
    x, y, width = random.integers(2), random.integers(2), random.uniform(0.15, 0.4)
    return np.asarray(-random.uniform(0.06, 0.12) * np.exp(-((u - x) ** 2 + (v - y) ** 2) / (2 * width**2)))


def deep_dent(random: np.random.Generator, u: np.ndarray, v: np.ndarray) -> np.ndarray:
    (x, y), width = random.uniform(0.0, 1.0, 2), random.uniform(0.06, 0.1)
    return np.asarray(-random.uniform(0.03, 0.08) * np.exp(-((u - x) ** 2 + (v - y) ** 2) / (2 * width**2)))


def rough(random: np.random.Generator, u: np.ndarray, v: np.ndarray) -> np.ndarray:
    """Four long waves of an rms of 0.03 mm together."""
    waves = random.uniform(0.0, 2.0 * np.pi, (4, 2)), random.uniform(0.4, 1.2, 4), random.standard_normal(4)
    size = sum(
        height * np.sin(2.0 * np.pi * number * (u * np.cos(way) + v * np.sin(way)) + start)
        for (way, start), number, height in zip(*waves, strict=True)
    )
    return np.asarray(0.03 * size / np.std(size))


HARD: dict[str, Bump] = {"steep corner": steep_corner, "deep dent": deep_dent, "smooth, rms 0.03": rough}
"""Forms that the other readings contradict often, on 5 × 5 stations."""

Slip = Callable[[np.random.Generator, np.ndarray], np.ndarray]


def offered(random: np.random.Generator, machines: int) -> Iterator[Row]:
    """Measure in how many sound surveys of plates with form a reading is named, and a slip offered for it."""
    for form in FORMED:
        named, offers = list[bool](), list[bool]()
        for number in range(3 * machines):
            mechanism, seats = MOVED[number % len(MOVED)]
            layout, indicator = LAYOUTS[number % len(LAYOUTS)], INDICATORS[number // len(LAYOUTS) % len(INDICATORS)]
            one = subject(random, mechanism, layout, form, seats=seats, indicator=indicator)
            for own in suspects(one, one.read(random, SURVEYS)):
                named.append(bool(own))
                offers.append(any(suspect.likely != UNKNOWN_SLIP for suspect in own))
        yield Row("a sound reading is named: reading or form", form, len(named), share(named))
        yield Row("a slip is offered for a sound reading", form, len(offers), share(offers), most=0.05)


def offered_on_hard_forms(random: np.random.Generator, machines: int) -> Iterator[Row]:
    """Measure the same on forms that make sound readings suspects more often."""
    for form, bump in HARD.items():
        named, offers = list[bool](), list[bool]()
        for number in range(6 * machines):
            mechanism, seats = MOVED[number % len(MOVED)]
            one = subject(random, mechanism, "5 × 5", "none", seats=seats, indicator=INDICATORS[number // 3 % 2])
            u, v = np.array(one.places).T / one.machine.bed.x[1]
            for own in suspects(one, one.read(random, 5, one.true + bump(random, u, v))):
                named.append(bool(own))
                offers.append(any(suspect.likely != UNKNOWN_SLIP for suspect in own))
        yield Row("a sound reading is named: reading or form", f"5 × 5, {form}", len(named), share(named))
        yield Row("a slip is offered for a sound reading", f"5 × 5, {form}", len(offers), share(offers), most=0.05)


def suspects(one: Subject, values: np.ndarray) -> list[list[Suspect]]:
    """Return the suspects of surveys of one machine."""
    done, choice = decided(one, "least-squares", one.surveys(values))
    return done.suspects(done.uneven(choice.scores.rms))


def sign(random: np.random.Generator, values: np.ndarray) -> np.ndarray:
    return -values


def revolution(random: np.random.Generator, values: np.ndarray) -> np.ndarray:
    return values + random.choice([-1.0, 1.0], values.shape)


def digits(random: np.random.Generator, values: np.ndarray) -> np.ndarray:
    return np.round(np.where(random.random(values.shape) < 0.5, values * 10.0, values / 10.0), 3)


def swap(random: np.random.Generator, values: np.ndarray) -> np.ndarray:
    return np.roll(values, 1)


SLIPS: dict[str, tuple[Slip, int]] = {
    "sign": (sign, 1),
    "revolution": (revolution, 1),
    "digits": (digits, 1),
    "swap": (swap, 2),
    "two signs": (sign, 2),
}
"""What a slip makes of the true readings, and at how many stations."""


def found(random: np.random.Generator, machines: int) -> Iterator[Row]:
    """Measure how often slips of 0.1 mm or more on 5 × 5 stations are found, each at its own station."""
    for name, (slip, count) in SLIPS.items():
        cases, least = list[bool](), 1.0 if count == 1 else 0.99
        for number in range(machines):
            mechanism, seats = MOVED[number % len(MOVED)]
            one = subject(random, mechanism, "5 × 5", ("none", "bowl")[number % 2], seats=seats, tilt=0.5)
            values, at = spoiled(random, one.read(random, SURVEYS), slip, count)
            for own, stations in zip(suspects(one, values), at, strict=True):
                places = {(suspect.x, suspect.y) for suspect in own}
                if stations:
                    cases.append({one.places[station] for station in stations} <= places)
        yield Row("a slip of 0.1 mm or more is found", f"5 × 5, {name}", len(cases), share(cases), least)


def spoiled(
    random: np.random.Generator, values: np.ndarray, slip: Slip, count: int
) -> tuple[np.ndarray, list[list[int]]]:
    """Make slips in as many readings of each survey; where none is large enough after some tries, none is made."""
    made = list[list[int]]()
    for row in values:
        for _ in range(50):
            at = random.choice(len(row), count, replace=False)
            wrong = slip(random, row[at])
            if np.all(np.abs(wrong - row[at]) >= LEAST):
                row[at] = wrong
                made.append(at.tolist())
                break
        else:
            made.append([])
    return values, made
