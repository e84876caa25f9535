"""The line from readings to answer: stations, mechanism, adjustment, verdict, steps, for a stack of surveys.

A single survey is a stack of one. The route, the batch and the command line all call this.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from typing import Any, Literal

import numpy as np
from msgspec import Struct

from .adjust.fewest import Table
from .adjust.whole import Settled, settle
from .answer import AsFound, Binding, Choice, Correction, Place, Plan, Predicted, Rung, Station
from .attribution import attribution
from .contract import Effect, Floats, Mechanism, Move
from .faults import Refused
from .machine import Machine, Survey
from .noise import Noise
from .prepared import Cache, Prepared
from .registry import Registry, installed
from .relax import binding
from .solve import Solve
from .steps import DECIMALS, move_of, steps_for
from .survey import time_faults, values, where
from .verdict import K, verdict

HOT = 45.0
"""Bed temperature in °C from which the answer warns of burns; common practice, no source."""

TIE = 1e-9
"""Scores closer than this, relative to the gap, are equal; then the next rule decides, never rounding."""

_prepared = Cache()


def correct(machine: Machine, survey: Survey, solve: Solve[Any], registry: Registry | None = None) -> Correction:
    """Answer one survey; where it names no solver, those of the registry (by default all installed) that suit.

    Raises:
        Refused: something in machine, survey or solve is wrong; every fault found is listed.
        Impossible: no travel satisfies the request.
        OutOfTime: an integer programme found nothing within its time limit.
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
    table = prepared.candidates.evaluate(gaps, solve.criterion)
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


class Case(Struct, frozen=True):
    """One survey of a stack: its gap (n,), how well it is known, its row in the table of subsets, what shims attain."""

    gap: Floats
    noise: Noise
    table: Table
    row: int
    settled: Settled | None


class Scores(Struct, frozen=True):
    """What one survey makes of every subset: a list of K values each; travels (K, m) and effort (m,) to break ties."""

    total: list[float]
    spread: list[float]
    u: list[float]
    rms: list[float]
    objective: list[float]
    travels: Floats
    effort: Floats
    slack: float

    def least(self, pool: Sequence[int], score: Sequence[float], slack: float | None = None) -> list[int]:
        """Return the members of a pool whose score is the lowest in it; equal up to rounding counts as equal."""
        if len(pool) == 1:
            return list(pool)
        of_pool = score[pool.start : pool.stop] if isinstance(pool, range) else [score[k] for k in pool]
        lowest = min(of_pool) + (self.slack if slack is None else slack)
        return [k for k, value in zip(pool, of_pool, strict=True) if value <= lowest]

    def easiest(self, pool: Sequence[int]) -> int:
        """Return the member of a pool with the least sum of effort × travel, the first of equals."""
        if len(pool) == 1:
            return pool[0]
        work = (np.abs(self.travels[pool]) @ self.effort).tolist()
        lowest = min(work) + self.slack
        return next(k for k, value in zip(pool, work, strict=True) if value <= lowest)


class Chosen(Struct, frozen=True):
    """The subset chosen, its index, every adjuster's travel and its standard uncertainty, and the choice in words."""

    index: int
    travels: list[float]
    u: list[float]
    choice: Choice


def score(prepared: Prepared, case: Case) -> Scores:
    """Score every subset for one survey."""
    table, row = case.table, case.row
    total, rms = table.total[row].tolist(), table.rms[row].tolist()
    return Scores(
        total=total,
        spread=total if table.spread is table.total else table.spread[row].tolist(),
        u=case.noise.of_totals(table.left[row]),
        rms=rms,
        objective=rms if table.objective is table.rms else table.objective[row].tolist(),
        travels=table.travels[row],
        effort=prepared.candidates.problem.effort,
        slack=TIE * max(float(case.gap.max()), -float(case.gap.min())),
    )


