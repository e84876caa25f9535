"""What is kept of each survey to follow a machine by, and the latest of its surveys together."""

from __future__ import annotations

from collections.abc import Sequence
from math import nan, sqrt
from typing import Any, NamedTuple

import msgspec
import numpy as np
from msgspec import Raw, Struct
from sqlalchemy import Connection, Select, bindparam, select

from tramwright_solvers.history.outlook import NAMES, Last, Outlook, outlook
from tramwright_solvers.history.trends import Track
from tramwright_solvers.model.contract import Floats
from tramwright_solvers.model.machine import Bed
from tramwright_solvers.model.quantities import Units
from tramwright_solvers.model.units import MM_PER_INCH
from tramwright_solvers.results.findings import FormTerm

from . import times
from .machines import Description, parts_of, verified
from .tables import CORRECTIONS, MOVES, SURVEYS, TERMS

WINDOW = 50
"""Most surveys that are looked at together, the latest."""
SMALLEST = 1e-6
"""Standard uncertainties below this part of the limit are not told apart from it."""
UNTOLD = (nan, nan)


class _Term(Struct, frozen=True):
    term: str
    range: float | None
    u: float | None
    over_bed: float | None = None
    over_bed_u: float | None = None


class _Station(Struct, frozen=True):
    x: float
    y: float
    before: float


class _Predicted(Struct, frozen=True):
    stations: list[_Station]


class _Whole(Struct, frozen=True):
    """What is read of a whole answer."""

    breakdown: list[_Term]
    predicted: _Predicted


class _Described(Struct, frozen=True):
    bed: Bed


class Terms(Struct, frozen=True):
    """The document of the terms of a survey: each with its u, signed where it has a sign; the bed, which they are told
    over; and, for how the total goes on, the gap as found at every station."""

    bed: Bed
    terms: dict[str, tuple[float, float]]
    stations: Raw


class _Kept(Struct, frozen=True):
    """The same as it is written."""

    bed: Bed
    terms: Raw
    stations: Raw


_whole = msgspec.json.Decoder(_Whole).decode
_described = msgspec.json.Decoder(_Described).decode
terms_of = msgspec.json.Decoder(Terms).decode
_stations = msgspec.json.Decoder(list[tuple[float, float, float]]).decode
_encode = msgspec.json.Encoder().encode


def terms_in(whole: bytes, description: Description) -> bytes:
    """Return what is kept of a whole correction, as JSON, of a machine so described."""
    answer = _whole(whole)
    stations = [(one.x, one.y, one.before) for one in answer.predicted.stations]
    return terms(answer.breakdown, stations, _described(parts_of(description.document).machine).bed)


def terms(breakdown: Sequence[FormTerm | _Term], stations: Sequence[tuple[float, float, float]], bed: Bed) -> bytes:
    """Return what is kept, as JSON, of the terms over a bed and of the gap at stations, each with its x and y.

    Raises:
        ArithmeticError: a number in it is not finite.
    """
    named = dict[str, tuple[float, float]]()
    for one in breakdown:
        value, u = (one.range, one.u) if one.term == "remainder" else (one.over_bed, one.over_bed_u)
        if one.term in NAMES and value is not None and u is not None:
            named[one.term] = value, u
    told, gap = _encode(named), _encode(stations)
    if b"null" in told or b"null" in gap:
        raise ArithmeticError("the answer holds a number that is not finite")
    return _encode(_Kept(bed, Raw(told), Raw(gap)))


S, C, T, M = SURVEYS.c, CORRECTIONS.c, TERMS.c, MOVES.c
_MOVED = (
    select(M.adjusters)
    .where(M.machine == S.machine, M.number == S.number)
    .order_by(M.entry.desc())
    .limit(1)
    .scalar_subquery()
)


def seen() -> Select[Any]:
    """Return the query for what was found at each survey of `machine`, in no order."""
    own = (C.machine == S.machine) & (C.number == S.number)
    kept = (T.machine == S.machine) & (T.number == S.number)
    return (
        select(S.machine, S.number, S.version, S.taken_at, C.as_found, C.total, C.u, C.limit, C.units)
        .add_columns(T.document, T.digest, _MOVED.label("moved"))
        .join(CORRECTIONS, own)
        .outerjoin(TERMS, kept)
        .where(S.machine == bindparam("machine"))
    )


_LATEST = seen().order_by(S.taken_at.desc(), S.number.desc()).limit(WINDOW)


