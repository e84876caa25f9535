"""A figure drawn in points from its lower left corner, and what places on it are taken."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any, NamedTuple

import numpy as np
from matplotlib.figure import Figure
from matplotlib.patches import PathPatch
from matplotlib.path import Path
from matplotlib.text import Text
from matplotlib.transforms import Affine2D

from tramwright_solvers.model.contract import Floats

from ..wire.plain import plain
from .colours import INKS, Theme

POINTS_PER_INCH = 72.0

WIDE, TALL = 0.62, 0.42
"""Width of a letter, and half its height, against the size of its type."""


class Box(NamedTuple):
    """A rectangle along the axes."""

    left: float
    bottom: float
    right: float
    top: float

    def meets(self, other: Box) -> bool:
        """Say whether two boxes overlap."""
        return (
            self.left < other.right and other.left < self.right and self.bottom < other.top and other.bottom < self.top
        )

    def lies_in(self, other: Box) -> bool:
        """Say whether this box lies in another."""
        across = other.left < self.left and self.right < other.right
        return across and other.bottom < self.bottom and self.top < other.top


def paper(width: float, height: float, theme: Theme) -> Figure:
    """Return an empty figure of so many points."""
    size = (width / POINTS_PER_INCH, height / POINTS_PER_INCH)
    return Figure(figsize=size, facecolor=INKS[theme].paper)


class Pen:
    """Draws on one figure; what a stranger wrote is text and never markup."""

    def __init__(
        self, figure: Figure, theme: Theme, corner: tuple[float, float] = (0.0, 0.0), scale: float = 1.0
    ) -> None:
        """Take a figure to draw on.

        Args:
            figure: a figure, or a part of one to the right of and above ``corner``.
            theme: the colours.
            corner: where on the figure this pen has its origin, in points.
            scale: points of the figure for each of this pen, type and widths of lines included.
        """
        self.inks = INKS[theme]
        self.figure = figure
        self.scale = scale
        self._in_points = (
            Affine2D().scale(scale).translate(*corner).scale(1.0 / POINTS_PER_INCH) + figure.dpi_scale_trans
        )
        self.taken: list[Box] = []

    def free(self, box: Box) -> bool:
        """Say whether nothing stands in a box yet."""
        return not any(box.meets(one) for one in self.taken)

    def path(self, path: Path, within: Path | None = None, **how: Any) -> None:
        """Draw a path, cut at the outline of another."""
        shown: dict[str, Any] = {"fill": False, "edgecolor": self.inks.ink, "linewidth": 1.0, **how}
        shown["linewidth"] *= self.scale
        patch = PathPatch(path, transform=self._in_points, **shown)
        if within is not None:
            patch.set_clip_path(within, self._in_points)
        self.figure.add_artist(patch, clip=within is not None)

    def line(self, points: Sequence[tuple[float, float]] | Floats, width: float = 0.6, **how: Any) -> None:
        """Draw a line through points."""
        self.path(Path(np.asarray(points)), linewidth=width, **how)

    def lines(self, pieces: Iterable[Floats], width: float = 0.6, **how: Any) -> None:
        """Draw any number of lines in one go."""
        if kept := [piece for piece in pieces if len(piece) > 1]:
            codes = [np.r_[Path.MOVETO, np.full(len(piece) - 1, Path.LINETO)] for piece in kept]
            self.path(Path(np.concatenate(kept), np.concatenate(codes)), linewidth=width, **how)

    def dots(self, points: Floats, size: float) -> None:
        """Draw round dots: strokes too short to have a length, with round ends."""
        half = np.array([0.1, 0.0])
        self.lines(np.stack([points - half, points + half], axis=1), size, capstyle="round")

    def rectangle(self, box: Box, **how: Any) -> None:
        """Draw a rectangle."""
        corners = [
            (box.left, box.bottom),
            (box.right, box.bottom),
            (box.right, box.top),
            (box.left, box.top),
            (box.left, box.bottom),
        ]
        self.path(Path(corners, closed=True), **how)

    def circle(self, x: float, y: float, radius: float, **how: Any) -> None:
        """Draw a circle."""
        unit = Path.unit_circle()
        self.path(Path(np.asarray(unit.vertices) * radius + np.array([x, y]), unit.codes), **how)

    def text(self, x: float, y: float, said: str, size: float = 7.0, **how: Any) -> Box:
        """Write one line of text and return the box it takes; (x, y) is the middle of its left end unless said."""
        aligned = {"ha": "left", "va": "center_baseline", "color": self.inks.ink, **how}
        self.figure.add_artist(
            Text(
                x,
                y,
                plain(said),
                fontsize=size * self.scale,
                transform=self._in_points,
                parse_math=False,
                **aligned,
            ),
            clip=False,
        )
        return text_box(x, y, said, size, aligned["ha"])


def text_box(x: float, y: float, said: str, size: float, ha: str = "left") -> Box:
    """Return the box that a line of text takes."""
    wide = WIDE * size * len(said)
    left = x - {"left": 0.0, "center": 0.5, "right": 1.0}[ha] * wide
    return Box(left, y - TALL * size, left + wide, y + TALL * size)
