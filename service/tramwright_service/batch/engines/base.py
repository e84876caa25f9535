"""Where a large batch runs: worker processes on this host, or a cluster.

An engine answers chunks, each a pure function of its content, so place and order of the runs do not matter. The caller
keeps the order of the answers and limits the chunks under way.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from typing import Protocol

import msgspec

from tramwright_solvers.model.errors import SolverError

from ...execution.plug_ins.hosts import PlugIns
from ...wire.problems import RequestError, Told, describe
from ..lines import ChunkAnswer, Elsewhere, failed
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


async def lines_elsewhere(
    part: ChunkAnswer, chunk: Chunk, ask: Callable[[Elsewhere, Chunk], Awaitable[ChunkAnswer]]
) -> tuple[list[ChunkAnswer], Chunk | None]:
    """Return what plug-ins answer to the lines that follow those of ``part``, the first answers to a chunk, and what is
    left of the chunk after them, None where nothing is."""
    if not part.left:
        return [], None
    left = chunk.last(part.left)
    lines = [ask(one, left.part(at, at + 1)) for at, one in enumerate(part.elsewhere)]
    told = list(await asyncio.gather(*lines))
    return told, left.last(len(left.lines) - len(told)) if len(told) < len(left.lines) else None


async def answered_by(plug_ins: PlugIns, how: Elsewhere, line: Chunk) -> ChunkAnswer:
    """Have plug-ins answer a line, in processes of their own."""
    try:
        answer = await plug_ins.line(how.plug_ins, how.named, msgspec.msgpack.encode(line))
    except (SolverError, RequestError, Told) as error:
        return failed(line, describe(error))
    return msgspec.msgpack.decode(answer, type=ChunkAnswer)
