"""Events delivered to webhooks: by one process at a time, in order, at least once.

The table of events is what is sent from: a webhook has the number of the last event that it took. What was taken is
written down every half second; after an end without warning those of that time are sent again under the same id.
"""

from __future__ import annotations

import asyncio
import random
from contextlib import suppress
from functools import partial
from secrets import token_hex
from typing import TYPE_CHECKING, Any

import structlog
from sqlalchemy import Connection, Select, func, select, text, update

from ..execution.metrics import Metrics
from ..wire.problems import RequestError
from . import times
from .events import Event, count, last, read
from .store import Store
from .tables import LEASES, WEBHOOKS
from .targets import Targets
from .webhooks import WELL, Outcome, disable, filter_of

if TYPE_CHECKING:  # loaded when there is something to send
    from .sending import Sender

LEASE = 20.0
"""Seconds for which one process delivers; another takes over when they have passed."""
WITHIN = 11.0
"""Seconds of it that must be left when a delivery is begun: longer than that takes."""
TOGETHER = 8
"""Deliveries under way at once, one for each webhook."""
NOTED = 0.5
"""Seconds after which it is written down what was taken."""
PASSED_OVER = 500
"""Events that a webhook does not want, after which it is written down how far they were looked through."""
COUNTED = 10.0
"""Seconds between two counts of what waits."""
FIRST, LONGEST = 5.0, 3600.0
"""Seconds until what was not taken is sent again: the first time, each time twice as long, and at most."""
ENDING = 2.0
"""Seconds that deliveries under way have at the end."""

SECOND = 1_000_000
"""In the unit of the store."""
GONE = "That says that it is gone for good."
TOO_LONG = "It has taken nothing for too long; enable it when it does again."

W = WEBHOOKS.c
log = structlog.get_logger("webhooks")

# the same statement on both databases; SQLAlchemy has one of its own for each
_LEASED = text(
    "INSERT INTO leases (name, holder, until) VALUES ('deliveries', :own, :until) "
    "ON CONFLICT (name) DO UPDATE SET holder = excluded.holder, until = excluded.until "
    "WHERE leases.holder = :own OR leases.until < :now"
)


class Deliveries:
    """What one process delivers, as long as it is the one that does."""

    def __init__(self, store: Store, targets: Targets, seconds: int, metrics: Metrics) -> None:
        self._store = store
        self._targets = targets
        self._longest = seconds * SECOND
        self._places = asyncio.Semaphore(TOGETHER)
        self._metrics = metrics
        self._own = token_hex(8)
        self._until = 0.0
        self._sender: Sender | None = None
        self._under_way: dict[str, asyncio.Task[None]] = {}
        self._ending = False
        self._counted = 0.0
        self._waiting = 0
        says = "Events not yet taken by webhooks, as the process that delivers has counted them."
        metrics.watch("tramwright_events_waiting", says, lambda: self._waiting)

    async def round(self) -> None:
        """Begin to deliver whatever is due.

        Raises:
            RequestError: the store cannot be read or written.
        """
        now = asyncio.get_running_loop().time()
        counts = now - self._counted > COUNTED
        due, waiting = await self._store.read(lambda connection: _due(connection, counts=counts))
        if (due or self._under_way) and await self._leased():
            for webhook in due:
                if webhook not in self._under_way:
                    self._under_way[webhook] = asyncio.create_task(self._deliver(webhook))
        if counts:
            self._counted, self._waiting = now, waiting if self._until > now else 0

    async def close(self) -> None:
        """End deliveries, and let another process go on."""
        self._ending = True
        if left := list(self._under_way.values()):
            await asyncio.wait(left, timeout=ENDING)
            for task in left:
                task.cancel()
            await asyncio.gather(*left, return_exceptions=True)
        if self._sender is not None:
            await self._sender.close()
        if self._until:
            freed = update(LEASES).where(LEASES.c.holder == self._own).values(until=0)
            await self._store.write(lambda connection: connection.execute(freed))

    def _holds(self) -> bool:
        return not self._ending and self._until - asyncio.get_running_loop().time() > WITHIN

    async def _leased(self) -> bool:
        """Say whether this process is the one that delivers; it is for a while more if it asks in time."""
        now = asyncio.get_running_loop().time()
        if self._until - now < (LEASE + WITHIN) / 2:
            got = await self._store.write(lambda connection: _leased(connection, self._own))
            self._until = now + LEASE if got else 0.0
        return self._holds()

    async def _deliver(self, webhook: str) -> None:
        """Send to one webhook what waits for it, one event after the other."""
        try:
            # read anew: whoever delivered before may have noted more since it was found to be due
            row = await self._store.read(lambda connection: connection.execute(_sent_to(webhook)).one_or_none())
            if row is not None:
                await self._send(row)
        except RequestError:  # the store has said so; the next round tries again
            pass
        except Exception as error:  # whatever it is, it must not end what others wait for, nor be tried without a pause
            log.error("delivery failed", webhook=webhook, exc_info=error)
            with suppress(RequestError):
                await self._set_back(webhook, Outcome("This service failed at it; its log says why."))
        finally:
            del self._under_way[webhook]

    async def _send(self, row: Any) -> None:
        clock = asyncio.get_running_loop().time
        wanted, noted, fares = filter_of(row), clock(), {name: getattr(row, name) for name in WELL}
        before = position = row.after

        async def note(fares: dict[str, Any]) -> bool:
            nonlocal before, noted
            known, before, noted = before, position, clock()
            return await self._store.write(lambda connection: _noted(connection, row.id, known, position, fares))

        while self._holds():
            page = await self._store.read(partial(read, after=position, wanted=wanted))
            for event in page.events:
                async with self._places:
                    if not self._holds():
                        break
                    outcome = await self._post(row, event)
                if outcome.why:
                    if position != before:
                        await note(fares)
                    await self._set_back(row.id, outcome)
                    return
                position, fares = event.number, WELL
                if clock() - noted > NOTED and not await note(fares):
                    return  # it is disabled, or no longer there
            else:
                position = page.position
                if not page.events:
                    break
        if position != before:
            await note(fares)

    async def _set_back(self, webhook: str, outcome: Outcome) -> None:
        await self._store.write(partial(_failed, webhook=webhook, outcome=outcome, longest=self._longest))

    async def _post(self, row: Any, event: Event) -> Outcome:
        if self._sender is None:
            from .sending import Sender

            self._sender = Sender(self._targets)
        message, at = f"{row.id}_{event.id}", times.now() // 1_000_000
        outcome = await self._sender.post(row.url, row.secret, message, at, event.body)
        self._metrics.delivered("refused" if outcome.why else "taken")
        return outcome


