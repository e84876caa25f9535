"""Work under way on the example plug-ins: what is not proportional, whole clicks that only go up, conditions."""

from __future__ import annotations

from typing import Any

import msgspec
import numpy as np
import pytest
from msgspec.structs import replace

from example_plug_ins import POINTS, REGISTRY, TILED, machine, plane, survey
from tramwright_solvers.contract import Floats
from tramwright_solvers.correction.api import correct
from tramwright_solvers.model.done import Done, Parked
from tramwright_solvers.model.errors import Refused
from tramwright_solvers.model.machine import Indicator, Machine
from tramwright_solvers.model.options import Solve
from tramwright_solvers.model.survey import Survey
from tramwright_solvers.results.correction import Correction

HUNG_MACHINE, BEAM_MACHINE = machine("hung-bed"), machine("tilting-beam")
CORNERS = np.array([(30, 40), (470, 45), (250, 370)], dtype=float)
THROW, STANDS, CLICK = 2.0, np.radians(25.0), 0.02
DEGREE = THROW * np.cos(STANDS) * np.pi / 180.0
FINE = Indicator(division=1e-4, error_limit=1e-5)
SHARE = (POINTS[:, 0] + 40.0) / 580.0
SAG = 0.06 * 16.0 / 5.0 * (SHARE - 2.0 * SHARE**3 + SHARE**4)
READ = 0.005 * np.cos(POINTS[:, 0] / 60.0) + SAG + 0.413 * SHARE
"""The beam is 0.413 low at its lifter, and sags by 0.06. All invented."""


def heights(angle: float) -> Floats:
    """Change of gap at the stations that the bush makes, by trigonometry alone."""
    lift = THROW * (np.sin(STANDS + angle) - np.sin(STANDS))
    return plane(POINTS) @ np.linalg.solve(plane(CORNERS), [0.0, 0.0, lift])


def asked(made: Machine, read: Survey, done: list[Done], *solvers: dict[str, Any], **solve: Any) -> Correction:
    options = msgspec.convert({"with": list(solvers), **solve}, Solve[REGISTRY.union()])
    return correct(made, read, options, REGISTRY, done=done)


def test_a_bush_that_lifts_less_and_less_is_followed_exactly() -> None:
    """The bush is turned by four fifths each time; by trigonometry alone the dial shows where the bed is."""
    gap, angle = heights(0.55), 0.0
    fine = replace(HUNG_MACHINE, indicator=FINE)
    solver = {"solver": "hung-bed", "hold": ["front-left", "front-right"]}
    done, answer = list[Done](), asked(fine, survey(gap), [], solver, aim_for=0.0)
    while (step := answer.steps[0]).adjuster:
        assert step.travel is not None
        move = answer.moves[0]
        angle += 0.8 * np.radians((move.travel if move.ask is None else move.ask) / DEGREE)
        at = int(np.argmin(np.hypot(*(POINTS - (step.park.x, step.park.y)).T)))
        read = float(gap[at] + heights(angle)[at])
        done.append(Done(step.adjuster, step.travel, Parked(step.park.x, step.park.y), read))
        answer = asked(fine, survey(gap), done, solver, aim_for=0.0)
        assert answer.progress is not None
        made = sum(one.moved or 0.0 for one in answer.progress.steps)
        assert made == pytest.approx(np.degrees(angle) * DEGREE, abs=2e-3)
        assert len(done) < 8
    np.testing.assert_allclose(gap + heights(angle), 0.0, atol=2e-3)
    assert len(done) > 1


def test_clicks_that_are_made_are_no_longer_to_be_made() -> None:
    first = asked(BEAM_MACHINE, survey(READ), [], {"solver": "tilting-beam"}, aim_for=0.0)
    (step,) = [one for one in first.steps if one.adjuster]
    assert step.travel is not None
    part = CLICK * round(0.6 * step.travel / CLICK)
    at = int(np.argmin(np.hypot(*(POINTS - (step.park.x, step.park.y)).T)))
    park = Parked(step.park.x, step.park.y)
    done = [Done(str(step.adjuster), part, park, float(READ[at] - part * SHARE[at]))]
    rest = asked(BEAM_MACHINE, survey(READ), done, {"solver": "tilting-beam"}, aim_for=0.0)
    (more,) = rest.moves
    assert part + more.travel == pytest.approx(step.travel, abs=1e-9)
    with pytest.raises(Refused, match="whole steps"):
        asked(BEAM_MACHINE, survey(READ), [Done(str(step.adjuster), 0.5 * CLICK, park)], {"solver": "tilting-beam"})
    with pytest.raises(Refused, match="left that way"):
        asked(BEAM_MACHINE, survey(READ), [Done(str(step.adjuster), -2 * CLICK, park)], {"solver": "tilting-beam"})


def test_a_bed_in_pieces_is_followed_tile_by_tile() -> None:
    made = machine("tiled-bed")
    assert TILED.name() == "tiled-bed"
    tilt = plane(POINTS) @ [0.0, 2e-3, -15e-4]
    first = asked(made, survey(tilt), [], {"solver": "tiled-bed"}, aim_for=0.01)
    step = first.steps[0]
    assert step.dial_before is not None
    assert step.dial_after is not None
    assert step.travel is not None
    read = step.dial_before + 0.8 * (step.dial_after - step.dial_before)
    done = [Done(str(step.adjuster), step.travel, Parked(step.park.x, step.park.y), read)]
    rest = asked(made, survey(tilt), done, {"solver": "tiled-bed"}, aim_for=0.01)
    assert rest.progress is not None
    assert rest.progress.next == "go-on"
    assert rest.steps[0].adjuster == step.adjuster
    assert rest.steps[0].travel == pytest.approx(0.2 * step.travel, abs=0.02)
