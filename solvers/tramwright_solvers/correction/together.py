"""Lone surveys, each of a machine of its own, decided and judged together."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ..diagnostics.quiet import may_hold_slips, may_stand_out
from ..linalg.grids import scaled_to_each
from ..model.contract import Floats
from ..model.survey import Survey
from ..reduction.covariance import GapCovariance
from ..results.correction import Correction, MovesAnswer, Traced, VerdictAnswer
from ..results.findings import Suspect
from ..results.moves import MoveOf
from .assemble import ReducedStack
from .decision import Decision, decide_across_geometries
from .judgement import Judged, judge
from .steps.work_order import moves_of
from .trade_off import trade_offs
from .verdicts import verdicts_of

ONE = np.zeros(1, dtype=np.intp)
"""The rows of a lone survey."""


def uneven(lone: Sequence[ReducedStack], rms: Floats, variance: Floats) -> list[int]:
    """Return the lone surveys whose readings have to be checked against each other, as :meth:`ReducedStack.uneven`.

    To prepare that check costs as much as a verdict, so what the form leaves is looked at first.
    """
    found = np.flatnonzero(may_hold_slips(rms, variance, lone[0].prepared.weights)).tolist()
    plain = [row for row in found if next(lone[row].prepared.own_shapes, None) is None]
    own = [lone[row].prepared for row in plain]
    if not own:
        return found
    places = scaled_to_each([one.machine.bed for one in own], np.stack([one.layout.points for one in own]))
    gaps, basis = np.concatenate([lone[row].gaps for row in plain]), np.stack([one.spanned for one in own])
    may = may_stand_out(gaps, places, basis, variance[plain].mean(axis=1))
    quiet = {row for row, one in zip(plain, may.tolist(), strict=True) if not one}
    return [row for row in found if row not in quiet]


def verdicts_together(lone: Sequence[ReducedStack]) -> list[list[VerdictAnswer]]:
    """Write of lone surveys of one :attr:`ReducedStack.kind` what :meth:`ReducedStack.verdict_answers` does of each."""
    _, _, told = decide_together(lone)
    return [[one] for one in told]


def moves_together(lone: Sequence[ReducedStack]) -> list[list[MovesAnswer]]:
    """Write of lone surveys of one :attr:`ReducedStack.kind` what :meth:`ReducedStack.moves_answers` does of each."""
    _, _, _, answers = _moved(lone)
    return [[one] for one in answers]


def traced_together(lone: Sequence[ReducedStack]) -> list[list[Traced]]:
    """Write of lone surveys of one :attr:`ReducedStack.kind` what :meth:`ReducedStack.traced` does of each."""
    return [one.with_terms(answers) for one, answers in zip(lone, moves_together(lone), strict=True)]


def corrections_together(lone: Sequence[ReducedStack]) -> list[list[Correction]]:
    """Write of lone surveys of one :attr:`ReducedStack.kind` what :meth:`ReducedStack.corrections` does of each."""
    decided, judged, moves, answers = _moved(lone)
    each = zip(lone, answers, moves, judged, trade_offs(decided), strict=True)
    return [
        one.whole(decided, row, [answer], [own], [readings], [None], [trade_off])
        for row, (one, answer, own, readings, trade_off) in enumerate(each)
    ]


def _moved(
    lone: Sequence[ReducedStack],
) -> tuple[Decision, list[Judged], list[list[MoveOf | None]], list[MovesAnswer]]:
    """Decide and judge lone surveys of one kind, and write the moves of each."""
    decided, judged, told = decide_together(lone)
    moves = moves_of(lone[0].solve, decided, [None] * len(lone))
    each = enumerate(zip(lone, told, moves, judged, strict=True))
    answers = [
        one.with_moves(0, answer, own, readings, None, decided, row) for row, (one, answer, own, readings) in each
    ]
    return decided, judged, moves, answers


def decide_together(lone: Sequence[ReducedStack]) -> tuple[Decision, list[Judged], list[VerdictAnswer]]:
    """Decide and judge lone surveys of one :attr:`ReducedStack.kind`, and write the verdicts."""
    prepared = [one.prepared for one in lone]
    variance = np.concatenate([one.noise.variance for one in lone])
    noise = GapCovariance(variance, lone[0].noise.factors, lone[0].noise.uniform)
    decided = decide_across_geometries(prepared, lone[0].solve, np.concatenate([one.gaps for one in lone]), noise)
    suspects: list[list[Suspect]] = [[] for _ in lone]
    drifts = np.zeros(len(lone))
    for row in uneven(lone, decided.scores.rms, noise.variance):
        (suspects[row],), (drifts[row],) = lone[row].suspects(ONE), lone[row].drifts(ONE)
    surveys, names = [one.surveys[0] for one in lone], [one.names[0] for one in lone]

    def again(row: int, survey: Survey) -> MovesAnswer:
        return lone[row].again(None, survey)

    # a survey of one value at each station, as these are, has no closing readings
    decided, judged = judge(surveys, decided, noise, suspects, [None] * len(lone), drifts, again)
    return decided, judged, verdicts_of(surveys, names, decided, noise, judged)
