"""What is said of faults that no budget counts, measured: how often of sound readings, and how often of faulty ones."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import numpy as np
from msgspec.structs import replace as changed

from tramwright_solvers.correction.api import reduce_stack
from tramwright_solvers.correction.cache import GeometryCache
from tramwright_solvers.model.options import Solve
from tramwright_solvers.model.survey import Made, Pass, Previous, Reading, Survey

from .corrections import decided, share
from .family import CLAIMED, FORMS, Subject, subject
from .row import Row

SURVEYS = 50
REPEATS = 3
DRIFT, LONG = 0.08, 1.03
MOVED = (("three screws", 2), ("rails that slip", 3), ("screws and rails", 2))


def drifting(random: np.random.Generator, machines: int) -> Iterator[Row]:
    """Measure how often a drift is told in steady readings, and in those that drift; in rows to and fro, and any."""
    for layout in ("5 × 5", "scattered 12"):
        steady, waved, drifted = list[bool](), list[bool](), list[bool]()
        for number in range(3 * machines):
            form = list(FORMS)[number % len(FORMS)]
            one = subject(random, MOVED[number % 3][0], layout, form)
            one = replace(one, places=to_and_fro(one)) if layout == "5 × 5" else one
            values = one.read(random, SURVEYS)
            (steady if form in CLAIMED else waved).extend(told(one, values))
            drifted += told(one, np.round(values + DRIFT * np.linspace(0.0, 1.0, len(one.places)), 2))
        yield Row("a steady survey is said to drift", layout, len(steady), share(steady), most=0.01)
        yield Row(
            "a steady survey is said to drift", f"{layout}, dents and fine waves", len(waved), share(waved), 0, 0.01
        )
        yield Row(f"a drift of {DRIFT} mm is told", layout, len(drifted), share(drifted))


def to_and_fro(one: Subject) -> list[tuple[float, float]]:
    """Return the places of a grid in rows, every other row backwards."""
    rows = sorted({y for _, y in one.places})
    return sorted(one.places, key=lambda at: (at[1], at[0] * (-1) ** rows.index(at[1])))


def told(one: Subject, values: np.ndarray) -> list[bool]:
    """Say of which surveys a drift is told."""
    done, choice = decided(one, "least-squares", one.surveys(values))
    return [bool(drift) for drift in done.drifts(done.uneven(choice.scores.rms)).tolist()]


def scattering(random: np.random.Generator, machines: int) -> Iterator[Row]:
    """Measure how often repeats are said to scatter too much: those as stated, and those of heavy tails."""
    for tails in (False, True):
        found = list[bool]()
        for _ in range(machines):
            one = subject(random, "three screws", "3 × 3", "smooth")
            machine, solve = one.machine, Solve[Any](with_=one.solvers)
            size = np.sqrt(machine.repeat_variance)
            shape = (SURVEYS, len(one.places), REPEATS)
            scatter = random.standard_t(3.0, shape) * 3.0 * size if tails else random.standard_normal(shape) * size
            values = np.round((one.true[:, None] + scatter) / machine.division) * machine.division
            surveys = [
                Survey([Reading(*at, own) for at, own in zip(one.places, row, strict=True)]) for row in values.tolist()
            ]
            done = reduce_stack(machine, surveys, solve)
            found += [done.prepared.layout.more_scatter(own) is not None for own in done.single]
        family, most = ("heavy tails, three times as wide", 1.0) if tails else ("as stated", 0.001)
        yield Row("repeats are said to scatter too much", family, len(found), share(found), most=most)


def scaled(random: np.random.Generator, machines: int) -> Iterator[Row]:
    """Measure how often a dial's scale is said to be off: a true one's, whatever the adjusters do, and a long one's."""
    for scale, alike, most in ((1.0, True, 0.001), (1.0, False, 0.01), (LONG, True, 1.0)):
        found = list[bool]()
        for number in range(5 * machines):
            one = subject(random, MOVED[number % 3][0], "5 × 5", list(FORMS)[number % len(FORMS)], tilt=1.5)
            solve, cache = Solve[Any](with_=one.solvers, aim_for=0.0), GeometryCache()
            known = reduce_stack(one.machine, one.surveys(one.true[None]), solve, cache=cache).prepared
            count, true, made = len(known.adjusters), one.true, list[Pass]()
            shares = np.ones(count) if alike else random.uniform(0.7, 1.3, count)
            for _ in range(2):
                asked = random.uniform(-1.5, 1.5, count)
                moves = [Made(a.id, t) for a, t in zip(known.adjusters, asked.tolist(), strict=True)]
                made.append(Pass(one.surveys(one.read(random, 1, true * scale))[0].readings, moves))
                travels = shares * asked + random.uniform(-1, 1, count) * known.setting.half
                true = true + known.influence @ travels
            (last,) = one.surveys(one.read(random, 1, true * scale))
            survey = changed(last, previous=Previous(made[-1].readings, made[-1].moves, made[:-1]))
            (learnt,) = reduce_stack(one.machine, [survey], solve, cache=cache).responses()
            found.append(bool(learnt and learnt.notes))
        family = f"scale {scale:g}, adjusters move {'as asked' if alike else '0.7 to 1.3 of what is asked'}"
        yield Row("the dial's scale is said to be off", family, len(found), share(found), most=most)
