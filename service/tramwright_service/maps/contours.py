"""The gap over a plan: bands of colour, and contour lines with their heights."""

from __future__ import annotations

from typing import Any

import numpy as np
from contourpy import ContourGenerator, FillType, LineType, contour_generator
from matplotlib.path import Path
from numpy.typing import NDArray

from tramwright_solvers.model.contract import Floats

from . import sentences
from .colours import Palette, Scale
from .pen import Box, Pen, text_box
from .placing import Placing
from .surface import Surface

SIZE = 6.0
"""Size of the type of a contour line's height."""

SHORT = 45.0
"""A line shorter than this has no room for its height."""

DATUM = 1e-9


class Contours:
    """The surface over one patch of the bed; nothing of it is drawn beyond its outline."""

    def __init__(self, pen: Pen, placing: Placing, surface: Surface, palette: Palette) -> None:
        self.pen = pen
        self.palette = palette
        self._lowest, self._highest = float(np.nanmin(surface.values)), float(np.nanmax(surface.values))
        self.outline = Path(placing.at(surface.outline))
        x = placing.at(np.column_stack([surface.x, np.full(len(surface.x), surface.y[0])]))[:, 0]
        y = placing.at(np.column_stack([np.full(len(surface.y), surface.x[0]), surface.y]))[:, 1]
        self._made: ContourGenerator = contour_generator(
            x, y, np.ma.masked_invalid(surface.values), fill_type=FillType.OuterCode, line_type=LineType.Separate
        )

    def draw_bands(self) -> None:
        """Fill the bands; each colour covers all that is as high or higher, so that every edge is written once."""
        scale = self.palette.scale
        # between stations the surface may go a little beyond them, and then has the outermost colours
        lows = [min(self._lowest, scale.edges[0]) - scale.step, *scale.edges[1:-1]]
        for colour, low in zip(self.palette.colours, lows, strict=True):
            found: Any = self._made.filled(low, max(self._highest, scale.edges[-1]) + scale.step)
            for points, codes in zip(*found, strict=True):
                how = {"fill": True, "facecolor": colour, "edgecolor": colour, "linewidth": 0.4}
                self.pen.path(straightened(points, codes), self.outline, **how)

    def draw_lines(self) -> None:
        """Draw the contour lines, dashed below zero: a grey print tells the sign as well."""
        scale = self.palette.scale
        for level in scale.edges[1:-1]:
            found: Any = self._made.lines(level)
            rest = [part for line in found for part in self._with_height(line, sentences.edge(level, scale.decimals))]
            dashes = (0, (3, 1.5)) if level < -DATUM else "-"
            self.pen.lines(rest, 0.9 if abs(level) < DATUM else 0.55, within=self.outline, linestyle=dashes)

    def _with_height(self, line: Floats, said: str) -> list[Floats]:
        """Write its height on a line, nearest its middle where there is room, and return what that leaves of it."""
        if np.hypot(*np.diff(line, axis=0).T).sum() < SHORT:
            return [line]
        for place in sorted(range(len(line)), key=lambda at: abs(at - len(line) // 2)):
            x, y = line[place].tolist()
            box = text_box(x, y, said, SIZE, "center")
            if self.pen.free(box) and holds(self.outline, box):
                self.pen.taken.append(box)
                self.pen.text(x, y, said, SIZE, ha="center", style="italic")
                return without(line, box)
        return [line]


def points_of_lines(surface: Surface, scale: Scale) -> int:
    """Return of how many points the contour lines of a surface would consist."""
    made = contour_generator(surface.x, surface.y, np.ma.masked_invalid(surface.values), line_type=LineType.Separate)
    found: list[Any] = [made.lines(level) for level in scale.edges[1:-1]]
    return sum(len(line) for lines in found for line in lines)


def straightened(points: Floats, codes: NDArray[np.uint8]) -> Path:
    """Return a path without the points that lie on the straight way between their neighbours."""
    before, after = np.roll(points, 1, axis=0), np.roll(points, -1, axis=0)
    (ax, ay), (bx, by) = (points - before).T, (after - points).T
    kept = (np.abs(ax * by - ay * bx) > 1e-9) | (codes != Path.LINETO) | (np.roll(codes, -1) != Path.LINETO)
    return Path(points[kept], codes[kept])


def without(line: Floats, box: Box) -> list[Floats]:
    """Return the parts of a line whose points are not in a box."""
    x, y = line.T
    hidden = (x > box.left) & (x < box.right) & (y > box.bottom) & (y < box.top)
    cuts = np.flatnonzero(np.diff(hidden)) + 1
    return [part for part, gone in zip(np.split(line, cuts), np.split(hidden, cuts), strict=True) if not gone[0]]


def holds(outline: Path, box: Box) -> bool:
    """Say whether a box lies wholly in an outline."""
    corners = [(box.left, box.bottom), (box.right, box.bottom), (box.right, box.top), (box.left, box.top)]
    return bool(outline.contains_points(corners).all())
