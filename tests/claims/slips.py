"""What survey plans state of slips, measured: whether the correction names the reading in which one was made."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from tramwright_solvers.correction.setup import set_up
from tramwright_solvers.planning.rating import checked, sure_slip

from .corrections import decided, share
from .family import FORMS, Subject, subject
from .row import Row

SURVEYS = 50
DENSE = (4, 8, 12)
"""Stations along each side of dense grids."""
LAYOUTS = ("3 × 3", "5 × 5", "scattered 12", *(f"{count} × {count}" for count in DENSE))
OWN_FORMS = ("none", "bowl")
"""Forms of which the slip that shows is stated; of others nothing is."""

MOVED = (("three screws", 2), ("screws and rails", 2), ("rails that slip", 3), ("cone, vee, flat", 2))


def shown(random: np.random.Generator, machines: int) -> Iterator[Row]:
    """Measure how often a slip of the size that shows wherever it is made is named, at any station and at the worst."""
    for layout in LAYOUTS:
        named: dict[str, list[bool]] = {"forms that are allowed for": [], "other smooth forms": []}
        for number in range(machines):
            mechanism, seats = MOVED[number % len(MOVED)]
            for family, forms in zip(named, (OWN_FORMS, ("smooth", "corner", "sag")), strict=True):
                one = with_stations(random, layout, mechanism, forms[number % len(forms)], seats)
                named[family] += names(random, one)
        for family, cases in named.items():
            least = 0.8 if family.endswith("allowed for") else 0.0
            yield Row("a slip of `sure_slip` is named", f"{layout}, {family}", len(cases), share(cases), least)


def with_stations(random: np.random.Generator, layout: str, mechanism: str, form: str, seats: int) -> Subject:
    """Draw a machine read at one of these layouts."""
    assert form in FORMS
    known = layout if layout in ("3 × 3", "5 × 5", "scattered 12") else "5 × 5"
    one = subject(random, mechanism, known, form, seats=seats)
    if known == layout:
        return one
    side, count = one.machine.bed.x[1], int(layout.split(maxsplit=1)[0])
    line = np.linspace(0.05, 0.95, count) * side
    return replace(one, places=[(float(x), float(y)) for y in line for x in line])


def names(random: np.random.Generator, one: Subject) -> list[bool]:
    """Make a slip in one reading of each survey, at any station and then at the worst one; say which are named."""
    check = checked(set_up(one.machine, one.solvers, (), True), np.array(one.places))
    slip, count = sure_slip(check), len(one.places)
    if slip is None:
        return []
    found = list[bool]()
    for at in (random.integers(count, size=SURVEYS), np.full(SURVEYS, check.detectable.argmax())):
        values = one.read(random, SURVEYS)
        values[np.arange(SURVEYS), at] += slip * random.choice([-1.0, 1.0], SURVEYS)
        done, choice = decided(one, "least-squares", one.surveys(values))
        suspects = done.suspects(done.uneven(choice.scores.rms))
        for own, station in zip(suspects, at.tolist(), strict=True):
            found.append(any((suspect.x, suspect.y) == one.places[station] for suspect in own))
    return found
