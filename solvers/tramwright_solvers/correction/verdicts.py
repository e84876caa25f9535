"""Totals and verdicts of a stack: all that is written at the detail `verdict`, and the first lines of every other."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from msgspec.structs import replace

from ..model.survey import Survey
from ..model.units import K
from ..reduction.covariance import GapCovariance
from ..results.correction import VerdictAnswer
from ..results.findings import AsFound
from ..uncertainty.conformity import Known, undecided, verdict
from ..uncertainty.range import MOST_FACTOR, margin_as_read, outside_margin
from . import sentences
from .advice import advise
from .decision import Decision
from .geometry import Geometry
from .judgement import Judged
from .subset_table import SubsetTable

Extremes = tuple[AsFound, Known]
"""One total of one survey: as it is written, and as the verdict takes it."""


def verdicts_of(
    options: SubsetTable,
    prepared: Sequence[Geometry],
    surveys: Sequence[Survey],
    names: Sequence[str],
    decided: Decision,
    noise: GapCovariance,
    judged: Sequence[Judged],
) -> list[VerdictAnswer]:
    """Write totals and verdict of each survey; ``prepared`` names the geometry of each, which may be one and the same.

    The machines have one limit. ``judged`` say which surveys have suspects, and which bear no verdict yet.
    """
    found, left = extremes(options, prepared, decided)
    moved, answers = (decided.chosen.travels != 0.0).sum(axis=1).tolist(), []
    rows = zip(prepared, surveys, names, judged, found, left, moved, strict=True)
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


def extremes(options: SubsetTable, prepared: Sequence[Geometry], decided: Decision) -> list[list[Extremes]]:
    """Return the totals of every survey, as found and after the moves."""
    told, limit = decided.totals, options.limit
    index, totals, u, setting = told.index, told.total, told.u, told.setting
    margins = expanded = K * u
    inside = np.where(index == 0, margin_as_read(u, options.division), expanded)
    near = (totals > limit) & (totals - MOST_FACTOR * u <= limit)
    if np.count_nonzero(near):
        read = np.sqrt(np.maximum(u[near] ** 2 - setting[near] ** 2, 0.0)) / decided.scores.wider[index[near]]
        margins = expanded.copy()
        margins[near] = outside_margin(told.left[near], read, setting[near])
    numbers = (totals, u, expanded, told.rms, margins, inside, setting, told.high, told.low)
    return [
        [
            (AsFound(total, u, wide, K, rms, own.places[high], own.places[low]), (total, u, margin, within, added))
            for own, total, u, wide, rms, margin, within, added, high, low in zip(prepared, *of_state, strict=True)
        ]
        for of_state in zip(*(values.tolist() for values in numbers), strict=True)
    ]
