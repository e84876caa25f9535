"""The order in which to read stations: a short closed way, the same on every run.

Nearest neighbour, then exchanges of two legs (2-opt, Croes 1958, from memory) until none shortens the way.
"""

from __future__ import annotations

import numpy as np

from ..model.contract import Floats

FINE = 1e9
"""Distances are counted in this part of the largest, in whole numbers: on a grid many ways are equally long, and which
is taken must not depend on the rounding of the last digit or on the unit of length."""


def reading_order(points: Floats) -> list[int]:
    """Return a short closed way over points (n, 2), as indices, from the one nearest the front left corner."""
    from scipy.spatial.distance import cdist

    corner = np.concatenate([points, points.min(axis=0)[None]])
    away = cdist(corner, corner)
    counted = np.rint(away / away.max() * FINE).astype(np.int64)
    apart, start = counted[:-1, :-1], int(counted[-1, :-1].argmin())
    ways = [shortened(nearest_first(apart, start), apart), shortened(in_rows(points), apart)]
    way = min(ways, key=lambda way: length(way, apart))
    turned = way.index(start)
    way = way[turned:] + way[:turned]
    # of the two ways round, the one whose second station comes first in the list
    return way if len(way) < 3 or way[1] < way[-1] else [way[0], *way[:0:-1]]


def length(way: list[int], apart: np.ndarray) -> int:
    """Return the length of a closed way, for whole distances (n, n)."""
    return int(apart[way, np.roll(way, -1)].sum())


def nearest_first(apart: np.ndarray, start: int) -> list[int]:
    """Return the way that always goes on to the nearest station not yet read."""
    left = np.ones(len(apart), dtype=bool)
    way, left[start] = [start], False
    while left.any():
        way.append(int(np.where(left, apart[way[-1]], np.iinfo(np.int64).max).argmin()))
        left[way[-1]] = False
    return way


def in_rows(points: Floats) -> list[int]:
    """Return the way to and fro over rows of about equal height."""
    low, high = points[:, 1].min(), points[:, 1].max()
    rows = max(1, round(len(points) ** 0.5))
    row = np.minimum((points[:, 1] - low) / max(high - low, 1e-300) * rows, rows - 1).astype(int)
    return [int(i) for i in np.lexsort((np.where(row % 2, -points[:, 0], points[:, 0]), row))]


def shortened(way: list[int], apart: np.ndarray) -> list[int]:
    """Return the way with pairs of legs exchanged, the best pair first, until no exchange shortens it."""
    order, count = np.array(way), len(way)
    if count < 4:
        return way
    first, second = np.triu_indices(count, 2)
    while True:
        leg = apart[order, np.roll(order, -1)]
        following = np.roll(order, -1)
        gain = (
            leg[first] + leg[second] - apart[order[first], order[second]] - apart[following[first], following[second]]
        )
        best = int(gain.argmax())
        if gain[best] <= 0:
            return [int(i) for i in order]
        i, j = int(first[best]), int(second[best])
        order[i + 1 : j + 1] = order[i + 1 : j + 1][::-1]
