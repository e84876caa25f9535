"""Adjusters whose effect is not proportional to their travel, between surveys: their slope at the travel that was made.

A mechanism that says it is not linear has an exact ``gap_change``. What it did between two surveys is found by passes,
each with the slope at the travels of the one before, until they no longer change (Gauss-Newton); the travels are from
where the machine's description says that it stands.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from msgspec.structs import replace

from ..model.contract import Floats, Move
from ..model.machine import Machine
from .joint_adjustment import Joint
from .reduction import Group

PASSES = 25
"""Passes after which travels that still change are taken as they are, and doubted."""
SETTLED = 1e-9
"""Share of the largest change of gap by which the next pass may still change it."""
NUDGE_MM = 1e-3
"""Travel of the differences that a slope is taken from."""


class Settled(NamedTuple):
    """The surveys with gaps from which what the slope does not say is taken off, the influence (N, m) at the travels
    and whether they no longer change."""

    joint: Joint
    influence: Floats
    sure: bool


def settle(
    group: Group, machine: Machine, joint: Joint, late: Floats, fit: Callable[[Joint, Floats], Floats]
) -> Settled:
    """Find the influence at the travels that ``fit`` finds, where ``late`` (N, 1) is 1 for gaps after they were made.

    ``fit`` returns travels (m,) from surveys and influence.
    """
    influence = group.influence(machine, joint.points) * late
    if all(mechanism.linear for mechanism in group.mechanisms):
        return Settled(joint, influence, True)
    travels, now = np.zeros(len(group.adjusters)), joint
    for _ in range(PASSES):
        found = fit(now, influence)
        step = float(np.max(np.abs(influence @ (found - travels)), initial=0.0))
        if step <= SETTLED * float(np.ptp(joint.gaps)):
            return Settled(now, influence, True)
        travels = found
        influence = slope_at(group, machine, joint.points, travels) * late
        exact = change_at(group, machine, joint.points, travels) * late[:, 0]
        now = replace(joint, gaps=joint.gaps - exact + influence @ travels)
    return Settled(now, influence, False)


def change_at(group: Group, machine: Machine, points: Floats, travels: Floats) -> Floats:
    """Return the exact change of gap (n,) that travels (m,) make at points (n, 2)."""
    change, start = np.zeros(len(points)), 0
    for mechanism in group.mechanisms:
        own = len(mechanism.adjusters(machine))
        move = Move(machine, points, travels[start : start + own])
        change += mechanism.influence(move) @ move.travels if mechanism.linear else mechanism.gap_change(move)
        start += own
    return change


def slope_at(group: Group, machine: Machine, points: Floats, travels: Floats) -> Floats:
    """Return the influence (n, m) at travels (m,), by central differences where it is not the same everywhere."""
    influence, nudge, curved = group.influence(machine, points), machine.from_mm(NUDGE_MM), bent(group)
    for column, name in enumerate(group.solver_of):
        if name in curved:
            step = np.zeros_like(travels)
            step[column] = nudge
            up, down = (change_at(group, machine, points, travels + way * step) for way in (1.0, -1.0))
            influence[:, column] = (up - down) / (2.0 * nudge)
    return influence


def bent(group: Group) -> list[str]:
    """Return the names of the solvers whose adjusters are not linear."""
    return [mechanism.name() for mechanism in group.mechanisms if not mechanism.linear]
