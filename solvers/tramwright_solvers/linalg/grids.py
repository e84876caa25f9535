"""Grids of points over the bed, and points in coordinates scaled to it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ..model.contract import Floats
from ..model.machine import Bed


def evenly(low: float, high: float, count: int) -> list[float]:
    """Return so many numbers from low to high, as ``numpy.linspace`` does."""
    step = (high - low) / (count - 1)
    return [*(low + k * step for k in range(count - 1)), high]


def grid(x: Sequence[float], y: Sequence[float]) -> Floats:
    """Return all points with these coordinates, row by row, shape (len(x) · len(y), 2)."""
    points = np.empty((len(y), len(x), 2))
    points[:, :, 0], points[:, :, 1] = x, np.array(y)[:, None]
    return points.reshape(-1, 2)


def grid_over(bed: Bed, count: int) -> Floats:
    """Return a grid of so many points along each side of the whole bed, edges included, shape (count², 2)."""
    return grid(evenly(*bed.x, count), evenly(*bed.y, count))


def bed_grid(bed: Bed) -> Floats:
    """Return a 7 × 7 grid over the whole bed: fine enough for every form that adjusters make."""
    return grid_over(bed, 7)


def coarse_grids(beds: Sequence[Bed]) -> Floats:
    """Return a 5 × 5 grid over each whole bed, (g, 25, 2): fine enough to count the forms that adjusters make."""
    low, high = np.array([(bed.x, bed.y) for bed in beds]).transpose(2, 0, 1)[..., None]
    along = low + np.arange(5) * ((high - low) / 4)
    along[..., 4:] = high
    points = np.empty((len(beds), 5, 5, 2))
    points[..., 0], points[..., 1] = along[:, :1], along[:, 1, :, None]
    return points.reshape(-1, 25, 2)


CORNERS = (0, 4, 20, 24)
"""The bed's corners in :func:`coarse_grids`: front left, front right, rear left, rear right."""


def scaled_to(bed: Bed, points: Floats) -> tuple[Floats, Floats]:
    """Return x and y of points (n, 2) in halves of the bed's sides from its middle: -1 to 1 over the bed."""
    (left, right), (front, rear) = bed.x, bed.y
    return (2.0 * points[:, 0] - left - right) / (right - left), (2.0 * points[:, 1] - front - rear) / (rear - front)


def scaled_to_each(beds: Sequence[Bed], points: Floats) -> tuple[Floats, Floats]:
    """Return the same (g, n) both, of points (g, n, 2) on a bed each."""
    sides = np.array([(bed.x, bed.y) for bed in beds])[:, None]
    scaled = (2.0 * points - sides[..., 0] - sides[..., 1]) / (sides[..., 1] - sides[..., 0])
    return scaled[..., 0], scaled[..., 1]
