"""A bed on a kinematic mount: six contacts determine its pose, and every screw also shifts it a little sideways."""

from __future__ import annotations

from typing import ClassVar

import numpy as np

from ..model.contract import Adjuster, Effect, Floats, Mechanism, Move, Site
from ..model.machine import Machine
from ..model.materials import expansion_of
from . import sentences
from .contacts import Contacts, contacts_of
from .rigid import require_plane, support_adjusters

SUPPORTS = 3
WARMING = 10.0
"""Rise of the bed's temperature, °C, for which the slide of the contacts is quoted."""


class Kinematic(Mechanism, frozen=True, tag="kinematic"):
    """Bed on three balls in a cone, a vee and a flat, or in three vees, each mount raised by a screw.

    The motion is exact for a rigid bed and rigid contacts that all keep touching.
    """

    version: ClassVar[str] = "1.0"
    needs: ClassVar[str] = sentences.KINEMATIC_NEEDS
    example: ClassVar[str | None] = "three-vees.json"

    @classmethod
    def suits(cls, machine: Machine) -> bool:
        """Three supports, each with a kinematic mount."""
        return len(machine.supports) == SUPPORTS and all(support.mount is not None for support in machine.supports)

    def adjusters(self, machine: Machine) -> tuple[Adjuster, ...]:
        """One adjuster for each support."""
        if len(machine.supports) == SUPPORTS:
            require_plane(machine.supports)
        contacts_of(machine.supports)
        return support_adjusters(machine.supports)

    def influence(self, site: Site) -> Floats:
        """Vertical motion of the bed surface, t_z + (ω × (q − m))_z, for each support's travel."""
        supports = site.machine.supports
        contacts = contacts_of(supports)
        motion = contacts.solve(contacts.lift(len(supports)))
        x, y = (site.points - contacts.middle[:2]).T
        return np.outer(np.ones(len(x)), motion[2]) + np.outer(y, motion[3]) - np.outer(x, motion[4])

    def gap_change(self, move: Move) -> Floats:
        """Height of the displaced bed surface at the machine's x and y, from the exact pose of the bed."""
        contacts = contacts_of(move.machine.supports)
        turn, shift = contacts.pose(move.travels)
        corner = contacts.middle + shift - turn @ contacts.middle  # where the bed's point (0, 0, 0) now is
        tilt = turn[:2, 2] / turn[2, 2]
        heights: Floats = corner[2] - (move.points - corner[:2]) @ tilt
        return heights

    def effects(self, move: Move) -> tuple[Effect, ...]:
        """Side shift and turn of the work, how well the mount holds, and what heat does to it."""
        contacts = contacts_of(move.machine.supports)
        values, _ = contacts.singular()
        holds = Effect(
            "conditioning",
            float(values[0] / values[-1]),
            "1",
            sentences.CONDITIONING,
        )
        shifts = _shifts(move, contacts) if np.any(move.travels) else ()
        return (*shifts, *_heat(move.machine, contacts), holds)

    def cautions(self, machine: Machine) -> tuple[str, ...]:
        """Cautions: only weight, springs or magnets hold the bed on its mounts."""
        return (sentences.HELD_BY_WEIGHT,)


def _shifts(move: Move, contacts: Contacts) -> tuple[Effect, ...]:
    """Say how far the work goes sideways and turns: exactly for all travels together, to first order for each alone."""
    machine = move.machine
    units = machine.units
    place = np.array([sum(machine.bed.x) / 2, sum(machine.bed.y) / 2, 0.0])
    arm = place - contacts.middle
    turn, shift = contacts.pose(move.travels)
    dx, dy, _ = shift + turn @ arm - arm
    spin = float(np.degrees(np.arctan2(turn[1, 0] - turn[0, 1], turn[0, 0] + turn[1, 1])))
    motion = contacts.solve(contacts.lift(len(machine.supports)))
    each = motion[:2].T + np.cross(motion[3:].T, arm)[:, :2]
    each[np.abs(each) < 1e-12] = 0.0  # rounding, which a sentence would print as a number
    again = sentences.ZERO_THE_TOOL_AGAIN
    alone = (
        Effect(
            sentences.side_shift_for_each(units, support.id),
            float(np.hypot(*step)),
            f"{units}/{units}",
            sentences.raising_shifts_the_bed(support.id, units, step[0], step[1]),
        )
        for support, step in zip(machine.supports, each, strict=True)
    )
    return (
        Effect(sentences.SIDE_SHIFT_X, float(dx), units, sentences.shift_to_the_right(again)),
        Effect(sentences.SIDE_SHIFT_Y, float(dy), units, sentences.shift_to_the_rear(again)),
        Effect(sentences.TURN_ABOUT_THE_VERTICAL, spin, "degrees", sentences.TURN_SEEN_FROM_ABOVE),
        *alone,
    )


def _heat(machine: Machine, contacts: Contacts) -> tuple[Effect, ...]:
    """Say which point of the bed stays put when the bed grows evenly and its base does not, and how the balls slide.

    Growth by ε moves a ball by ε·p besides t + ω × p, and no ball leaves its flanks: n · (t + ω × p) = −ε·n·p, about
    the middle. The point at rest on the surface follows from ε·q + t + ω × q = 0 in plan.
    """
    arms = contacts.balls - contacts.middle
    motion = contacts.solve(-np.einsum("ij,ij->i", contacts.normals, arms))  # for ε = 1
    slide, turn = motion[:3], motion[3:]
    down = -contacts.middle[2]
    fixed = np.linalg.solve([[1.0, -turn[2]], [turn[2], 1.0]], -slide[:2] - down * np.array([turn[1], -turn[0]]))
    x, y = fixed + contacts.middle[:2]
    says = sentences.POINT_AT_REST
    if abs(turn[2]) > 1e-6:
        says += sentences.TURNS_AS_IT_WARMS
    still = (
        Effect(sentences.REST_X, float(x), machine.units, says),
        Effect(sentences.REST_Y, float(y), machine.units, says),
    )
    expansion = expansion_of(machine.bed.material)
    if expansion is None:
        return still
    paths = np.linalg.norm(arms + slide + np.cross(turn, arms), axis=1) * expansion * WARMING
    firsts = [contacts.owners.index(owner) for owner in range(len(machine.supports))]
    listed = ", ".join(
        f"`{support.id}` {path:.3g}" for support, path in zip(machine.supports, paths[firsts], strict=True)
    )
    return (
        *still,
        Effect(
            sentences.slide_of_a_contact(WARMING),
            float(paths.max()),
            machine.units,
            sentences.balls_slide(machine.bed.material, WARMING, listed, machine.units),
        ),
    )
