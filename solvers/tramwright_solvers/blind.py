"""Adjusters whose effect the stations chosen cannot tell from that of others, though the bed would show it."""

from __future__ import annotations

import numpy as np

from .answer import Blind
from .contract import Adjuster, Floats
from .machine import Bed

BLIND_STATIONS, BLIND_BED = 1e-6, 1e-3
"""An adjuster is unseen if its own part is below the first at the stations and above the second over the bed."""


def bed_grid(bed: Bed) -> Floats:
    """Return a 7 × 7 grid over the whole bed, shape (49, 2): fine enough for every form that adjusters make."""
    x, y = np.meshgrid(np.linspace(*bed.x, 7), np.linspace(*bed.y, 7))
    return np.column_stack([x.ravel(), y.ravel()])


def blind_adjusters(adjusters: tuple[Adjuster, ...], at_stations: Floats, over_bed: Floats) -> list[Blind]:
    """Name adjusters whose effect the stations cannot tell from that of others, though the bed would show it.

    Each is held against all that are easier to move; and, so that no unseen combination goes unnamed, against all that
    are easier or stand before it among equals.
    """
    order = sorted(range(len(adjusters)), key=lambda index: (adjusters[index].effort, index))
    found = set()
    for place, index in enumerate(order):
        easier = [other for other in order if adjusters[other].effort < adjusters[index].effort]
        for others in (easier, order[:place]):
            own_here = own_part(at_stations[:, others], at_stations[:, [index]])
            own_there = own_part(over_bed[:, others], over_bed[:, [index]])
            if (
                own_here < BLIND_STATIONS * max(1.0, float(np.abs(at_stations[:, index]).max()))
                and own_there > BLIND_BED
            ):
                found.add(index)
    return [
        Blind(
            adjuster.id,
            "adjuster",
            f"These stations cannot tell what `{adjuster.id}` does from what easier adjusters do; read the corners of "
            "the bed as well.",
        )
        for index, adjuster in enumerate(adjusters)
        if index in found
    ]


def own_part(others: Floats, column: Floats) -> float:
    """Return the largest entry of a column (n, 1) once a constant and the span of others (n, k) are taken off."""
    span = np.concatenate([np.ones((len(column), 1)), others], axis=1)
    return float(np.abs(column - span @ np.linalg.lstsq(span, column, rcond=1e-9)[0]).max())
