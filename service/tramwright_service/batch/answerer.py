"""The answer to a chunk of lines: a pure function, the same for the route, the command line and every engine."""

from __future__ import annotations

from collections.abc import Sequence
from time import perf_counter
from typing import Annotated, Any, Generic

import msgspec
import structlog
from msgspec import UNSET, Meta, Struct, field

from tramwright_solvers.correction.assemble import ReducedStack
from tramwright_solvers.correction.batching import StackWriter, SurveyRequest, answer_many, stack_by_stack, verdicts
from tramwright_solvers.correction.cache import GeometryCache
from tramwright_solvers.correction.cost import Most, affordable, readings_cost
from tramwright_solvers.mechanisms.registry import Registry
from tramwright_solvers.model.errors import Fault, Refused, SolverError
from tramwright_solvers.model.machine import Machine
from tramwright_solvers.model.options import M, Solve
from tramwright_solvers.model.survey import Survey
from tramwright_solvers.results.correction import Correction, MovesAnswer, VerdictAnswer

from .. import version
from ..settings import Settings
from ..wire import problems
from ..wire.decode import Decoder
from ..wire.encode import as_json
from ..wire.faults import quote
from ..wire.media_types import JSON
from ..wire.problems import Kind, Problem, RequestError, describe
from ..wire.quick_reader import Id, QuickReader
from .splitter import Chunk, Detail
from .summary import REFUSALS, Latest, LineId, LineNumber, RefusedLine, Standing, Tally

PARTS = 16
"""Parts into which a chunk that killed its worker is cut: each round costs a worker, so there should be few."""
DEADLY = "The process that answers this line dies over it every time, while other lines are answered; report it."

WRITERS: dict[Detail, StackWriter[VerdictAnswer | MovesAnswer | Correction]] = {
    "verdict": verdicts,
    "moves": stack_by_stack(ReducedStack.moves_answers),
    "full": stack_by_stack(ReducedStack.corrections),
}


class BatchLine(Struct, Generic[M], frozen=True, forbid_unknown_fields=True):
    """One line of a batch: a machine or the `id` of one that an earlier line described, a survey, what is asked for."""

    machine: Annotated[
        Machine | Annotated[str, Meta(max_length=200)],
        Meta(description="The machine that was read, or the `machine.id` of an earlier line in this stream."),
    ]
    survey: Annotated[Survey, Meta(description="The readings.")]
    solve: Annotated[
        Solve[M], Meta(description="What is asked for; left out, all solvers that fit, least squares, the usual aim.")
    ] = field(default_factory=Solve)
    id: Id = None


class VerdictLine(VerdictAnswer, frozen=True, kw_only=True):
    """The answer to a line at the detail `verdict`."""

    id: LineId
    line: LineNumber


class MovesLine(MovesAnswer, frozen=True, kw_only=True):
    """The answer to a line at the detail `moves`."""

    id: LineId
    line: LineNumber


class CorrectionLine(Correction, frozen=True, kw_only=True):
    """The answer to a line at the detail `full`."""

    id: LineId
    line: LineNumber


class _Named(Struct, frozen=True):
    """What is read of a line that cannot be read as a whole."""

    id: Id = None


class Refusal(Struct, frozen=True):
    """The answer to a line that cannot be answered."""

    id: LineId
    line: LineNumber
    problem: Annotated[Problem, Meta(description="Why the line has no answer, and what to change.")]


class ChunkAnswer(Struct, frozen=True):
    """The answer to a chunk: lines of bytes, what they come to, and how long it took.

    ``left`` is how many of its lines, the last ones, are not answered yet.
    """

    body: bytes
    tally: Tally
    seconds: float = 0.0
    left: int = 0


MOST_TOGETHER = 128
"""Lines that are answered together at the most, about."""

USUAL = Settings().most
"""What a line may take where nothing else is said."""

SMALL, DENSEST = 8192, 25
"""Bytes of a line whose cost is not worth telling, if with as many readings as it could hold it is small; and bytes
that a reading has at the least, about."""

_encode = msgspec.json.Encoder().encode
_named = msgspec.json.Decoder(_Named)


