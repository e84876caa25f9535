"""What is written at the stations: as much as can be read, the extremes always."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from tramwright_solvers.model.contract import Floats

from .drawing import Panel
from .pen import Box, Pen, text_box

FEW, LARGE, SMALL = 60, 7.0, 6.0
"""Sizes of type: up to so many stations, and beyond."""

MOST, OF_MANY = 100, 36
"""Stations up to which every one is labelled if there is room, and how many are where there are more: among crowded
figures none is found, and the contour lines tell the rest."""

ABOUT = (
    (0.0, 6.5, "center"), (0.0, -6.5, "center"), (4.0, 0.0, "left"), (-4.0, 0.0, "right"),
    (3.0, 6.5, "left"), (-3.0, 6.5, "right"), (3.0, -6.5, "left"), (-3.0, -6.5, "right"),
    (-4.0, 6.5, "left"), (4.0, 6.5, "right"), (-4.0, -6.5, "left"), (4.0, -6.5, "right"),
    (7.0, 0.0, "left"), (-7.0, 0.0, "right"), (0.0, 13.0, "center"), (0.0, -13.0, "center"),
)  # fmt: skip
"""Where a label may stand about its station, the best place first."""


def write_labels(pen: Pen, bed: Box, points: Floats, panel: Panel) -> int:
    """Write the labels of stations at points (n, 2) of the figure and return how many there was room for."""
    size, done = LARGE if len(points) <= FEW else SMALL, 0
    if len(points) <= MOST:
        pen.taken += [Box(x - 1.2, y - 1.2, x + 1.2, y + 1.2) for x, y in points.tolist()]
    for place in order_of(points, panel.first):
        (x, y), said, first = points[place].tolist(), panel.labels[place], place in panel.first
        boxes = [(text_box(at_x, at_y, said, size, ha), at_x, at_y, ha) for at_x, at_y, ha in places(x, y, bed)]
        free = [one for one in boxes if pen.free(one[0])]
        # Across the outline of the bed, or over a sign, only where there is no other way.
        clear = [one for one in free if one[0].lies_in(bed) or not one[0].meets(bed)]
        for box, at_x, at_y, ha in (clear or free or boxes[:first])[:1]:
            pen.taken.append(box)
            pen.text(at_x, at_y, said, size, ha=ha, weight="bold" if first else "normal", zorder=6)
            done += 1
    return done


def places(x: float, y: float, bed: Box) -> Iterator[tuple[float, float, str]]:
    """Yield where the label of a station may stand: about it, or just beyond an edge of the bed that is near."""
    yield from ((x + dx, y + dy, ha) for dx, dy, ha in ABOUT)
    yield from ((x, edge, "center") for edge in (bed.bottom - 5.0, bed.top + 5.0) if abs(y - edge) < 25.0)


def order_of(points: Floats, first: Sequence[int]) -> list[int]:
    """Return the order in which stations are labelled: those named, then always the one farthest from all before."""
    if len(points) <= MOST:
        return [*dict.fromkeys([*first, *range(len(points))])]
    order = list(dict.fromkeys(first)) or [0]
    distance = np.min([np.hypot(*(points - points[one]).T) for one in order], axis=0)
    while len(order) < OF_MANY and distance.max() > 0.0:
        order.append(int(np.argmax(distance)))
        distance = np.minimum(distance, np.hypot(*(points - points[order[-1]]).T))
    return order
