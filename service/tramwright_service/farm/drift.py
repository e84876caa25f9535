"""The drift of a machine, worked out by every write that can change it."""

from __future__ import annotations

from collections.abc import Iterable
from math import isinf

import msgspec
from sqlalchemy import Connection, select, update

from tramwright_solvers.history.crossing import FAR
from tramwright_solvers.history.outlook import NAMES

from ..wire.drift import DriftWarning
from . import sentences, times
from .events import News
from .outlooks import Kept, drift_of
from .tables import MACHINES
from .tracks import Followed, followed

_encode = msgspec.json.Encoder().encode


def renew(connection: Connection, machines: Iterable[str]) -> list[News]:
    """Work out anew what the surveys of machines have come to; return the news of warnings that were not there before.

    Called inside the transaction that stores surveys or moves, once their rows are written.
    """
    new = list[News]()
    for machine in sorted(machines):
        found = followed(connection, machine)
        if found is None:
            continue
        own = MACHINES.c.id == machine
        before = drift_of(connection.execute(select(MACHINES.c.outlook).where(own)).one())
        kept = of(found)
        connection.execute(update(MACHINES).where(own).values(outlook=_encode(kept)))
        if kept.drift is not None and before is None:
            new.append(News("tramwright.drift.warned", machine, "history", kept.drift))
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


def seen_for(found: Followed) -> float:
    """Return for how many days a machine that is warned of has been seen to drift; 0 where there is no warning."""
    warned, trends, days = found.outlook.warned, found.outlook.trends, found.track.days
    return 0.0 if warned is None else float(days[-1] - days[trends.since[warned.term]])


def on(found: Followed, days: float) -> int:
    """Return the time so many days after the last survey."""
    taken: int = found.last.taken_at
    return taken + round(days * times.DAY)
