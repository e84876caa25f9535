"""What a drawing shows, before a line of it is drawn: facts and words, in machine coordinates."""

from __future__ import annotations

from collections.abc import Sequence

from msgspec import Struct

from tramwright_solvers.model.contract import Floats
from tramwright_solvers.model.machine import Machine
from tramwright_solvers.planning import KeepOut


class Callout(Struct, frozen=True):
    """What is written beside the plan of one adjuster, with a line that leads to it."""

    adjuster: str
    x: float
    y: float
    says: tuple[str, ...]
    """Lines, the adjuster's name first."""
    up: bool | None = None
    """Which way its arrow points; None for no arrow."""


class Panel(Struct, frozen=True):
    """One plan view."""

    title: str
    says: str
    """What its stations show, in figures."""
    points: Floats
    """Stations, shape (n, 2)."""
    labels: Sequence[str]
    """What is written at each station, as far as there is room."""
    first: Sequence[int]
    """Stations whose labels go before others, in bold: the extremes, or where one begins and ends."""
    values: Floats | None = None
    """The gap at each station, shape (n,), for colours and contour lines; None, there are none."""
    patches: Sequence[Sequence[int]] = ()
    """Numbers of the stations on each patch of the bed; empty where it is one piece."""
    callouts: Sequence[Callout] = ()
    rings: Sequence[tuple[float, float]] = ()
    """Stations that are in doubt, or to be read again."""
    ways: Sequence[tuple[tuple[float, float], tuple[float, float], bool]] = ()
    """Straight ways from station to station, and whether each passes over a kept-out place."""
    kept_out: Sequence[KeepOut] = ()


class Drawing(Struct, frozen=True):
    """Plan views of one machine, side by side on one scale."""

    machine: Machine
    title: str
    says: str
    """The answer in a sentence or two; empty where the page around says it, and the title too."""
    tells: str
    """What the picture shows, for those who cannot see it."""
    panels: Sequence[Panel]
    notes: Sequence[str]
    """How to read it, and what is left out."""
    scale_title: str = ""
    """What the colours stand for; empty where there are none."""
