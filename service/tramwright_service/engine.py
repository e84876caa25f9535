"""Where a large batch runs: worker processes on this host, or a cluster.

An engine answers chunks, each a pure function of its content, so where and in what order they run is of no account. Who
hands them in keeps the order and bounds what is under way.
"""

from __future__ import annotations

from typing import Protocol

from tramwright_solvers.registry import Registry

from .batch.chunks import Chunk
from .batch.lines import Answered

LOCAL = "local"
CLUSTER = "dask://"


class EngineLost(Exception):
    """The engine as a whole is gone; once it is back, the same batch can be run again and does what is missing."""


class Engine(Protocol):
    """Answers chunks; ``at_once`` is how many of them keep it busy."""

    at_once: int

    async def answer(self, chunk: Chunk) -> Answered:
        """Answer a chunk.

        Raises:
            EngineLost: there is no engine any more.
        """
        ...

    async def close(self) -> None:
        """Stop what is under way and free everything."""
        ...


async def start(where: str, workers: int, registry: Registry) -> Engine:
    """Return the engine of this name: `local`, or `dask://host:port`.

    Raises:
        ValueError: there is no such engine, or what it needs is not installed; the message says what to do.
        EngineLost: nothing answers at that address.
    """
    if where == LOCAL:
        from .batch.local import Local

        return Local(workers, registry)
    if where.startswith(CLUSTER):
        try:
            from .batch.cluster import Cluster
        except ImportError:
            raise ValueError(
                f"`{CLUSTER}` needs the extra `cluster`: install `tramwright[cluster]` here and on every worker."
            ) from None
        return await Cluster.at(where.removeprefix(CLUSTER), registry)
    raise ValueError(f"There is no engine `{where}`; give `{LOCAL}`, or `{CLUSTER}host:port` of a dask scheduler.")
