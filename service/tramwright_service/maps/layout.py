"""How the plans of a drawing lie on its sheet, with heading, scale and notes."""

from __future__ import annotations

from collections.abc import Sequence
from textwrap import wrap

from . import sentences
from .callouts import AXIS, COLUMN
from .colours import MOST_BANDS, Palette, palette_for, scale_for
from .contours import points_of_lines
from .drawing import Drawing, Panel
from .pen import Box, Pen
from .placing import Placing, extent_of, on_left
from .plan_view import draw_panel
from .surface import Surface, surfaces

WIDTH, TALLEST = 820.0, 400.0
"""Points across the whole, and at most up a plan."""
MARGIN, HEAD = 22.0, 44.0
ABOVE, BELOW = 50.0, 26.0
"""Room above a plan for its title, and below it for its axis."""
LINE, LINES, LETTERS = 11.5, 3, 140
"""Height of a line of what the answer says, how many there may be, and how long each is."""
TITLE, WIDEST = 12.0, 1.1
"""Size of the title's type, and width of the widest letter against that: a long name is written smaller, and whole."""
NOTE, NARROW = 9.5, 96
"""Height of a line of the notes, and how long each is."""
BAND = 30.0
"""Width of a band of the scale."""
STACKED = 1.9
"""Plans wider than this against their depth stand one above the other."""


CROWDED = 1800
"""Points of all contour lines beyond which they are taken farther apart."""


class Layout:
    """A drawing laid out, all in points."""

    def __init__(self, drawing: Drawing) -> None:
        self.drawing = drawing
        extent, panels = extent_of(drawing.machine), drawing.panels
        self._wide, deep = extent.right - extent.left, extent.top - extent.bottom
        columns = [columns_of(panel, extent) for panel in panels]
        self._stacked = len(panels) > 1 and self._wide > STACKED * deep
        if self._stacked:  # one exactly above the other
            columns = [(max(left for left, _ in columns), max(right for _, right in columns))] * len(panels)
        self._columns = columns
        across, rows = (1, len(panels)) if self._stacked else (len(panels), 1)
        beside = sum(left + right for left, right in columns[:across])
        room = (WIDTH - 2.0 * MARGIN - beside) / across - 1.5 * AXIS
        self._size = min(room / self._wide, TALLEST / deep)
        self._spare = room - self._wide * self._size
        self._tall = deep * self._size + ABOVE + BELOW
        self._says = wrap(drawing.says, LETTERS)[:LINES]
        self._notes = [line for note in drawing.notes for line in wrap(note, NARROW)]
        self._top = 32.0 + NOTE * max(3, len(self._notes) + 1) + self._tall * rows
        self.height = self._top + (HEAD + LINE * len(self._says) if self._says else 0.0)

    def draw(self, pen: Pen) -> None:
        """Draw all of it."""
        if self._says:
            size = min(TITLE, (WIDTH - 2.0 * MARGIN) / (WIDEST * len(self.drawing.title)))
            pen.text(MARGIN, self.height - 20.0, self.drawing.title, size, weight="bold")
        for number, line in enumerate(self._says):
            pen.text(MARGIN, self.height - 37.0 - LINE * number, line, 8.5)
        drawing = self.drawing
        over = [
            [] if panel.values is None else surfaces(panel.points, panel.values, panel.patches)
            for panel in drawing.panels
        ]
        palette = palette_of(drawing, [one for own in over for one in own], pen)
        left, top, labelled = MARGIN + 0.5 * self._spare, self._top, []
        for panel, own, (beside_left, beside_right) in zip(drawing.panels, over, self._columns, strict=True):
            placing = Placing(self.drawing.machine, left + beside_left + AXIS, top - self._tall + BELOW, self._size)
            labelled.append((draw_panel(pen, placing, panel, own, palette), len(panel.points)))
            if self._stacked:
                top -= self._tall
            else:
                left += beside_left + beside_right + self._wide * self._size + 1.5 * AXIS + self._spare
        notes = [*self._notes, *sentences.left_out(labelled)]
        below = 16.0 + NOTE * max(3, len(notes))
        for number, line in enumerate(notes):
            pen.text(MARGIN, below - NOTE * number, line, 7.0)
        if palette:
            draw_scale(pen, palette, self.drawing.scale_title, below)


def columns_of(panel: Panel, extent: Box) -> tuple[float, float]:
    """Return how wide the columns of callouts left and right of a plan are."""
    sides = {on_left(one.x, extent) for one in panel.callouts}
    return COLUMN * (True in sides), COLUMN * (False in sides)


def palette_of(drawing: Drawing, over: Sequence[Surface], pen: Pen) -> Palette | None:
    """Return the one scale of all plans, None where they have no values: a coarser one where lines would crowd.

    Its steps are no finer than the dial's, for what lies below them is as much the dial as the bed.
    """
    values = [value for panel in drawing.panels if panel.values is not None for value in panel.values.tolist()]
    if not values:
        return None
    for most in MOST_BANDS:
        scale = scale_for(min(values), max(values), drawing.machine.division, most)
        if sum(points_of_lines(one, scale) for one in over) <= CROWDED:
            break
    return palette_for(scale, pen.inks)


def draw_scale(pen: Pen, palette: Palette, title: str, top: float) -> None:
    """Draw the scale of colours on the right."""
    scale, left = palette.scale, WIDTH - MARGIN - 12.0 - BAND * palette.scale.bands
    pen.text(WIDTH - MARGIN, top, title, 7.5, ha="right")
    for number, colour in enumerate(palette.colours):
        box = Box(left + BAND * number, top - 22.0, left + BAND * (number + 1), top - 9.0)
        pen.rectangle(box, fill=True, facecolor=colour, linewidth=0.6)
    for number, edge in enumerate(scale.edges):
        pen.text(left + BAND * number, top - 29.0, sentences.edge(edge, scale.decimals), 6.5, ha="center")
