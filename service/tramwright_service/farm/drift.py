"""The drift of a machine as its row keeps it: worked out by every write that can change it, so that lists only read."""

from __future__ import annotations

from collections.abc import Iterable
from math import isinf
from typing import Any, NamedTuple

import msgspec
from msgspec import Struct
from sqlalchemy import Connection, select, update

from tramwright_solvers.history.crossing import FAR
from tramwright_solvers.history.outlook import NAMES

from ..wire.drift import DriftWarning, NextCheck, Why
from . import sentences, times
from .tables import MACHINES
from .tracks import Followed, followed


class Kept(Struct, frozen=True):
    """What the row of a machine keeps: the warning, and when to look next and why, for the survey taken then."""

    drift: DriftWarning | None
    at: int | None
    why: Why
    says: str
    taken_at: int


class NewWarning(NamedTuple):
    """A warning that was not there before this write."""

    machine: str
    drift: DriftWarning


_kept = msgspec.json.Decoder(Kept).decode
_encode = msgspec.json.Encoder().encode


def renew(connection: Connection, machines: Iterable[str]) -> list[NewWarning]:
    """Work out anew what the surveys of machines have come to; return the warnings that were not there before.

    Called inside the transaction that stores surveys or moves, once their rows are written. Whoever tells others of a
    new warning tells of what this returns.
    """
    new = list[NewWarning]()
    for machine in sorted(machines):
        found = followed(connection, machine)
        if found is None:
            continue
        own = MACHINES.c.id == machine
        before = connection.execute(select(MACHINES.c.outlook).where(own)).scalar_one()
        kept = of(found)
        connection.execute(update(MACHINES).where(own).values(outlook=_encode(kept)))
        if kept.drift is not None and (before is None or _kept(before).drift is None):
            new.append(NewWarning(machine, kept.drift))
    return new


def of(found: Followed) -> Kept:
    """Return what is kept of what was found."""
    ahead, last = found.outlook, found.last
    drift = warning(found)
    at = None if ahead.check is None else on(found, ahead.check)
    says = sentences.reason(ahead.why, len(found.rows), -float(found.track.days[0]), drift, last.units)
    return Kept(drift, at, ahead.why, says, last.taken_at)


def warning(found: Followed) -> DriftWarning | None:
    """Return the warning, if there is one."""
    warned, trends = found.outlook.warned, found.outlook.trends
    if warned is None:
        return None
    return DriftWarning(
        term=NAMES[warned.term],
        since=times.shown(found.rows[int(trends.since[warned.term])].taken_at),
        rate_per_day=float(trends.rate[warned.term]),
        at=times.shown(on(found, warned.at)),
        earliest=times.shown(on(found, warned.earliest)),
        latest=None if isinf(warned.latest) or warned.latest > FAR else times.shown(on(found, warned.latest)),
    )


def on(found: Followed, days: float) -> int:
    """Return the time so many days after the last survey."""
    taken: int = found.last.taken_at
    return taken + round(days * times.DAY)


def drift_of(row: Any) -> DriftWarning | None:
    """Return the warning that the row of a machine keeps."""
    return None if row.outlook is None else _kept(row.outlook).drift


def next_check(row: Any) -> NextCheck:
    """Return when a machine is to be surveyed next, by its row."""
    kept = Kept(None, None, "too-few", sentences.TOO_FEW, row.taken_at) if row.outlook is None else _kept(row.outlook)
    return due(kept, row.stale_at)


def due(kept: Kept, stale_at: int | None) -> NextCheck:
    """Return when a machine is to be surveyed next: for its drift, and before its last survey counts no more."""
    at, why, says = kept.at, kept.why, kept.says
    if stale_at is not None and (at is None or stale_at < at):
        at, why, says = stale_at, "check-interval", sentences.CHECK_INTERVAL
    return NextCheck(
        at=None if at is None else times.shown(at),
        days=None if at is None else (at - kept.taken_at) / times.DAY,
        why=why,
        reason=says,
    )
