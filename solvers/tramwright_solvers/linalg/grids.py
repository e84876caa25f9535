"""Grids of points over the bed, and points in coordinates scaled to it."""

from __future__ import annotations

import numpy as np

from ..model.contract import Floats
from ..model.machine import Bed


def bed_grid(bed: Bed) -> Floats:
    """Return a 7 × 7 grid over the whole bed, shape (49, 2): fine enough for every form that adjusters make."""
    x, y = np.meshgrid(np.linspace(*bed.x, 7), np.linspace(*bed.y, 7))
    return np.column_stack([x.ravel(), y.ravel()])


def coarse_grid(bed: Bed) -> Floats:
    """Return a 5 × 5 grid over the whole bed, shape (25, 2): fine enough to count the forms that adjusters make."""
    x, y = (
        (low, low + step, low + 2.0 * step, low + 3.0 * step, high)
        for low, high, step in ((low, high, (high - low) / 4.0) for low, high in (bed.x, bed.y))
    )
    return np.array([(across, along) for along in y for across in x])


CORNERS = (0, 4, 20, 24)
"""The bed's corners in :func:`coarse_grid`: front left, front right, rear left, rear right."""


def scaled_to(bed: Bed, points: Floats) -> tuple[Floats, Floats]:
    """Return x and y of points (n, 2) in halves of the bed's sides from its middle: -1 to 1 over the bed."""
    (left, right), (front, rear) = bed.x, bed.y
    return (2.0 * points[:, 0] - left - right) / (right - left), (2.0 * points[:, 1] - front - rear) / (rear - front)
