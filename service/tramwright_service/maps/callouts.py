"""What is written beside a plan of its adjusters, and the lines that lead to them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from matplotlib.path import Path

from .drawing import Callout
from .pen import Box, Pen
from .placing import Placing, on_left

COLUMN, LETTERS = 106.0, 24
"""Width of a column of callouts, and letters of a line that fit it."""

AXIS = 38.0
"""Room left of a plan for its axis, and half as much right of it."""

LINE, APART = 9.0, 5.0
"""Height of a line, and room between two callouts."""

RING = 6.0
"""How far from the middle of a sign the line to it ends."""


def write_callouts(pen: Pen, placing: Placing, callouts: Sequence[Callout]) -> None:
    """Write the callouts in columns left and right of the plan, in the order of their adjusters."""
    frame = placing.frame
    placed = [(*placing.at([(one.x, one.y)])[0].tolist(), one) for one in callouts]
    for left in (True, False):
        column = [one for one in placed if on_left(one[2].x, placing.extent) == left]
        if not column:
            continue
        column.sort(key=lambda one: -one[1])
        tall = LINE * max(len(one.says) for _, _, one in column) + APART
        pitch = min(tall, (frame.top - frame.bottom + 20.0) / len(column))
        heights = spread([y for _, y, _ in column], pitch, frame.bottom - 4.0, frame.top + 4.0)
        most = max(1, int((pitch - 2.0) / LINE))
        for (x, y, one), height in zip(column, heights, strict=True):
            near = frame.left - AXIS if left else frame.right + 0.5 * AXIS
            write(pen, one.says[:most], near, height, left)
            lead(pen, (near + 3.0 if left else near - 3.0, height), (x, y))
            if one.up is not None:
                arrow(pen, x, y, 1.0 if one.up else -1.0)


def spread(wanted: Sequence[float], pitch: float, low: float, high: float) -> list[float]:
    """Return heights a pitch apart or more, from the highest down, each as near what is wanted as others let it."""
    heights: list[float] = []
    for height in wanted:
        heights.append(min(height, heights[-1] - pitch) if heights else min(height, high))
    for place in range(len(heights) - 1, -1, -1):
        heights[place] = max(heights[place], low)
        low = heights[place] + pitch
    return heights


def write(pen: Pen, says: Sequence[str], near: float, height: float, left: bool) -> None:
    """Write one callout, the adjuster's name in bold."""
    top = height + 0.5 * LINE * (len(says) - 1)
    for number, said in enumerate(says):
        short = said if len(said) <= LETTERS else f"{said[: LETTERS - 1]}…"
        how = {"ha": "right" if left else "left", "weight": "normal" if number else "bold", "color": pen.inks.work}
        pen.taken.append(pen.text(near, top - LINE * number, short, 7.0, **how))


def lead(pen: Pen, start: tuple[float, float], end: tuple[float, float]) -> None:
    """Draw the line from a callout to the sign of its adjuster; labels keep clear of it."""
    way = np.subtract(end, start)
    length = float(np.hypot(*way))
    stop = np.add(start, way * max(0.0, 1.0 - RING / max(length, RING)))
    pen.line([start, (float(stop[0]), float(stop[1]))], 0.5, edgecolor=pen.inks.work)
    for x, y in np.linspace(start, stop, max(2, int(length / 5.0))).tolist():
        pen.taken.append(Box(x - 1.0, y - 1.0, x + 1.0, y + 1.0))


def arrow(pen: Pen, x: float, y: float, sign: float) -> None:
    """Draw which way an adjuster goes: to the top of the sheet for up."""
    tip, ink = y + sign * 15.0, pen.inks.work
    pen.line([(x, y), (x, tip)], 1.6, edgecolor=ink, zorder=5)
    left, right, point = (x - 3.6, tip - sign * 5.0), (x + 3.6, tip - sign * 5.0), (x, tip + sign * 2.0)
    head = Path([left, right, point, left], closed=True)
    pen.path(head, fill=True, facecolor=ink, edgecolor=ink, linewidth=0.4, zorder=5)
    pen.taken.append(Box(x - 4.5, min(y, tip) - 2.0, x + 4.5, max(y, tip) + 2.0))
