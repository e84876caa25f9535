"""Worker processes on this host, started when there is work for them, and replaced when one dies.

A chunk over which a worker dies is answered in parts, and these in parts again, until the line that is deadly stands
alone and is refused. The others get the answers that they would have had.
"""

from __future__ import annotations

import asyncio
import os
import pickle
import sys
from asyncio.subprocess import PIPE, Process
from collections import deque
from contextlib import suppress

import msgspec

from tramwright_solvers.correction.cache import MOST_BYTES
from tramwright_solvers.correction.cost import Most
from tramwright_solvers.mechanisms.registry import Registry

from ...execution.plug_ins.hosts import PlugIns
from ...execution.plug_ins.messages import LENGTH
from ...wire.problems import INTERNAL, write
from ..answerer import DEADLY, PARTS, USUAL
from ..lines import ChunkAnswer, Elsewhere, failed, joined
from ..splitter import Chunk
from .base import EngineLost, answered_by, lines_elsewhere

TRIES = 3
"""Workers that must have died over a line, the last one over it alone, before it is refused."""
STARTS = 3
"""Workers in a row that may end before they take anything; then something is wrong with this host."""
DEPTH = 2
"""Chunks with each worker: the one it answers and the next, so that it is never idle."""
GRACE = 1.0
"""Seconds that a worker may continue with a chunk whose client is gone: starting another costs about as much."""
BUFFER = 2**20
"""Bytes of an answer held before the worker is no longer read from."""

ALONE = dict.fromkeys(("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"), "1")
"""Environment of a worker: one thread for linear algebra, for the matrices are small."""

_decode = msgspec.msgpack.Decoder(ChunkAnswer).decode
_encode = msgspec.msgpack.Encoder().encode


class _Died(Exception):
    """A worker process ended, while answering this chunk or before it."""

    def __init__(self, answering: bool) -> None:
        self.answering = answering


class _Worker:
    """One worker process and the chunks it has, in the order in which it answers them."""

    def __init__(self, process: Process) -> None:
        assert process.stdin is not None
        assert process.stdout is not None
        self.process = process
        self._to = process.stdin
        self._back = process.stdout
        self.has: deque[asyncio.Future[bytes]] = deque()
        self._dropped = False
        self.began = False
        self._reading = asyncio.ensure_future(self._read())

    @classmethod
    async def start(cls, first: bytes) -> _Worker:
        """Start a process."""
        # -P: what lies in the current directory is not to be taken for a module
        command = (sys.executable, "-P", "-m", "tramwright_service.batch.engines.worker")
        # A session of its own: the interrupt key is for who started the batch, and that one ends its workers.
        process = await asyncio.create_subprocess_exec(
            *command,
            stdin=PIPE,
            stdout=PIPE,
            env={**os.environ, **ALONE},
            limit=BUFFER,
            start_new_session=True,
        )
        worker = cls(process)
        worker.send(first)
        return worker

    def send(self, message: bytes) -> None:
        """Send a message; one to a process that is gone goes nowhere."""
        self._to.write(LENGTH.pack(len(message)))
        self._to.write(message)

    async def ask(self, message: bytes) -> bytes:
        """Send a chunk and wait for its answer.

        Raises:
            _Died: the process is gone.
        """
        if self._reading.done():
            raise _Died(answering=False)
        answer: asyncio.Future[bytes] = asyncio.get_running_loop().create_future()
        self.has.append(answer)
        self.send(message)
        try:
            return await answer
        except asyncio.CancelledError:
            self._drop_later(answer)
            raise

    def _drop_later(self, answer: asyncio.Future[bytes]) -> None:
        """End the process if it still works on an answer that no client waits for; queued chunks go to other
        workers."""

        def drop() -> None:
            if answer not in self.has:
                return
            if self.has[0] is not answer:
                self._drop_later(answer)
                return
            self._dropped = True
            with suppress(ProcessLookupError):
                self.process.kill()

        asyncio.get_running_loop().call_later(GRACE, drop)

    async def _read(self) -> None:
        try:
            await self._back.readexactly(LENGTH.size)  # an empty message: it is ready
            self.began = True
            while True:
                (length,) = LENGTH.unpack(await self._back.readexactly(LENGTH.size))
                answer = await self._back.readexactly(length)
                future = self.has.popleft()
                if not future.done():  # nobody waits for it any more
                    future.set_result(answer)
        except (asyncio.IncompleteReadError, OSError):
            for place, future in enumerate(self.has):
                if not future.done():
                    future.set_exception(_Died(answering=place == 0 and self.began and not self._dropped))
            self.has.clear()

    async def kill(self) -> None:
        """End the process and wait until it is gone."""
        with suppress(ProcessLookupError):
            self.process.kill()
        self._to.close()
        await self.process.wait()
        await self._reading


