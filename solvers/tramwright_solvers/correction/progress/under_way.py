"""A survey answered once some steps are made: the rest of the work, told in the shape of any answer.

What was found stays that of the survey: total, terms, suspects. What is to be done, and what it leaves, is worked out
from where the machine is now (:mod:`.follow`), with the adjusters as they are now (:mod:`.rest`), by the same line.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np
from msgspec.structs import replace

from ...diagnostics.closing_jump import ClosingDoubt
from ...learning.responses import Responses
from ...model.contract import Floats, Part
from ...model.done import Done
from ...reduction.covariance import GapCovariance
from ...results.correction import Advice, Correction, MovesAnswer, VerdictAnswer
from ...results.findings import FormTerm, WholeBed
from ...results.moves import MoveOf, Step
from ...results.progress import Progress, StationNow
from ..assemble import ReducedStack
from ..decision import Chooser, Decision, decide
from ..judgement import Doubt, Judged
from ..remarks import cautions, effects, moved_by
from ..steps.work_order import steps_for, work
from . import sentences
from .follow import Followed, follow
from .rest import geometry_after
from .told import told


def under_way(found: ReducedStack, done: Sequence[Done]) -> ReducedStack:
    """Return what is left of the work on one survey after the steps done.

    Raises:
        Refused: a step does not fit the machine; the pointers begin with ``/done``.
        Impossible: no travels satisfy the conditions any more.
    """
    prepared, solve, (learnt,) = found.prepared, found.solve, found.responses()
    decided, (judged,) = found.decided(decide)
    planned = decided.chosen.travels[0]
    way = follow(prepared, found.gaps[0], found.noise, done, told(prepared, done, planned), learnt)
    # a bed within its limit is left alone, work begun is brought to its aim
    aim = prepared.machine.total_limit / 3.0 if solve.aim_for is None else solve.aim_for
    return UnderWay(
        prepared=geometry_after(prepared, way.standing, way.work.sheets, way.work.begun),
        solve=replace(solve, aim_for=aim),
        surveys=found.surveys,
        names=found.names,
        single=found.single,
        gaps=way.gaps,
        noise=way.noise,
        cache=found.cache,
        within=found.within,
        checked=False,
        found=found,
        before=found.verdicts_of(decided, [judged])[0],
        judged=judged,
        planned=planned,
        learnt=learnt,
        way=way,
    )


class UnderWay(ReducedStack, frozen=True, kw_only=True):
    """The rest of the work on one survey, which is ``found``.

    ``before`` and ``judged`` are what was told of the survey, ``planned`` (m,) the travels that it asked for.
    """

    found: ReducedStack
    before: VerdictAnswer
    judged: Judged
    planned: Floats
    learnt: Responses | None
    way: Followed

    @property
    def kind(self) -> tuple[object, ...] | None:
        """It is never judged together with others."""
        return None

    @property
    def stopped(self) -> str:
        """Why nothing is to be moved before something is settled; empty where it may be."""
        if (doubt := self.judged.doubt) and not doubt.moves:
            return sentences.doubted(doubt.says)
        if self.way.stop is None:
            return ""
        return self.way.says

    def closings(self) -> list[ClosingDoubt | None]:
        """Return none: they were judged with the survey."""
        return [None]

    def responses(self) -> list[Responses | None]:
        """Return what the passes before the survey teach."""
        return [self.learnt]

    def decided(self, choose: Chooser) -> tuple[Decision, list[Judged]]:
        """Choose as for any survey; nothing is moved where something is to be settled first, or that is in doubt."""
        decided, (judged,) = super().decided(choose)
        if (says := self.stopped) or judged.doubt:
            decided = replace(decided, chosen=decided.chosen.standing_still([0]))
            judged = replace(judged, doubt=Doubt(says or sentences.NOTHING_LEFT, Advice("nothing")))
        return decided, [judged]

    def verdicts_of(self, decided: Decision, judged: Sequence[Judged]) -> list[VerdictAnswer]:
        """Write totals and verdict: as found from the survey, predicted from the rest of the work."""
        rest, before = super().verdicts_of(decided, judged)[0], self.before
        told = self._progress(rest, decided.chosen.travels[0])
        verdict = replace(rest.verdict, as_found=before.verdict.as_found)
        return [replace(rest, says=told.says, as_found=before.as_found, verdict=verdict, advice=self._advice(decided))]

    def _advice(self, decided: Decision) -> Advice:
        """Return what to do now, in one word."""
        if self.way.stop == "dial" and self.stopped:
            return Advice("read-again", (self.prepared.places[self.way.last.station],))
        moves = self._work(decided.chosen.travels[0]) or self.way.lifted
        return Advice("move" if moves and not self.stopped else "nothing")

    def _work(self, travels: Floats) -> list[tuple[int, Part]]:
        """Return the parts of these travels (m,) in order, the adjuster under the dial first where that may be."""
        return work(self.prepared, travels.tolist(), travels, self.way.last.column)

    def _progress(self, rest: VerdictAnswer, travels: Floats) -> Progress:
        """Say where the machine stands and how to go on; ``rest`` is the answer to the rest of the work."""
        way, prepared, unit = self.way, self.prepared, self.prepared.machine.units
        now, after = rest.as_found, rest.predicted
        both = zip(prepared.places, self.gaps[0].tolist(), strict=True)
        here = [StationNow(place.x, place.y, gap, prepared.machine.sense * gap) for place, gap in both]
        if self.stopped:
            return Progress(self.stopped, "stop", now, here, way.steps)
        if way.lifted:
            return Progress(way.steps[-1].says, "turn-back", now, here, way.steps)
        last, parts, count = way.last, self._work(travels), int(np.count_nonzero(travels))
        left = float(travels[last.column])
        step: Literal["go-on", "turn-back"] = "go-on"
        told = [way.steps[-1].says]
        first = parts[0][0] + parts[0][1].adjuster if parts else None
        if first == last.column and last.travel and left * last.travel < 0.0:
            step = "turn-back"
            told.append(sentences.turn_back(left, unit))
        elif first == last.column and left:
            told.append(sentences.further(left, unit))
        moved = {one.column for one in way.work.steps}
        spared = [at for at in np.flatnonzero(self.planned).tolist() if at not in moved and not travels[at]]
        if spared:
            told.append(sentences.spared([prepared.adjusters[at].id for at in spared]))
        if count:
            told.append(sentences.rest_of_work(count, now.total, after.total, after.expanded, unit))
        else:
            told.append(sentences.BED_STANDS if parts else sentences.NOTHING_LEFT)
        return Progress(" ".join(told), step, now, here, way.steps)

    def _asks(self, travels: Floats, known: Responses | None) -> list[float]:
        """Return what to set for these travels (m,), given what the adjusters did in the steps before."""
        divisor, adjusters = self.way.divisor, self.prepared.adjusters
        lower, upper = np.array([one.lower for one in adjusters]), np.array([one.upper for one in adjusters])
        wanted = np.clip(travels / divisor, lower, upper)
        return list(np.where(divisor == 1.0, travels, wanted).tolist())

    def _told(
        self,
        decided: Decision,
        judged: Sequence[Judged],
        moves: list[list[MoveOf | None]],
        learnt: list[Responses | None],
    ) -> list[MovesAnswer]:
        """Write the answer, with what was found from the survey and how far the work is."""
        (answer,) = super()._told(decided, judged, moves, learnt)
        progress = self._progress(super().verdicts_of(decided, judged)[0], decided.chosen.travels[0])
        moved = moved_by(moves[0]) or tuple(
            [self.prepared.adjusters[first + part.adjuster].id for first, part in self._work(decided.chosen.travels[0])]
        )
        told = cautions(self.prepared, self.surveys[0], answer.advice, moved, learnt[0])
        return [replace(answer, suspects=self.judged.suspects, cautions=told, progress=progress)]

    def _completed(self, answers: list[Correction]) -> list[Correction]:
        """Return the answer with what was found from the survey, all else from the rest of the work."""
        (rest,), (found,) = answers, self.found.corrections()
        both = zip(rest.predicted.stations, found.predicted.stations, strict=True)
        stations = [replace(one, before=old.before, dial_before=old.dial_before) for one, old in both]
        left, prepared = np.zeros_like(self.way.made), self.prepared
        for move in rest.moves:
            left[prepared.place_of[move.adjuster]] = move.travel
        exact = None if prepared.linear else prepared.changes(left[None], prepared.places_over_bed)
        # over the bed only the stations' own errors count: all that is not known of the travels made is added to them
        all_known = GapCovariance(self.noise.stations() ** 2, self.found.noise.factors, None)
        ((_, over_bed),) = prepared.over_bed.totals(self.gaps, all_known, left[None], exact)
        return [
            replace(
                rest,
                predicted=replace(rest.predicted, stations=stations),
                over_bed=WholeBed(found.over_bed.as_found, over_bed),
                budget=replace(rest.budget, as_found=found.budget.as_found),
                closing_errors=found.closing_errors,
                ladder=found.ladder,
                attribution=found.attribution,
                refit=found.refit,
                notes=found.notes,
                effects=effects(self.found.prepared, self.way.made + left),
            )
        ]

    def _terms(self) -> list[list[FormTerm]]:
        """Return the terms of the gap as the survey found it."""
        return self.found._terms()

    def _assumed(self, moves: Sequence[MoveOf | None]) -> list[str]:
        """Return the defaults that moves hang on, the usual aim among them where none was given."""
        moved = moved_by(moves)
        said = self.prepared.said_of(moved)
        return said.aiming if moved and self.found.solve.aim_for is None else said.assumed

    def _steps(
        self, advice: Advice, moves: Sequence[MoveOf | None], travels: Floats, gap: Sequence[float]
    ) -> list[Step]:
        """Return the rest of the work, and at its end the survey that closes it."""
        prepared, last = self.prepared, self.way.last
        at, park = prepared.parking.at(last.station), prepared.places[last.station]
        steps = list[Step]()
        if self.stopped:
            steps += [Step(sentences.read_dial_again(at), None, None, place, None, None, None) for place in advice.read]
        else:
            if self.way.lifted:
                stands = prepared.machine.sense * gap[last.station]
                adjuster = prepared.adjusters[last.column]
                do = sentences.taken_back(adjuster, stands, at, prepared.machine.units)
                steps.append(
                    Step(
                        do,
                        adjuster.id,
                        None,
                        park,
                        self.way.steps[-1].read,
                        stands,
                        "down" if prepared.machine.sense > 0 else "up",
                    )
                )
            steps += steps_for(prepared, moves, travels, gap, last.column)
        first = prepared.places[0]
        closing = sentences.survey_again(len(prepared.places), first.x, first.y)
        return [*steps, Step(closing, None, None, first, None, None, None)]
