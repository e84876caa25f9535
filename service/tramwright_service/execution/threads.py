"""Long solves on threads, of which every kind of work has some of its own; quick ones run in the event loop."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from threading import Event
from typing import Any, NamedTuple, TypeVar

from litestar.types import Receive

from tramwright_solvers.correction.cost import Cost, Most
from tramwright_solvers.model.deadline import NEVER, Deadline
from tramwright_solvers.model.errors import OutOfTime

from ..settings import Settings
from ..wire.problems import BUSY, RequestError

T = TypeVar("T")

AT_WORK = 2
"""Questions worked on at the same time. Threads that compute without the interpreter push aside whoever holds it, and
then quick answers wait for both: beside four on two busy cores, one in ten took 11 to 24 ms, beside two 1 to 12."""

SMALL = Cost(0.0, 0.0)

LARGE, EACH = 2**18, 20.0
"""Bytes of a body beyond which its answer is no quick one, and bytes that answering takes for each, at the least."""


class SolverThreads:
    """At most ``limit`` long tasks of one kind at once in this process; one more is refused, not queued.

    Together they may take ``most.bytes``, and each of them ``most.seconds``: what is not done by then, or whose client
    has gone, is told to stop. Where no more than ``at_work`` are worked on at the same time, the others wait for them.

    Passing work to a thread costs a fifth of the throughput and makes the slowest answers slower, so what takes less
    than a millisecond does not run here.
    """

    def __init__(
        self, limit: int, what: str = "long solves", most: Most | None = None, at_work: int | None = None
    ) -> None:
        self.limit = limit
        self._what = what
        self._most = most or Most()
        self._pool = ThreadPoolExecutor(at_work or limit, thread_name_prefix=what)
        self._running = 0
        self._bytes = 0.0

    async def run(self, task: Callable[[Deadline], T], cost: Cost = SMALL, receive: Receive | None = None) -> T:
        """Run a task on a thread and wait for it, as long as the client does, whose messages ``receive`` returns.

        Raises:
            RequestError: all places are taken, or the memory for such tasks is; may be tried again.
            OutOfTime: the task took too long, or the client went away.
        """
        self._admit(cost.bytes)
        self._running += 1
        self._bytes += cost.bytes
        gone = Event()
        deadline = Deadline(NEVER.sooner(self._most.seconds).end, gone)
        # What was begun is counted until it ends, and not until its client goes away: the thread is taken until then.
        begun = self._pool.submit(_begun, task, deadline)
        future = asyncio.wrap_future(begun)
        future.add_done_callback(lambda done: self._ended(done, cost))
        leaving = asyncio.ensure_future(left(receive)) if receive is not None else None
        try:
            first: list[asyncio.Future[Any]] = [future] if leaving is None else [future, leaving]
            await asyncio.wait(first, return_when=asyncio.FIRST_COMPLETED)
            if not future.done():
                raise OutOfTime("The client has gone, and the work for it has been stopped.")
            return future.result()
        finally:
            gone.set()
            begun.cancel()  # what still waits for others gives its place back at once
            if leaving is not None:
                leaving.cancel()

    def expect(self, body: bytes) -> None:
        """Refuse a large body for which there is no place before it is decoded, since decoding takes others' time.

        Raises:
            RequestError: as for :meth:`run`.
        """
        if len(body) > LARGE:
            self._admit(len(body) * EACH)

    def _admit(self, more: float) -> None:
        if self._running >= self.limit:
            raise self._busy(f"{self.limit} {self._what} are under way")
        if self._running and self._bytes + more > self._most.bytes:
            raise self._busy(f"The {self._what} under way take the memory there is for them")

    def _busy(self, why: str) -> RequestError:
        return RequestError(BUSY, f"{why}; try again in a second.", headers={"Retry-After": "1"})

    def _ended(self, future: asyncio.Future[T], cost: Cost) -> None:
        self._running -= 1
        self._bytes -= cost.bytes
        if not future.cancelled():
            future.exception()  # seen, so that a client who left does not make the loop complain

    def close(self) -> None:
        """Let running tasks end and start no more."""
        self._pool.shutdown(wait=False, cancel_futures=True)


def _begun(task: Callable[[Deadline], T], within: Deadline) -> T:
    """Do a task, unless its client has gone while it waited for others."""
    within.check()
    return task(within)


async def left(receive: Receive) -> None:
    """Return once the client has gone."""
    while (await receive())["type"] != "http.disconnect":
        pass


class Kinds(NamedTuple):
    """The places of each kind of long work, so that none takes those of another."""

    corrections: SolverThreads
    plans: SolverThreads
    questions: SolverThreads
    maps: SolverThreads

    def close(self) -> None:
        """Let running tasks end and start no more."""
        for kind in self:
            kind.close()


def kinds(settings: Settings) -> Kinds:
    """Return the places that the settings allow."""
    return Kinds(
        SolverThreads(settings.concurrency, "long corrections", settings.most),
        SolverThreads(settings.plans, "survey plans", settings.most),
        SolverThreads(settings.questions, "comparisons, reversals and height checks", settings.most, AT_WORK),
        SolverThreads(settings.maps, "pictures", settings.most, AT_WORK),
    )
