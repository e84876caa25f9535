"""One plan view: bed, axes, rails, supports, stations, contour lines, and the callouts beside it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from tramwright_solvers.planning import KeepOut
from tramwright_solvers.planning.area import Rectangle

from . import sentences
from .callouts import write_callouts
from .colours import Palette
from .contours import Contours
from .drawing import Callout, Panel
from .labels import write_labels
from .pen import Box, Pen
from .placing import Placing
from .surface import Surface

SUPPORT, CROSS, SEAT = 4.5, 6.5, 3.5
"""Half sizes of the signs for a support, ring and cross, and a rail seat."""

ROOMY = 130.0
"""Width of a plan in front of which there is room for the name of the axis."""

MOST_MARKED = 900
"""Stations beyond this are not marked one by one: the marks would run together."""


def draw_panel(pen: Pen, placing: Placing, panel: Panel, over: Sequence[Surface], palette: Palette | None) -> int:
    """Draw a panel, with the surfaces over its stations, and return how many of these are labelled."""
    bed, frame = placing.bed, placing.frame
    pen.text(bed.left, frame.top + 34.0, panel.title, 9.5, weight="bold")
    pen.text(bed.left, frame.top + 22.0, panel.says, 8.0)
    contours = [Contours(pen, placing, one, palette) for one in over if palette]
    for one in contours:
        one.draw_bands()
    pen.rectangle(bed, linewidth=1.4, zorder=3)
    axes(pen, placing)
    for place in panel.kept_out:
        kept_out(pen, placing, place)
    rails(pen, placing)
    points = placing.at(panel.points)
    for start, end, crosses in panel.ways:
        dashes = (0, (1, 1.5)) if crosses else "-"
        pen.line(placing.at([start, end]), 0.5, edgecolor=pen.inks.faint, linestyle=dashes)
    signs(pen, placing, panel.callouts)
    write_callouts(pen, placing, panel.callouts)
    if len(points) <= MOST_MARKED:
        pen.dots(points, 2.0 if len(points) <= 100 else 1.2)
    for x, y in placing.at(panel.rings).tolist() if panel.rings else ():
        pen.circle(x, y, 5.0, linewidth=1.0, edgecolor=pen.inks.work)
    labelled = write_labels(pen, bed, points, panel)
    for one in contours:
        one.draw_lines()
    return labelled


def axes(pen: Pen, placing: Placing) -> None:
    """Draw the axes in front and left of the plan, with where the bed begins and ends."""
    bed, frame, machine = placing.bed, placing.frame, placing.machine
    below, beside = frame.bottom - 9.0, frame.left - 9.0
    middle, wide = 0.5 * (bed.left + bed.right), bed.right - bed.left
    named = (bed.left + 0.78 * wide, "center") if wide > ROOMY else (bed.right + 14.0, "left")
    written = [
        pen.text(middle, below - 8.0, sentences.FRONT, 7.5, ha="center", weight="bold"),
        pen.text(middle, frame.top + 9.0, sentences.REAR, 7.5, ha="center"),
        pen.text(named[0], below - 8.0, f"x, {machine.units}", 7.0, ha=named[1]),
        pen.text(beside, bed.top + 9.0, f"y, {machine.units}", 7.0, ha="center"),
    ]
    for x, said in zip((bed.left, bed.right), machine.bed.x, strict=True):
        pen.line([(x, below + 2.5), (x, below - 2.5)])
        written.append(pen.text(x, below - 8.0, f"{said:g}", 6.5, ha="center"))
    for y, said in zip((bed.bottom, bed.top), machine.bed.y, strict=True):
        pen.line([(beside - 2.5, y), (beside + 2.5, y)])
        written.append(pen.text(beside - 5.0, y, f"{said:g}", 6.5, ha="right"))
    pen.line([(bed.left, below), (bed.right, below)])
    pen.line([(beside, bed.bottom), (beside, bed.top)])
    pen.taken += written


def rails(pen: Pen, placing: Placing) -> None:
    """Draw each rail through its seats."""
    seats = placing.machine.rails.seats if placing.machine.rails else ()
    for name in dict.fromkeys(seat.rail for seat in seats):
        places = placing.at(sorted((seat.x, seat.y) for seat in seats if seat.rail == name))
        pen.line(places, 3.0, edgecolor=pen.inks.faint, alpha=0.35)
        pen.line(places, 0.5, edgecolor=pen.inks.faint, linestyle=(0, (8, 2, 1, 2)))


def signs(pen: Pen, placing: Placing, callouts: Sequence[Callout]) -> None:
    """Draw a sign for each support and rail seat."""
    machine, spoken_of = placing.machine, {one.adjuster for one in callouts}
    for support in machine.supports:
        x, y = placing.at([(support.x, support.y)])[0].tolist()
        ink = pen.inks.work if support.id in spoken_of else pen.inks.ink
        pen.circle(x, y, SUPPORT, linewidth=1.0, edgecolor=ink, zorder=4)
        cross = [[(x - CROSS, y), (x + CROSS, y)], [(x, y - CROSS), (x, y + CROSS)]]
        pen.lines([np.array(one) for one in cross], 0.5, edgecolor=ink)
        pen.taken.append(Box(x - SUPPORT, y - SUPPORT, x + SUPPORT, y + SUPPORT))
    for seat in machine.rails.seats if machine.rails else ():
        x, y = placing.at([(seat.x, seat.y)])[0].tolist()
        ink = pen.inks.work if seat.id in spoken_of else pen.inks.ink
        box = Box(x - SEAT, y - SEAT, x + SEAT, y + SEAT)
        pen.rectangle(box, linewidth=1.0, edgecolor=ink, zorder=4, fill=True, facecolor=pen.inks.paper)
        pen.taken.append(box)


def kept_out(pen: Pen, placing: Placing, place: KeepOut) -> None:
    """Draw a place that must not be touched, hatched."""
    how = {"linewidth": 0.8, "edgecolor": pen.inks.faint, "hatch": "////", "zorder": 2}
    if isinstance(place, Rectangle):
        pen.rectangle(placing.box(place.x, place.y), **how)
    else:
        x, y = placing.at([(place.x, place.y)])[0].tolist()
        pen.circle(x, y, place.radius * placing.size, **how)
