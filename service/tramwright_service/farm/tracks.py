"""What is kept of each survey to follow a machine by, and the latest of its surveys together."""

from __future__ import annotations

from math import sqrt
from typing import Any, NamedTuple

import msgspec
import numpy as np
from msgspec import Raw, Struct
from sqlalchemy import Connection, Select, bindparam, select

from tramwright_solvers.history.outlook import NAMES, Last, Outlook, outlook
from tramwright_solvers.history.trends import Track
from tramwright_solvers.model.machine import Bed
from tramwright_solvers.model.units import MM_PER_INCH

from . import times
from .machines import Description, parts_of, verified
from .tables import CORRECTIONS, MOVES, SURVEYS, TERMS

WINDOW = 50
"""Most surveys that are looked at together, the latest."""
SMALLEST = 1e-6
"""Standard uncertainties below this part of the limit are not told apart from it."""
PLACES = {name: place for place, name in enumerate(NAMES)}


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


_whole = msgspec.json.Decoder(_Whole).decode
_described = msgspec.json.Decoder(_Described).decode
terms_of = msgspec.json.Decoder(Terms).decode
_stations = msgspec.json.Decoder(list[tuple[float, float, float]]).decode
_encode = msgspec.json.Encoder().encode


def terms(whole: bytes, description: Description) -> bytes:
    """Return what is kept of a whole correction."""
    answer, named = _whole(whole), dict[str, tuple[float, float]]()
    for one in answer.breakdown:
        value, u = (one.range, one.u) if one.term == "remainder" else (one.over_bed, one.over_bed_u)
        if one.term in PLACES and value is not None and u is not None:
            named[one.term] = value, u
    stations = Raw(_encode([(one.x, one.y, one.before) for one in answer.predicted.stations]))
    return _encode(Terms(_described(parts_of(description.document).machine).bed, named, stations))


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


class Followed(NamedTuple):
    """The latest surveys of a machine, the oldest first, as rows and as numbers in the unit of the last one, and what
    they have come to."""

    rows: list[Any]
    track: Track
    outlook: Outlook

    @property
    def last(self) -> Any:
        """The row of the last survey."""
        return self.rows[-1]


def followed(connection: Connection, machine: str) -> Followed | None:
    """Return what the latest surveys of a machine have come to; None without any."""
    rows = list(connection.execute(_LATEST, {"machine": machine}).all())[::-1]
    return together(rows) if rows else None


def together(rows: list[Any]) -> Followed:
    """Return what surveys of a machine, the oldest first, have come to."""
    kept = [None if row.document is None else terms_of(verified(row.document, row.digest, row.machine)) for row in rows]
    last, final = rows[-1], kept[-1]
    if final is not None:  # terms over another bed are other terms
        other = [at for at, one in enumerate(kept) if one is not None and one.bed != final.bed]
        if other:
            rows, kept = rows[other[-1] + 1 :], kept[other[-1] + 1 :]
    found = np.full((len(rows), len(NAMES), 2), np.nan)
    for at, (row, document) in enumerate(zip(rows, kept, strict=True)):
        found[at, 0] = row.total, row.u
        for name, value in ({} if document is None else document.terms).items():
            found[at, PLACES[name]] = value
        found[at] *= scale(row.units, last.units)
    track = Track(
        days=np.array([(row.taken_at - last.taken_at) / times.DAY for row in rows]),
        values=found[:, :, 0],
        u=np.maximum(found[:, :, 1], SMALLEST * last.limit),
        begins=np.array([True, *(bool(row.moved) for row in rows[:-1])]),
        reading=last.u / sqrt(2.0),  # a total is the difference of two
    )
    told = None
    if final is not None:
        stations = np.array(_stations(final.stations))
        told = Last(final.bed, stations[:, :2], stations[:, 2])
    ahead = outlook(track, told, last.limit, outside=last.as_found == "outside", moved=bool(last.moved))
    return Followed(rows, track, ahead)


def scale(units: str, wanted: str) -> float:
    """Return by what a length is multiplied that is given in one unit and wanted in another."""
    return 1.0 if units == wanted else MM_PER_INCH if units == "inch" else 1.0 / MM_PER_INCH
