"""A stack of surveys worked through, and its answers written at the detail asked for."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from .answer import Budgets, Correction, Judged, Moved, MoveOf, Predicted, Station, WholeBed
from .attribution import attribution
from .choice import choice_of, ladders, plans
from .contract import Effect, Floats, Mechanism, Move
from .decision import Decided, decide, decide_alone, decide_each
from .judging import judge
from .learning.evidence import Seen
from .learning.forecast import Forecast, forecast
from .learning.passes import learn_from
from .learning.responses import Learnt, asked
from .machine import Survey
from .noise import Noise
from .options import one_each
from .preparation import prepare
from .prepared import Prepared
from .refit import refit
from .solve import Solve
from .stacks import each
from .steps import move_of, steps_for
from .survey import values, where

HOT = 45.0
"""Bed temperature in °C from which the answer warns of burns; common practice, no source."""


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

    def alone(self, row: int) -> Worked:
        """Return one survey of the stack, as a stack of one."""
        own, noise = slice(row, row + 1), self.noise.some(np.array([row]))
        return Worked(self.prepared, self.solve, self.surveys[own], self.single[own], self.gaps[own], noise)

    @property
    def kind(self) -> tuple[object, ...] | None:
        """What must be the same for lone surveys of different geometries to be judged together; None if it never is."""
        prepared, solve, uniform = self.prepared, self.solve, self.noise.uniform
        if len(self.surveys) > 1 or uniform is None or self.surveys[0].previous is not None:
            return None
        if solve.criterion != "least-squares" or prepared.whole or prepared.candidates.bounded:
            return None
        return prepared.options.kind, uniform, solve.aim_for, solve.most_moves

    def judged(self) -> list[Judged]:
        """Write totals and verdicts."""
        self._learnt()  # nothing of it is told at this detail, but what is wrong with it must be
        return self._judged(decide_alone(self.prepared, self.solve, self.gaps, self.noise))

    def moved(self) -> list[Moved]:
        """Write totals, verdicts and moves, with what is needed to make them safely."""
        decided, learnt = decide_alone(self.prepared, self.solve, self.gaps, self.noise), self._learnt()
        return self._moved(decided, self._moves(decided, learnt), learnt)

    def _judged(self, decided: Decided) -> list[Judged]:
        prepared, count = self.prepared, len(self.surveys)
        return judge(prepared.options, [prepared] * count, decided, self.noise)

    def _learnt(self) -> list[Learnt | None]:
        """Return what each survey's own previous passes teach."""
        return [
            learn_from(self.prepared, self.solve, survey, self.gaps[row], self.noise.variance[row])
            for row, survey in enumerate(self.surveys)
        ]

    def _moved(self, decided: Decided, moves: list[list[MoveOf | None]], learnt: list[Learnt | None]) -> list[Moved]:
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
                cautions=cautions(prepared, self.surveys[row], chosen.travels[row].tolist(), learnt[row]),
                solver_versions=prepared.versions,
            )
            for row, (judged, own) in enumerate(zip(self._judged(decided), moves, strict=True))
        ]

    def corrections(self) -> list[Correction]:
        """Write the whole answers."""
        prepared, machine, gaps = self.prepared, self.prepared.machine, self.gaps
        decided = decide(prepared, self.solve, gaps, self.noise)
        scores, travels, learnt = decided.scores, decided.chosen.travels, self._learnt()
        moves = self._moves(decided, learnt)
        before, stations = gaps.tolist(), self._stations(travels)
        suggested = plans(prepared, scores, decided.chosen)
        whole, budgets = prepared.over_bed.totals(gaps, self.noise, travels), self._budgets(decided)
        rungs, terms = ladders(prepared, scores), prepared.form.split(gaps, self.noise)
        answers = []
        for row, (told, own) in enumerate(zip(self._moved(decided, moves, learnt), moves, strict=True)):
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
                        stations[row],
                    ),
                    over_bed=WholeBed(*whole[row]),
                    budget=budgets[row],
                    moves=told.moves,
                    chosen=told.chosen,
                    closing_errors=prepared.layout.closing(self.single[row], machine.sense),
                    plans=suggested[row],
                    ladder=rungs[row],
                    attribution=attribution(machine, prepared.kinds, rungs[row], told.as_found),
                    breakdown=terms[row],
                    blind_to=[*prepared.blind, *prepared.badly_seen],
                    suspects=told.suspects,
                    refit=refit(self.surveys[row], told.suspects, self._again),
                    effects=effects(prepared, travels[row]),
                    followed=list(known.followed) if (known := learnt[row]) else [],
                    doubts=list(known.doubts) if known else [],
                    forecast=self._forecast(row, known, travels[row], scores.aim) if known else None,
                    verdict=told.verdict,
                    steps=steps_for(prepared, own, before[row]),
                    cautions=told.cautions,
                    solver_versions=told.solver_versions,
                )
            )
        return answers

    def _stations(self, travels: Floats) -> list[list[Station]]:
        """Return every station before and after these travels (N, m), with the dial as the user reads it."""
        prepared, sense = self.prepared, self.prepared.machine.sense
        x, y = prepared.layout.points.T.tolist()
        after = self.gaps + each(travels, prepared.influence.T)
        u = np.sqrt(self.noise.stations() ** 2 + prepared.setting.of_gaps(travels != 0.0))
        columns = (after, self.gaps, sense * after, sense * self.gaps, u)
        rows = zip(*(column.tolist() for column in columns), strict=True)
        return [list(map(Station, x, y, *row)) for row in rows]

    def _budgets(self, decided: Decided) -> list[Budgets]:
        """Return the uncertainty budgets of both totals of each survey."""
        chosen, scores, rows = decided.chosen.index, decided.scores, np.arange(len(self.gaps))
        written = []
        for state, index in ((None, np.zeros_like(chosen)), (chosen, chosen)):
            left = decided.table.left[rows, :, index]
            high, low = left.argmax(axis=1), left.argmin(axis=1)
            written.append(self.prepared.sources.budgets(high, low, scores.u[rows, index], self.noise, state))
        return [Budgets(*pair) for pair in zip(*written, strict=True)]

    def _again(self, survey: Survey) -> Moved:
        """Answer a survey of the same machine that leaves stations out."""
        again = prepare(self.prepared.machine, where(survey.readings), self.solve, self.prepared.mechanisms)
        return reduced(again, self.solve, [replace(survey, previous=None)]).moved()[0]

    def _moves(self, decided: Decided, learnt: list[Learnt | None]) -> list[list[MoveOf | None]]:
        """Return each survey's moves, None for an adjuster that stands still."""
        prepared, chosen, found = self.prepared, decided.chosen, []
        rows = zip(
            chosen.index.tolist(), chosen.travels.tolist(), chosen.u.tolist(), decided.settled, learnt, strict=True
        )
        for index, travels, u, settled, known in rows:
            stacks = settled.stacks.get(index, {}) if settled else {}
            asks = travels if known is None else asked(np.array(travels), known).tolist()
            found.append(
                [
                    move_of(adjuster, solver, travel, error, stacks.get(column), ask if ask != travel else None)
                    if travel
                    else None
                    for column, (adjuster, solver, travel, error, ask) in enumerate(
                        zip(prepared.adjusters, prepared.solver_of, travels, u, asks, strict=True)
                    )
                ]
            )
        return found

    def _forecast(self, row: int, learnt: Learnt, travels: Floats, aim: float) -> Forecast:
        """Return how many passes remain for one survey, given what its previous passes teach."""
        prepared, variance = self.prepared, self.noise.variance[row]
        seen = Seen(prepared.layout.points, self.gaps[row], variance, self.noise.factors, prepared.influence)
        units, offset = prepared.machine.units, self.solve.offset
        return forecast(learnt, seen, travels, asked(travels, learnt), aim, offset, units)


