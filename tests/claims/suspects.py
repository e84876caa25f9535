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


def suspects(one: Subject, values: np.ndarray) -> list[list[Suspect]]:
    """Return the suspects of surveys of one machine."""
    done, choice = decided(one, "least-squares", one.surveys(values))
    return done.suspects(choice.table.rms)


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
