"""Colours of a drawing, for light and dark surroundings, and the steps of its scale.

The bands of the gap are taken from cividis (Nuñez, Anderton & Renslow, "Optimizing colormaps with consideration for
color vision deficiency to enable accurate interpretation of scientific data", PLoS ONE 13(7), e0199239, 2018). Light
rises evenly with the gap, to readers with and without a colour vision deficiency alike, so that a grey print still
tells high from low. A map that diverges from a light middle would show both ends in the same grey. The colours are let
down with that of the paper, as a wash is, so that figures over them stay legible.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import ceil, floor, log10
from typing import Literal

import numpy as np
from msgspec import Struct

Theme = Literal["light", "dark"]
THEMES: tuple[Theme, ...] = ("light", "dark")
"""The first unless another is asked for."""

MOST_BANDS = (12, 8, 5, 3)
"""More bands than the first are not told apart in grey; fewer are taken where contour lines would crowd."""


class Inks(Struct, frozen=True):
    """The colours of a drawing."""

    paper: str
    ink: str
    faint: str
    """Outlines that only lead the eye."""
    work: str
    """What is to be done; told by shape and words too."""
    wash: float
    """How much of a band's colour is left once it is let down: as much as leaves figures over it legible."""


INKS: dict[str, Inks] = {
    "light": Inks("#ffffff", "#15191d", "#6a737b", "#9c1c00", 0.55),
    "dark": Inks("#12161a", "#f2f4f5", "#98a2aa", "#ffb59e", 0.42),
}

BANDS = 10
"""Bands of a thumbnail, from minus its scale to plus its scale."""
COLOURS: Mapping[Theme, Sequence[str]] = {
    "light": (
        "#73869d", "#7c90b0", "#939bae", "#a3a6af", "#b0b1b2", "#bfbdb5", "#cec8b3", "#ded5ac", "#efe3a1", "#fef291",
    ),
    "dark": (
        "#0a1b30", "#12233e", "#232b3c", "#2f343d", "#393c40", "#444542", "#504e40", "#5c583b", "#696233", "#756e26",
    ),
}  # fmt: skip
"""Their colours, lowest first, as `palette_for` mixes them, which would load matplotlib."""


FARTHEST = 0.16
"""Share of the colours between two bands, at the most: a bed of two bands is good, and is not to look alarming."""


class Scale(Struct, frozen=True):
    """Even steps over the range of all that stands side by side, on round numbers."""

    step: float
    first: int
    """The lowest edge, in steps."""
    bands: int

    @property
    def edges(self) -> list[float]:
        """The edges of the bands, lowest first."""
        return [self.step * (self.first + number) for number in range(self.bands + 1)]

    @property
    def decimals(self) -> int:
        """Decimals that an edge needs."""
        whole = next(places for places in range(20) if abs(round(self.step, places) - self.step) < 1e-9 * self.step)
        return int(whole)


def scale_for(low: float, high: float, least: float, most: int = MOST_BANDS[0]) -> Scale:
    """Return the finest scale of 1, 2, 2.5 or 5 times a power of ten that covers a range with few bands.

    Args:
        low: lowest value.
        high: highest value.
        least: step below which nothing is told apart.
        most: how many bands there may be.
    """
    power = floor(log10(least) + 1e-9)
    while True:
        for digit in (1.0, 2.0, 2.5, 5.0):
            step = digit * 10.0**power
            first, last = floor(low / step + 1e-9), ceil(high / step - 1e-9)
            if step >= least * (1.0 - 1e-9) and last - first <= most:
                return Scale(step, first, max(1, last - first))
        power += 1


class Palette(Struct, frozen=True):
    """A scale and the colour of each of its bands, lowest first."""

    scale: Scale
    colours: list[tuple[float, float, float]]


def palette_for(scale: Scale, inks: Inks) -> Palette:
    """Return the colours of the bands of a scale."""
    from matplotlib import colormaps
    from matplotlib.colors import to_rgb

    paper = np.array(to_rgb(inks.paper))
    apart = min(FARTHEST, 1.0 / max(1, scale.bands - 1))
    places = 0.5 + apart * (np.arange(scale.bands) - 0.5 * (scale.bands - 1))
    pure = np.array(colormaps["cividis"](places))[:, :3]
    mixed = inks.wash * pure + (1.0 - inks.wash) * paper
    return Palette(scale, [(r, g, b) for r, g, b in mixed.tolist()])