def reduced(prepared: Prepared, solve: Solve[Any], surveys: Sequence[Survey]) -> Worked:
    """Reduce surveys, read as prepared for, to gaps."""
    single = [values(survey.readings) for survey in surveys]
    gaps, variances = prepared.layout.reduce(np.array(single), prepared.machine.sense)
    return Worked(prepared, solve, surveys, single, gaps, prepared.layout.noise(variances))


def judged_each(lone: Sequence[Worked]) -> list[list[Judged]]:
    """Write totals and verdicts of lone surveys of one :attr:`Worked.kind`, as :meth:`Worked.judged` does each."""
    prepared = [one.prepared for one in lone]
    options = one_each([one.options for one in prepared])
    variance = np.concatenate([one.noise.variance for one in lone])
    noise = Noise(variance, lone[0].noise.factors, lone[0].noise.uniform)
    decided = decide_each(options, lone[0].solve, np.concatenate([one.gaps for one in lone]), noise)
    return [[judged] for judged in judge(options, prepared, decided, noise)]


def effects(prepared: Prepared, travels: Floats) -> list[Effect]:
    """Return the mechanisms' side effects of these travels."""
    found: list[Effect] = []
    for mechanism, columns in zip(prepared.mechanisms, prepared.columns, strict=True):
        if type(mechanism).effects is not Mechanism.effects:  # most have none
            found += mechanism.effects(Move(prepared.machine, prepared.layout.points, travels[columns]))
    return found


def cautions(prepared: Prepared, survey: Survey, travels: Sequence[float], learnt: Learnt | None) -> list[str]:
    """Return the cautions that go with this survey: prepared ones, heat, long moves, what the stations cannot see."""
    found = list(prepared.cautions)
    if learnt is not None and learnt.stop:
        found.insert(
            0,
            f"{', '.join(learnt.stop)} did not do as asked in the last pass: find out why before moving it again.",
        )
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
