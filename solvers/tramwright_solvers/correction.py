"""The line from readings to answer: stations, mechanism, adjustment, verdict, steps, for a stack of surveys.

A single survey is a stack of one. The route, the batch and the command line all call this.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from .adjust.fewest import Table
from .adjust.whole import Settled, settle
from .answer import AsFound, Correction, Place, Predicted, Station
from .attribution import attribution
from .choice import Case, Scores, choose, ladder, plans, score
from .contract import Effect, Floats, Mechanism, Move
from .faults import Refused
from .machine import Machine, Survey
from .prepared import Cache, Prepared
from .registry import Registry, installed
from .solve import Solve
from .steps import move_of, steps_for
from .survey import time_faults, values, where
from .verdict import K, verdict

HOT = 45.0
"""Bed temperature in °C from which the answer warns of burns; common practice, no source."""

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
    picked: tuple[Mechanism, ...] = () if solve.with_ else (registry or installed()).suited(machine)
    for survey in surveys:
        if faults := time_faults(survey):
            raise Refused(faults)
    readings, *others = (where(survey.readings) for survey in surveys)
    if any(other != readings for other in others):
        raise ValueError("the surveys of a stack must be read at the same stations in the same order")
    prepared = _prepared.get(machine, readings, solve, picked)
    gaps, variances = prepared.layout.reduce(np.array([values(survey.readings) for survey in surveys]), machine.sense)
    table = prepared.candidates.evaluate(gaps, solve.criterion, prepared.whole)
    cases = (
        Case(
            gaps[row], prepared.layout.noise(variances[row]), table, row, attain(prepared, solve, table, row, gaps[row])
        )
        for row in range(len(gaps))
    )
    return [answer(prepared, solve, survey, case) for survey, case in zip(surveys, cases, strict=True)]


def attain(prepared: Prepared, solve: Solve[Any], table: Table, row: int, gap: Floats) -> Settled | None:
    """Where adjusters move in whole steps or by shims, replace one row of the table by what can be attained."""
    if not prepared.whole:
        return None
    return settle(
        prepared.candidates,
        table,
        row,
        gap,
        prepared.adjusters,
        solve.criterion,
        prepared.groups,
        solve.time_limit,
    )


def is_quick(machine: Machine, solve: Solve[Any]) -> bool:
    """Say whether this is a matter of microseconds: least squares, no bounds, no whole steps or shims."""
    if solve.criterion != "least-squares":
        return False
    for support in machine.supports:
        if support.travel is not None or support.step is not None:
            return False
    if machine.rails is not None:
        for seat in machine.rails.seats:
            if seat.method == "shim" or seat.travel is not None or seat.step is not None:
                return False
    return True


def answer(prepared: Prepared, solve: Solve[Any], survey: Survey, case: Case) -> Correction:
    """Write the whole answer to one survey."""
    machine = prepared.machine
    scores = score(prepared, case)
    chosen = choose(prepared, solve, case, scores)
    gap = case.gap.tolist()
    stacks = case.settled.stacks.get(chosen.index, {}) if case.settled else {}
    moves = [
        move_of(adjuster, solver, travel, u, stacks.get(column)) if travel else None
        for column, (adjuster, solver, travel, u) in enumerate(
            zip(prepared.adjusters, prepared.solver_of, chosen.travels, chosen.u, strict=True)
        )
    ]
    found, left = extremes(prepared, case, scores, 0), extremes(prepared, case, scores, chosen.index)
    after = (case.gap + prepared.influence @ chosen.travels).tolist()
    as_found, rungs = AsFound(*found), ladder(prepared, scores)
    return Correction(
        machine=machine.id,
        units=machine.units,
        as_found=as_found,
        predicted=Predicted(*left, stations=stations(prepared, case, gap, after)),
        moves=[move for move in moves if move is not None],
        chosen=chosen.choice,
        closing_errors=prepared.layout.closing(values(survey.readings), machine.sense),
        plans=plans(prepared, scores, chosen),
        ladder=rungs,
        attribution=attribution(machine, prepared.kinds, rungs, as_found),
        breakdown=prepared.form.split(case.gap, case.noise),
        blind_to=prepared.blind,
        suspects=prepared.slips.suspects(case.gap, case.noise.variance),
        effects=effects(prepared, np.array(chosen.travels)),
        verdict=verdict(machine, found[:2], left[:2], case.noise),
        steps=steps_for(prepared, moves, gap),
        cautions=cautions(prepared, survey, chosen.travels),
        solver_versions=prepared.versions,
    )


def extremes(
    prepared: Prepared, case: Case, scores: Scores, index: int
) -> tuple[float, float, float, float, float, Place, Place]:
    """Return total, u, U, k, rms, highest and lowest station once one subset has moved."""
    left, u = case.table.left[case.row, index], scores.u[index]
    highest, lowest = prepared.places[left.argmax()], prepared.places[left.argmin()]
    return scores.total[index], u, K * u, K, scores.rms[index], highest, lowest


def stations(prepared: Prepared, case: Case, gap: list[float], after: list[float]) -> list[Station]:
    """Return every station before and after, with the dial as the user reads it."""
    sense = prepared.machine.sense
    rows = zip(prepared.places, after, gap, case.noise.stations(), strict=True)
    return [Station(at.x, at.y, now, before, sense * now, sense * before, u) for at, now, before, u in rows]


def effects(prepared: Prepared, travels: Floats) -> list[Effect]:
    """Return the mechanisms' side effects of these travels."""
    found: list[Effect] = []
    for mechanism, columns in zip(prepared.mechanisms, prepared.columns, strict=True):
        found += mechanism.effects(Move(prepared.machine, prepared.layout.points, travels[columns]))
    return found


def cautions(prepared: Prepared, survey: Survey, travels: Sequence[float]) -> list[str]:
    """Return the cautions that go with this survey: prepared ones, heat, long moves, what the stations cannot see."""
    found = list(prepared.cautions)
    if far := [a.id for a, travel in zip(prepared.adjusters, travels, strict=True) if abs(travel) > prepared.far]:
        found.insert(
            0,
            f"{', '.join(far)} would move more than {prepared.far:.3g} {prepared.machine.units}: check readings, units "
            "and positions first, go in small steps, and watch that nothing binds, bends or comes off its support.",
        )
    if survey.bed_temperature is not None and survey.bed_temperature >= HOT:
        found.insert(0, f"The bed was read at {survey.bed_temperature:g} °C: it burns. Wear gloves or use long keys.")
    if prepared.blind:
        unseen = ", ".join(blind.what for blind in prepared.blind)
        found.append(f"The stations read cannot show {unseen}; the total over the whole bed may be larger than stated.")
    return found
