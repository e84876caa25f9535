"""The processes of one set of plug-ins, and who waits for them."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from threading import Event, Lock
from time import sleep
from typing import Any

from litestar.types import Receive

from tramwright_solvers.model.errors import OutOfTime, PlugInFault

from ...wire.problems import BUSY, RequestError, Told
from ..threads import left
from .holding import Holds, Turns
from .messages import Ask, First
from .process import GLANCE, Left, PlugInProcess

NOBODY = "Nobody waits for this answer any more."


class Pool:
    """Up to so many processes as the settings allow for batches, each with a thread that waits for it.

    ``ended`` is told, on one of these threads, of each fault over which a process ended.
    """

    def __init__(
        self, first: First, begun: Sequence[PlugInProcess] = (), ended: Callable[[PlugInFault], None] = lambda _: None
    ) -> None:
        self._first, self._tell = first, ended
        workers = first.settings.workers
        self._threads = ThreadPoolExecutor(workers, thread_name_prefix="plug-ins")
        self._lines = asyncio.Semaphore(workers)
        self._idle, self._lock = list(begun), Lock()
        self._turns, self._holds = Turns(), Holds(first.seconds)
        self._closed = False
        self.under_way = 0

    @property
    def on_hold(self) -> bool:
        """Whether no process may be started now."""
        return self._holds.wait > 0.0

    async def ask(self, ask: Ask, named: Sequence[str], receive: Receive) -> bytes:
        """Return the answer, waited for as long as the client does, whose messages ``receive`` returns.

        ``named`` are the solvers that the request names.

        Raises:
            RequestError: more wait already than may, or the plug-ins are on hold; may be tried again.
            Told: the problem in place of the answer.
            PlugInFault: the process ended over it.
            OutOfTime: the client has gone.
        """
        if self.under_way >= self._first.settings.concurrency:
            says = f"{self.under_way} requests for these plug-ins are under way; try again in a second."
            raise RequestError(BUSY, says, headers={"Retry-After": "1"})
        try:
            if refusal := self._holds.refusal(ask, named):
                raise refusal
            return await self._waited_for(ask, named, receive)
        except RequestError:
            await self._turns.mine()
            raise
        except PlugInFault as fault:
            await self._turns.mine()
            raise fault.among(named) from None
        except Told as told:
            if told.problem.status >= 500:
                await self._turns.mine()
            raise

    async def line(self, ask: Ask, named: Sequence[str]) -> bytes:
        """Return the answer to a line of a batch, which waits where a request is refused; it leaves room for those.

        Raises:
            Told, PlugInFault, OutOfTime: as for :meth:`ask`.
        """
        async with self._lines:
            try:
                return await self._begun(ask, named, Event(), waits=True)
            except PlugInFault as fault:
                raise fault.among(named) from None

    async def _waited_for(self, ask: Ask, named: Sequence[str], receive: Receive) -> bytes:
        gone = Event()
        self.under_way += 1
        future = self._begun(ask, named, gone)
        future.add_done_callback(self._ended)
        leaving = asyncio.ensure_future(left(receive))
        try:
            first: list[asyncio.Future[Any]] = [future, leaving]
            await asyncio.wait(first, return_when=asyncio.FIRST_COMPLETED)
            if not future.done():
                raise OutOfTime("The client has gone, and the work for it has been stopped.")
            return future.result()
        finally:
            gone.set()
            leaving.cancel()

    def _begun(self, ask: Ask, named: Sequence[str], gone: Event, waits: bool = False) -> asyncio.Future[bytes]:
        return asyncio.get_running_loop().run_in_executor(self._threads, self._ask, ask, named, gone, waits)

    def _ended(self, future: asyncio.Future[bytes]) -> None:
        self.under_way -= 1
        if not future.cancelled():
            future.exception()  # seen, so that a client who left does not make the loop complain

    def _ask(self, ask: Ask, named: Sequence[str], gone: Event, waits: bool) -> bytes:
        """Ask a process that is idle, or a new one; this runs on a thread."""

        def wanted() -> bool:
            return not (gone.is_set() or self._closed)

        process = self._process(named, wanted, waits)
        try:
            reply = process.ask(ask, wanted)
        except Left:
            self._holds.ended(ask, None)
            raise OutOfTime(NOBODY) from None
        except PlugInFault as fault:
            self._holds.ended(ask, fault)
            self._tell(fault)
            raise
        else:
            self._holds.answered(ask)
        finally:
            with self._lock:
                if usable := not process.gone and not self._closed:
                    self._idle.append(process)
            if not usable:
                process.kill()
        if reply.problem is not None:
            raise Told(reply.problem, reply.headers)
        return reply.body

    def _process(self, named: Sequence[str], wanted: Callable[[], bool], waits: bool) -> PlugInProcess:
        """Return a process that is idle, or a new one as soon as one may be started."""
        while True:
            with self._lock:
                if self._idle:
                    return self._idle.pop()
            if not wanted():
                raise OutOfTime(NOBODY)
            if (wait := self._holds.wait) <= 0.0:
                return PlugInProcess(self._first)
            if not waits:
                raise self._holds.not_started(named)
            sleep(min(wait, GLANCE))

    def close(self) -> None:
        """End every process; who still waits for an answer gets none."""
        self._closed = True
        self._threads.shutdown(wait=False, cancel_futures=True)
        with self._lock:
            idle, self._idle = self._idle, []
        for process in idle:
            process.kill()
        self._threads.shutdown(wait=True)
