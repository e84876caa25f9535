"""Long solves on a bounded number of threads; quick ones run in the event loop."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Any, TypeVar

from ..wire.problems import BUSY, RequestError

T = TypeVar("T")


class SolverThreads:
    """At most ``limit`` long tasks at once in this process; one more is refused, not queued.

    Passing work to a thread costs a fifth of the throughput and makes the slowest answers slower, so what takes less
    than a millisecond does not run here.
    """

    def __init__(self, limit: int) -> None:
        self.limit = limit
        self._pool = ThreadPoolExecutor(limit, thread_name_prefix="solve")
        self._running = 0

    async def run(self, task: Callable[..., T], *arguments: Any) -> T:
        """Run a task on a thread and wait for it.

        Raises:
            RequestError: all places are taken; may be tried again.
        """
        if self._running >= self.limit:
            raise RequestError(
                BUSY, f"{self.limit} long solves are under way; try again in a second.", headers={"Retry-After": "1"}
            )
        self._running += 1
        # Counted down when the task ends and not when the client goes away: the thread is taken until then.
        future = asyncio.get_running_loop().run_in_executor(self._pool, task, *arguments)
        future.add_done_callback(self._ended)
        return await asyncio.shield(future)

    def _ended(self, future: asyncio.Future[Any]) -> None:
        self._running -= 1
        if not future.cancelled():
            future.exception()  # seen, so that a client who left does not make the loop complain

    def close(self) -> None:
        """Let running tasks end and start no more."""
        self._pool.shutdown(wait=False, cancel_futures=True)
