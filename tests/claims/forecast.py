"""What forecasts of passes state, measured: machines are trammed pass after pass as they are told to."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
from msgspec.structs import replace

from geometries import prepare
from tramwright_solvers.correction.api import correct
from tramwright_solvers.correction.cache import GeometryCache
from tramwright_solvers.model.machine import Indicator
from tramwright_solvers.model.options import Solve
from tramwright_solvers.model.survey import Made, Pass, Previous
from tramwright_solvers.reduction.readings import where
from tramwright_solvers.results.learning import Forecast

from .corrections import share
from .family import DIAL, FORMS, Subject, subject
from .row import Row

MOST = 7
"""Passes made at the most."""

AIMS = (None, 0.0, 0.03, 0.05)
INDICATORS = (DIAL, Indicator(division=0.001, error_limit=0.005, repeatability=0.001))
MOVED = (("three screws", 2), ("screws and rails", 2), ("rails that slip", 3))


def passes(random: np.random.Generator, machines: int) -> Iterator[Row]:
    """Measure how often the true total is inside what is forecast, after as many passes as are said to be enough."""
    for layout in ("3 × 3", "5 × 5", "scattered 12"):
        more, done = list[bool](), list[bool]()
        for number in range(4 * machines):
            mechanism, seats = MOVED[number % len(MOVED)]
            form = list(FORMS)[number // len(MOVED) % len(FORMS)]
            indicator, aim = INDICATORS[number % len(INDICATORS)], AIMS[number // 2 % len(AIMS)]
            one = subject(random, mechanism, layout, form, seats=seats, tilt=0.6, indicator=indicator)
            told, totals = trammed(one, random, aim)
            for at, forecast in enumerate(told):
                if forecast is not None:
                    inside = min(totals[at : at + forecast.at_most + 1]) <= forecast.inside
                    (more if forecast.passes else done).append(inside)
        yield Row("the total is inside after the passes forecast", layout, len(more), share(more), 0.95)
        yield Row("the total is inside where no pass remains", layout, len(done), share(done), 0.95)


def trammed(one: Subject, random: np.random.Generator, aim: float | None) -> tuple[list[Forecast | None], list[float]]:
    """Tram a machine whose adjusters move 0.7 to 1.3 of what they are asked.

    Returns the forecast made before each pass, and the true total before each and at the end.
    """
    solve: Solve[Any] = Solve(with_=one.solvers, aim_for=aim)
    true, cache, made, told = one.true, GeometryCache(), list[Pass](), list[Forecast | None]()
    geometry = prepare(one.machine, where(one.surveys(true[None])[0].readings), solve, ())
    shares, half = random.uniform(0.7, 1.3, len(geometry.adjusters)), geometry.setting.half
    totals = [float(np.ptp(true))]
    while len(made) < MOST:
        (survey,) = one.surveys(one.read(random, 1, true))
        if made:
            survey = replace(survey, previous=Previous(made[-1].readings, made[-1].moves, made[:-1]))
        answer = correct(one.machine, survey, solve, cache=cache)
        told.append(answer.forecast)
        if not answer.moves:
            break
        travels = np.zeros(len(shares))
        for move in answer.moves:
            travels[geometry.place_of[move.adjuster]] = move.travel if move.ask is None else move.ask
        asked = [Made(a.id, t) for a, t in zip(geometry.adjusters, travels.tolist(), strict=True) if t]
        travels = np.where(travels != 0.0, shares * travels + random.uniform(-1, 1, len(shares)) * half, 0.0)
        true = true + geometry.influence @ travels
        made.append(Pass(survey.readings, asked))
        totals.append(float(np.ptp(true)))
    return told, totals
