"""Where a plan of a machine lies on the figure: true to proportion, front at the bottom."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property

import numpy as np

from tramwright_solvers.model.contract import Floats
from tramwright_solvers.model.machine import Machine

from .pen import Box


def extent_of(machine: Machine) -> Box:
    """Return the extent of bed, supports and rail seats, in machine coordinates."""
    fixed = [*machine.supports, *(machine.rails.seats if machine.rails else ())]
    xs = [*machine.bed.x, *(one.x for one in fixed)]
    ys = [*machine.bed.y, *(one.y for one in fixed)]
    return Box(min(xs), min(ys), max(xs), max(ys))


def on_left(x: float, extent: Box) -> bool:
    """Say whether something at ``x`` is nearer to the left side of an extent than to its right."""
    return x - extent.left <= extent.right - x


class Placing:
    """One machine with the lower left corner of its extent at a point of the figure; ``size`` is points for a unit."""

    def __init__(self, machine: Machine, left: float, bottom: float, size: float) -> None:
        self.machine = machine
        self.extent = extent_of(machine)
        self.size = size
        self._corner = np.array([left, bottom])

    def at(self, points: Floats | Sequence[tuple[float, float]]) -> Floats:
        """Return points of the machine (n, 2) as points of the figure."""
        moved = np.asarray(points, dtype=np.float64) - (self.extent.left, self.extent.bottom)
        return np.asarray(moved * self.size + self._corner)

    def box(self, x: Sequence[float], y: Sequence[float]) -> Box:
        """Return a rectangle of the machine, given by two x and two y, on the figure."""
        (left, bottom), (right, top) = self.at(np.column_stack([x, y])).tolist()
        return Box(left, bottom, right, top)

    @cached_property
    def frame(self) -> Box:
        """What the extent takes."""
        return self.box((self.extent.left, self.extent.right), (self.extent.bottom, self.extent.top))

    @cached_property
    def bed(self) -> Box:
        """What the bed takes."""
        return self.box(self.machine.bed.x, self.machine.bed.y)
