"""Lone surveys, each of a machine of its own, judged in one go."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ..diagnostics.outliers import may_hold_slips
from ..model.survey import Survey
from ..reduction.covariance import GapCovariance
from ..results.correction import MovesAnswer, VerdictAnswer
from ..results.findings import Suspect
from .assemble import ReducedStack
from .decision import decide_across_geometries
from .judgement import UNJUDGED, Judged, judge
from .subset_table import join_tables
from .verdicts import verdicts_of


def verdicts_together(lone: Sequence[ReducedStack]) -> list[list[VerdictAnswer]]:
    """Write totals and verdicts of lone surveys of one :attr:`ReducedStack.kind`, as
    :meth:`ReducedStack.verdict_answers` does each."""
    prepared = [one.prepared for one in lone]
    options = join_tables([one.options for one in prepared])
    variance = np.concatenate([one.noise.variance for one in lone])
    noise = GapCovariance(variance, lone[0].noise.factors, lone[0].noise.uniform)
    decided = decide_across_geometries(options, lone[0].solve, np.concatenate([one.gaps for one in lone]), noise)
    suspects: list[list[Suspect]] = [[] for _ in lone]
    drifts = np.zeros(len(lone))
    for row in may_hold_slips(decided.table.rms, noise.variance, prepared[0].weights).nonzero()[0].tolist():
        rms = decided.table.rms[row : row + 1]
        (suspects[row],), (drifts[row],) = lone[row].suspects(rms), lone[row].drifts(rms)
    surveys = [one.surveys[0] for one in lone]

    def told(judged: Sequence[Judged] = (UNJUDGED,) * len(lone)) -> list[VerdictAnswer]:
        return verdicts_of(options, prepared, surveys, decided, noise, judged)

    def again(row: int, survey: Survey) -> MovesAnswer:
        return lone[row].again(None, survey)

    # a survey of one value at each station, as these are, has no closing readings
    decided, judged = judge(prepared, surveys, decided, suspects, [None] * len(lone), drifts, told, again)
    return [[one] for one in told(judged)]