def _failed(connection: Connection, webhook: str, outcome: Outcome, longest: int) -> None:
    """Write down that an event was not taken; disable the webhook where it has not been for too long."""
    row = connection.execute(select(WEBHOOKS).where(W.id == webhook).with_for_update()).one_or_none()
    if row is None or row.disabled_at is not None:
        return
    now = times.now()
    since = now if row.failing_since is None else row.failing_since
    if outcome.gone or now - since >= longest:
        disable(connection, webhook, f"{outcome.why} {GONE if outcome.gone else TOO_LONG}")
        log.warning("webhook disabled", webhook=webhook, why=outcome.why)
        return
    usual = FIRST * 2 ** min(row.failures, 20) * random.uniform(0.5, 1.0)
    wait = int(min(max(usual, outcome.wait), LONGEST) * SECOND)
    fares = {"failures": row.failures + 1, "failing_since": since, "due_at": now + wait, "why": outcome.why}
    connection.execute(update(WEBHOOKS).where(W.id == webhook).values(**fares))


def _sent_to(webhook: str | None = None) -> Select[Any]:
    """Return the query for webhooks that are sent something, or for one of them."""
    query = select(WEBHOOKS).where(W.disabled_at.is_(None))
    return query if webhook is None else query.where(W.id == webhook)


def _due(connection: Connection, *, counts: bool) -> tuple[list[str], int]:
    """Return the webhooks for which there is something to send now, and how much waits for all where that is asked."""
    latest, now = last(connection), times.now()
    rows = connection.execute(_sent_to().where(W.after != latest)).all()
    due = [
        row.id
        for row in rows
        if (row.due_at is None or row.due_at <= now)
        and (latest - row.after > PASSED_OVER or read(connection, row.after, filter_of(row), 1).events)
    ]
    return due, sum(count(connection, row.after, filter_of(row)) for row in rows) if counts else 0


def _noted(connection: Connection, webhook: str, before: int, after: int, fares: dict[str, Any]) -> bool:
    """Write down how far a webhook is and how it fares; say whether it is to be sent more."""
    own = W.id == webhook, W.after == before
    noted = update(WEBHOOKS).where(*own, W.disabled_at.is_(None)).values(after=after, **fares)
    if connection.execute(noted).rowcount:
        return True
    connection.execute(update(WEBHOOKS).where(*own).values(after=after))
    return False


def _leased(connection: Connection, own: str) -> bool:
    """Say whether this process may deliver, by the clock of the database: those of two hosts may differ."""
    now = times.now()
    if connection.dialect.name == "postgresql":
        now = int(connection.execute(select(func.extract("epoch", func.clock_timestamp()))).scalar_one() * SECOND)
    until = now + int(LEASE * SECOND)
    return connection.execute(_LEASED, {"own": own, "now": now, "until": until}).rowcount == 1
