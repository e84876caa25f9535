"""What happened in the farm: written with the change that it tells of, numbered in the order of the commits, and kept
for a while.

Whoever has read up to a number must find whatever comes later above it. A sequence of the database cannot promise that:
of two transactions the one with the smaller number may end last. Here the numbers come from a row that stays locked
from then until the transaction has ended, so that the next number is given out when this event can be read. That is why
events are the last that a transaction writes.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any, NamedTuple
from urllib.parse import quote

import msgspec
from msgspec import Raw, Struct
from sqlalchemy import ColumnElement, Connection, delete, func, insert, select, text, update

from ..wire.events import CloudEvent, EventsMissed, EventType
from . import times
from .rows import Rows
from .standing import SHOWN, C, shown
from .tables import COUNTERS, EVENTS, MACHINES

PAGE = 100
"""Most events that are read together."""
WINDOW = 5000
"""Numbers that are looked through for them: so a filter that nothing passes costs no more."""
MISSED: EventType = "tramwright.events.missed"
AGAIN = "Read again whatever you keep of the farm, as GET /v1/fleet; what follows tells what changed since."

E = EVENTS.c
_encode = msgspec.json.Encoder().encode
# the same statement on both databases; SQLAlchemy has one of its own for each
_NUMBERED = text(
    "INSERT INTO counters (name, last) VALUES ('events', :n) "
    "ON CONFLICT (name) DO UPDATE SET last = counters.last + :n RETURNING last"
)
_WRITTEN = Rows(insert(EVENTS))


class News(NamedTuple):
    """An event to write; ``subject`` is the part of its path that comes after the machine."""

    type: EventType
    machine: str
    subject: str
    data: Struct


class Event(NamedTuple):
    """An event as it is sent: ``body`` is the JSON of the whole of it."""

    number: int
    id: str
    type: str
    machine: str | None
    body: bytes


class Filter(NamedTuple):
    """Which events are wanted; an empty set: those of every type, of all machines."""

    types: frozenset[str] = frozenset()
    machines: frozenset[str] = frozenset()

    def takes(self, event: Event) -> bool:
        """Say whether an event is wanted; that some were missed concerns everybody."""
        if event.type == MISSED:
            return True
        return (not self.types or event.type in self.types) and (not self.machines or event.machine in self.machines)

    def conditions(self) -> list[ColumnElement[bool]]:
        """Return the same as conditions of a query."""
        conditions: list[ColumnElement[bool]] = []
        if self.types:
            conditions.append(E.type.in_(sorted(self.types)))
        if self.machines:
            conditions.append(E.machine.in_(sorted(self.machines)))
        return conditions


class Page(NamedTuple):
    """Events, and the number up to which there are no more of those wanted."""

    events: list[Event]
    position: int


def tell(connection: Connection, at: int, news: Sequence[News]) -> None:
    """Write events, the last that a transaction writes."""
    sources = {machine: f"/v1/machines/{quote(machine, safe='')}" for machine in {one.machine for one in news}}
    _write(connection, at, [(one.type, one.machine, sources[one.machine], one.subject, one.data) for one in news])


def tell_stale(connection: Connection, most: int) -> None:
    """Write of machines, so many at most, that their last survey counts no longer: nobody's request has made it so."""
    at = times.now()
    # whoever is being written to meanwhile is told of then, or the next time: nobody waits for anybody here
    query = select(C.id).where(*stale_untold(at)).limit(most).with_for_update(skip_locked=True)
    names = list(connection.execute(query).scalars())
    connection.execute(update(MACHINES).where(C.id.in_(names)).values(stale_told=1))
    tell(connection, at, standings(connection, names, at))


def stale_untold(at: int) -> list[ColumnElement[bool]]:
    """Return the conditions for machines of which nobody was told that they have become stale."""
    return [C.retired_at.is_(None), C.stale_told == 0, C.stale_at <= at]


def tell_of_webhook(connection: Connection, at: int, webhook: str, data: Struct) -> None:
    """Write that nothing is sent to a webhook any more."""
    _write(connection, at, [("tramwright.webhook.disabled", None, f"/v1/webhooks/{webhook}", "state", data)])


def _write(connection: Connection, at: int, told: Sequence[tuple[EventType, str | None, str, str, Struct]]) -> None:
    if not told:
        return
    first = connection.execute(_NUMBERED, {"n": len(told)}).scalar_one() - len(told) + 1
    rows = [
        {
            "number": first + n, "at": at, "type": kind, "machine": machine, "source": source, "subject": subject,
            "data": _encode(data),
        }
        for n, (kind, machine, source, subject, data) in enumerate(told)
    ]  # fmt: skip
    _WRITTEN.write(connection, rows)


def standings(connection: Connection, machines: Iterable[str], at: int) -> list[News]:
    """Return the news of how machines stand by now."""
    if not (names := sorted(machines)):
        return []
    rows = connection.execute(select(*SHOWN).where(C.id.in_(names)).order_by(C.id)).all()
    return [standing(row, at) for row in rows]


def standing(row: Any, at: int) -> News:
    """Return the news of how a machine stands, by its row."""
    return News("tramwright.standing.changed", row.id, "standing", shown(row, at))


def last(connection: Connection) -> int:
    """Return the number of the latest event, 0 before the first."""
    return connection.execute(select(COUNTERS.c.last).where(COUNTERS.c.name == "events")).scalar() or 0


def kept_from(connection: Connection, latest: int) -> int:
    """Return the number of the oldest event that is kept, or else of the next."""
    return connection.execute(select(func.min(E.number))).scalar() or latest + 1


def read(connection: Connection, after: int, wanted: Filter, most: int = PAGE) -> Page:
    """Return the events after a number; the first of them says so where some are no longer kept."""
    latest = last(connection)  # read first: whatever has a number up to it can be read by now
    upto = min(latest, after + WINDOW)
    query = select(EVENTS).where(E.number > after, E.number <= upto, *wanted.conditions()).order_by(E.number)
    rows = connection.execute(query.limit(most)).all()
    oldest = kept_from(connection, latest)  # read last: what was forgotten meanwhile was told to be missed, not lost
    if not oldest - 1 <= after <= latest:
        return Page([_missed(after, oldest)], oldest - 1)
    return Page([_event(row) for row in rows], rows[-1].number if len(rows) == most else upto)


def count(connection: Connection, after: int, wanted: Filter) -> int:
    """Return how many events there are after a number."""
    query = select(func.count()).select_from(EVENTS).where(E.number > after, *wanted.conditions())
    return connection.execute(query).scalar_one()


def forget(connection: Connection, kept: int, most: int) -> int:
    """Take out the oldest of what is more than is kept, so many at most; return how many they were."""
    latest = last(connection)
    oldest = kept_from(connection, latest)
    upto = min(latest - kept, oldest + most - 1)
    return connection.execute(delete(EVENTS).where(E.number <= upto)).rowcount if upto >= oldest else 0


def _event(row: Any) -> Event:
    data: Any = Raw(row.data)
    whole = CloudEvent(str(row.number), row.source, row.type, row.subject, times.shown(row.at), data)
    return Event(row.number, whole.id, row.type, row.machine, _encode(whole))


def _missed(after: int, oldest: int) -> Event:
    data = msgspec.to_builtins(EventsMissed(after, oldest, AGAIN))
    whole = CloudEvent(f"missed-{after}-{oldest}", "/v1/events", MISSED, "missed", times.shown(times.now()), data)
    return Event(oldest - 1, whole.id, MISSED, None, _encode(whole))