class LocalEngine:
    """Up to ``workers`` processes; lines for guests of the registry are handed to the ``plug_ins``."""

    def __init__(
        self,
        workers: int,
        registry: Registry,
        cache: int = MOST_BYTES,
        most: Most = USUAL,
        plug_ins: PlugIns | None = None,
    ) -> None:
        self.at_once = workers * DEPTH
        self._most = workers
        self._plug_ins = plug_ins
        self._first = pickle.dumps((registry, cache, most, plug_ins.asking if plug_ins else None))
        self._workers: list[_Worker] = []
        self._room = asyncio.Semaphore(self.at_once)
        self._starting = asyncio.Lock()
        self._closed = False
        self._false_starts = 0

    async def answer(self, chunk: Chunk) -> ChunkAnswer:
        """Answer a chunk, in several goes where it is long work, between which others have theirs.

        Raises:
            EngineLost: the engine has been closed, or no worker can be started.
        """
        return await self._answer(chunk, 0)

    async def _answer(self, chunk: Chunk, deaths: int) -> ChunkAnswer:
        """Answer a chunk, which may be part of a larger one over which so many workers have died."""
        parts = list[ChunkAnswer]()
        while True:
            async with self._room:
                worker = await self._free()
                try:
                    part = _decode(await worker.ask(_encode(chunk)))
                except _Died as died:
                    await self._bury(worker)
                    if not died.answering:
                        continue
                    part = None
            if part is not None:
                self._false_starts, deaths = 0, 0
                parts.append(part)
                more, left = await lines_elsewhere(part, chunk, self._elsewhere)
                parts += more
                if left is None:
                    return joined(parts)
                chunk = left
                continue
            deaths += 1
            if len(chunk.lines) > 1:
                parts += await asyncio.gather(*(self._answer(piece, deaths) for piece in chunk.cut(PARTS)))
                return joined(parts)
            if deaths >= TRIES:
                parts.append(failed(chunk, write(INTERNAL, DEADLY)))
                return joined(parts)

    async def _elsewhere(self, how: Elsewhere, line: Chunk) -> ChunkAnswer:
        """Have plug-ins answer a line."""
        assert self._plug_ins is not None  # a registry has guests only with what answers for them
        return await answered_by(self._plug_ins, how, line)

    async def close(self) -> None:
        """End every process; who still waits for an answer gets EngineLost."""
        self._closed = True
        async with self._starting:
            workers, self._workers = self._workers, []
        await asyncio.gather(*(worker.kill() for worker in workers))

    async def _free(self) -> _Worker:
        """Return the worker with the fewest chunks; a new one where all are busy and more are allowed."""
        async with self._starting:
            if self._closed:
                raise EngineLost("The engine has been closed.")
            least = min(self._workers, key=lambda worker: len(worker.has), default=None)
            if least is None or (least.has and len(self._workers) < self._most):
                least = await _Worker.start(self._first)
                self._workers.append(least)
            return least

    async def _bury(self, worker: _Worker) -> None:
        """End a worker that died.

        Raises:
            EngineLost: so many have ended before they began, and none has answered in between.
        """
        if worker in self._workers:
            self._workers.remove(worker)
            self._false_starts += not worker.began
        await worker.kill()
        if self._false_starts >= STARTS:
            raise EngineLost("Worker processes end before they begin; standard error says why.")
