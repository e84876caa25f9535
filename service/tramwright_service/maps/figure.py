"""A drawing as SVG, PNG or PDF. Loads matplotlib, so it is imported where the first picture is drawn."""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from io import BytesIO
from textwrap import wrap
from threading import Lock

import matplotlib as mpl

from tramwright_solvers.model.units import DECIMALS

from ..wire.media_types import PDF, PNG, SVG
from . import sentences
from .callouts import AXIS, COLUMN
from .colours import Palette, Theme, palette_for, scale_for
from .drawing import Drawing, Panel
from .pen import Box, Pen
from .placing import Placing, extent_of, on_left
from .plan_view import draw_panel
from .svg import tidy

mpl.rcParams.update(
    {
        "svg.fonttype": "none",  # text stays text
        "svg.hashsalt": "tramwright",  # equal drawings have equal bytes
        "pdf.fonttype": 42,
        "font.family": "DejaVu Sans",  # comes with matplotlib, so every host draws alike
        "hatch.linewidth": 0.4,
    }
)

SUFFIXES = {SVG: "svg", PNG: "png", PDF: "pdf"}
DOTS = {SVG: 72, PNG: 144, PDF: 72}
UNDATED: dict[str, dict[str, None]] = {
    SVG: {"Date": None, "Creator": None, "Format": None, "Type": None},
    PNG: {"Software": None},
    PDF: {"CreationDate": None, "Creator": None, "Producer": None},
}
"""What matplotlib would write of itself and of the hour is left out."""

WIDTH = 820.0
TALLEST = 400.0
"""Points across the whole, and at most up a plan."""
MARGIN, HEAD = 22.0, 44.0
ABOVE, BELOW = 50.0, 26.0
"""Room above a plan for its title, and below it for its axis."""
LINE, LINES, LETTERS = 11.5, 3, 140
"""Height of a line of what the answer says, how many there may be, and how long each is."""
NOTE, NARROW = 9.5, 96
"""The same of a note."""
STACKED = 1.9
"""Plans wider than this against their depth stand one above the other."""
ONE_AT_A_TIME = Lock()
"""matplotlib keeps caches that are not made for several threads."""


def picture(drawing: Drawing, media_type: str, theme: Theme) -> bytes:
    """Return a drawing as a file of the given type; equal drawings have equal bytes."""
    with ONE_AT_A_TIME, warnings.catch_warnings():
        warnings.filterwarnings("ignore", "Glyph")  # a letter that the typeface lacks is drawn as a box
        pen, made = sheet(drawing, theme), BytesIO()
        pen.figure.savefig(made, format=SUFFIXES[media_type], dpi=DOTS[media_type], metadata=UNDATED[media_type])
        pen.figure.clear()
    if media_type == SVG:
        return tidy(made.getvalue().decode(), drawing.title, drawing.tells).encode()
    return made.getvalue()


def sheet(drawing: Drawing, theme: Theme) -> Pen:
    """Return the figure with all of a drawing on it."""
    extent, panels = extent_of(drawing.machine), drawing.panels
    wide, deep = extent.right - extent.left, extent.top - extent.bottom
    columns = [columns_of(panel, extent) for panel in panels]
    stacked = len(panels) > 1 and wide > STACKED * deep
    across, rows = (1, len(panels)) if stacked else (len(panels), 1)
    beside = (max if stacked else sum)(left + right for left, right in columns)
    room = (WIDTH - 2.0 * MARGIN - beside) / across - 1.5 * AXIS
    size = min(room / wide, TALLEST / deep)
    spare = room - wide * size
    tall = deep * size + ABOVE + BELOW
    says = wrap(drawing.says, LETTERS)[:LINES]
    notes = [line for note in drawing.notes for line in wrap(note, NARROW)]
    top = 32.0 + NOTE * max(3, len(notes) + 1) + tall * rows
    pen = Pen(WIDTH, top + HEAD + LINE * len(says), theme)
    heading(pen, drawing.title, says, top + HEAD + LINE * len(says))
    values = [value for panel in panels if panel.values is not None for value in panel.values.tolist()]
    least = 10.0 ** -DECIMALS[drawing.machine.units]
    palette = palette_for(scale_for(min(values), max(values), least), theme) if values else None
    left, labelled = MARGIN + 0.5 * spare, []
    for panel, (beside_left, beside_right) in zip(panels, columns, strict=True):
        placing = Placing(drawing.machine, left + beside_left + AXIS, top - tall + BELOW, size)
        labelled.append((draw_panel(pen, placing, panel, palette), len(panel.points)))
        if stacked:
            top -= tall
        else:
            left += beside_left + beside_right + wide * size + 1.5 * AXIS + spare
    foot(pen, drawing.scale_title, palette, [*notes, *sentences.left_out(labelled)])
    return pen


def columns_of(panel: Panel, extent: Box) -> tuple[float, float]:
    """Return how wide the columns of callouts left and right of a plan are."""
    sides = {on_left(one.x, extent) for one in panel.callouts}
    return COLUMN * (True in sides), COLUMN * (False in sides)


def heading(pen: Pen, title: str, says: Sequence[str], height: float) -> None:
    """Write what the drawing is of and what it says."""
    pen.text(MARGIN, height - 20.0, title, 12.0, weight="bold")
    for number, line in enumerate(says):
        pen.text(MARGIN, height - 37.0 - LINE * number, line, 8.5)


def foot(pen: Pen, scale_title: str, palette: Palette | None, notes: Sequence[str]) -> None:
    """Draw the scale of colours and write the notes."""
    top = 16.0 + NOTE * max(3, len(notes))
    for number, line in enumerate(notes):
        pen.text(MARGIN, top - NOTE * number, line, 7.0)
    if palette is None:
        return
    scale, width = palette.scale, 30.0
    left = WIDTH - MARGIN - 12.0 - width * scale.bands
    pen.text(left, top, scale_title, 7.5)
    for number, colour in enumerate(palette.colours):
        box = Box(left + width * number, top - 22.0, left + width * (number + 1), top - 9.0)
        pen.rectangle(box, fill=True, facecolor=colour, linewidth=0.6)
    for number, edge in enumerate(scale.edges):
        pen.text(left + width * number, top - 29.0, sentences.edge(edge, scale.decimals), 6.5, ha="center")
