"""What waits while others are at the database goes there together, in one transaction."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Sequence
from typing import Generic, TypeVar

A = TypeVar("A")
R = TypeVar("R")


class Together(Generic[A, R]):
    """Serves what is asked in groups, one group after the other.

    A transaction costs much more than what is done in it for one request: several turns of the event loop and of a
    thread, and, where it writes, the time that the disk takes. No request is held back to wait for others.
    """

    def __init__(self, serve: Callable[[list[A]], Awaitable[Sequence[R | Exception]]], most: int) -> None:
        self._serve = serve
        self._most = most
        self._waiting: list[tuple[A, asyncio.Future[R]]] = []
        self._serving: asyncio.Task[None] | None = None

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
        while self._waiting:
            now, self._waiting = self._waiting[: self._most], self._waiting[self._most :]
            told: Sequence[R | Exception]
            try:
                told = await self._serve([one for one, _ in now])
            except Exception as error:  # whatever it is, it is that of each of them
                told = [error] * len(now)
            for (_, future), one in zip(now, told, strict=True):
                if future.done():  # its client has gone
                    continue
                if isinstance(one, Exception):
                    future.set_exception(one)
                else:
                    future.set_result(one)
        self._serving = None
