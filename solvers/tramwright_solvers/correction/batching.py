"""Many requests at once, of any machines: those that share a geometry are answered together."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from functools import cached_property
from math import inf
from typing import Any, NamedTuple, TypeVar

from ..mechanisms.registry import Registry
from ..model.deadline import NEVER
from ..model.done import Done
from ..model.errors import Refused, SolverError
from ..model.machine import Machine, content_key
from ..model.options import Solve
from ..model.survey import Survey
from ..reduction.readings import has_outline, is_time, outline, time_faults
from .api import reduce_many
from .assemble import ReducedStack
from .cache import GeometryCache, GeometrySource, geometry_key
from .cost import correction_cost
from .progress.under_way import under_way
from .together import corrections_together, moves_together, traced_together, verdicts_together

T = TypeVar("T")

TOGETHER = 128
"""Surveys worked through at once: enough that a call's own cost is shared, few enough to stay in the cache."""
VALUES, BYTES = 3200, 2.0**28
"""Readings worked through at once, for surveys of many stations, and memory they may take by the estimates."""
FEW = 3
"""Surveys of one machine up to which they are decided with those of others rather than by themselves."""
LONG = 1.0
"""Seconds from which a request is worked through alone, so that it costs others nothing."""


class SurveyRequest(NamedTuple):
    """One request: a machine, a survey of it, what is asked for, and the steps carried out since."""

    machine: Machine
    survey: Survey
    solve: Solve[Any]
    done: Sequence[Done] = ()


class LatestSurvey:
    """The last survey seen of a machine, and the places of the stack it stands in."""

    def __init__(self, survey: Survey, places: list[int]) -> None:
        self.survey = survey
        self.places = places

    @cached_property
    def outline(self) -> tuple[list[Any], list[int]]:
        """What it was read at; worked out when another survey of the same machine follows."""
        return outline(self.survey.readings)

    def alike(self, survey: Survey) -> bool:
        """Say whether another survey was read at the same stations, in the same way."""
        return has_outline(survey.readings, self.outline)


StackWriter = Callable[[Sequence[ReducedStack]], Sequence[Sequence[T] | SolverError]]
"""A detail: what is written of stacks that were worked through, for each survey of each, or why it cannot be."""


def stack_by_stack(write: Callable[[ReducedStack], Sequence[T]]) -> StackWriter[T]:
    """Return the detail that writes each stack on its own: :meth:`ReducedStack.corrections`."""

    def tried(stack: ReducedStack) -> Sequence[T] | SolverError:
        try:
            return write(stack)
        except SolverError as error:
            return error

    return lambda stacks: [tried(stack) for stack in stacks]


def lone_together(
    write: Callable[[ReducedStack], Sequence[T]], together: Callable[[Sequence[ReducedStack]], Sequence[Sequence[T]]]
) -> StackWriter[T]:
    """Return the detail that decides the :data:`FEW` surveys of each of several machines ``together``; else as
    ``write``."""

    def tried(stacks: Sequence[ReducedStack]) -> Sequence[Sequence[T] | SolverError]:
        told: dict[int, Sequence[T] | SolverError] = {}
        kinds: dict[tuple[object, ...], list[int]] = {}
        for place, stack in enumerate(stacks if len(stacks) > 1 else ()):
            if len(stack.surveys) <= FEW and (kind := stack.kind) is not None:
                kinds.setdefault(kind, []).append(place)
        for places in kinds.values():
            if len(places) > 1:
                each = iter(together([one for place in places for one in singly(stacks[place])]))
                told.update({place: [next(each)[0] for _ in stacks[place].surveys] for place in places})
        rest = [place for place in range(len(stacks)) if place not in told]
        told.update(zip(rest, stack_by_stack(write)([stacks[place] for place in rest]), strict=True))
        return [told[place] for place in range(len(stacks))]

    return tried


def singly(stack: ReducedStack) -> list[ReducedStack]:
    """Return each survey of a stack, as a stack of one."""
    if len(stack.surveys) == 1:
        return [stack]
    return [stack.row(row, stack.within) for row in range(len(stack.surveys))]


verdicts = lone_together(ReducedStack.verdict_answers, verdicts_together)
moves = lone_together(ReducedStack.moves_answers, moves_together)
traced = lone_together(ReducedStack.traced, traced_together)
whole = lone_together(ReducedStack.corrections, corrections_together)
"""The details: totals and verdicts, moves with them, what a machine is followed by, and the whole answer."""


