"""What a batch is made of: its lines, their answers, and the answer to a chunk of them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated, Generic

import msgspec
from msgspec import Meta, Raw, Struct, field

from tramwright_solvers.model.done import Steps
from tramwright_solvers.model.errors import Fault
from tramwright_solvers.model.machine import Machine
from tramwright_solvers.model.options import USUAL, M, Solve
from tramwright_solvers.model.survey import Survey
from tramwright_solvers.results.correction import Correction, MovesAnswer, VerdictAnswer

from ..wire import problems
from ..wire.faults import quote
from ..wire.problems import Problem, RequestError
from ..wire.quick_reader import Id
from .splitter import Chunk
from .summary import REFUSALS, Latest, LineId, LineNumber, RefusedLine, Standing, Tally, moment


class BatchLine(Struct, Generic[M], frozen=True, forbid_unknown_fields=True):
    """One line of a batch: a machine or the `id` of one that an earlier line described, a survey, what is asked for."""

    machine: Annotated[
        Machine | Annotated[str, Meta(max_length=200)],
        Meta(description="The machine that was read, or the `machine.id` of an earlier line in this stream."),
    ]
    survey: Annotated[Survey, Meta(description="The readings.")]
    solve: Annotated[
        Solve[M], Meta(description="What is asked for; left out, all solvers that fit, least squares, the usual aim.")
    ] = field(default_factory=lambda: USUAL)
    id: Id = None
    done: Steps = field(default_factory=list)


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


class Elsewhere(Struct, frozen=True):
    """A line for the processes of these plug-ins, and the solvers that it names itself."""

    plug_ins: tuple[str, ...]
    named: tuple[str, ...]


class ChunkAnswer(Struct, frozen=True):
    """The answer to a chunk: lines of bytes, what they come to, and how long it took.

    ``left`` is how many of its lines, the last ones, are not answered yet; the first of them as many as ``elsewhere``
    has entries are for plug-ins.
    """

    body: bytes
    tally: Tally
    seconds: float = 0.0
    left: int = 0
    elsewhere: list[Elsewhere] = []


_encode = msgspec.json.Encoder().encode
_named = msgspec.json.Decoder(_Named)


def joined(parts: Sequence[ChunkAnswer]) -> ChunkAnswer:
    """Return the answers to consecutive parts of a chunk as one."""
    if len(parts) == 1:
        return parts[0]
    tally = Tally()
    for part in parts:
        tally.add(part.tally)
    return ChunkAnswer(b"".join(part.body for part in parts), tally, sum(part.seconds for part in parts))


def failed(chunk: Chunk, problem: Problem) -> ChunkAnswer:
    """Return the answer to a chunk that could not be worked on at all: the same problem for every line."""
    held = [at for at, line in enumerate(chunk.lines) if at in chunk.too_long or (line and not line.isspace())]
    body = b"".join(_encode(Refusal(id_of(chunk.lines[at]), chunk.first + at, problem)) + b"\n" for at in held)
    told = refused_lines([(chunk.first + at, id_of(chunk.lines[at]), problem) for at in held])
    return ChunkAnswer(body, Tally(problems=len(held), refused=told))


class _Verdict(Struct, frozen=True):
    as_found: str
    predicted: str


class _Judged(Struct, frozen=True):
    """What is read of an answered line that is refused all the same."""

    id: str | None
    line: int
    machine: str
    verdict: _Verdict


_judged = msgspec.json.Decoder(_Judged).decode


def refusing(answered: ChunkAnswer, why: dict[int, Problem]) -> ChunkAnswer:
    """Return the same answers with a problem in the place of those lines that could not be stored."""
    if not why:
        return answered
    tally, lines, told = answered.tally, [], list[tuple[int, str | None, Problem]]()
    for body in answered.body.splitlines(keepends=True):
        number = _numbered(body).line
        if number not in why:
            lines.append(body)
            continue
        one = _judged(body)
        lines.append(_encode(Refusal(one.id, number, why[number])) + b"\n")
        told.append((number, one.id, why[number]))
        for count, standing in ((tally.as_found, one.verdict.as_found), (tally.predicted, one.verdict.predicted)):
            setattr(count, standing, getattr(count, standing) - 1)
        tally.machines.pop(one.machine, None)
    tally.answered, tally.problems = tally.answered - len(told), tally.problems + len(told)
    tally.refused = sorted([*tally.refused, *refused_lines(told)], key=lambda one: one.line)[:REFUSALS]
    return ChunkAnswer(b"".join(lines), tally, answered.seconds)


def as_moves(answered: ChunkAnswer) -> ChunkAnswer:
    """Return the same answers, given at the detail `full`, as they are at the detail `moves`."""
    lines = [_as_moves(body) for body in answered.body.splitlines(keepends=True)]
    return msgspec.structs.replace(answered, body=b"".join(lines))


def _as_moves(body: bytes) -> bytes:
    told = _numbered(body)
    if told.problem:
        return body
    return b'{"id":%b,"line":%d,%b\n' % (told.id, told.line, _encode(_moves(body))[1:])


class _Numbered(Struct, frozen=True):
    line: int
    id: Raw = Raw(b"null")
    problem: Raw = Raw(b"")


_numbered = msgspec.json.Decoder(_Numbered).decode
_moves = msgspec.json.Decoder(MovesAnswer).decode


Answered = tuple[int, str | None, VerdictAnswer | Correction]
"""The number of a line, its `id` and its answer."""


def tallied(
    answered: Sequence[Answered],
    refused: Sequence[tuple[int, str | None, Problem]],
) -> Tally:
    """Return what lines come to, each told by its number, its `id`, and its answer or the problem in its place."""
    tally = Tally(len(answered), len(refused), refused=refused_lines(refused))
    each: dict[str, list[Answered]] = {}
    for one in answered:
        machine = one[2].machine
        own = each.pop(machine, [])
        own.append(one)
        each[machine] = own
    tally.machines = {machine: _latest(own) for machine, own in each.items()}
    verdicts = [answer.verdict for _, _, answer in answered]
    before, after = [one.as_found for one in verdicts], [one.predicted for one in verdicts]
    for count, standings in ((tally.as_found, before), (tally.predicted, after)):
        count.within = standings.count("within")
        count.outside = standings.count("outside")
        count.undecided = standings.count("undecided")
    return tally


def _latest(own: Sequence[Answered]) -> Latest:
    """Return how a machine stands by the answers to its lines, in their order."""
    last, times = _standing(*own[-1]), [answer.taken_at for _, _, answer in own]
    if len(set(times)) == 1:
        return Latest(last, last if times[0] else None)
    dated = [(moment(time), at) for at, time in enumerate(times) if time is not None]
    return Latest(last, _standing(*own[max(dated)[1]]) if len(dated) == len(own) else None)


def _standing(number: int, name: str | None, answer: VerdictAnswer | Correction) -> Standing:
    judged = answer.verdict
    total, limit = answer.as_found.total, judged.limit
    return Standing(answer.machine, None, number, name, answer.taken_at, total, limit, answer.units, judged.as_found)


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
