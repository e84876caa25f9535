"""The processes of one set of plug-ins, and who waits for them."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from threading import Event, Lock
from typing import Any

from litestar.types import Receive

from tramwright_solvers.model.errors import OutOfTime, PlugInFault

from ...wire.problems import BUSY, RequestError, Told
from ..threads import left
from .messages import Ask, First
from .process import Left, PlugInProcess


class Pool:
    """Up to so many processes as the settings allow for batches, each with a thread that waits for it."""

    def __init__(self, first: First, begun: Sequence[PlugInProcess] = ()) -> None:
        self._first = first
        self._threads = ThreadPoolExecutor(first.settings.workers, thread_name_prefix="plug-ins")
        self._idle, self._asked, self._lock = list(begun), set[PlugInProcess](), Lock()
        self._closed = False
        self.under_way = 0

    async def ask(self, ask: Ask, named: Sequence[str], receive: Receive | None = None) -> bytes:
        """Return the answer, waited for as long as the client does, whose messages ``receive`` returns.

        ``named`` are the solvers that the request names.

        Raises:
            RequestError: more wait already than may; may be tried again. Only where there is a client.
            Told: the problem in place of the answer.
            PlugInFault: the process ended over it.
            OutOfTime: the client has gone.
        """
        if receive is not None and self.under_way >= self._first.settings.concurrency:
            says = f"{self.under_way} requests for these plug-ins are under way; try again in a second."
            raise RequestError(BUSY, says, headers={"Retry-After": "1"})
        self.under_way += 1
        gone = Event()
        future = asyncio.get_running_loop().run_in_executor(self._threads, self._ask, ask, gone)
        future.add_done_callback(self._ended)
        leaving = asyncio.ensure_future(left(receive)) if receive is not None else None
        try:
            first: list[asyncio.Future[Any]] = [future] if leaving is None else [future, leaving]
            await asyncio.wait(first, return_when=asyncio.FIRST_COMPLETED)
            if not future.done():
                raise OutOfTime("The client has gone, and the work for it has been stopped.")
            return future.result()
        except PlugInFault as fault:
            raise fault.among(named) from None
        finally:
            gone.set()
            if leaving is not None:
                leaving.cancel()

    def _ended(self, future: asyncio.Future[bytes]) -> None:
        self.under_way -= 1
        if not future.cancelled():
            future.exception()  # seen, so that a client who left does not make the loop complain

    def _ask(self, ask: Ask, gone: Event) -> bytes:
        """Ask a process that is idle, or a new one; this runs on a thread."""
        with self._lock:
            process = self._idle.pop() if self._idle else None
        process = process or PlugInProcess(self._first)
        with self._lock:
            self._asked.add(process)
        try:
            reply = process.ask(ask, lambda: not (gone.is_set() or self._closed))
        except Left:
            raise OutOfTime("Nobody waits for this answer any more.") from None
        finally:
            with self._lock:
                self._asked.discard(process)
                if not process.gone and not self._closed:
                    self._idle.append(process)
                    process = None
            if process is not None:
                process.kill()
        if reply.problem is not None:
            raise Told(reply.problem, reply.headers)
        return reply.body

    def close(self) -> None:
        """End every process; who still waits for an answer gets none."""
        self._closed = True
        self._threads.shutdown(wait=False, cancel_futures=True)
        with self._lock:
            idle, self._idle = self._idle, []
        for process in idle:
            process.kill()
        self._threads.shutdown(wait=True)
