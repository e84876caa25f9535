"""How often slips are named and sound surveys are left in peace, over a thousand simulated surveys each. Invented.

Beds are read at 25 stations; readings scatter and are rounded to the division, and the plate has a form beyond
tilt, twist and bow. Seeds are fixed.
"""

from __future__ import annotations

import numpy as np
import pytest

from geometries import prepare
from tramwright_solvers.diagnostics.outliers import SlipCheck
from tramwright_solvers.mechanisms import RailShim, ThreeScrew
from tramwright_solvers.model.machine import Bed, Machine, Rails, Screw, Seat, Support
from tramwright_solvers.model.options import Solve
from tramwright_solvers.model.survey import Reading
from tramwright_solvers.reduction.readings import where

DIVISION = 0.01
SURVEYS = 1000


def check(count: int) -> tuple[np.ndarray, SlipCheck]:
    side = np.linspace(20.0, 380.0, count)
    points = np.array([(x, y) for y in side for x in side])
    machine = Machine(
        bed=Bed((0.0, 400.0), (0.0, 400.0)),
        id="redstart-01",
        supports=[
            Support(name, x, y, screw=Screw(0.7)) for name, x, y in (("a", 200, 20), ("b", 20, 380), ("c", 380, 380))
        ],
        rails=Rails(
            "y",
            [Seat(f"{rail}-{y}", rail, x, y) for rail, x in (("left", -30), ("right", 430)) for y in (0, 400)],
            block_spacing=60.0,
            tool_offset=20.0,
        ),
    )
    readings = [Reading(x, y, 0.0) for x, y in points.tolist()]
    return points, prepare(machine, where(readings), Solve(with_=[ThreeScrew(), RailShim()]), ()).slips


def survey(random: np.random.Generator, points: np.ndarray, noise: float, cubic: float) -> np.ndarray:
    """Tilts, twist and bows of tenths of a millimetre, cubic waviness, noise; rounded to the division."""
    u, v = (points / 200.0 - 1.0).T
    gap = np.column_stack([np.ones_like(u), u, v, u * v, u * u, v * v]) @ (
        random.normal(size=6) * [0.05, 0.1, 0.1, 0.08, 0.06, 0.06]
    )
    gap += np.column_stack([u**3, u * u * v, u * v * v, v**3]) @ (cubic * random.normal(size=4))
    read = gap + noise * random.normal(size=len(gap))
    return np.asarray(np.round(read / DIVISION) * DIVISION)


@pytest.mark.parametrize(
    ("count", "noise", "cubic"),
    [
        (5, 0.003, 0.0),
        (5, 0.01, 0.0),
        (5, 0.003, 0.01),
        (5, 0.003, 0.03),
        (5, 0.003, 0.1),
        (4, 0.003, 0.03),
        (7, 0.003, 0.1),
    ],
)
def test_sound_surveys_raise_a_suspect_in_one_of_twenty_at_the_most(count: int, noise: float, cubic: float) -> None:
    points, of = check(count)
    random = np.random.default_rng(11)
    surveys = np.array([survey(random, points, noise, cubic) for _ in range(SURVEYS)])
    alarms = sum(map(bool, of.suspects(surveys, np.full(surveys.shape, of.unit**2))))
    assert alarms <= 0.05 * SURVEYS


@pytest.mark.parametrize("size", [0.03, 0.1])
@pytest.mark.parametrize(("count", "waves"), [(8, 2), (8, 4), (16, 2), (16, 4)])
def test_a_wavy_plate_read_densely_is_not_taken_for_slips(count: int, waves: int, size: float) -> None:
    points, of = check(count)
    random = np.random.default_rng(13)
    u, v = (points / 400.0).T
    surveys = []
    for way, start in random.uniform(0.0, 2.0 * np.pi, (60, 2)):
        wave = np.sin(2.0 * np.pi * waves * (u * np.cos(way) + v * np.sin(way)) + start)
        read = size * wave + 0.2 * u - 0.1 * v + 0.003 * random.normal(size=len(points))
        surveys.append(np.round(read / DIVISION) * DIVISION)
    alarms = sum(map(bool, of.suspects(np.array(surveys), np.full((60, len(points)), of.unit**2))))
    assert alarms <= 0.05 * 60


@pytest.mark.parametrize(("noise", "cubic"), [(0.003, 0.0), (0.003, 0.01), (0.005, 0.005), (0.01, 0.0)])
def test_turned_signs_of_five_divisions_or_more_are_named(noise: float, cubic: float) -> None:
    points, of = check(5)
    random = np.random.default_rng(12)
    variance = np.full((1, len(points)), of.unit**2)
    named = tried = 0
    while tried < SURVEYS:
        values = survey(random, points, noise, cubic)
        large = np.flatnonzero(np.abs(values) >= 4.999 * DIVISION)
        if not len(large):
            continue
        tried += 1
        index = int(random.choice(large))
        values[index] *= -1.0
        named += any(
            (one.x, one.y) == tuple(points[index]) and one.likely == "sign turned"
            for one in of.suspects(values[None], variance)[0]
        )
    assert named >= 0.95 * SURVEYS
