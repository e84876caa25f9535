"""The answer to a chunk of lines: a pure function, the same for the route, the command line and every engine."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from contextlib import suppress
from time import perf_counter
from typing import Any

import msgspec
import structlog
from msgspec import UNSET, UnsetType

from tramwright_solvers.correction.batching import (
    StackWriter,
    SurveyRequest,
    answer_many,
    moves,
    verdicts,
    whole,
)
from tramwright_solvers.correction.cache import GeometryCache
from tramwright_solvers.correction.cost import Most, affordable, readings_cost
from tramwright_solvers.mechanisms.registry import Registry
from tramwright_solvers.model.errors import Fault, PlugInFault, SolverError
from tramwright_solvers.model.machine import Machine
from tramwright_solvers.results.correction import Correction, MovesAnswer, VerdictAnswer

from .. import version
from ..settings import Settings
from ..wire.decode import Decoder
from ..wire.encode import as_json
from ..wire.media_types import JSON
from ..wire.problems import Problem, RequestError, describe
from ..wire.quick_reader import QuickReader
from .lines import (
    Answered,
    BatchLine,
    ChunkAnswer,
    Elsewhere,
    Refusal,
    id_of,
    joined,
    over_long,
    tallied,
    unknown,
)
from .splitter import Chunk, Detail
from .summary import Tally

PARTS = 16
"""Parts into which a chunk that killed its worker is cut: each round costs a worker, so there should be few."""
DEADLY = "The process that answers this line dies over it every time, while other lines are answered; report it."

Answer = VerdictAnswer | MovesAnswer | Correction

WRITERS: dict[Detail, StackWriter[Answer]] = {
    "verdict": verdicts,
    "moves": moves,
    "full": whole,
}


MOST_TOGETHER = 128
"""Lines that are answered together at the most, about."""

USUAL = Settings().most
"""What a line may take where nothing else is said."""

SMALL, DENSEST = 8192, 25
"""Bytes of a line whose cost is not worth telling, if with as many readings as it could hold it is small; and bytes
that a reading has at the least, about."""

_encode = msgspec.json.Encoder().encode


def no_plug_in(machine: Machine) -> tuple[str, ...]:
    """Say of every machine that no plug-in suits it."""
    return ()


class LineAnswerer:
    """Answers chunks with the solvers of one registry; each line may take as much as ``most`` says.

    Lines for guests of the registry are not answered; ``suited`` says which of them suit a machine.
    """

    def __init__(
        self,
        registry: Registry,
        cache: GeometryCache | None = None,
        most: Most = USUAL,
        suited: Callable[[Machine], tuple[str, ...]] = no_plug_in,
    ) -> None:
        self._registry = registry
        self._suited = suited
        self._cache = GeometryCache() if cache is None else cache
        self._most = most
        self._light: tuple[Any, Any, bool] = None, None, False
        generic: Any = BatchLine
        self._strict: Decoder[BatchLine[Any]] = Decoder(generic[registry.union()], registry)
        self._described: Decoder[Machine] = Decoder(Machine, registry)
        self._reader = QuickReader(registry)

    def answer(self, chunk: Chunk) -> ChunkAnswer:
        """Answer every line in its place; whatever is wrong with one, the others get their answers."""
        parts = [self.begin(chunk)]
        while left := parts[-1].left:
            parts.append(self.begin(chunk.last(left)))
        return joined(parts)

    def begin(self, chunk: Chunk) -> ChunkAnswer:
        """Answer as :meth:`answer` does, the first lines only where all together may take longer than one may."""
        start, spent, end = perf_counter(), 0.0, len(chunk.lines)
        asked: list[SurveyRequest] = []
        named: list[tuple[int, str | None]] = []
        refused: dict[int, tuple[str | None, Problem]] = {}
        elsewhere: list[Elsewhere] = []
        too_long = frozenset(chunk.too_long)
        for at, line in enumerate(chunk.lines):
            if at in too_long:
                refused[at] = None, over_long(chunk.most)
                continue
            if not line or line.isspace():
                continue
            try:
                name, request = self._read(chunk, at)
                if self._registry.guests and self._guests(request):
                    end, elsewhere = at, self._run_of_guests(chunk, at)
                    break
                if not (len(line) <= SMALL and self._is_light(request)):
                    spent += affordable(*request, self._most).seconds
                    if spent > self._most.seconds and asked:
                        end = at
                        break
                named.append((at, None if name is UNSET else name))
                asked.append(request)
            except Exception as error:  # whatever it is, it is this line's problem and nobody else's
                refused[at] = id_of(line), _problem(error)
        lines, tally = self._write(chunk.first, named, self._answers(asked, WRITERS[chunk.detail]), refused)
        return ChunkAnswer(lines, tally, perf_counter() - start, len(chunk.lines) - end, elsewhere)

    def _read(self, chunk: Chunk, at: int) -> tuple[str | UnsetType | None, SurveyRequest]:
        described = chunk.machines[chunk.named[at]] if at in chunk.named else None
        return self._reader.read(chunk.lines[at], described) or self._read_strictly(chunk.lines[at], described)

    def _guests(self, request: SurveyRequest) -> tuple[str, ...]:
        """Return the plug-ins that answer a line in processes of their own, none where it is answered here."""
        named = request.solve.with_
        return self._registry.guests_among(named) if named else self._suited(request.machine)

    def _run_of_guests(self, chunk: Chunk, at: int) -> list[Elsewhere]:
        """Return whose this line is and those that follow it, as long as they are answered elsewhere."""
        run = list[Elsewhere]()
        with suppress(RequestError):
            while (
                at < len(chunk.lines) and at not in chunk.too_long and (line := chunk.lines[at]) and not line.isspace()
            ):
                _, request = self._read(chunk, at)
                if not (guests := self._guests(request)):
                    break
                run.append(Elsewhere(guests, tuple([one.name() for one in request.solve.with_])))
                at += 1
        return run

    def _is_light(self, request: SurveyRequest) -> bool:
        """Say whether no small line of this machine, solved so, may take long or much, whatever readings it holds."""
        machine, survey, solve, done = request
        known, options, light = self._light
        if machine is not known or solve is not options:
            cost = readings_cost(machine, solve, SMALL // DENSEST, SMALL // DENSEST)
            light = cost.seconds * MOST_TOGETHER <= self._most.seconds and cost.bytes <= self._most.bytes
            self._light = machine, solve, light
        return light and survey.previous is None and not done

    def _read_strictly(self, line: bytes, described: bytes | None) -> tuple[str | None, SurveyRequest]:
        """Read one line as a whole, so that what is wrong with it is told as the route for one survey tells it.

        Raises:
            RequestError: it is not well formed, breaks the schema, or names a machine that was not described.
        """
        whole = self._strict.decode(line, JSON.encode())
        machine = whole.machine
        if isinstance(machine, str):
            if described is None:
                raise unknown(machine)
            try:
                machine = self._described.decode(described, JSON.encode())
            except RequestError as error:
                faults = [Fault(f"/machine{fault.pointer}", fault.detail) for fault in error.errors]
                raise RequestError(error.kind, error.detail, faults) from None
        return whole.id, SurveyRequest(machine, whole.survey, whole.solve, whole.done)

    def _answers(self, asked: list[SurveyRequest], write: StackWriter[Answer]) -> list[Answer | Exception]:
        """Answer what could be read; an internal failure is that of its own line only."""
        try:
            answers = answer_many(asked, self._registry, write, self._cache, self._most.seconds)
            return [
                pointed(one, request) if isinstance(one, Exception) else one
                for one, request in zip(answers, asked, strict=True)
            ]
        except Exception as error:
            if len(asked) == 1:
                return [pointed(error, asked[0])]
        half = len(asked) // 2
        return [*self._answers(asked[:half], write), *self._answers(asked[half:], write)]

    def _write(
        self,
        first: int,
        named: list[tuple[int, str | None]],
        told: list[Answer | Exception],
        refused: dict[int, tuple[str | None, Problem]],
    ) -> tuple[bytes, Tally]:
        """Write the lines in order and count them."""
        lines, answered = dict[int, bytes](), list[Answered]()
        for (at, name), answer in zip(named, told, strict=True):
            try:
                if isinstance(answer, Exception):
                    raise answer
                # The line is spliced to the answer, whose bytes are those of the answer to the same survey alone.
                lines[at] = b'{"id":%b,"line":%d,%b\n' % (_encode(name), first + at, as_json(answer)[1:])
            except Exception as error:
                refused[at] = name, _problem(error)
            else:
                answered.append((first + at, name, answer))
        for at, (name, problem) in refused.items():
            lines[at] = _encode(Refusal(name, first + at, problem)) + b"\n"
        tally = tallied(answered, [(first + at, *refused[at]) for at in sorted(refused)])
        return b"".join([lines[at] for at in sorted(lines)]), tally


def pointed(error: Exception, request: SurveyRequest) -> Exception:
    """Return the exception; a plug-in's fault points at what the request says of it."""
    return error.among([one.name() for one in request.solve.with_]) if isinstance(error, PlugInFault) else error


def _problem(error: Exception) -> Problem:
    """Describe what one line met; a fault of ours, or of a plug-in, is logged."""
    if isinstance(error, PlugInFault) or not isinstance(error, (RequestError, SolverError)):
        structlog.get_logger("batch").error("line failed", exc_info=error)
    return describe(error)


def versions(registry: Registry) -> str:
    """Return the versions on which an answer depends beside its chunk: of every solver, and of what brings it."""
    return versions_of(
        version(), [(name, one.version, registry.origins[name]) for name, one in registry.solvers.items()]
    )


def versions_of(service: str, solvers: Iterable[tuple[str, str | None, str]]) -> str:
    """Return the same of a service elsewhere: its version, and name, version and origin of every solver."""
    told = [f"{name} {own} ({origin})" for name, own, origin in solvers]
    return ", ".join([f"tramwright {service}", *told])
