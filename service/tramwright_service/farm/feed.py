"""Events as they come, for those who follow them in this process: read once for all of them, and kept for a moment.

Whoever follows takes events at its own pace. One that is slow falls behind what is kept here and reads from the store;
nothing is ever queued for anybody.
"""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from functools import partial
from itertools import islice

import structlog

from ..wire.problems import RequestError
from .events import MISSED, PAGE, Event, Filter, Page, last, read
from .store import Store

LATEST = 500
"""Events kept in memory."""
LOOK = 0.5
"""Seconds between two looks for what another process has written."""
PAUSE = 0.02
"""Seconds between two looks where this process writes all the time: what was written meanwhile is read together."""


class Feed:
    """The events of one store."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._latest: deque[Event] = deque(maxlen=LATEST)
        self._position = -1  # up to where it was read; nothing yet
        self._followers = 0
        self._written = asyncio.Event()
        self._more: asyncio.Future[None] | None = None
        self._looking: asyncio.Task[None] | None = None
        self.ended = False

    def look(self) -> None:
        """Look for events now: something has been written."""
        self._written.set()

    def end(self) -> None:
        """Let nobody wait any longer: the service ends."""
        self.ended = True
        self._wake()

    async def close(self) -> None:
        """End the looking."""
        self.end()
        if self._looking is not None:
            self._looking.cancel()
            await asyncio.wait({self._looking})

    @contextmanager
    def followed(self) -> Iterator[None]:
        """Look for events as long as this lasts."""
        self._followers += 1
        if self._looking is None:
            self._looking = asyncio.create_task(self._look())
        try:
            yield
        finally:
            self._followers -= 1

    async def start(self) -> int:
        """Return the number of the latest event.

        Raises:
            RequestError: the store cannot be read.
        """
        return await self._store.read(last)

    async def after(self, position: int, wanted: Filter) -> Page:
        """Return the events after a number.

        Raises:
            RequestError: the store cannot be read.
        """
        first = self._latest[0].number if self._latest else self._position + 1
        if self._position < 0 or not first - 1 <= position <= self._position:
            return await self._store.read(partial(read, after=position, wanted=wanted))
        page = list(islice(self._latest, position + 1 - first, position + 1 - first + PAGE))
        return Page([event for event in page if wanted.takes(event)], page[-1].number if page else position)

    async def more(self, position: int, also: asyncio.Future[None], seconds: float) -> None:
        """Wait until there is an event after a number, something else has come to pass, or so many seconds."""
        if self._position <= position and not self.ended:
            if self._more is None:
                self._more = asyncio.get_running_loop().create_future()
            await asyncio.wait({self._more, also}, timeout=seconds, return_when=asyncio.FIRST_COMPLETED)

    def _wake(self) -> None:
        if self._more is not None and not self._more.done():
            self._more.set_result(None)
        self._more = None

    async def _look(self) -> None:
        """Read what is new as long as anybody follows."""
        self._latest.clear()
        self._position = -1
        while self._followers and not self.ended:
            self._written.clear()
            try:
                pause = await self._read()
            except Exception as error:  # whatever it is, it must not end what others wait for
                if not isinstance(error, RequestError):  # the store has told of its own
                    structlog.get_logger("events").error("events not read", exc_info=error)
                pause = LOOK
            if pause is not None:
                await asyncio.sleep(pause)
                continue
            with suppress(TimeoutError):
                async with asyncio.timeout(LOOK):
                    await self._written.wait()
        self._looking = None

    async def _read(self) -> float | None:
        """Read once; return how long to pause until the next time, None where there was nothing."""
        before = self._position
        if before < 0:
            self._position = await self._store.read(last)
            self._wake()
            return 0
        page = await self._store.read(partial(read, after=before, wanted=Filter()))
        if page.position == before:
            return None
        if page.events[0].type == MISSED:  # no longer what it was: an older copy has taken its place
            self._latest.clear()
        else:
            self._latest.extend(page.events)
        self._position = page.position
        self._wake()
        return 0 if len(page.events) == PAGE else PAUSE