class Surveyed(NamedTuple):
    """What a machine is followed by at one survey: figures are value and u of each of :data:`NAMES` in its own unit,
    NaN where not told; bed and stations are None where terms were not kept."""

    machine: str
    number: int
    taken_at: int
    as_found: str
    limit: float
    units: Units
    moved: bool
    figures: list[tuple[float, float]]
    bed: Bed | None
    stations: Raw | None

    @classmethod
    def of(cls, row: Any, document: bytes | None) -> Surveyed:
        """Read a survey with its correction, and the document of its terms."""
        kept = None if document is None else terms_of(document)
        terms = {} if kept is None else kept.terms
        figures = [(row.total, row.u), *(terms.get(name, UNTOLD) for name in NAMES[1:])]
        own = (row.machine, row.number, row.taken_at, row.as_found, row.limit, row.units)
        shape = (None, None) if kept is None else (kept.bed, kept.stations)
        return cls(*own, bool(getattr(row, "moved", None)), figures, *shape)


class Window(NamedTuple):
    """The latest surveys of a machine, the oldest first, as numbers: ``figures`` (n, J, 2) in the unit of the last."""

    numbers: np.ndarray
    taken_at: np.ndarray
    moved: np.ndarray
    figures: Floats
    last: Surveyed

    @classmethod
    def of(cls, surveys: Sequence[Surveyed]) -> Window:
        """Return the window of surveys; terms over another bed than that of the last are other terms."""
        last = surveys[-1]
        if last.bed is not None:
            other = [at for at, one in enumerate(surveys) if one.bed not in (None, last.bed)]
            surveys = surveys[other[-1] + 1 :] if other else surveys
        return cls(
            np.array([one.number for one in surveys]),
            np.array([one.taken_at for one in surveys]),
            np.array([one.moved for one in surveys]),
            np.array([one.figures for one in surveys])
            * np.array([scale(one.units, last.units) for one in surveys])[:, None, None],
            last,
        )

    def then(self, surveys: Sequence[Surveyed]) -> Window | None:
        """Return the window with more surveys; None where they are not all later ones in the same terms and unit."""
        before = self.last
        for one in surveys:
            if one.bed is None or (one.bed, one.units) != (before.bed, before.units) or one.taken_at < before.taken_at:
                return None
            before = one
        joined = Window.of(surveys)
        numbers, taken_at, moved, figures = (
            np.concatenate(pair)[-WINDOW:] for pair in zip(self[:4], joined[:4], strict=True)
        )
        return Window(numbers, taken_at, moved, figures, joined.last)

    @property
    def track(self) -> Track:
        """The same as the mathematics has it."""
        return Track(
            days=(self.taken_at - self.taken_at[-1]) / times.DAY,
            values=self.figures[:, :, 0],
            u=np.maximum(self.figures[:, :, 1], SMALLEST * self.last.limit),
            begins=np.concatenate([[True], self.moved[:-1]]),
            reading=float(self.figures[-1, 0, 1]) / sqrt(2.0),  # a total is the difference of two
        )

    @property
    def told(self) -> Last | None:
        """The gap at the last survey, where it was kept."""
        if self.last.bed is None or self.last.stations is None:
            return None
        stations = np.array(_stations(self.last.stations))
        return Last(self.last.bed, stations[:, :2], stations[:, 2])

    @property
    def outside(self) -> bool:
        """Whether the last survey proved the machine outside its limit."""
        return self.last.as_found == "outside"

    @property
    def since(self) -> bool:
        """Whether something was moved after the last survey."""
        return bool(self.moved[-1])


class Followed(NamedTuple):
    """The latest surveys of a machine, and what they have come to."""

    window: Window
    track: Track
    outlook: Outlook

    @property
    def last(self) -> Surveyed:
        """The last survey."""
        return self.window.last


def latest(connection: Connection, machine: str) -> Window:
    """Return the latest surveys of a machine that has been surveyed."""
    return window(list(connection.execute(_LATEST, {"machine": machine}).all())[::-1])


def window(rows: Sequence[Any]) -> Window:
    """Return the surveys of these rows, the oldest first."""
    documents = [None if row.document is None else verified(row.document, row.digest, row.machine) for row in rows]
    return Window.of([Surveyed.of(row, document) for row, document in zip(rows, documents, strict=True)])


def together(found: Window) -> Followed:
    """Return what surveys of a machine have come to."""
    track = found.track
    ahead = outlook(track, found.told, found.last.limit, outside=found.outside, moved=found.since)
    return Followed(found, track, ahead)


def scale(units: str, wanted: str) -> float:
    """Return by what a length is multiplied that is given in one unit and wanted in another."""
    return 1.0 if units == wanted else MM_PER_INCH if units == "inch" else 1.0 / MM_PER_INCH
