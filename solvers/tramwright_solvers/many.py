"""Many requests at once, of any machines: those that share a geometry are answered together."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import cached_property
from typing import Any, NamedTuple, TypeVar

from .correction import Geometry, worked
from .faults import Refused, SolverError
from .machine import Machine, Survey, as_key
from .registry import Registry
from .solve import Solve
from .survey import is_time, outline, time_faults, where
from .worked import Worked

T = TypeVar("T")

TOGETHER = 128
"""Surveys worked through at once: enough that a call's own cost is shared, few enough to stay in the cache."""
VALUES = 3200
"""Readings worked through at once, for surveys of many stations: bounds the memory of a stack."""


class Asked(NamedTuple):
    """One request: a machine, a survey of it, and what is asked for."""

    machine: Machine
    survey: Survey
    solve: Solve[Any]


class Latest:
    """The last survey seen of a machine, and the places of the stack it stands in."""

    def __init__(self, survey: Survey, places: list[int]) -> None:
        self.survey = survey
        self.places = places

    @cached_property
    def outline(self) -> tuple[list[Any], ...]:
        """What it was read at; worked out when another survey of the same machine follows."""
        return outline(self.survey.readings)

    def alike(self, survey: Survey) -> bool:
        """Say whether another survey was read at the same stations, in the same way."""
        return self.outline == outline(survey.readings)


def answer_many(
    asked: Sequence[Asked], registry: Registry, write: Callable[[Worked], Sequence[T]]
) -> list[T | SolverError]:
    """Answer every request in its place, or say in its place what is wrong with it.

    ``write`` is the detail: :meth:`Worked.corrections`, :meth:`Worked.moved` or :meth:`Worked.judged`. An answer is the
    same, to the last byte, whatever else is asked beside it.
    """
    answers: list[T | SolverError | None] = [None] * len(asked)
    known: dict[tuple[int, int], bytes] = {}
    stacks: dict[tuple[bytes, tuple[Any, ...]], tuple[Geometry, list[int]]] = {}
    latest: dict[tuple[int, int], Latest] = {}
    for place, (machine, survey, solve) in enumerate(asked):
        # Requests of one batch often share the objects themselves, which are alive here: no two have one identity.
        same = (id(machine), id(solve))
        # A farm reads its machines at the same stations every time: one comparison then, and the rest is known.
        dated = survey.taken_at
        if (before := latest.get(same)) and before.alike(survey) and (dated is None or is_time(dated)):
            before.places.append(place)
            continue
        if faults := time_faults(survey):
            answers[place] = Refused(faults)
            continue
        if (key := known.get(same)) is None:
            key = known[same] = as_key(machine, solve)
        readings = where(survey.readings)
        stack = stacks.get((key, readings))
        if stack is None:
            stack = stacks[key, readings] = Geometry(machine, solve, readings, key), []
        stack[1].append(place)
        latest[same] = Latest(survey, stack[1])
    for geometry, places in stacks.values():
        together = max(1, min(TOGETHER, VALUES // max(1, len(geometry.readings))))
        for start in range(0, len(places), together):
            own = places[start : start + together]
            done = _stack(geometry, [asked[place].survey for place in own], registry, write)
            for place, answer in zip(own, done, strict=True):
                answers[place] = answer
    return [answer for answer in answers if answer is not None]


def _stack(
    geometry: Geometry, surveys: Sequence[Survey], registry: Registry, write: Callable[[Worked], Sequence[T]]
) -> Sequence[T | SolverError]:
    """Answer one stack; where it fails as a whole, each survey on its own, so that only those at fault fail."""
    try:
        return write(worked(geometry, surveys, registry))
    except SolverError as error:
        if len(surveys) == 1:
            return [error]
    return [answer for survey in surveys for answer in _stack(geometry, [survey], registry, write)]
