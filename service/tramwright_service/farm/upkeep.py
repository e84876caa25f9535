"""What the service does with its store without being asked: tell what time has changed, forget old events, deliver."""

from __future__ import annotations

import asyncio
from contextlib import suppress

import structlog
from sqlalchemy import Connection, select

from ..wire.problems import RequestError
from . import times
from .deliveries import Deliveries
from .events import forget, kept_from, last, stale_untold, tell_stale
from .standing import C
from .store import Store

ROUND = 1.0
"""Seconds between two rounds where nothing is written."""
PAUSE = 0.1
"""Seconds between two rounds where something is written all the time."""
AT_ONCE = 500
"""Machines told of in one transaction."""
SPARE = 500
"""Events more than are to be kept, from which on the oldest are taken out."""
MOST = 5000
"""Events taken out in one transaction: others write meanwhile."""


class Upkeep:
    """Rounds through the store, as long as the service lives."""

    def __init__(self, store: Store, kept: int, deliveries: Deliveries) -> None:
        self._store = store
        self._kept = kept
        self._deliveries = deliveries
        self._written = asyncio.Event()
        self._going: asyncio.Task[None] | None = None

    def look(self) -> None:
        """Make a round now: something has been written."""
        self._written.set()

    def start(self) -> None:
        """Begin."""
        self._going = asyncio.create_task(self._go())

    async def close(self) -> None:
        """End, deliveries last."""
        if self._going is not None:
            self._going.cancel()
            await asyncio.wait({self._going})
            with suppress(RequestError):
                await self._deliveries.close()

    async def _go(self) -> None:
        while True:
            self._written.clear()
            try:
                await self._round()
            except Exception as error:  # whatever it is, the next round may be better
                if not isinstance(error, RequestError):  # the store has told of its own
                    structlog.get_logger("events").error("upkeep failed", exc_info=error)
            await asyncio.sleep(PAUSE)
            with suppress(TimeoutError):
                async with asyncio.timeout(ROUND):
                    await self._written.wait()

    async def _round(self) -> None:
        stale, old = await self._store.read(self._due)
        if stale:
            await self._store.write(lambda connection: tell_stale(connection, AT_ONCE))
        if old:
            await self._store.write(lambda connection: forget(connection, self._kept, MOST))
        await self._deliveries.round()

    def _due(self, connection: Connection) -> tuple[bool, bool]:
        """Say whether a machine has become stale, and whether there are more events than are kept."""
        stale = connection.execute(select(C.id).where(*stale_untold(times.now())).limit(1)).first() is not None
        latest = last(connection)
        return stale, latest - kept_from(connection, latest) >= self._kept + SPARE
