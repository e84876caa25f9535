"""The value at a station that a paraboloid through its nearest neighbours predicts."""

from __future__ import annotations

import numpy as np
from msgspec import Struct

from ..model.contract import Floats

NEIGHBOURS = 20
"""Neighbours through which the paraboloid is fitted. Our own choice."""


class Neighbours(Struct, frozen=True):
    """The nearest stations of each of n stations, ``around`` (n, k), and ``continued`` (n, k).

    The second gives, from what is read there, the paraboloid's value at the station itself.
    """

    around: np.ndarray
    continued: Floats

    def off(self, gap: Floats) -> Floats:
        """Return how far each station of one gap (n,) lies above the paraboloid through those around it."""
        return np.asarray(gap - np.einsum("ij,ij->i", self.continued, gap[self.around]))


def neighbours(points: Floats) -> Neighbours:
    """Prepare for more than :data:`NEIGHBOURS` stations (n, 2)."""
    from scipy.spatial import KDTree

    distance, around = (np.atleast_2d(found)[:, 1:] for found in KDTree(points).query(points, NEIGHBOURS + 1))
    x, y = np.moveaxis((points[around] - points[:, None, :]) / distance[:, -1:, None], 2, 0)
    return Neighbours(around, np.asarray(np.linalg.pinv(paraboloid(x, y))[:, 0], dtype=np.float64))


def paraboloid(x: Floats, y: Floats) -> Floats:
    """Return the terms of a paraboloid at places of any shape, (..., 6)."""
    return np.stack([np.ones_like(x), x, y, x * y, x * x, y * y], axis=-1)
