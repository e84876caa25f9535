"""Which further survey of a reversal would tell more, tried on the null space of what has been read.

Only the gaps of the new survey matter that lie at a position already read and over a point of the plate already read;
what they cannot see of the undecidable part, once the new survey's own plane is taken off, remains.
"""

from __future__ import annotations

import numpy as np
from msgspec import Struct

from ..linalg.orthogonalize import lengths, less, span
from ..model.contract import Floats
from .placement import LEAST_TIED, Placement, middle, tolerance
from .separation import NULL, Separation, planes

EFFORT = {"turn": 1.0, "shift": 2.0}
"""Our own choice, no source: a turned plate lies on the same places again and every station can be read, a shifted one
needs room beside the bed, hangs over, and loses a row of stations."""


class Candidate(Struct, frozen=True):
    """One further way to lay the plate: how many dimensions of the undecidable part it removes, and leaves."""

    placement: Placement
    stations: int
    removes: int
    leaves: int
    effort: float


def candidates(apart: Separation) -> tuple[list[Candidate], int]:
    """Return the further surveys that can be compared with those given, the best first, and what all together leave.

    Best is what removes most for its effort; of equals, the one that leaves least, then a quarter turn before others.
    """
    laid, tried = apart.laid, list[Candidate]()
    centre, all_rows = middle(laid.bed), list[Floats]()
    size = apart.null.shape[1]
    ways = [Placement(angle, (0.0, 0.0), centre) for angle in (90.0, 180.0, 270.0)]
    ways += [Placement(0.0, shift, centre) for shift in _pitches(apart)]
    for way in ways:
        if any(way.same(done, laid.bed) for done in laid.placements):
            continue
        rows = _seen(apart, way)
        if len(rows) < LEAST_TIED:
            continue
        removes = _rank(rows, apart.sure)
        all_rows.append(rows)
        effort = EFFORT["turn" if way.turned else "shift"]
        tried.append(Candidate(way, len(rows), removes, size - removes, effort))
    tried.sort(key=lambda one: (-one.removes / one.effort, one.leaves, one.effort, one.placement.turned))
    beyond = size - _rank(np.concatenate(all_rows), apart.sure) if all_rows else size
    return tried, beyond


def _pitches(apart: Separation) -> list[tuple[float, float]]:
    """Return a shift by one station's distance along x, and one along y."""
    shifts = []
    for axis in (0, 1):
        steps = np.diff(np.unique(apart.laid.gantry[:, axis]))
        steps = steps[steps > tolerance(apart.laid.bed)]
        if len(steps):
            step = float(np.median(steps))
            shifts.append((step, 0.0) if axis == 0 else (0.0, step))
    return shifts


def _seen(apart: Separation, way: Placement) -> Floats:
    """Return what a survey with the plate laid so would see of the undecidable part, (stations, k), plane taken off."""
    from scipy.spatial import cKDTree

    laid = apart.laid
    distance, found = cKDTree(laid.plate).query(way.on_plate(laid.gantry))
    nearest = np.asarray(found)
    there = np.flatnonzero(np.asarray(distance) <= tolerance(laid.bed))
    if len(there) < LEAST_TIED:
        return np.zeros((0, apart.null.shape[1]))
    rows = apart.null[apart.on_plate][nearest[there]] - apart.null[apart.on_gantry][there]
    flat = planes(laid, laid.gantry[there])
    return less(rows, span(flat, NULL, lengths(flat)))


def _rank(rows: Floats, least: float) -> int:
    """Return the rank; the columns of the null space being of length one, sizes are absolute."""
    return int(np.sum(np.linalg.svd(rows, compute_uv=False) > least)) if rows.shape[1] else 0
