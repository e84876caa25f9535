"""The gap between the stations, for contour lines: the surface of a thin plate through all of them.

It is an aid to the eye. It meets every station, is exactly plane where these lie in a plane, and ends at the outermost
stations: of what lies beyond nothing is drawn. Nothing is drawn from one patch of a bed to another either.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from msgspec import Struct

from tramwright_solvers.model.contract import Floats

ACROSS = 41
"""Points of the grid along the longer side: contour lines then look smooth, and files stay small."""

PLATE = 450
"""Stations up to which the plate is worked out; more stand so close that the triangles between them do as well."""

ALIKE = 200
"""Places along the longer side that are told apart."""

FEWEST = 3


class Surface(Struct, frozen=True):
    """Values on a grid over some of the stations, and the outline of these."""

    x: Floats
    y: Floats
    values: Floats
    """Shape (len(y), len(x))."""
    outline: Floats
    """Corners of the outline (k, 2), anticlockwise."""


def surfaces(points: Floats, values: Floats, patches: Sequence[Sequence[int]], across: int = ACROSS) -> list[Surface]:
    """Return the surface over each patch of the bed whose stations do not lie in one line.

    Args:
        points: stations, shape (n, 2).
        values: the gap there, shape (n,).
        patches: numbers of the stations on each patch; empty where the bed is one piece.
        across: points of the grid along the longer side.
    """
    made = []
    for patch in patches or [range(len(points))]:
        own = np.asarray(patch, dtype=np.intp)
        if (one := surface(points[own], values[own], across)) is not None:
            made.append(one)
    return made


def merged(points: Floats, values: Floats) -> tuple[Floats, Floats]:
    """Return stations that stand closer than can be drawn as one: a plate through both would be thrown up beside them.

    Args:
        points: stations in their own span, shape (n, 2).
        values: the gap there, shape (n,).
    """
    cells = np.round(points * ALIKE)
    _, own, count = np.unique(cells, axis=0, return_inverse=True, return_counts=True)
    own = own.reshape(-1)
    means = [np.bincount(own, column) / count for column in (*points.T, values)]
    return np.column_stack(means[:2]), means[2]


def surface(points: Floats, values: Floats, across: int = ACROSS) -> Surface | None:
    """Return the surface over stations (n, 2), None where they lie in one line."""
    from scipy.interpolate import LinearNDInterpolator, RBFInterpolator
    from scipy.spatial import ConvexHull

    if len(points) < FEWEST:
        return None
    low, size = points.min(axis=0), np.ptp(points, axis=0)
    longest = float(size.max())
    if longest == 0.0:
        return None
    # Worked out in the stations' own span, so that neither unit nor origin matters.
    inside, values = merged((points - low) / longest, values)
    if len(inside) < FEWEST or np.linalg.svd(inside - inside.mean(axis=0), compute_uv=False)[-1] < 1e-6:
        return None
    hull = ConvexHull(inside)
    x, y = (np.linspace(0.0, side, max(5, round(across * side) + 1)) for side in size / longest)
    grid = np.column_stack([one.ravel() for one in np.meshgrid(x, y)])
    plate = RBFInterpolator(inside, values) if len(inside) <= PLATE else LinearNDInterpolator(inside, values)
    known = np.asarray(plate(grid))
    # A little beyond the outline lines go on, to be cut there; far beyond the plate would only be guessed at.
    beyond = np.max(grid @ hull.equations[:, :2].T + hull.equations[:, 2], axis=1)
    known[beyond > 1.5 / across] = np.nan
    return Surface(
        low[0] + longest * x,
        low[1] + longest * y,
        known.reshape(len(y), len(x)),
        low + longest * inside[hull.vertices],
    )
