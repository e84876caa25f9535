"""The line from readings to answer: stations, mechanism, adjustment, verdict, steps, for a stack of surveys.

A single survey is a stack of one. The route, the batch and the command line all call this, and the same survey gets the
same answer to the last digit whatever else is in its stack (:mod:`..linalg.rowwise`).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from ..mechanisms.registry import Registry, installed
from ..model.contract import Mechanism
from ..model.deadline import NEVER, Deadline
from ..model.done import Done
from ..model.errors import Impossible, Refused, SolverError
from ..model.machine import Machine
from ..model.options import USUAL, Solve
from ..model.survey import Survey
from ..reduction.readings import time_faults, where
from ..reduction.validation import machine_faults
from ..results.correction import Correction
from .assemble import ReducedStack, reduce_surveys
from .cache import GeometryCache, GeometryKey, GeometrySource, geometry_key
from .factorize import GeometryRequest, prepare_many
from .geometry import Geometry
from .progress.under_way import under_way
from .setup import set_up


def correct(
    machine: Machine,
    survey: Survey,
    solve: Solve[Any] = USUAL,
    registry: Registry | None = None,
    cache: GeometryCache | None = None,
    within: Deadline = NEVER,
    done: Sequence[Done] = (),
) -> Correction:
    """Answer one survey; where it names no solver, those of the registry (by default all installed) that suit.

    What depends on the machine, the stations and the options alone is kept in the ``cache``, if there is one. ``done``
    are steps carried out since the survey, in their order: the answer is then the rest of the work.

    Raises:
        Refused: something in machine, survey or solve is wrong; every fault found is listed.
        Impossible: no travel satisfies the request.
        OutOfTime: ``within`` has passed, or a plug-in ran out of time. ``solve.time_limit`` alone never raises it:
            leaving the machine alone is always an answer.
    """
    work = reduce_stack(machine, [survey], solve, registry, cache, within)
    return (under_way(work, done) if done else work).corrections()[0]


def check_machine(
    machine: Machine, solve: Solve[Any] = USUAL, registry: Registry | None = None, *, alone: bool = False
) -> None:
    """Refuse a machine, with what is asked for, of which no survey whatever could be answered.

    ``alone``: what moves it is not known here, and only what concerns no solver is looked at.

    Raises:
        Refused: something in machine or solve is wrong; pointers are those of a correction, every fault is listed.
        Impossible: no travel satisfies the request.
    """
    registry = registry or installed()
    faults = [*registry.unread_extras(machine), *machine_faults(machine)]
    try:
        if not alone:
            set_up(machine, solve.with_, () if solve.with_ else registry.suited(machine), solve.offset == "free")
    except Impossible:
        raise
    except Refused as refused:
        faults += [one for one in refused.faults if one not in faults]
    if faults:
        raise Refused(faults)


def correct_stack(
    machine: Machine,
    surveys: Sequence[Survey],
    solve: Solve[Any] = USUAL,
    registry: Registry | None = None,
    cache: GeometryCache | None = None,
) -> list[Correction]:
    """Answer surveys of one machine that were read at the same stations, in the same order, with the same set-ups.

    Raises:
        Refused: as for one survey; pointers are those of the survey at fault.
        ValueError: the surveys were not read alike.
    """
    return reduce_stack(machine, surveys, solve, registry, cache).corrections()


def reduce_stack(
    machine: Machine,
    surveys: Sequence[Survey],
    solve: Solve[Any],
    registry: Registry | None = None,
    cache: GeometryCache | None = None,
    within: Deadline = NEVER,
) -> ReducedStack:
    """Check the surveys of a stack and work them through."""
    for survey in surveys:
        if faults := time_faults(survey):
            raise Refused(faults)
    first, *others = surveys
    geometry = GeometrySource.of(machine, solve, first, geometry_key(machine, solve))
    if any(where(other.readings) != geometry.readings for other in others):
        raise ValueError("the surveys of a stack must be read at the same stations in the same order")
    kept = GeometryCache() if cache is None else cache
    (done,) = reduce_many([(geometry, surveys, [machine.id] * len(surveys))], registry or installed(), kept, within)
    if isinstance(done, SolverError):
        raise done
    return done


def reduce_many(
    stacks: Sequence[tuple[GeometrySource, Sequence[Survey], Sequence[str]]],
    registry: Registry,
    cache: GeometryCache,
    within: Deadline = NEVER,
) -> list[ReducedStack | SolverError]:
    """Work stacks through, each of a geometry of its own, or say of which it cannot be done: the line itself.

    With the surveys of each come the names of their machines.
    """
    done: dict[int, ReducedStack | SolverError] = {}
    keys: dict[int, GeometryKey] = {}
    for place, (geometry, _, _) in enumerate(stacks):
        if faults := registry.unread_extras(geometry.machine):
            done[place] = Refused(faults)
            continue
        try:
            picked: tuple[Mechanism, ...] = () if geometry.solve.with_ else registry.suited(geometry.machine)
        except SolverError as error:
            done[place] = error
        else:
            keys[place] = geometry.known, picked

    def make(missing: list[int]) -> list[Geometry | SolverError]:
        asked = list(keys.items())
        return prepare_many(
            [
                GeometryRequest(stacks[place][0].machine, stacks[place][0].readings, stacks[place][0].solve, picked)
                for place, (_, picked) in (asked[at] for at in missing)
            ]
        )

    for place, prepared in zip(keys, cache.get(list(keys.values()), make), strict=True):
        geometry, surveys, names = stacks[place]
        done[place] = (
            prepared
            if isinstance(prepared, SolverError)
            else reduce_surveys(prepared, geometry.solve, surveys, names, cache, within)
        )
    return [done[place] for place in range(len(stacks))]
