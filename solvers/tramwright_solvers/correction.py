"""The line from readings to answer: stations, mechanism, adjustment, verdict, steps, for a stack of surveys.

A single survey is a stack of one. The route, the batch and the command line all call this, and the same survey gets the
same answer to the last digit whatever else is in its stack (:mod:`.stacks`).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from msgspec import Struct

from .answer import AsFound, Correction, Judged, Moved, MoveOf, Place, Predicted, Station
from .attribution import attribution
from .choice import choice_of, ladders, plans
from .contract import Effect, Floats, Mechanism, Move
from .decision import Decided, decide, decide_alone
from .faults import Refused
from .machine import Machine, Survey, as_key
from .noise import Noise
from .prepared import Cache, Prepared, prepare
from .registry import Registry, installed
from .solve import Solve
from .stacks import each
from .steps import move_of, steps_for
from .survey import Where, time_faults, values, where
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
    single = [values(survey.readings) for survey in surveys]
    gaps, variances = prepared.layout.reduce(np.array(single), machine.sense)
    return Worked(prepared, solve, surveys, single, gaps, prepared.layout.noise(variances))


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


class Worked(Struct, frozen=True):
    """A stack of N surveys reduced to gaps, to be answered at the detail asked for.

    ``single`` are the single values of each survey, ``gaps`` (N, n).
    """

    prepared: Prepared
    solve: Solve[Any]
    surveys: Sequence[Survey]
    single: list[list[float]]
    gaps: Floats
    noise: Noise

    def judged(self) -> list[Judged]:
        """Write totals and verdicts."""
        return self._judged(decide_alone(self.prepared, self.solve, self.gaps, self.noise))

    def moved(self) -> list[Moved]:
        """Write totals, verdicts and moves, with what is needed to make them safely."""
        decided = decide_alone(self.prepared, self.solve, self.gaps, self.noise)
        return self._moved(decided, self._moves(decided))

    def _judged(self, decided: Decided) -> list[Judged]:
        machine, variance = self.prepared.machine, self.noise.variance
        found, left = extremes(self.prepared, decided)
        return [
            Judged(
                machine.id,
                machine.units,
                AsFound(*before),
                AsFound(*after),
                verdict(machine, before[:2], after[:2], variance[row]),
            )
            for row, (before, after) in enumerate(zip(found, left, strict=True))
        ]

    def _moved(self, decided: Decided, moves: list[list[MoveOf | None]]) -> list[Moved]:
        prepared, chosen = self.prepared, decided.chosen
        suspects = prepared.slips.suspects(self.gaps, self.noise.variance)
        return [
            Moved(
                judged.machine,
                judged.units,
                judged.as_found,
                judged.predicted,
                judged.verdict,
                moves=[move for move in own if move is not None],
                chosen=choice_of(
                    prepared, self.solve, decided.scores, chosen, row, self.gaps[row], decided.settled[row]
                ),
                suspects=suspects[row],
                cautions=cautions(prepared, self.surveys[row], chosen.travels[row].tolist()),
                solver_versions=prepared.versions,
            )
            for row, (judged, own) in enumerate(zip(self._judged(decided), moves, strict=True))
        ]

    def corrections(self) -> list[Correction]:
        """Write the whole answers."""
        prepared, machine, gaps = self.prepared, self.prepared.machine, self.gaps
        decided = decide(prepared, self.solve, gaps, self.noise)
        scores, travels, moves = decided.scores, decided.chosen.travels, self._moves(decided)
        after = (gaps + each(travels, prepared.influence.T)).tolist()
        before, u, suggested = gaps.tolist(), self.noise.stations().tolist(), plans(prepared, scores, decided.chosen)
        rungs, terms = ladders(prepared, scores), prepared.form.split(gaps, self.noise)
        answers = []
        for row, (told, own) in enumerate(zip(self._moved(decided, moves), moves, strict=True)):
            left = told.predicted
            answers.append(
                Correction(
                    machine=told.machine,
                    units=told.units,
                    as_found=told.as_found,
                    predicted=Predicted(
                        left.total,
                        left.u,
                        left.U,
                        left.k,
                        left.rms,
                        left.highest,
                        left.lowest,
                        stations(prepared, before[row], after[row], u[row]),
                    ),
                    moves=told.moves,
                    chosen=told.chosen,
                    closing_errors=prepared.layout.closing(self.single[row], machine.sense),
                    plans=suggested[row],
                    ladder=rungs[row],
                    attribution=attribution(machine, prepared.kinds, rungs[row], told.as_found),
                    breakdown=terms[row],
                    blind_to=prepared.blind,
                    suspects=told.suspects,
                    effects=effects(prepared, travels[row]),
                    verdict=told.verdict,
                    steps=steps_for(prepared, own, before[row]),
                    cautions=told.cautions,
                    solver_versions=told.solver_versions,
                )
            )
        return answers

    def _moves(self, decided: Decided) -> list[list[MoveOf | None]]:
        """Return each survey's moves, None for an adjuster that stands still."""
        prepared, chosen, found = self.prepared, decided.chosen, []
        rows = zip(chosen.index.tolist(), chosen.travels.tolist(), chosen.u.tolist(), decided.settled, strict=True)
        for index, travels, u, settled in rows:
            stacks = settled.stacks.get(index, {}) if settled else {}
            found.append(
                [
                    move_of(adjuster, solver, travel, error, stacks.get(column)) if travel else None
                    for column, (adjuster, solver, travel, error) in enumerate(
                        zip(prepared.adjusters, prepared.solver_of, travels, u, strict=True)
                    )
                ]
            )
        return found


def extremes(
    prepared: Prepared, decided: Decided
) -> list[list[tuple[float, float, float, float, float, Place, Place]]]:
    """Return total, u, U, k, rms, highest and lowest station of every survey, as found and after the moves."""
    scores, index, places = decided.scores, decided.chosen.index, prepared.places
    rows, index = np.arange(len(index)), np.stack([np.zeros_like(index), index])
    left = decided.table.left[rows, :, index]
    numbers = (
        scores.total[rows, index].tolist(),
        scores.u[rows, index].tolist(),
        scores.rms[rows, index].tolist(),
        left.argmax(axis=2).tolist(),
        left.argmin(axis=2).tolist(),
    )
    return [
        [
            (total, u, K * u, K, rms, places[highest], places[lowest])
            for total, u, rms, highest, lowest in zip(*of_state, strict=True)
        ]
        for of_state in zip(*numbers, strict=True)
    ]


def stations(prepared: Prepared, gap: list[float], after: list[float], u: list[float]) -> list[Station]:
    """Return every station before and after, with the dial as the user reads it."""
    sense = prepared.machine.sense
    rows = zip(prepared.places, after, gap, u, strict=True)
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
