"""What a dial reads on a machine of known errors, in exact geometry: none of it is the solvers' linear model.

A plate rests on the round tips of its screws and is tilted by a finite rotation; on four screws it takes the plane
nearest to them and, where it is flexible, their twist as well. Each rail is straight from seat to seat, the beam spans
two carriages and is twisted from one's pitch to the other's, and the dial is read along the tool's own axis.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import numpy as np

from tramwright_solvers.model.machine import Machine

Array = np.ndarray[Any, np.dtype[np.float64]]
Heights = Mapping[str, float]
TIP, ARM, THICKNESS = 4.0, 20.0, 8.0
"""Radius of a screw's tip, how far the tool hangs below the beam, and a plate of which nothing is said, in mm."""
UP = np.array([0.0, 0.0, 1.0])


def gaps(
    machine: Machine, heights: Heights, places: Array, form: Callable[[Array, Array], Array], *, bends: bool
) -> Array:
    """Return the height of the bed above the tool along the tool's axis, (n,), in the machine's units.

    Args:
        machine: as it is described.
        heights: error of each support and seat, positive up.
        places: commanded positions of the tool, (n, 2).
        form: height of the plate's surface at its own x and y, from the middle between its supports.
        bends: whether the plate takes the twist of four screws.
    """
    tips, rays = tool(machine, heights, places)
    middle, axes, twist = plate(machine, heights)
    start, ray = (tips - middle) @ axes, rays @ axes
    reach = np.zeros(len(places))
    for _ in range(8):  # meet the surface: its slopes are small, so that this contracts fast
        u, v = (start + reach[:, None] * ray).T[:2]
        reach = (form(u, v) + bends * twist * u * v - start[:, 2]) / ray[:, 2]
    return reach


def plate(machine: Machine, heights: Heights) -> tuple[Array, Array, float]:
    """Return the middle of the plate's surface, its axes as columns, and the twist (1/length) of its supports."""
    if not machine.supports:
        return np.array([sum(machine.bed.x) / 2, sum(machine.bed.y) / 2, 0.0]), np.eye(3), 0.0
    centres = np.array([(one.x, one.y, heights[one.id]) for one in machine.supports])
    middle = centres.mean(axis=0)
    from_middle = centres - middle
    normal = np.linalg.svd(from_middle)[2][2]
    normal *= np.sign(normal[2])
    across = np.cross([0.0, 1.0, 0.0], normal)
    across /= np.linalg.norm(across)
    corners = from_middle[:, 0] * from_middle[:, 1]
    twist = float(corners @ from_middle[:, 2] / (corners @ corners)) if len(centres) > 3 else 0.0
    above = machine.from_mm(TIP) + (machine.bed.thickness or machine.from_mm(THICKNESS))
    return middle + above * (normal - UP), np.column_stack([across, np.cross(normal, across), normal]), twist


def tool(machine: Machine, heights: Heights, places: Array) -> tuple[Array, Array]:
    """Return the tips of the tool at commanded positions and its axes, pointing up, each (n, 3)."""
    if machine.rails is None:
        return np.column_stack([places, np.zeros(len(places))]), np.tile(UP, (len(places), 1))
    along = "xy".index(machine.rails.along)
    side, arm, offset = 1 - along, machine.from_mm(ARM), machine.rails.tool_offset
    carriages, pitches = [], []
    rails: dict[str, list[Array]] = {}
    for seat in machine.rails.seats:
        rails.setdefault(seat.rail, []).append(np.array([seat.x, seat.y, arm + heights[seat.id]]))
    for ends in sorted(rails.values(), key=lambda rail: float(rail[0][side])):
        start, end = sorted(ends, key=lambda seat: float(seat[along]))
        share = (places[:, along] - offset - start[along]) / (end[along] - start[along])
        carriages.append(start + share[:, None] * (end - start))
        pitches.append(np.arcsin((end - start)[2] / np.linalg.norm(end - start)))
    beam = carriages[1] - carriages[0]
    length = np.linalg.norm(beam, axis=1, keepdims=True)
    beam /= length
    distance = (places[:, side] - carriages[0][:, side])[:, None]
    pitch = pitches[0] + (pitches[1] - pitches[0]) * distance / length
    level = np.eye(3)[along] - beam[:, [along]] * beam
    level /= np.linalg.norm(level, axis=1, keepdims=True)
    above = np.cross(beam, level) if along else np.cross(level, beam)
    axis = np.cos(pitch) * above - np.sin(pitch) * level
    carried = np.cos(pitch) * level + np.sin(pitch) * above
    return carriages[0] + distance * beam + offset * carried - arm * axis, axis
