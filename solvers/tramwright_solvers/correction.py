"""The line from readings to answer: stations, mechanism, adjustment, verdict, steps, for a stack of surveys.

A single survey is a stack of one. The route, the batch and the command line all call this, and the same survey gets the
same answer to the last digit whatever else is in its stack (:mod:`.stacks`).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from msgspec import Struct

from .answer import Correction, Judged, Moved
from .contract import Mechanism
from .faults import Refused
from .machine import Machine, Survey, as_key
from .prepared import Cache, prepare
from .registry import Registry, installed
from .solve import Solve
from .survey import Where, time_faults, where
from .worked import Worked, reduced

_prepared = Cache()


def correct(machine: Machine, survey: Survey, solve: Solve[Any], registry: Registry | None = None) -> Correction:
    """Answer one survey; where it names no solver, those of the registry (by default all installed) that suit.

    Raises:
        Refused: something in machine, survey or solve is wrong; every fault found is listed.
        Impossible: no travel satisfies the request.
        OutOfTime: a plug-in ran out of time. Built-in solvers do not: leaving the machine alone is always an answer.
    """
    return correct_stack(machine, [survey], solve, registry)[0]


def correct_stack(
    machine: Machine, surveys: Sequence[Survey], solve: Solve[Any], registry: Registry | None = None
) -> list[Correction]:
    """Answer surveys of one machine that were read at the same stations, in the same order, with the same set-ups.

    Raises:
        Refused: as for one survey; pointers are those of the survey at fault.
        ValueError: the surveys were not read alike.
    """
    return work(machine, surveys, solve, registry).corrections()


def move_stack(
    machine: Machine, surveys: Sequence[Survey], solve: Solve[Any], registry: Registry | None = None
) -> list[Moved]:
    """Answer as :func:`correct_stack`, with the moves and what is needed to make them safely; no more."""
    return work(machine, surveys, solve, registry).moved()


def judge_stack(
    machine: Machine, surveys: Sequence[Survey], solve: Solve[Any], registry: Registry | None = None
) -> list[Judged]:
    """Answer as :func:`correct_stack`, with the totals and the verdict alone."""
    return work(machine, surveys, solve, registry).judged()


def work(machine: Machine, surveys: Sequence[Survey], solve: Solve[Any], registry: Registry | None = None) -> Worked:
    """Check the surveys of a stack and work them through."""
    for survey in surveys:
        if faults := time_faults(survey):
            raise Refused(faults)
    readings, *others = (where(survey.readings) for survey in surveys)
    if any(other != readings for other in others):
        raise ValueError("the surveys of a stack must be read at the same stations in the same order")
    return worked(Geometry(machine, solve, readings, as_key(machine, solve)), surveys, registry or installed())


class Geometry(Struct, frozen=True, gc=False):
    """What surveys that stand in one stack have in common; ``known`` is :func:`as_key` of machine and solve."""

    machine: Machine
    solve: Solve[Any]
    readings: tuple[Where, ...]
    known: bytes


def worked(geometry: Geometry, surveys: Sequence[Survey], registry: Registry) -> Worked:
    """Work a stack through whose surveys are known to be read alike: the line itself."""
    machine, solve = geometry.machine, geometry.solve
    picked: tuple[Mechanism, ...] = () if solve.with_ else registry.suited(machine)
    prepared = _prepared.get(
        (geometry.known, geometry.readings, picked), lambda: prepare(machine, geometry.readings, solve, picked)
    )
    return reduced(prepared, solve, surveys)


def is_quick(machine: Machine, survey: Survey, solve: Solve[Any]) -> bool:
    """Say whether this is a matter of microseconds: least squares, no bounds, whole steps or shims, no learning."""
    if solve.criterion != "least-squares" or survey.previous is not None:
        return False
    for support in machine.supports:
        if support.travel is not None or support.step is not None:
            return False
    if machine.rails is not None:
        for seat in machine.rails.seats:
            if seat.method == "shim" or seat.travel is not None or seat.step is not None:
                return False
    return True
