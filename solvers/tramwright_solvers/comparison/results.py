"""The answer to a comparison of two surveys. Lengths are in the machine's unit; ``u`` is a standard uncertainty."""

from __future__ import annotations

from typing import Literal

from msgspec import Struct

from ..multisurvey.significance import Known
from .heat import Heat


class TermChange(Struct, frozen=True):
    """Change of one term over the whole bed, after less before; null where the stations or a free zero cannot tell.

    Tilts: how much the far side (right, rear) rose against the near one. Twist: how much front left and rear right rose
    against the other corners, halved. Bows: how much the ends rose against the middle. ``smallest_detectable`` is the
    change that would have been seen four times in five.
    """

    term: str
    change: float | None
    u: float | None
    significant: bool
    smallest_detectable: float | None


class Remainder(Struct, frozen=True):
    """Change that the terms leave, at the stations of both surveys: local form, and slips of single readings.

    ``rms`` of it against ``expected``, that of noise alone; ``smallest_detectable`` is the rms that would have been
    seen four times in five.
    """

    stations: int
    rms: float
    expected: float
    significant: bool
    smallest_detectable: float


class AdjusterChange(Struct, frozen=True):
    """How much an adjuster would have to have moved to explain the change, positive up.

    ``known``: ``alone`` where the surveys fix it; ``together`` where no survey could, because others (or a free zero)
    do the same, and the travel is its part of the least effort; ``unseen`` where other stations would be needed, and
    the travel is null. ``if_alone`` is its travel if nothing else had moved, and ``explains`` says whether that
    explains the whole change.
    """

    adjuster: str
    solver: str
    travel: float | None
    u: float | None
    significant: bool
    smallest_detectable: float | None
    known: Known
    if_alone: float | None
    if_alone_u: float | None
    explains: bool


class StationChange(Struct, frozen=True, gc=False):
    """Gap at a station of both surveys, before and after, each from its own zero; ``change`` is from their mean change
    where the zero is free."""

    x: float
    y: float
    before: float
    after: float
    change: float
    u: float
    significant: bool
    smallest_detectable: float


class TotalChange(Struct, frozen=True):
    """Total indicator reading of each survey over its own stations, and its change.

    ``u`` is that of the readings: where the surveys are not over the ``same_stations``, a part of the change may lie in
    where was read.
    """

    before: float
    after: float
    change: float
    u: float
    significant: bool
    smallest_detectable: float
    same_stations: bool


class Finding(Struct, frozen=True):
    """The answer in a sentence. ``risk`` is that of calling a machine moved that did not: at most, over all tests."""

    moved: bool
    says: str
    risk: float


class Comparison(Struct, frozen=True):
    """What moved between two surveys. Lengths in the machine's unit, ``u`` a standard uncertainty (k = 1)."""

    machine: str
    units: Literal["mm", "inch"]
    verdict: Finding
    total: TotalChange
    terms: list[TermChange]
    remainder: Remainder | None
    adjusters: list[AdjusterChange]
    beyond_adjusters: bool
    stations: list[StationChange]
    heat: Heat | None
    undetermined: list[str]
    assumptions: list[str]
    cautions: list[str]
    solver_versions: dict[str, str]