class LineAnswerer:
    """Answers chunks with the solvers of one registry; each line may take as much as ``most`` says."""

    def __init__(self, registry: Registry, cache: GeometryCache | None = None, most: Most = USUAL) -> None:
        self._registry = registry
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
        ids: dict[int, str | None] = {}
        refused: dict[int, tuple[str | None, Problem]] = {}
        too_long = frozenset(chunk.too_long)
        for at, line in enumerate(chunk.lines):
            if at in too_long:
                refused[at] = None, over_long(chunk.most)
                continue
            if not line or line.isspace():
                continue
            try:
                described = chunk.machines[chunk.named[at]] if at in chunk.named else None
                name, request = self._reader.read(line, described) or self._read_strictly(line, described)
                if not (len(line) <= SMALL and self._is_light(request)):
                    spent += affordable(*request, self._most).seconds
                    if spent > self._most.seconds and asked:
                        end = at
                        break
                ids[at] = None if name is UNSET else name
                asked.append(request)
            except Exception as error:  # whatever it is, it is this line's problem and nobody else's
                refused[at] = id_of(line), _problem(error)
        answers = self._answers(asked, WRITERS[chunk.detail])
        told = zip(ids.items(), answers, strict=True)
        return self._write(chunk.first, told, refused, start, len(chunk.lines) - end)

    def _is_light(self, request: SurveyRequest) -> bool:
        """Say whether no small line of this machine, solved so, may take long or much, whatever readings it holds."""
        machine, survey, solve = request
        known, options, light = self._light
        if machine is not known or solve is not options:
            cost = readings_cost(machine, solve, SMALL // DENSEST, SMALL // DENSEST)
            light = cost.seconds * MOST_TOGETHER <= self._most.seconds and cost.bytes <= self._most.bytes
            self._light = machine, solve, light
        return light and survey.previous is None

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
        return whole.id, SurveyRequest(machine, whole.survey, whole.solve)

    def _answers(
        self, asked: list[SurveyRequest], write: StackWriter[VerdictAnswer | MovesAnswer | Correction]
    ) -> list[tuple[VerdictAnswer | MovesAnswer | Correction, bytes] | Problem]:
        """Answer what could be read; an internal failure makes a problem of its own line only."""
        try:
            answers = answer_many(asked, self._registry, write, self._cache, self._most.seconds)
            return [describe(one) if isinstance(one, SolverError) else (one, as_json(one)) for one in answers]
        except Exception as error:
            if len(asked) == 1:
                return [_problem(error)]
        half = len(asked) // 2
        return [*self._answers(asked[:half], write), *self._answers(asked[half:], write)]

    def _write(
        self,
        first: int,
        told: zip[tuple[tuple[int, str | None], tuple[VerdictAnswer | MovesAnswer | Correction, bytes] | Problem]],
        refused: dict[int, tuple[str | None, Problem]],
        start: float,
        left: int,
    ) -> ChunkAnswer:
        """Write the lines in order and count them."""
        tally = Tally()
        written: dict[int, bytes] = {}
        before: list[str] = []
        after: list[str] = []
        for (at, name), outcome in told:
            if isinstance(outcome, Problem):
                refused[at] = name, outcome
                continue
            answer, body = outcome
            # The line is spliced to the answer, whose bytes are those of the answer to the same survey alone.
            written[at] = b'{"id":%b,"line":%d,%b\n' % (_encode(name), first + at, body[1:])
            judged, found = answer.verdict, answer.as_found
            before.append(judged.as_found)
            after.append(judged.predicted)
            latest = Latest.of(
                Standing(
                    answer.machine,
                    None,
                    first + at,
                    name,
                    answer.taken_at,
                    found.total,
                    judged.limit,
                    answer.units,
                    judged.as_found,
                )
            )
            known = tally.machines.pop(answer.machine, None)
            tally.machines[answer.machine] = latest if known is None else known.then(latest)
        tally.answered, tally.problems = len(written), len(refused)
        for count, standings in ((tally.as_found, before), (tally.predicted, after)):
            count.within = standings.count("within")
            count.outside = standings.count("outside")
            count.undecided = standings.count("undecided")
        tally.refused = refused_lines([(first + at, *refused[at]) for at in sorted(refused)])
        for at, (name, problem) in refused.items():
            written[at] = _encode(Refusal(name, first + at, problem)) + b"\n"
        body = b"".join([written[at] for at in sorted(written)] if refused else list(written.values()))
        return ChunkAnswer(body, tally, perf_counter() - start, left)


def _problem(error: Exception) -> Problem:
    """Describe what one line met; a fault of ours, or of a plug-in, is logged."""
    if not isinstance(error, (RequestError, Refused)):
        structlog.get_logger("batch").error("line failed", exc_info=error)
    return describe(error)


def joined(parts: Sequence[ChunkAnswer]) -> ChunkAnswer:
    """Return the answers to consecutive parts of a chunk as one."""
    if len(parts) == 1:
        return parts[0]
    tally = Tally()
    for part in parts:
        tally.add(part.tally)
    return ChunkAnswer(b"".join(part.body for part in parts), tally, sum(part.seconds for part in parts))


def versions(registry: Registry) -> str:
    """Return the versions on which an answer depends beside its chunk."""
    return ", ".join([f"tramwright {version()}", *(f"{name} {s.version}" for name, s in registry.solvers.items())])


def failed(chunk: Chunk, kind: Kind, detail: str) -> ChunkAnswer:
    """Return the answer to a chunk that could not be worked on at all: the same problem for every line."""
    problem = problems.write(kind, detail)
    held = [at for at, line in enumerate(chunk.lines) if at in chunk.too_long or (line and not line.isspace())]
    body = b"".join(_encode(Refusal(id_of(chunk.lines[at]), chunk.first + at, problem)) + b"\n" for at in held)
    told = refused_lines([(chunk.first + at, id_of(chunk.lines[at]), problem) for at in held])
    return ChunkAnswer(body, Tally(problems=len(held), refused=told))


def refused_lines(refused: Sequence[tuple[int, str | None, Problem]]) -> list[RefusedLine]:
    """Return the first of the lines refused, for the summary."""
    return [RefusedLine(None, number, name, problem.detail) for number, name, problem in refused[:REFUSALS]]


def id_of(line: bytes) -> str | None:
    """Return the `id` of a line of which perhaps nothing else can be read."""
    try:
        return _named.decode(line).id
    except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError):
        return None


def over_long(most: int) -> Problem:
    """Return the problem of a line that is longer than is read."""
    return problems.write(problems.TOO_LARGE, f"The line is longer than {most} bytes, the most that is read of one.")


def unknown(name: str) -> RequestError:
    """Return the refusal of a name under which no machine was described."""
    detail = (
        f"No line before this one describes a machine whose `id` is {quote(name)}; describe it here, or in an earlier "
        "line of the same stream. The latest ten thousand are remembered."
    )
    return RequestError(problems.INVALID, detail, [Fault("/machine", detail)])
