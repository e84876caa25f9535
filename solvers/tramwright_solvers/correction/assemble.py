"""A stack of surveys worked through, and its answers written at the detail asked for."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from msgspec import Struct
from msgspec.structs import asdict, replace

from ..adjustment.discrete_subsets import DiscreteAnswers
from ..diagnostics.closing_jump import ClosingDoubt, closing_doubt
from ..diagnostics.error_source import attribution
from ..diagnostics.likeness import stations_of
from ..diagnostics.quiet import may_hold_slips
from ..learning.responses import Responses, travels_to_ask
from ..model.contract import Floats
from ..model.deadline import NEVER, Deadline
from ..model.errors import SolverError
from ..model.options import Solve
from ..model.survey import Survey
from ..model.units import DECIMALS
from ..reduction.covariance import GapCovariance
from ..reduction.readings import values
from ..results.correction import Advice, Correction, MovesAnswer, Traced, VerdictAnswer
from ..results.findings import Budgets, FormTerm, Predicted, Station, Suspect, WholeBed
from ..results.moves import MoveOf, Step
from .cache import GeometryCache, GeometrySource, geometry_key
from .decision import Chooser, Decision, Totals, decide, decide_lazily, describe_choice
from .factorize import GeometryRequest, prepare_many
from .geometry import Geometry
from .judgement import Judged, judge, suspects_with_repeats
from .previous_passes import learn_from, passes_left
from .remarks import cautions, effects, moved_by, notes
from .steps.work_order import moves_of, readings_first, steps_for
from .trade_off import TradeOff, trade_offs
from .verdicts import verdicts_of


class ReducedStack(Struct, frozen=True):
    """A stack of N surveys reduced to gaps, to be answered at the detail asked for.

    ``names`` are those of the machines, ``single`` the single values of each survey, ``gaps`` (N, n). Work stops with
    OutOfTime once ``within`` has passed. Readings are ``checked`` against each other, but not once more in a survey
    that leaves out its suspects.
    """

    prepared: Geometry
    solve: Solve[Any]
    surveys: Sequence[Survey]
    names: Sequence[str]
    single: list[list[float]]
    gaps: Floats
    noise: GapCovariance
    cache: GeometryCache
    within: Deadline = NEVER
    checked: bool = True

    def row(self, row: int, within: Deadline = NEVER) -> ReducedStack:
        """Return one survey of the stack, as a stack of one that has time of its own."""
        own, noise = slice(row, row + 1), self.noise.some(np.array([row]))
        surveys, names, single, gaps = self.surveys[own], self.names[own], self.single[own], self.gaps[own]
        return ReducedStack(self.prepared, self.solve, surveys, names, single, gaps, noise, self.cache, within)

    @property
    def kind(self) -> tuple[object, ...] | None:
        """What must be the same for surveys of different geometries to be judged together; None if they never are."""
        prepared, solve, uniform = self.prepared, self.solve, self.noise.uniform
        if uniform is None or any(one.previous is not None for one in self.surveys):
            return None
        if solve.criterion != "least-squares" or prepared.whole or prepared.candidates.bounded or not prepared.linear:
            return None
        return prepared.options.kind, prepared.groups, uniform, solve.aim_for, solve.most_moves

    def verdict_answers(self) -> list[VerdictAnswer]:
        """Write totals and verdicts."""
        self.responses()  # nothing of it is told at this detail, but what is wrong with it must be
        decided, judged = self.decided(decide_lazily)
        return self.verdicts_of(decided, judged)

    def moves_answers(self) -> list[MovesAnswer]:
        """Write totals, verdicts and moves, with what is needed to make them safely."""
        decided, judged = self.decided(decide_lazily)
        learnt = self.responses()
        return self._told(decided, judged, self._moves(decided, learnt), learnt)

    def traced(self) -> list[Traced]:
        """Write of the whole answers what is kept to follow a machine by."""
        return self.with_terms(self.moves_answers())

    def with_terms(self, answers: Sequence[MovesAnswer]) -> list[Traced]:
        """Return the answers with the terms of each survey, and its gap at the stations."""
        points = self.prepared.layout.points.tolist()
        stations = [[(x, y, gap) for (x, y), gap in zip(points, own, strict=True)] for own in self.gaps.tolist()]
        return list(map(Traced, answers, self._terms(), stations))

    def decided(self, choose: Chooser) -> tuple[Decision, list[Judged]]:
        """Choose for every survey, and judge whether its readings bear that."""
        decided = choose(self.prepared, self.solve, self.gaps, self.noise, self.within)

        def again(row: int, survey: Survey) -> MovesAnswer:
            return self.again(decided.settled[row], survey)

        rows = self.uneven(decided.scores.rms)
        readings = self.suspects(rows), self.closings(), self.drifts(rows)
        return judge(self.surveys, decided, self.noise, *readings, again)

    def uneven(self, rms: Floats) -> np.ndarray:
        """Return the surveys whose readings may contradict each other, by ``rms`` (N, K) of what is left."""
        return (self.checked & may_hold_slips(rms, self.noise.variance, self.prepared.weights)).nonzero()[0]

    def suspects(self, rows: np.ndarray) -> list[list[Suspect]]:
        """Return each survey's suspects: those whose own repeats disagree first; only ``rows`` may hold others."""
        found: list[list[Suspect]] = [[] for _ in self.surveys]
        if not self.checked:
            return found
        if len(rows):
            told = self.prepared.slips.suspects(self._read()[rows], self.noise.variance[rows])
            for row, own in zip(rows.tolist(), told, strict=True):
                found[row] = own
        if self.prepared.layout.repeated:
            odd = [self.prepared.layout.odd_repeats(np.array(own)) for own in self.single]
            found = [suspects_with_repeats(self.prepared, *both) for both in zip(odd, self.single, found, strict=True)]
        return found

    def drifts(self, rows: np.ndarray) -> Floats:
        """Return what each survey drifted though no station was read again, (N,); zero where that is in doubt, and
        beside ``rows``."""
        found = np.zeros(len(self.surveys))
        if len(rows) and self.prepared.layout.network is None:
            found[rows] = self.prepared.slips.drifts(self._read()[rows], self.noise.variance[rows])
        return found

    def closings(self) -> list[ClosingDoubt | None]:
        """Return of each survey a closing error that may be no drift."""
        layout = self.prepared.layout
        if layout.network is None or not len(layout.closings):
            return [None] * len(self.surveys)
        columns, sense = self.prepared.slips.columns, self.prepared.machine.sense
        return [
            closing_doubt(layout, layout.means(own, sense), gap, columns)
            for own, gap in zip(self.single, self._read(), strict=True)
        ]

    def verdicts_of(self, decided: Decision, judged: Sequence[Judged]) -> list[VerdictAnswer]:
        """Write totals and verdicts once they are decided and judged."""
        return verdicts_of(self.surveys, self.names, decided, self.noise, judged)

    def responses(self) -> list[Responses | None]:
        """Return what each survey's own previous passes teach."""
        return [
            learn_from(self.prepared, self.solve, survey, self.gaps[row], self.noise.variance[row])
            if survey.previous
            else None
            for row, survey in enumerate(self.surveys)
        ]

    def _told(
        self,
        decided: Decision,
        judged: Sequence[Judged],
        moves: list[list[MoveOf | None]],
        learnt: list[Responses | None],
    ) -> list[MovesAnswer]:
        """Write totals, verdicts and moves once they are decided and judged: part of a whole answer too."""
        each = enumerate(zip(self.verdicts_of(decided, judged), moves, judged, learnt, strict=True))
        return [self.with_moves(row, *one, decided, row) for row, one in each]

    def with_moves(
        self,
        own: int,
        told: VerdictAnswer,
        moves: Sequence[MoveOf | None],
        judged: Judged,
        learnt: Responses | None,
        decided: Decision,
        row: int,
    ) -> MovesAnswer:
        """Return the answer to its ``own`` survey of that number, that ``row`` of what was decided; ``told`` is its
        verdict."""
        prepared, solve, moved, doubt = self.prepared, self.solve, moved_by(moves), judged.doubt
        doubtful = doubt.says if doubt and not doubt.moves else None
        return MovesAnswer(
            told.machine,
            told.taken_at,
            told.units,
            told.says,
            told.as_found,
            told.predicted,
            told.verdict,
            told.advice,
            told.solver_versions,
            moves=[move for move in moves if move is not None],
            chosen=describe_choice(prepared, solve, decided, row, self.gaps[own], doubtful, self.within),
            suspects=judged.suspects,
            notes=notes(prepared, solve, moved, self.single[own], judged.drift, learnt),
            cautions=cautions(prepared, self.surveys[own], told.advice, moved, learnt),
        )

    def corrections(self) -> list[Correction]:
        """Write the whole answers."""
        decided, judged = self.decided(decide)
        learnt = self.responses()
        moves = self._moves(decided, learnt)
        told = self._told(decided, judged, moves, learnt)
        return self._completed(self.whole(decided, 0, told, moves, judged, learnt, trade_offs(decided)))

    def whole(
        self,
        decided: Decision,
        first: int,
        told_so_far: Sequence[MovesAnswer],
        moves: Sequence[Sequence[MoveOf | None]],
        judged: Sequence[Judged],
        learnt: Sequence[Responses | None],
        trade_off: Sequence[TradeOff],
    ) -> list[Correction]:
        """Return the whole answers to its surveys, which are those from row ``first`` on of what was decided."""
        prepared, machine, rows = self.prepared, self.prepared.machine, slice(first, first + len(self.surveys))
        travels, aim, kinds = decided.chosen.travels[rows], decided.scores.aim, prepared.kinds
        before, stations = self._read().tolist(), self._stations(travels)
        exact = None if prepared.linear else prepared.changes(travels, prepared.places_over_bed)
        whole = prepared.over_bed.totals(self.gaps, self.noise, travels, exact)
        budgets, terms, answers = self._budgets(decided.totals, rows), self._terms(), list[Correction]()
        for row, (answer, own) in enumerate(zip(told_so_far, moves, strict=True)):
            told, left, (suggested, rungs) = asdict(answer), answer.predicted, trade_off[row]
            told["predicted"] = Predicted(
                left.total, left.u, left.expanded, left.k, left.rms, left.highest, left.lowest, stations[row]
            )
            answers.append(
                Correction(
                    **told,
                    patches=stations_of(prepared.patches),
                    over_bed=WholeBed(*whole[row]),
                    budget=budgets[row],
                    closing_errors=prepared.layout.closing(self.single[row], machine.sense),
                    plans=suggested,
                    ladder=rungs,
                    attribution=attribution(machine, kinds, rungs, answer.as_found, left.total, answer.advice.read),
                    breakdown=terms[row],
                    blind_to=[*prepared.blind, *prepared.badly_seen],
                    refit=judged[row].refit,
                    effects=effects(prepared, travels[row]),
                    followed=list(known.followed) if (known := learnt[row]) else [],
                    doubts=list(known.doubts) if known else [],
                    # where something is to be read before anything is moved, what follows nobody knows yet
                    forecast=passes_left(prepared, self.solve, self.gaps, self.noise, row, known, travels[row], aim)
                    if known and (judged[row].doubt is None or travels[row].any())
                    else None,
                    assumed=self._assumed(own),
                    digits=DECIMALS[machine.units],
                    steps=self._steps(answer.advice, own, travels[row], before[row]),
                )
            )
        return answers

    def _completed(self, answers: list[Correction]) -> list[Correction]:
        """Return the answers as they are; work under way tells part of them otherwise."""
        return answers

    def _steps(
        self, advice: Advice, moves: Sequence[MoveOf | None], travels: Floats, gap: Sequence[float]
    ) -> list[Step]:
        """Return what is to be done, in order; ``travels`` (m,), ``gap`` as the dial shows it, one value a station."""
        return [*readings_first(self.prepared, advice.read, gap), *steps_for(self.prepared, moves, travels, gap)]

    def _read(self) -> Floats:
        """Return the gaps as the dial shows them (N, n), with what is known of them."""
        return self.gaps if self.prepared.known is None else self.gaps + self.prepared.known

    def _terms(self) -> list[list[FormTerm]]:
        """Return the terms of each gap, and after them what was known of it and taken off before."""
        prepared = self.prepared
        terms = prepared.form.split(self.gaps, self.noise)
        known = [FormTerm(one.name, float(np.ptp(one.gap)), None, 0.0, True) for one in prepared.known_shapes]
        return [[*own, *known] for own in terms] if known else terms

    def _assumed(self, moves: Sequence[MoveOf | None]) -> list[str]:
        """Return the defaults that moves hang on, the shortest first."""
        moved = moved_by(moves)
        said = self.prepared.said_of(moved)
        return said.aiming if moved and self.solve.aim_for is None else said.assumed

    def _stations(self, travels: Floats) -> list[list[Station]]:
        """Return every station before and after these travels (N, m), with the dial as the user reads it."""
        prepared, sense = self.prepared, self.prepared.machine.sense
        x, y = prepared.layout.points.T.tolist()
        after, known = self.gaps + prepared.changes(travels), prepared.known
        u = np.sqrt(self.noise.stations() ** 2 + prepared.setting.of_gaps(travels != 0.0)).tolist()
        gaps = dials = after.tolist(), self.gaps.tolist()
        if sense < 0.0 or known is not None:
            dials = (sense * (after if known is None else after + known)).tolist(), (sense * self._read()).tolist()
        return [list(map(Station, x, y, *row)) for row in zip(*gaps, *dials, u, strict=True)]

    def _budgets(self, totals: Totals, rows: slice) -> list[Budgets]:
        """Return the uncertainty budgets of both totals of each survey, which are these ``rows`` of the totals."""
        of = self.prepared.sources.budgets
        high, low, u = (values[:, rows] for values in (totals.high, totals.low, totals.u))
        before = of(high[0], low[0], u[0], self.noise, None)
        return list(map(Budgets, before, of(high[1], low[1], u[1], self.noise, totals.index[1, rows])))

    def again(self, settled: DiscreteAnswers | None, survey: Survey) -> MovesAnswer:
        """Answer a survey of the same machine that leaves stations out, in the time that the whole one has left."""
        solve = self.solve if settled is None else replace(self.solve, time_limit=settled.seconds)
        machine, picked = self.prepared.machine, () if solve.with_ else self.prepared.mechanisms
        of = GeometrySource.of(machine, solve, survey, geometry_key(machine, solve))
        (prepared,) = self.cache.get(
            [(of.known, picked)], lambda _: prepare_many([GeometryRequest(machine, of.readings, solve, picked)])
        )
        if isinstance(prepared, SolverError):
            raise prepared
        alone = replace(survey, previous=None)
        stack = reduce_surveys(prepared, solve, [alone], self.names[:1], self.cache, self.within)
        return replace(stack, checked=False).moves_answers()[0]

    def _moves(self, decided: Decision, learnt: list[Responses | None]) -> list[list[MoveOf | None]]:
        """Return each survey's moves, None for an adjuster that stands still."""
        asks = [self._asks(own, known) for own, known in zip(decided.chosen.travels, learnt, strict=True)]
        return moves_of(self.solve, decided, asks)

    def _asks(self, travels: Floats, known: Responses | None) -> list[float] | None:
        """Return what to set for these travels (m,), given what the passes before teach; None where it is these."""
        return None if known is None else list(travels_to_ask(travels, known).tolist())


def reduce_surveys(
    prepared: Geometry,
    solve: Solve[Any],
    surveys: Sequence[Survey],
    names: Sequence[str],
    cache: GeometryCache,
    within: Deadline = NEVER,
) -> ReducedStack:
    """Reduce surveys, read as prepared for, to gaps; ``names`` are those of their machines.

    The ``cache`` keeps what has to be prepared for surveys that leave stations out.
    """
    single = [values(survey.readings, single=prepared.layout.plain) for survey in surveys]
    gaps, variances = prepared.layout.reduce(np.array(single), prepared.machine.sense)
    if prepared.known is not None:
        gaps = gaps - prepared.known
    noise = prepared.layout.noise(variances)
    return ReducedStack(prepared, solve, surveys, names, single, gaps, noise, cache, within)
