"""What waits while others are at the database goes there together, in one transaction."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Sequence
from typing import Generic, TypeVar

from ..wire.problems import RequestError
from .store import unavailable

A = TypeVar("A")
R = TypeVar("R")


class Together(Generic[A, R]):
    """Serves what is asked in groups, one group after the other.

    A transaction costs much more than what is done in it for one request: several turns of the event loop and of a
    thread, and, where it writes, the time that the disk takes. No request is held back to wait for others.

    ``serve`` returns of each what comes of it. A :class:`RequestError` that it raises is that of all. Where it raises
    anything else it has done nothing, and each is served alone: it is the fault of one of them.
    """

    def __init__(self, serve: Callable[[list[A]], Awaitable[Sequence[R | Exception]]], most: int) -> None:
        self._serve = serve
        self._most = most
        self._waiting: list[tuple[A, asyncio.Future[R]]] = []
        self._serving: asyncio.Task[None] | None = None
        self._served = asyncio.Event()

    async def turn(self) -> None:
        """Wait until the group that is being served now, if any, has been: who asks only then is in a larger one."""
        if self._serving is not None:
            await self._served.wait()

    async def ask(self, one: A) -> R:
        """Return what comes of a request, or raise the exception that does."""
        future: asyncio.Future[R] = asyncio.get_running_loop().create_future()
        self._waiting.append((one, future))
        if self._serving is None:
            self._serving = asyncio.create_task(self._run())
        return await future

    async def close(self) -> None:
        """Wait for what is being served."""
        if self._serving is not None:
            await self._serving

    async def _run(self) -> None:
        now: list[tuple[A, asyncio.Future[R]]] = []
        try:
            while self._waiting:
                self._served.clear()
                now, self._waiting = self._waiting[: self._most], self._waiting[self._most :]
                for (_, future), one in zip(now, await self._told([one for one, _ in now]), strict=True):
                    if future.done():  # its client has gone
                        continue
                    if isinstance(one, Exception):
                        future.set_exception(one)
                    else:
                        future.set_result(one)
                self._served.set()
        finally:  # where this was cancelled, somebody is left
            self._served.set()
            self._serving, left, self._waiting = None, [*now, *self._waiting], []
            for _, future in left:
                if not future.done():
                    future.set_exception(unavailable())

    async def _told(self, asked: list[A]) -> Sequence[R | Exception]:
        try:
            return await self._serve(asked)
        except Exception as error:
            if len(asked) == 1 or isinstance(error, RequestError):
                return [error] * len(asked)
        return [told for one in asked for told in await self._told([one])]
