"""A dask cluster as engine: every worker of it answers chunks with the solvers installed there.

Its scheduler stores nothing: when it is lost, chunks under way are lost too, and the batch ends with an error. Finished
chunks are in files, and the same command answers the rest.
"""

from __future__ import annotations

import asyncio
import logging
from functools import cache

import distributed
import msgspec
from distributed.scheduler import KilledWorker

from tramwright_solvers.mechanisms.registry import Registry, installed

from ...wire.problems import INTERNAL, write
from ..answerer import DEADLY, PARTS, LineAnswerer, versions
from ..lines import ChunkAnswer, failed, joined
from ..splitter import Chunk
from .base import EngineLost

CONNECT = 5
"""Seconds to wait for the scheduler's first answer."""
FOR_EACH = 2
"""Chunks under way for each thread of the cluster, so that none is idle during a round trip."""


class Differs(Exception):
    """A worker of the cluster has other versions than this host, so its answers might differ."""


@cache
def _lines() -> tuple[LineAnswerer, str]:
    registry = installed()
    return LineAnswerer(registry), versions(registry)


def answer(message: bytes, expected: str) -> bytes:
    """Answer one chunk; this runs on the cluster.

    Raises:
        Differs: the versions here are not those of who asks.
    """
    lines, own = _lines()
    if own != expected:
        raise Differs(f"A worker of the cluster has {own}; here it is {expected}. Install the same on both.")
    return msgspec.msgpack.encode(lines.answer(msgspec.msgpack.decode(message, type=Chunk)))


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
        try:
            return await self._ask(chunk)
        except KilledWorker:
            pass
        # The scheduler suspects all that a dead worker had, so good lines come here with the deadly one: one part at a
        # time is asked again, and a line is refused only where workers die over it once more.
        if len(chunk.lines) > 1:
            return joined([await self.answer(part) for part in chunk.cut(PARTS)])
        async with self._suspect:
            try:
                return await self._ask(chunk)
            except KilledWorker:
                return failed(chunk, write(INTERNAL, DEADLY))

    async def _ask(self, chunk: Chunk) -> ChunkAnswer:
        """Have the cluster answer a chunk.

        Raises:
            KilledWorker: workers died that had it.
            EngineLost: the scheduler is gone, or its workers have other versions.
        """
        try:
            future = self._client.submit(answer, msgspec.msgpack.encode(chunk), self._versions, pure=False)
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
