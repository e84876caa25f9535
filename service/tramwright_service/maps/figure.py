"""A drawing as SVG, PNG or PDF. Loads matplotlib, so it is imported where the first picture is drawn."""

from __future__ import annotations

import gc
import warnings
from collections.abc import Callable
from io import BytesIO
from threading import Lock

import matplotlib as mpl

from ..wire.media_types import PDF, PNG, SVG
from .colours import Theme
from .drawing import Drawing
from .layout import WIDTH, Layout
from .pen import Pen, paper
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

ONE_AT_A_TIME = Lock()
"""matplotlib keeps caches that are not made for several threads."""


def alone(draw: Callable[[], bytes]) -> bytes:
    """Draw while no other thread does; a letter that the typeface lacks is drawn as a box, without a warning."""
    with ONE_AT_A_TIME, warnings.catch_warnings():
        warnings.filterwarnings("ignore", "Glyph")
        made = draw()
        # A figure is a circle of references, and the service looks for those too seldom to be rid of figures. Now that
        # nothing holds this one any more, it is cleared away within about a millisecond.
        gc.collect(1)
        return made


def picture(drawing: Drawing, media_type: str, theme: Theme) -> bytes:
    """Return a drawing as a file of the given type; equal drawings have equal bytes."""
    layout = Layout(drawing)

    def draw() -> bytes:
        figure, made = paper(WIDTH, layout.height, theme), BytesIO()
        layout.draw(Pen(figure, theme))
        figure.savefig(made, format=SUFFIXES[media_type], dpi=DOTS[media_type], metadata=UNDATED[media_type])
        return made.getvalue()

    made = alone(draw)
    return tidy(made.decode(), drawing.title, drawing.tells).encode() if media_type == SVG else made
