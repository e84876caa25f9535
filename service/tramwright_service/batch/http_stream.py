"""A batch over one HTTP exchange: lines in and answers out at the same time, of any length."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Iterator
from contextlib import contextmanager
from math import inf
from typing import Protocol

import msgspec
import structlog
from litestar.response.base import ASGIResponse
from litestar.types import HTTPReceiveMessage, Receive, Scope, Send, WebSocketReceiveMessage

from ..execution.metrics import Metrics
from ..settings import Settings
from ..wire import problems
from ..wire.media_types import NDJSON
from ..wire.problems import Problem, RequestError
from .engines.base import Engine
from .lines import ChunkAnswer, as_moves, failed, refusing
from .splitter import Chunk, Detail, Splitter
from .summary import BatchSummary, Tally

log = structlog.get_logger("batch")

FLUSH = 0.004
"""Seconds that a line waits at most for others to be answered together with it."""
MOST_LINES = 128
MOST_BYTES = 2**18
"""Lines and bytes of a chunk at most."""
FIRST = 16
"""Lines of a chunk until it is known how long they take."""
SECONDS = 0.1
"""How long a chunk should take: where each line is long work, fewer go together."""
AHEAD = 2
"""Chunks under way beside those that keep the engine busy; then the client is not read from until one is answered."""

Coming = asyncio.Future[HTTPReceiveMessage | WebSocketReceiveMessage]
"""What the client sends next."""
UnderWay = asyncio.Queue[tuple[Chunk, asyncio.Future[ChunkAnswer]] | None]
"""Chunks handed in, in order, each with its answer to come; None after the last."""


class Places:
    """How many answers that take long, as batches, may be given at the same time."""

    def __init__(self, most: int, what: str) -> None:
        self._most = most
        self._what = what
        self._taken = 0

    @contextmanager
    def taken(self) -> Iterator[None]:
        """Hold a place.

        Raises:
            RequestError: there is none; may be tried again.
        """
        if self._taken >= self._most:
            raise RequestError(
                problems.BUSY,
                f"{self._most} {self._what} are under way, as many as are answered at the same time; try again later.",
                headers={"Retry-After": "5"},
            )
        self._taken += 1
        try:
            yield
        finally:
            self._taken -= 1


class Keeper(Protocol):
    """Where machines are found that a stream names and does not describe, and where its surveys are stored."""

    async def knowing(self, chunk: Chunk) -> Chunk:
        """Return a chunk with the descriptions of stored machines that it names."""

    async def keep(self, chunk: Chunk, answered: ChunkAnswer) -> dict[int, Problem]:
        """Store what was answered; return, once it is on the disk, the numbers of lines that were not, and why."""


class BatchStream(ASGIResponse):
    """Reads lines and sends answers in their order; each direction waits for the other (back-pressure), so memory is
    bounded."""

    def __init__(
        self,
        engine: Callable[[], Awaitable[Engine]],
        detail: Detail,
        settings: Settings,
        places: Places,
        metrics: Metrics,
        media_type: str = NDJSON,
        keeper: Keeper | None = None,
        *,
        keeps: bool = False,
    ) -> None:
        self.media_type = media_type
        self._engine = engine
        self._detail = detail
        self._most = settings.max_body
        self._idle = settings.idle_seconds
        self._places = places
        self._metrics = metrics
        self._keeper = keeper
        self._keeps = keeps
        self._lines = FIRST
        self._owed = 0
        """Chunks handed in of which the client has not taken the answer."""

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer until the client has sent and received everything, or goes away."""
        with self._places.taken(), self._metrics.under_way("batch"):
            await self._run(receive, send)

    async def _run(self, receive: Receive, send: Send) -> None:
        headers = [
            (b"content-type", self.media_type.encode()),
            (b"cache-control", b"no-store"),
            (b"x-accel-buffering", b"no"),
        ]
        # A client that waits to be told to go on (`Expect: 100-continue`) is told when its body is first asked for, and
        # never once the answer has begun: it would wait in vain, curl for a second.
        coming = asyncio.ensure_future(receive())
        try:
            await asyncio.sleep(0)
            await send({"type": "http.response.start", "status": 200, "headers": headers})
            engine = await self._engine()
        except BaseException:
            coming.cancel()
            raise
        under_way: UnderWay = asyncio.Queue()
        room = asyncio.Semaphore(engine.at_once + AHEAD)
        writing = asyncio.ensure_future(self._write(under_way, room, send))
        reading = asyncio.ensure_future(self._read(under_way, room, coming, receive, engine))
        try:
            await asyncio.wait({reading, writing}, return_when=asyncio.FIRST_COMPLETED)
        finally:
            for task in (reading, writing):
                task.cancel()
            ended = await asyncio.gather(reading, writing, return_exceptions=True)
            while not under_way.empty():
                if (left := under_way.get_nowait()) is not None:
                    left[1].cancel()
        for error in ended:
            if isinstance(error, Exception) and not isinstance(error, TimeoutError):
                raise error

    async def _read(
        self, under_way: UnderWay, room: asyncio.Semaphore, coming: Coming, receive: Receive, engine: Engine
    ) -> None:
        """Hand in what the client sends, of which the first is ``coming``; return when it has gone away."""
        cutter = Splitter("full" if self._keeps else self._detail, self._most)  # what is kept takes all of it
        clock = asyncio.get_running_loop().time
        due = inf

        async def hand_in(least: int) -> None:
            nonlocal due
            while cutter.waiting >= least or cutter.waiting_bytes >= MOST_BYTES:
                await room.acquire()
                if chunk := cutter.cut(self._lines):
                    self._owed += 1
                    under_way.put_nowait((chunk, asyncio.ensure_future(self._answer(chunk, engine))))
                due = inf

        more = True
        try:
            while more:
                # A timer may ring a little early, so what has come decides what is done, never the clock alone.
                await asyncio.wait({coming}, timeout=max(0.0, due - clock()) if cutter.waiting else self._idle)
                if coming.done():
                    message = coming.result()
                    if message["type"] != "http.request":
                        return
                    cutter.feed(message.get("body", b""))
                    await hand_in(1 if clock() >= due else self._lines)
                    if cutter.waiting and due == inf:
                        due = clock() + FLUSH
                    if more := message.get("more_body", False):
                        coming = asyncio.ensure_future(receive())
                elif cutter.waiting:
                    await hand_in(1)
                elif not self._owed:
                    log.warning("batch ended", says="its client sent nothing", seconds=self._idle)
                    return
        finally:
            coming.cancel()
        cutter.end()
        await hand_in(1)
        under_way.put_nowait(None)
        while (await receive())["type"] != "http.disconnect":
            pass

    async def _answer(self, chunk: Chunk, engine: Engine) -> ChunkAnswer:
        if self._keeper is None:
            return await engine.answer(chunk)
        try:
            if chunk.unknown:
                chunk = await self._keeper.knowing(chunk)
            answered = await engine.answer(chunk)
        except RequestError as error:  # the store cannot be read
            return failed(chunk, problems.describe(error))
        if not self._keeps:
            return answered
        told = refusing(answered, await self._keeper.keep(chunk, answered))
        return as_moves(told) if self._detail == "moves" else told

    async def _write(self, under_way: UnderWay, room: asyncio.Semaphore, send: Send) -> None:
        """Send answers in the order of the lines, and the summary at the end; return when nobody takes them."""
        tally = Tally()

        async def tell(body: bytes, more: bool) -> None:
            async with asyncio.timeout(self._idle):
                await send({"type": "http.response.body", "body": body, "more_body": more})

        try:
            while (entry := await under_way.get()) is not None:
                chunk, future = entry
                try:
                    answered = await future
                except Exception as error:  # the answer has begun: whatever it is can only be told in its lines
                    log.error("chunk failed", exc_info=error)
                    answered = failed(chunk, problems.write(problems.INTERNAL, problems.INTERNAL.remedy))
                if answered.seconds:
                    each = answered.seconds / len(chunk.lines)
                    self._lines = max(1, min(MOST_LINES, int(SECONDS / each)))
                tally.add(answered.tally)
                self._metrics.lines(answered.tally.answered, answered.tally.problems)
                if answered.body:
                    await tell(answered.body, more=True)
                self._owed -= 1
                room.release()
            await tell(msgspec.json.encode(BatchSummary(tally.totals())) + b"\n", more=False)
        except TimeoutError:
            log.warning("batch ended", says="its client took nothing", seconds=self._idle)
