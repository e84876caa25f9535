"""Which way to turn: all eight kinds of screw, derived here from the right-hand rule."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest

from simulated_machine import travel_of_turn
from tramwright_solvers.correction.steps.work_order import turn_direction
from tramwright_solvers.model.machine import Screw

EVERY_SCREW = list(product(["right", "left"], ["above", "below"], ["stays", "travels"]))


def bed_goes(screw: Screw, direction: str) -> int:
    """+1 where this turn raises the bed.

    A right-handed screw turned about an axis, fingers of the right hand curled along the turn, advances along the
    thumb relative to its mate. Clockwise is a turn about the line of sight, away from the eye.
    """
    sight = np.array([0, 0, -1]) if screw.turned_from == "above" else np.array([0, 0, 1])
    thumb = sight if direction == "clockwise" else -sight
    advance = thumb if screw.hand == "right" else -thumb  # of the turned part, relative to its mate
    bed = advance if screw.turned_part == "travels" else -advance  # the bed rides on whichever of the two moves
    return int(bed[2])


@pytest.mark.parametrize(("hand", "turned_from", "turned_part"), EVERY_SCREW)
@pytest.mark.parametrize("travel", [0.3, -0.3])
def test_every_screw(hand: str, turned_from: str, turned_part: str, travel: float) -> None:
    screw = Screw(4.0, hand, turned_from, turned_part)
    direction = turn_direction(screw, travel)
    assert bed_goes(screw, direction) == np.sign(travel)


@pytest.mark.parametrize(("hand", "turned_from", "turned_part"), EVERY_SCREW)
@pytest.mark.parametrize("travel", [0.3, -0.3])
def test_simulated_screw_turns_as_told(hand: str, turned_from: str, turned_part: str, travel: float) -> None:
    # A second derivation, from the helix itself, with the amount: 0.3 of travel on a lead of 4 is 27 degrees.
    screw = Screw(4.0, hand, turned_from, turned_part)
    assert travel_of_turn(screw, turn_direction(screw, travel), 27.0, turned_from) == pytest.approx(travel, rel=1e-14)


@pytest.mark.parametrize(
    ("turned_part", "turned_from", "direction"),
    [
        ("stays", "above", "clockwise"),
        ("travels", "above", "anticlockwise"),
        ("stays", "below", "anticlockwise"),
        ("travels", "below", "clockwise"),
    ],
)
def test_right_hand_facts_of_the_trade(turned_part: str, turned_from: str, direction: str) -> None:
    # The rule as the trade says it: seen from above, clockwise raises the bed where the turned part stays and lowers
    # it where it travels; seen from below, the other way round.
    assert turn_direction(Screw(8.0, "right", turned_from, turned_part), 0.1) == direction


def test_defaults_are_a_right_hand_lead_screw_turned_from_below() -> None:
    assert turn_direction(Screw(4.0), 0.1) == "anticlockwise"
