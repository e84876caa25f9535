"""Where a large batch runs: worker processes on this host, or a cluster.

An engine answers chunks, each a pure function of its content, so place and order of the runs do not matter. The caller
keeps the order of the answers and limits the chunks under way.
"""

from __future__ import annotations

from typing import Protocol

from ..lines import ChunkAnswer
from ..splitter import Chunk


class EngineLost(Exception):
    """The engine as a whole is lost; the same batch can be run again later and answers what is missing."""


class Engine(Protocol):
    """Answers chunks; ``at_once`` is how many of them keep it busy."""

    at_once: int

    async def answer(self, chunk: Chunk) -> ChunkAnswer:
        """Answer a chunk.

        Raises:
            EngineLost: there is no engine any more.
        """
        ...

    async def close(self) -> None:
        """Stop what is under way and free everything."""
        ...
