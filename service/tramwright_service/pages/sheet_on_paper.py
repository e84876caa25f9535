"""The sheet as PDF: A4 upright, and the map once more on a page of its own.

matplotlib draws it, since the map on it is a figure of matplotlib, stays made of lines so, and no other library is
needed.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from io import BytesIO
from textwrap import wrap
from typing import Any

from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.figure import Figure
from msgspec.structs import replace

from tramwright_solvers.results.correction import Correction

from ..maps.drawing import Drawing
from ..maps.figure import UNDATED, alone
from ..maps.layout import WIDTH, Layout
from ..maps.pen import Box, Pen, paper
from ..maps.subjects import of_correction
from ..wire.media_types import PDF
from . import sheet
from .sheet import Sheet

ACROSS, UP = 595.0, 842.0
"""A4 in points."""
EDGE = 28.0
TALL = (270.0, 240.0, 210.0, 180.0, 155.0, 130.0)
"""Heights of the map that are tried until all is on one page."""
MEAN = 0.555
"""Mean width of a letter of prose against the size of its type."""
BOLDER = 1.12
"""How much wider bold letters are."""
LINE = 1.3
"""Height of a line against the size of its type."""

BEFORE, GOAL, READ = 446.0, 496.0, 503.0
"""Right ends of the columns of the dial, and where the box to write in begins."""


def as_pdf(asked: Any, answer: Correction, sent: bytes) -> bytes:
    """Return the sheet, and after it the map as large as the page."""
    drawing = of_correction(asked, answer)
    told = sheet.sheet_of(asked, answer, sent)
    return alone(lambda: drawn(told, drawing))


def drawn(told: Sheet, drawing: Drawing) -> bytes:
    """Return both pages, or more where the steps take them."""
    column, draw_map = fitted(told, Layout(replace(drawing, says="")))
    draw_map()
    layout, made = Layout(drawing), BytesIO()
    large = paper(UP, ACROSS, "light")
    scale = min((UP - 2.0 * EDGE) / WIDTH, (ACROSS - 2.0 * EDGE) / layout.height)
    corner = ((UP - WIDTH * scale) / 2.0, (ACROSS - layout.height * scale) / 2.0)
    layout.draw(Pen(large, "light", corner, scale))
    with PdfPages(made, metadata=UNDATED[PDF]) as pages:
        for page in (*column.pages, large):
            pages.savefig(page)
    return made.getvalue()


def fitted(told: Sheet, layout: Layout) -> tuple[Column, Callable[[], None]]:
    """Return the sheet with the largest map that leaves it on one page, if one does, and what draws that map."""
    natural = layout.height * (ACROSS - 2.0 * EDGE) / WIDTH + 4.0
    for tall in TALL:
        column = Column()
        draw = partial(write(column, told, min(natural, tall)), layout)
        if len(column.pages) == 1:
            break
    return column, draw


class Column:
    """Text and figures one below another, on as many pages as they take."""

    def __init__(self) -> None:
        self.pages: list[Figure] = []
        self.turn()

    def turn(self) -> None:
        """Begin a page."""
        self.pages.append(paper(ACROSS, UP, "light"))
        self.pen = Pen(self.pages[-1], "light")
        self.y = UP - EDGE

    def room(self, height: float) -> float:
        """Return where something of this height begins, on the next page if it does not fit on this one."""
        if self.y - height < EDGE:
            self.turn()
        top = self.y
        self.y -= height
        return top

    def lines(self, said: str, size: float, left: float = EDGE, right: float = ACROSS - EDGE) -> list[str]:
        """Return a text cut to lines of a width."""
        return wrap(said, max(10, int((right - left) / (MEAN * size))))

    def text(self, said: str, size: float, left: float = EDGE, right: float = ACROSS - EDGE, **how: Any) -> None:
        """Write a paragraph."""
        wide = BOLDER if how.get("weight") == "bold" else 1.0
        for line in self.lines(said, wide * size, left, right):
            top = self.room(LINE * size)
            self.pen.text(left, top - 0.6 * LINE * size, line, size, **how)

    def heading(self, said: str) -> None:
        """Write a heading over a rule."""
        top = self.room(19.0)
        self.pen.text(EDGE, top - 10.0, said, 9.0, weight="bold")
        self.pen.line([(EDGE, top - 15.5), (ACROSS - EDGE, top - 15.5)], 0.8)


def write(column: Column, told: Sheet, tall: float) -> Callable[[Layout], None]:
    """Write the sheet from top to bottom and return what draws the map in the room left for it, so many points tall."""
    column.text(told.machine, 13.0, weight="bold")
    first, *rest = told.verdict
    column.text(first, 11.0, weight="bold")
    for one in (*rest, *told.doubts):
        column.text(one, 8.0)
    if told.cautions:
        cautions(column, " ".join(told.cautions))
    if told.made:
        column.heading(sheet.MADE)
        for number, one in enumerate(told.made, 1):
            column.text(f"{number}  {one}", 7.5)
    if told.steps:
        steps(column, told)
    top, figure = column.room(tall), column.pen.figure
    blame(column, told)
    column.heading(sheet.SURE)
    for one in told.sureness:
        column.text(one, 7.0)
    column.heading(sheet.OF_WHAT)
    for name, value in told.about:
        named, lines = name, column.lines(value, 6.5, 140.0)
        for line in lines:
            height = column.room(8.5) - 5.0
            column.pen.text(EDGE, height, named, 6.5, color=column.pen.inks.faint)
            column.pen.text(140.0, height, line, 6.5)
            named = ""
    foot = column.room(42.0)
    for number, said in enumerate(sheet.TO_SIGN):
        left = EDGE + number * 185.0
        column.pen.line([(left, foot - 30.0), (left + 165.0, foot - 30.0)], 0.8)
        column.pen.text(left, foot - 36.0, said, 7.0)

    def draw(layout: Layout) -> None:
        scale = min((ACROSS - 2.0 * EDGE) / WIDTH, (tall - 4.0) / layout.height)
        corner = ((ACROSS - WIDTH * scale) / 2.0, top - layout.height * scale - 4.0)
        layout.draw(Pen(figure, "light", corner, scale))

    return draw


def cautions(column: Column, said: str) -> None:
    """Write the cautions in a frame."""
    lines = column.lines(f"{sheet.CARE} {said}", 7.0, EDGE + 5.0, ACROSS - EDGE - 5.0)
    tall = 9.2 * len(lines) + 8.0
    top = column.room(tall + 4.0) - 3.0
    ink = column.pen.inks.work
    column.pen.rectangle(Box(EDGE, top - tall, ACROSS - EDGE, top), linewidth=1.2, edgecolor=ink)
    for number, line in enumerate(lines):
        column.pen.text(EDGE + 5.0, top - 8.5 - 9.2 * number, line, 7.0)


def steps(column: Column, told: Sheet) -> None:
    """Write the steps, each with what the dial is to read and a box for what it does."""
    column.heading(told.in_order)
    top = column.room(11.0)
    for right, said in ((BEFORE, sheet.DIAL_BEFORE), (GOAL, sheet.DIAL_GOAL)):
        column.pen.text(right, top - 5.5, said, 6.5, ha="right")
    column.pen.text(READ, top - 5.5, sheet.DIAL_READ, 6.5)
    for number, step in enumerate(told.steps, len(told.made) + 1):
        lines = column.lines(step.do, 7.5, EDGE + 16.0, BEFORE - 28.0)
        tall = max(9.6 * len(lines) + 5.0, 25.0)
        top = column.room(tall)
        pen = column.pen
        pen.line([(EDGE, top), (ACROSS - EDGE, top)], 0.4, edgecolor=pen.inks.faint)
        pen.text(EDGE + 9.0, top - 8.0, str(number), 7.5, ha="right")
        for place, line in enumerate(lines):
            pen.text(EDGE + 16.0, top - 8.0 - 9.6 * place, line, 7.5)
        pen.text(BEFORE, top - 8.0, step.before, 7.5, ha="right")
        pen.text(GOAL, top - 8.0, step.goal, 9.5, ha="right", weight="bold")
        pen.rectangle(Box(READ, top - 21.0, ACROSS - EDGE, top - 3.5), linewidth=1.0)


def blame(column: Column, told: Sheet) -> None:
    """Draw what is to blame as bars, largest first."""
    column.heading(told.to_blame)
    left, wide = 300.0, 160.0
    for bar in told.blame:
        top, pen = column.room(11.0), column.pen
        pen.text(EDGE, top - 6.0, bar.name, 7.0)
        pen.text(left - 8.0, top - 6.0, bar.size, 7.0, ha="right")
        pen.rectangle(Box(left, top - 9.5, left + wide, top - 2.5), linewidth=0.5)
        filled = {"fill": True, "facecolor": pen.inks.faint, "linewidth": 0.5}
        pen.rectangle(Box(left, top - 9.5, left + wide * bar.share, top - 2.5), **filled)
        pen.text(left + wide + 8.0, top - 6.0, f"{100.0 * bar.share:.0f} %", 7.0)
    column.text(told.attribution, 7.0)
