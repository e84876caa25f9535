"""What the conformance kit checks: a mechanism on a machine, at points over the bed."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np
from msgspec import Struct

from ..mechanisms.adjusters import adjusters_of
from ..model.contract import Adjuster, Conditions, Floats, Mechanism, Move, Site
from ..model.extras import Axis
from ..model.machine import Machine

EXACT = 1e-9
"""Relative agreement of what is equal in exact arithmetic: float64 with room for a poorly conditioned geometry."""

STEP = 1e-4
"""Travel of the differences, as a share of the bed's diagonal: 0.07 mm on a 500 mm bed."""


class Case(Struct, frozen=True):
    """What is checked: mechanism and machine, points over the bed and a little beyond.

    ``lengths`` and ``places`` name what follows the unit and the origin.
    """

    mechanism: Mechanism
    machine: Machine
    points: Floats
    lengths: frozenset[str] = frozenset()
    places: Mapping[str, Axis] = {}

    @property
    def size(self) -> float:
        """The bed's diagonal, in machine units."""
        bed = self.machine.bed
        return float(np.hypot(bed.x[1] - bed.x[0], bed.y[1] - bed.y[0]))

    def influence(self) -> Floats:
        """Influence at the points, from fresh copies of the inputs."""
        return self.mechanism.influence(Site(self.machine, self.points.copy()))

    def gap_change(self, travels: Floats) -> Floats:
        """Exact change of gap at the points, from fresh copies of the inputs."""
        return self.mechanism.gap_change(Move(self.machine, self.points.copy(), travels.copy()))

    def adjusters(self) -> tuple[Adjuster, ...]:
        """The adjusters as the adjustment has them."""
        return adjusters_of(self.machine, self.mechanism)

    def small_step(self) -> float:
        """A travel for differences: a ten-thousandth of the bed's diagonal, or less where adjusters do not go far."""
        spans = [one.upper - one.lower for one in self.adjusters() if one.upper > one.lower]
        return min([STEP * self.size, *(0.1 * span for span in spans)])


def spread(machine: Machine) -> Floats:
    """Return 5 by 4 points over the bed and a tenth beyond its edges, in no regular order, shape (20, 2)."""
    (left, right), (front, rear) = machine.bed.x, machine.bed.y
    x, y = np.meshgrid(np.linspace(-0.1, 1.1, 5), np.linspace(-0.1, 1.1, 4))
    unit = np.column_stack([x.ravel(), y.ravel()])[np.arange(20) * 7 % 20]
    return np.asarray(np.array([left, front]) + unit * np.array([right - left, rear - front]))


def unequal(found: Floats, expected: Floats, says: str) -> Iterator[str]:
    """Yield a sentence where two influences differ by more than rounding."""
    if found.shape != expected.shape:
        yield f"{says}: shape {found.shape}, not {expected.shape}"
        return
    worst = np.max(np.abs(found - expected), initial=0.0)
    if not worst <= EXACT * (1.0 + np.max(np.abs(expected), initial=0.0)):
        yield f"{says} by {worst:.3g}"


def allowed(found: Conditions | None, count: int) -> Floats:
    """Return directions of travel, as columns, that no equation forbids: single adjusters where there is none."""
    if found is None:
        return np.eye(count)
    equations = found.matrix[found.lower == found.upper]
    if not len(equations):
        return np.eye(count)
    _, sizes, basis = np.linalg.svd(equations)
    rank = int(np.sum(sizes > EXACT * max(1.0, sizes[0])))
    return np.asarray(basis[rank:].T)