def choose(prepared: Prepared, solve: Solve[Any], case: Case, scores: Scores) -> Chosen:
    """Choose the least effort that reaches the aim; failing that, the best without moves too small to measure."""
    machine, options = prepared.machine, prepared.candidates
    aim = machine.total_limit / 3.0 if solve.aim_for is None else solve.aim_for
    most = len(options.sets) if solve.most_moves is None else bisect_right(options.count, solve.most_moves)
    digits, unit = DECIMALS[machine.units], machine.units
    outcome: Literal["reached", "best"] = "best"
    pool = [
        k for k, (spread, u) in enumerate(zip(scores.spread[:most], scores.u, strict=False)) if spread + K * u <= aim
    ]
    if pool:
        outcome = "reached"
        why = f"The least effort whose total with its uncertainty (k = {K:.2f}) reaches {aim:.{digits}f} {unit}."
    elif aim == 0.0:
        pool = scores.least(range(most), scores.objective)
        why = "The best that all adjusters together can attain, with the least effort that attains it."
    else:
        known = scores.u[scores.spread.index(min(scores.spread[:most]))]
        pool = scores.least(range(most), scores.spread, known)
        why = (
            f"No set of moves is sure to reach {aim:.{digits}f} {unit}. This is the least effort that comes within "
            f"{known:.{digits}f} {unit} of the best total, which is as well as the total is known (u)."
        )
    pool = scores.least(pool, options.effort, TIE)
    pool = scores.least(pool, scores.spread if aim else scores.objective)
    index = scores.easiest(pool)
    travels = [0.0 if abs(travel) <= scores.slack else travel for travel in scores.travels[index].tolist()]
    more: tuple[Binding, ...] = ()
    if outcome == "best" and options.bounded and scores.spread[index] + K * scores.u[index] > aim:
        more = binding(options.problem, prepared.adjusters, prepared.groups[-1], case.gap, solve.criterion)
        why += relaxation(more, scores.total[index], digits, unit)
    unproven = case.settled.gap if case.settled else 0.0
    return Chosen(
        index=index,
        travels=travels,
        u=options.u(index, case.noise),
        choice=Choice(
            [prepared.adjusters[j].id for j in options.sets[index]],
            "stopped" if unproven > 0.0 and outcome == "best" else outcome,
            aim,
            why,
            options.exact_moves,
            unproven,
            more,
        ),
    )


def relaxation(more: tuple[Binding, ...], total: float, digits: int, unit: str) -> str:
    """Say the smallest relaxation that would help, in words."""
    if not more:
        return ""
    first = more[0]
    way = "upward" if first.way == "up" else "downward"
    return (
        f" `{first.adjuster}` is at the end of its travel: {first.more:.{digits}f} {unit} more {way} travel would "
        f"leave {first.total:.{digits}f} {unit}; otherwise accept {total:.{digits}f} {unit}."
    )


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


def plans(prepared: Prepared, scores: Scores, chosen: Chosen) -> list[Plan]:
    """Return the best subset for each number of moves, as long as one more still gains something."""
    options = prepared.candidates
    rows, reached, start = [], scores.objective[0], 1
    while start < len(options.sets):
        end = bisect_right(options.count, options.count[start])
        pool = scores.least(range(start, end), scores.objective)
        if scores.objective[pool[0]] < reached - scores.slack:
            pool = scores.least(pool, options.effort, TIE)
            index = chosen.index if chosen.index in pool else scores.easiest(pool)
            reached = scores.objective[index]
            rows.append(
                Plan(
                    moves=options.count[start],
                    adjusters=[prepared.adjusters[j].id for j in options.sets[index]],
                    total=scores.total[index],
                    rms=scores.rms[index],
                    effort=options.effort[index],
                    chosen=index == chosen.index,
                )
            )
        start = end
    return rows


def ladder(prepared: Prepared, scores: Scores) -> list[Rung]:
    """Return what is left once each solver's adjusters, with those before them, have done all they can."""
    rungs = [Rung("as found", scores.total[0], scores.rms[0])]
    for name, members in prepared.rungs:
        best = min(members, key=scores.objective.__getitem__)
        rungs.append(Rung(name, scores.total[best], scores.rms[best]))
    return rungs


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