def answer_many(
    asked: Sequence[SurveyRequest],
    registry: Registry,
    write: StackWriter[T],
    cache: GeometryCache | None = None,
    seconds: float = inf,
) -> list[T | SolverError]:
    """Answer every request in its place, or say in its place what is wrong with it.

    ``write`` is the detail. An answer is the same, to the last byte, whatever else is asked beside it. What is worked
    through at once may take ``seconds``; those that could not be answered in that time are tried again one by one.
    """
    cache = GeometryCache() if cache is None else cache
    answers: list[T | SolverError | None] = [None] * len(asked)
    stacks, refused = group_by_geometry(asked)
    for place, error in refused.items():
        answers[place] = error
    for some in rounds_of_work(stacks, asked):
        pairs = [
            (geometry, [asked[place].survey for place in own], [asked[place].machine.id for place in own])
            for geometry, own in some
        ]
        works = reduce_many(pairs, registry, cache, NEVER.sooner(seconds))
        works = [of_the_rest(work, asked[own[0]].done) for work, (_, own) in zip(works, some, strict=True)]
        told = iter(write([one for one in works if isinstance(one, ReducedStack)]))
        for (_, places), work in zip(some, works, strict=True):
            own = (
                retry_singly(work, next(told), write, seconds)
                if isinstance(work, ReducedStack)
                else [work] * len(places)
            )
            for place, answer in zip(places, own, strict=True):
                answers[place] = answer
    return [answer for answer in answers if answer is not None]


def of_the_rest(work: ReducedStack | SolverError, done: Sequence[Done]) -> ReducedStack | SolverError:
    """Return what is left of the work on a survey after the steps done, if there are any, or why that cannot be."""
    if not done or isinstance(work, SolverError):
        return work
    try:
        return under_way(work, done)
    except SolverError as error:
        return error


Stack = tuple[GeometrySource, list[int]]
"""Requests of one geometry, by their places."""


def group_by_geometry(asked: Sequence[SurveyRequest]) -> tuple[list[Stack], dict[int, SolverError]]:
    """Put requests of one geometry together; also return those whose times make no sense."""
    refused: dict[int, SolverError] = {}
    known: dict[tuple[int, int], tuple[bytes, bytes]] = {}
    stacks: dict[tuple[bytes, bytes], Stack] = {}
    latest: dict[tuple[bytes, bytes], LatestSurvey] = {}
    alone: list[Stack] = []
    for place, (machine, survey, solve, done) in enumerate(asked):
        # Requests of one batch often share the objects themselves, which are alive here: no two have one identity.
        same = (id(machine), id(solve))
        if (key := known.get(same)) is None:
            key = known[same] = geometry_key(machine, solve), content_key(solve)
        # A farm reads its machines at the same stations every time: one comparison then, and the rest is known.
        dated = survey.taken_at
        if done:  # work under way is that of one machine alone
            if faults := time_faults(survey):
                refused[place] = Refused(faults)
            else:
                alone.append((GeometrySource.of(machine, solve, survey, key[0]), [place]))
            continue
        if (before := latest.get(key)) and before.alike(survey) and (dated is None or is_time(dated)):
            before.places.append(place)
            continue
        if faults := time_faults(survey):
            refused[place] = Refused(faults)
            continue
        geometry = GeometrySource.of(machine, solve, survey, key[0])
        stack = stacks.setdefault((geometry.known, key[1]), (geometry, []))
        stack[1].append(place)
        latest[key] = LatestSurvey(survey, stack[1])
    return [*stacks.values(), *alone], refused


def rounds_of_work(stacks: Sequence[Stack], asked: Sequence[SurveyRequest]) -> Iterator[list[Stack]]:
    """Yield stacks, or parts of large ones, to work through at once; what takes long or much memory, alone."""
    if len(asked) == len(stacks) == 1:  # a lone request needs no estimate
        yield list(stacks)
        return
    some: list[Stack] = []
    surveys = readings = 0
    held = 0.0
    for geometry, places in stacks:
        size, cost = max(1, len(geometry.readings)), correction_cost(*asked[places[0]])
        together = max(1, min(TOGETHER, VALUES // size, int(BYTES / max(cost.each, 1.0))))
        for start in range(0, len(places), 1 if cost.seconds > LONG else together):
            own = places[start : start + (1 if cost.seconds > LONG else together)]
            more = cost.bytes + cost.each * len(own)
            if some and (
                surveys + len(own) > TOGETHER
                or readings + len(own) * size > VALUES
                or held + more > BYTES
                or cost.seconds > LONG
            ):
                yield some
                some, surveys, readings, held = [], 0, 0, 0.0
            some.append((geometry, own))
            surveys, readings, held = surveys + len(own), readings + len(own) * size, held + more
    if some:
        yield some


def retry_singly(
    work: ReducedStack, told: Sequence[T] | SolverError, write: StackWriter[T], seconds: float = inf
) -> Sequence[T | SolverError]:
    """Return what was written of a stack; one that failed as a whole is written survey by survey."""
    if not isinstance(told, SolverError):
        return told
    if len(work.surveys) == 1:
        return [told]
    answers: list[T | SolverError] = []
    for row in range(len(work.surveys)):
        one = work.row(row, NEVER.sooner(seconds))
        answers += retry_singly(one, write([one])[0], write)
    return answers
