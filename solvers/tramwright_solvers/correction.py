"""The line from readings to answer: stations, mechanism, adjustment, verdict, steps, for a stack of surveys.

A single survey is a stack of one. The route, the batch and the command line all call this.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from msgspec import Struct

from .adjust.fewest import Table, narrow
from .answer import AsFound, Choice, Correction, Place, Plan, Predicted, Rung, Station
from .contract import Floats, Mechanism, Move
from .faults import Refused
from .machine import Machine, Survey
from .prepared import Cache, Prepared
from .registry import installed
from .solve import Solve
from .steps import DECIMALS, move_of, steps_for
from .survey import survey_faults, values, where
from .verdict import K, total_u, verdict

HOT = 45.0
"""Bed temperature in °C from which the answer warns of burns; common practice, no source."""

TIE = 1e-9

_prepared = Cache()


def correct(machine: Machine, survey: Survey, solve: Solve[Any]) -> Correction:
    """Answer one survey.

    Raises:
        Refused: something in machine, survey or solve is wrong; every fault found is listed.
        Impossible: no travel satisfies the request.
        OutOfTime: an integer programme found nothing within its time limit.
    """
    return correct_stack(machine, [survey], solve)[0]


def correct_stack(machine: Machine, surveys: Sequence[Survey], solve: Solve[Any]) -> list[Correction]:
    """Answer surveys of one machine that were read at the same stations, in the same order, with the same set-ups.

    Raises:
        Refused: as for one survey; pointers are those of the survey at fault.
    """
    picked: tuple[Mechanism, ...] = () if solve.with_ else installed().suited(machine)
    for survey in surveys:
        if faults := survey_faults(machine, survey):
            raise Refused(faults)
    readings = where(surveys[0].readings)
    prepared = _prepared.get(machine, readings, solve, picked)
    gaps, variances = prepared.layout.reduce(np.array([values(survey.readings) for survey in surveys]), machine.sense)
    table = prepared.candidates.evaluate(gaps, solve.criterion)
    return [
        answer(prepared, solve, survey, Case(gaps[row], variances[row], table, row)) for row, survey in enumerate(surveys)
    ]


def is_quick(machine: Machine, solve: Solve[Any]) -> bool:
    """Say whether this is a matter of microseconds: least squares, no bounds, no whole steps or shims."""
    adjusters = [*machine.supports, *(machine.rails.seats if machine.rails else ())]
    return solve.criterion == "least-squares" and not any(
        item.travel is not None or item.step is not None or getattr(item, "method", "slip") == "shim" for item in adjusters
    )


class Case(Struct, frozen=True):
    """One survey of a stack: its gap (n,), variances (n,), and its row in the table of subsets."""

    gap: Floats
    variance: Floats
    table: Table
    row: int


class Chosen(Struct, frozen=True):
    """The subset chosen, its index, travels (m,) and standard uncertainties (m,)."""

    index: int
    travels: Floats
    u: Floats
    choice: Choice


def choose(prepared: Prepared, solve: Solve[Any], case: Case) -> Chosen:
    """Choose the least effort that reaches the aim; failing that, the best without moves too small to measure."""
    machine, options = prepared.machine, prepared.candidates
    totals, objective = case.table.total[case.row], case.table.objective[case.row]
    travels = case.table.travels[case.row]
    highest, lowest = case.table.highest[case.row], case.table.lowest[case.row]
    factors = prepared.layout.factors
    common = factors[highest] - factors[lowest]
    u = np.sqrt(case.variance[highest] + case.variance[lowest] + np.einsum("ij,ij->i", common, common))
    slack = TIE * float(np.abs(case.gap).max())
    aim = machine.total_limit / 3.0 if solve.aim_for is None else solve.aim_for
    allowed = options.count <= (solve.most_moves or len(prepared.adjusters))
    digits, unit = DECIMALS[machine.units], machine.units
    reached = allowed & (totals + K * u <= aim)
    outcome = "best"
    if reached.any():
        pool, outcome = reached, "reached"
        why = f"The least effort whose total with its uncertainty (k = {K:.2f}) reaches {aim:.{digits}f} {unit}."
    elif aim == 0.0:
        pool = narrow(allowed, objective, slack)
        why = "The best that all adjusters together can attain, with the fewest moves that attain it."
    else:
        best = int(np.where(allowed, totals, np.inf).argmin())
        pool = narrow(allowed, totals, float(u[best]) + slack)
        why = (
            f"No set of moves is sure to reach {aim:.{digits}f} {unit}. This is the least effort that comes within "
            f"{float(u[best]):.{digits}f} {unit} of the best total, which is as well as the total is known (u)."
        )
    pool = narrow(pool, options.effort, TIE)
    pool = narrow(pool, totals if aim else objective, slack)
    pool = narrow(pool, np.abs(travels) @ options.problem.effort, slack)
    index = int(pool.argmax())
    gain = options.gain(index)
    return Chosen(
        index=index,
        travels=np.where(np.abs(travels[index]) <= slack, 0.0, travels[index]),
        u=np.sqrt(gain**2 @ case.variance + np.sum((gain @ factors) ** 2, axis=1)),
        choice=Choice([prepared.adjusters[j].id for j in options.sets[index]], outcome, aim, why),
    )


def answer(prepared: Prepared, solve: Solve[Any], survey: Survey, case: Case) -> Correction:
    """Write the whole answer to one survey."""
    machine, points = prepared.machine, prepared.layout.points
    chosen = choose(prepared, solve, case)
    after = case.gap + prepared.influence @ chosen.travels
    found = extremes(prepared, case, case.gap)
    left = extremes(prepared, case, after)
    travels, errors = chosen.travels.tolist(), chosen.u.tolist()
    moves = [
        move_of(adjuster, solver, travel, u, None) if travel else None
        for adjuster, solver, travel, u in zip(prepared.adjusters, prepared.solver_of, travels, errors, strict=True)
    ]
    made = [move for move in moves if move is not None]
    rms_found, rms_left = (float(case.table.rms[case.row, index]) for index in (0, chosen.index))
    return Correction(
        machine=machine.id,
        units=machine.units,
        as_found=AsFound(*found, rms_found, *places(points, case.gap)),
        predicted=Predicted(*left, rms_left, *places(points, after), stations=stations(prepared, case, after)),
        moves=made,
        chosen=chosen.choice,
        plans=plans(prepared, case, chosen),
        ladder=ladder(prepared, case),
        breakdown=prepared.form.split(case.gap, case.variance, prepared.layout.factors, prepared.root),
        blind_to=prepared.blind,
        suspects=prepared.consistency.suspects(case.gap, case.variance, prepared.root, points, machine.sense),
        effects=effects(prepared, chosen.travels),
        verdict=verdict(machine.total_limit, found[:2], left[:2]),
        steps=steps_for(machine, prepared.adjusters, moves, prepared.influence, prepared.park, points, case.gap),
        cautions=cautions(prepared, survey),
        solver_versions=prepared.versions,
    )


def extremes(prepared: Prepared, case: Case, gap: Floats) -> tuple[float, float, float, float]:
    """Return total, its u, its U and k for one gap (n,)."""
    high, low = int(gap.argmax()), int(gap.argmin())
    u = total_u(case.variance, prepared.layout.factors, high, low)
    return float(gap[high] - gap[low]), u, K * u, K


def places(points: Floats, gap: Floats) -> tuple[Place, Place]:
    """Return the stations of the highest and the lowest gap."""
    return Place(*points[int(gap.argmax())].tolist()), Place(*points[int(gap.argmin())].tolist())


def stations(prepared: Prepared, case: Case, after: Floats) -> list[Station]:
    """Return every station before and after, with the dial as the user reads it."""
    sense = prepared.machine.sense
    variance = case.variance + np.einsum("ij,ij->i", prepared.layout.factors, prepared.layout.factors)
    rows = zip(
        prepared.layout.points.tolist(), after.tolist(), case.gap.tolist(), np.sqrt(variance).tolist(), strict=True
    )
    return [Station(x, y, gap, before, sense * gap, sense * before, u) for (x, y), gap, before, u in rows]


def plans(prepared: Prepared, case: Case, chosen: Chosen) -> list[Plan]:
    """Return the best subset for each number of moves, as long as one more still gains something."""
    options = prepared.candidates
    objective, totals, rms = (getattr(case.table, name)[case.row] for name in ("objective", "total", "rms"))
    slack = TIE * float(np.abs(case.gap).max())
    rows, reached = [], float(objective[0])
    for moves in range(1, int(options.count.max()) + 1):
        pool = options.count == moves
        if not pool.any() or objective[pool].min() > reached - slack:
            continue
        pool = narrow(narrow(pool, objective, slack), options.effort, TIE)
        pool = narrow(pool, np.abs(case.table.travels[case.row]) @ options.problem.effort, slack)
        index = chosen.index if pool[chosen.index] else int(pool.argmax())
        reached = float(objective[index])
        rows.append(
            Plan(
                moves=moves,
                adjusters=[prepared.adjusters[j].id for j in options.sets[index]],
                total=float(totals[index]),
                rms=float(rms[index]),
                effort=float(options.effort[index]),
                chosen=index == chosen.index,
            )
        )
    return rows


def ladder(prepared: Prepared, case: Case) -> list[Rung]:
    """Return what is left once each solver's adjusters, with those before them, have done all they can."""
    objective, total, rms = (getattr(case.table, name)[case.row] for name in ("objective", "total", "rms"))
    rungs = [Rung("as found", float(total[0]), float(rms[0]))]
    for name, members in prepared.rungs:
        best = int(members[objective[members].argmin()])
        rungs.append(Rung(name, float(total[best]), float(rms[best])))
    return rungs


def effects(prepared: Prepared, travels: Floats) -> list[Any]:
    """Return the mechanisms' side effects of these travels."""
    found, start = [], 0
    for mechanism in prepared.mechanisms:
        count = sum(name == mechanism.name() for name in prepared.solver_of)
        found += mechanism.effects(Move(prepared.machine, prepared.layout.points, travels[start : start + count]))
        start += count
    return found


def cautions(prepared: Prepared, survey: Survey) -> list[str]:
    """Return the cautions that go with this survey: the prepared ones, heat, and what the stations cannot see."""
    found = list(prepared.cautions)
    if survey.bed_temperature is not None and survey.bed_temperature >= HOT:
        found.insert(0, f"The bed was read at {survey.bed_temperature:g} °C: it burns. Wear gloves or use long keys.")
    if prepared.blind:
        unseen = ", ".join(blind.what for blind in prepared.blind)
        found.append(f"The stations read cannot show {unseen}; the total over the whole bed may be larger than stated.")
    return found
