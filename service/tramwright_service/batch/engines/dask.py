"""A dask cluster as engine: every worker of it answers chunks with the solvers installed there, plug-ins among them in
processes of their own.

Its scheduler stores nothing: when it is lost, chunks under way are lost too, and the batch ends with an error. Finished
chunks are in files, and the same command answers the rest.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable
from functools import cache
from threading import Lock
from typing import NamedTuple

import distributed
import msgspec
from distributed.scheduler import KilledWorker

from tramwright_solvers.mechanisms.registry import Registry, announced_here, installed

from ...execution.plug_ins.hosts import PlugIns
from ...settings import Settings
from ...wire.problems import INTERNAL, write
from ..answerer import DEADLY, PARTS, LineAnswerer, versions
from ..lines import ChunkAnswer, Elsewhere, failed, joined
from ..splitter import Chunk
from .base import EngineLost, answered_by, lines_elsewhere

CONNECT = 5
"""Seconds to wait for the scheduler's first answer."""
FOR_EACH = 2
"""Chunks under way for each thread of the cluster, so that none is idle during a round trip."""

_FINDING = Lock()


class Differs(Exception):
    """A worker of the cluster has other versions than this host, so its answers might differ."""


class Here(NamedTuple):
    """What a worker of the cluster answers with, and its versions."""

    lines: LineAnswerer
    plug_ins: PlugIns
    versions: str


@cache
def _found() -> Here:
    plug_ins = PlugIns.found(announced_here(), installed(with_plug_ins=False), Settings())
    lines = LineAnswerer(plug_ins.registry, suited=plug_ins.suited)
    return Here(lines, plug_ins, versions(plug_ins.registry))


def here() -> Here:
    """Return it; the plug-ins of this worker are tested once, whichever of its threads comes first."""
    with _FINDING:
        return _found()


def answer(message: bytes, expected: str) -> bytes:
    """Answer the first lines of a chunk, up to those that plug-ins answer; this runs on the cluster.

    Raises:
        Differs: the versions here are not those of who asks.
    """
    if (own := here().versions) != expected:
        raise Differs(f"A worker of the cluster has {own}; here it is {expected}. Install the same on both.")
    return msgspec.msgpack.encode(here().lines.begin(msgspec.msgpack.decode(message, type=Chunk)))


async def answer_elsewhere(how: bytes, message: bytes) -> bytes:
    """Have plug-ins answer a line, in processes of their own beside a worker; this runs on the cluster."""
    plug_ins = (await asyncio.to_thread(here)).plug_ins
    line = msgspec.msgpack.decode(message, type=Chunk)
    return msgspec.msgpack.encode(await answered_by(plug_ins, msgspec.msgpack.decode(how, type=Elsewhere), line))


class DaskEngine:
    """The workers behind one scheduler."""

    def __init__(self, address: str, client: distributed.Client, threads: int, registry: Registry) -> None:
        self.at_once = FOR_EACH * threads
        self._address = address
        self._client = client
        self._versions = versions(registry)
        self._suspect = asyncio.Lock()

    @classmethod
    async def at(cls, address: str, registry: Registry) -> DaskEngine:
        """Join the cluster of the scheduler at this address, `host:port`.

        Raises:
            EngineLost: nothing answers there, or it has no workers.
        """
        # What goes wrong is told once, by ourselves; each of the client's modules logs at a level of its own.
        for name in [*logging.root.manager.loggerDict, "asyncio"]:
            if name.partition(".")[0] in ("distributed", "asyncio", "tornado"):
                logging.getLogger(name).setLevel(logging.CRITICAL + 1)
        try:
            client = await distributed.Client(
                f"tcp://{address}", timeout=CONNECT, asynchronous=True, set_as_default=False
            )
        except (OSError, ValueError) as error:
            raise EngineLost(f"No dask scheduler answers at {address} ({error}).") from None
        threads = sum((await client.nthreads()).values())
        if threads == 0:
            await client.close()
            raise EngineLost(f"The scheduler at {address} has no workers; start some, then give the command again.")
        return cls(address, client, threads, registry)

    async def answer(self, chunk: Chunk) -> ChunkAnswer:
        """Answer a chunk.

        Raises:
            EngineLost: the scheduler is gone, or its workers have other versions.
        """
        parts = list[ChunkAnswer]()
        left: Chunk | None = chunk
        while left is not None:
            try:
                part = await self._ask(left)
            except KilledWorker:
                parts.append(await self._in_parts(left))
                break
            more, left = await lines_elsewhere(part, left, self._elsewhere)
            parts += [part, *more]
        return joined(parts)

    async def _in_parts(self, chunk: Chunk) -> ChunkAnswer:
        """Answer a chunk over which workers died.

        The scheduler suspects all that a dead worker had, so good lines come here with the deadly one: one part at a
        time is asked again, and a line is refused only where workers die over it once more.
        """
        if len(chunk.lines) > 1:
            return joined([await self.answer(part) for part in chunk.cut(PARTS)])
        async with self._suspect:
            try:
                return await self._ask(chunk)
            except KilledWorker:
                return failed(chunk, write(INTERNAL, DEADLY))

    async def _elsewhere(self, how: Elsewhere, line: Chunk) -> ChunkAnswer:
        """Have the plug-ins of the cluster answer a line."""
        try:
            return await self._call(answer_elsewhere, msgspec.msgpack.encode(how), msgspec.msgpack.encode(line))
        except KilledWorker:
            return failed(line, write(INTERNAL, DEADLY))

    async def _ask(self, chunk: Chunk) -> ChunkAnswer:
        """Have the cluster answer a chunk.

        Raises:
            KilledWorker: workers died that had it.
            EngineLost: the scheduler is gone, or its workers have other versions.
        """
        return await self._call(answer, msgspec.msgpack.encode(chunk), self._versions)

    async def _call(self, what: Callable[..., object], *given: object) -> ChunkAnswer:
        try:
            future = self._client.submit(what, *given, pure=False)
            return msgspec.msgpack.decode(await future, type=ChunkAnswer)
        except KilledWorker:
            raise
        except Differs as error:
            raise EngineLost(str(error)) from None
        except Exception as error:
            raise EngineLost(
                f"The dask scheduler at {self._address} is gone ({type(error).__name__}). What was finished is kept: "
                "start it again and give the same command."
            ) from None

    async def close(self) -> None:
        """Leave the cluster; what was under way is dropped."""
        await self._client.close(timeout=2)
