"""The bed as found, small, on a scale that is given: so that many machines can be held beside each other.

Drawn without matplotlib: a page shows dozens of these, and each is a few shapes.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from hashlib import blake2b
from math import floor
from typing import Any
from xml.sax.saxutils import escape

import numpy as np
from contourpy import FillType, contour_generator

from tramwright_solvers.model.contract import Floats
from tramwright_solvers.model.machine import Machine
from tramwright_solvers.results.correction import Correction

from ..wire.plain import plain
from . import sentences
from .colours import BANDS, COLOURS, INKS, Theme
from .subjects import about_mean
from .surface import Surface, surfaces

ACROSS = 25
"""Points of the grid along the longer side: enough at this size."""
LONGEST, MARGIN = 400.0, 12.0


def of_correction(asked: Any, answer: Correction, scale: float, theme: Theme) -> bytes:
    """Return the gap as a correction found it; ``scale`` is in the machine's units."""
    stations = answer.predicted.stations
    gaps = about_mean([one.before for one in stations], asked.solve.offset == "keep")
    points = np.array([(one.x, one.y) for one in stations])
    return thumbnail(asked.machine, points, gaps, answer.patches, scale, theme)


def thumbnail(
    machine: Machine, points: Floats, gaps: Floats, patches: Sequence[Sequence[int]], scale: float, theme: Theme
) -> bytes:
    """Return the gap over a bed as a small SVG.

    Args:
        machine: whose bed it is.
        points: stations, shape (n, 2), in the machine's units.
        gaps: the gap there, shape (n,), in the machine's units.
        patches: numbers of the stations on each patch of the bed; empty where it is one piece.
        scale: the gap at the end of the scale, in the machine's units; what lies beyond has the outermost colours.
        theme: how it looks.
    """
    inks, bed = INKS[theme], machine.bed
    corner, size = np.array([bed.x[0], bed.y[1]]), np.array([bed.x[1] - bed.x[0], bed.y[1] - bed.y[0]])
    by = LONGEST / float(size.max())

    def at(places: Floats) -> Floats:
        return np.asarray(np.round((places - corner) * (by, -by) + MARGIN))

    wide, high = (size * by + 2.0 * MARGIN).round().tolist()
    plate = f"M{MARGIN:g} {MARGIN:g}H{wide - MARGIN:g}V{high - MARGIN:g}H{MARGIN:g}z"
    shapes = [f'<path d="{plate}" fill="{inks.paper}"/>']
    mark = blake2b(np.ascontiguousarray([*points.T, gaps]).tobytes(), digest_size=5).hexdigest()
    for number, one in enumerate(surfaces(points, gaps, patches, ACROSS)):
        own = f"o{mark}{number}"
        shapes.append(
            f'<clipPath id="{own}"><path d="{lines([at(one.outline)])}"/></clipPath><g clip-path="url(#{own})">'
        )
        shapes += [
            f'<path d="{lines([at(part) for part in parts])}" fill="{COLOURS[theme][band]}"/>'
            for band, parts in bands(one, scale)
        ]
        shapes.append("</g>")
    stations = at(points).tolist()
    dots = "".join(f"M{x:g} {y:g}h0" for x, y in stations)
    ends = "".join(
        f"M{x - 9:g} {y:g}h18" + (f"M{x:g} {y - 9:g}v18" if sign else "")
        for sign, (x, y) in enumerate([stations[int(np.argmin(gaps))], stations[int(np.argmax(gaps))]])
    )
    title = escape(plain(sentences.gap_title(machine.id)))
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{wide:g}" height="{high:g}" viewBox="0 0 {wide:g} {high:g}" '
        f'role="img" fill="none" stroke-linecap="round"><title>{title}</title>{"".join(shapes)}'
        f'<path d="{plate}" stroke="{inks.ink}" stroke-width="4"/>'
        f'<path d="{dots}" stroke="{inks.faint}" stroke-width="6"/>'
        f'<path d="{ends}" stroke="{inks.ink}" stroke-width="5"/></svg>'
    ).encode()


def bands(surface: Surface, scale: float) -> Iterator[tuple[int, list[Floats]]]:
    """Yield the bands that a surface has, lowest first, each with the outlines of all that is as high or higher."""
    step = 2.0 * scale / BANDS
    low, high = float(np.nanmin(surface.values)), float(np.nanmax(surface.values))
    made = contour_generator(surface.x, surface.y, np.ma.masked_invalid(surface.values), fill_type=FillType.OuterOffset)
    first, last = (min(max(floor((one + scale) / step), 0), BANDS - 1) for one in (low, high))
    for band in range(first, last + 1):
        if band == first:
            yield band, [surface.outline]
            continue
        found: Any = made.filled(band * step - scale, high + 1.0)
        yield band, [part for points, offsets in zip(*found, strict=True) for part in np.split(points, offsets[1:-1])]


def lines(parts: Sequence[Floats]) -> str:
    """Return closed lines as a path in whole steps; what goes on straight along an axis is one step."""
    told = list[str]()
    for part in parts:
        steps: list[list[int]] = []
        for x, y in np.diff(part, axis=0).astype(int).tolist():
            if steps and ((x == steps[-1][0] == 0) or (y == steps[-1][1] == 0)):
                steps[-1] = [steps[-1][0] + x, steps[-1][1] + y]
            elif x or y:
                steps.append([x, y])
        told.append(f"M{part[0, 0]:g} {part[0, 1]:g}l" + " ".join(f"{x} {y}" for x, y in steps) + "z")
    return "".join(told).replace(" -", "-")
