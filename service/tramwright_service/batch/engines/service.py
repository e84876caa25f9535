"""Batches answered by a service that runs elsewhere, over its own route for batches."""

from __future__ import annotations

from collections.abc import Iterator

import msgspec
from msgspec import Struct

from tramwright_solvers.results.correction import VerdictAnswer

from ...execution.remote import Remote
from ...wire.media_types import JSON, NDJSON
from ...wire.problems import Problem, RequestError, Told, describe
from ...wire.requests import Health, SolverList
from ..answerer import versions_of
from ..lines import ChunkAnswer, Refusal, joined, over_long, tallied
from ..splitter import Chunk
from .base import EngineLost

MOST_BYTES = 2**16
"""Bytes of an exchange at most, lines longer than that alone: the client reads no answer before all is sent, and the
server takes in so much while its answers wait."""

KEPT = "What was finished is kept; the same command does the rest."


class _Answered(Struct, frozen=True):
    """What is read of an answered line."""

    line: int
    id: str | None = None
    problem: Problem | None = None


_encode = msgspec.json.Encoder().encode
_answered = msgspec.json.Decoder(_Answered).decode
_verdict = msgspec.json.Decoder(VerdictAnswer).decode


class _Called(Struct, frozen=True):
    id: str = "machine"


_called = msgspec.json.Decoder(_Called).decode


class ServiceEngine:
    """Sends the lines of chunks to a service."""

    at_once = 1

    def __init__(self, service: Remote) -> None:
        self._service = service

    async def versions(self) -> str:
        """Return on what the service's answers depend.

        Raises:
            EngineLost: it does not say.
            ValueError: it refuses to.
        """
        health = msgspec.json.decode(await self._ask("/health/live"), type=Health)
        solvers = msgspec.json.decode(await self._ask("/v1/solvers"), type=SolverList).solvers
        return versions_of(health.version, [(one.name, one.version, one.origin) for one in solvers if one.usable])

    async def answer(self, chunk: Chunk) -> ChunkAnswer:
        """Answer a chunk.

        Raises:
            EngineLost: the service is gone, or ended before it had answered every line.
            ValueError: it refuses the whole.
        """
        return joined([await self._part(part) for part in exchanges(chunk)])

    async def _part(self, part: Chunk) -> ChunkAnswer:
        before, lines = described(part), part.lines
        if not any(lines):
            told = b""
        else:
            sent = b"".join(line + b"\n" for line in (*before, *lines))
            told = await self._ask("/v1/corrections/batch", sent, {"detail": part.detail})
        body, judged, refused = dict[int, bytes](), [], []
        for line in told.splitlines(keepends=True)[:-1]:  # the last is the summary
            one = _answered(line)
            if one.line <= len(before):
                continue
            number = one.line - len(before) + part.first - 1
            # each answer begins with these two, as they stand in the answers to files too
            head, told_as = b'{"id":%b,"line":' % _encode(one.id), b"%d," % one.line
            body[number] = b"%b%d,%b" % (head, number, line.removeprefix(head + told_as))
            if one.problem is None:
                judged.append((number, one.id, _verdict(line)))
            else:
                refused.append((number, one.id, one.problem))
        for at in part.too_long:
            number, problem = part.first + at, over_long(part.most)
            refused.append((number, None, problem))
            body[number] = _encode(Refusal(None, number, problem)) + b"\n"
        if len(body) != sum(at in part.too_long or bool(line.strip()) for at, line in enumerate(lines)):
            raise EngineLost(f"{self._service.url} ended before it had answered every line. {KEPT}")
        refused.sort(key=lambda one: one[0])
        return ChunkAnswer(b"".join(body[number] for number in sorted(body)), tallied(judged, refused))

    async def _ask(self, path: str, body: bytes | None = None, query: dict[str, str] | None = None) -> bytes:
        try:
            return await self._service.ask(path, body, NDJSON, NDJSON if body else JSON, query)
        except (RequestError, Told) as error:
            problem = describe(error)
            if problem.status < 500 and problem.status != 429:
                raise ValueError(problem.detail) from None
            raise EngineLost(f"{problem.detail} {KEPT}") from None

    async def close(self) -> None:
        """End the connections."""
        await self._service.aclose()


def exchanges(chunk: Chunk) -> Iterator[Chunk]:
    """Yield the parts of a chunk that are sent at a time."""
    begin, size = 0, 0
    for at, line in enumerate(chunk.lines):
        more = len(line) + 1 + (len(chunk.machines[chunk.named[at]]) if at in chunk.named else 0)
        if size and size + more > MOST_BYTES:
            yield chunk.part(begin, at)
            begin, size = at, 0
        size += more
    yield chunk.part(begin, len(chunk.lines))


def described(part: Chunk) -> list[bytes]:
    """Return lines that tell the machines which earlier lines of the whole stream described: of each name the one that
    is referred to first, since what is described after that is described in the part."""
    first: dict[str, bytes] = {}
    for machine in part.machines:
        first.setdefault(_called(machine).id, machine)
    return [b'{"machine":%b}' % machine for machine in first.values()]
