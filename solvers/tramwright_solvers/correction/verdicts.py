"""Totals and verdicts of a stack: all that is written at the detail `verdict`, and the first lines of every other."""

from __future__ import annotations

from collections.abc import Sequence

from msgspec.structs import replace

from ..model.survey import Survey
from ..reduction.covariance import GapCovariance
from ..results.correction import VerdictAnswer
from ..uncertainty.conformity import undecided, verdict
from . import sentences
from .advice import advise
from .decision import Decision
from .judgement import Judged


def verdicts_of(
    surveys: Sequence[Survey],
    names: Sequence[str],
    decided: Decision,
    noise: GapCovariance,
    judged: Sequence[Judged],
) -> list[VerdictAnswer]:
    """Write totals and verdict of each survey.

    ``judged`` say which surveys have suspects, and which bear no verdict yet.
    """
    found, left = decided.extremes
    moved, answers = (decided.chosen.travels != 0.0).sum(axis=1).tolist(), []
    rows = zip(decided.prepared, surveys, names, judged, found, left, moved, strict=True)
    for row, (own, survey, name, readings, (before, known), (after, expected), count) in enumerate(rows):
        machine, doubt = own.machine, readings.doubt
        if doubt:
            told = undecided(machine.total_limit, doubt.says)
            says, advice = doubt.says, doubt.advice
        else:
            told = verdict(machine, known, expected, noise.variance[row])
            if readings.suspects and told.decided_by:
                told = replace(told, decided_by=sentences.READ_SUSPECTS)
            says, advice = advise(own, decided, row, count, before, after, told)
        answers.append(
            VerdictAnswer(name, survey.taken_at, machine.units, says, before, after, told, advice, own.versions)
        )
    return answers
