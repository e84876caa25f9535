"""What is said beside the moves themselves: side effects, what can hurt, and what the readings show besides."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from ..diagnostics.sentences import drift_in_no_budget, repeats_scatter
from ..learning.responses import Responses
from ..model.contract import Effect, Floats, Mechanism, Move
from ..model.materials import HOT
from ..model.options import Solve
from ..model.sentences import GENERAL_CAUTIONS
from ..model.survey import Survey
from ..model.units import DECIMALS
from ..results.correction import Advice
from ..results.moves import MoveOf
from . import sentences
from .geometry import Geometry


def effects(prepared: Geometry, travels: Floats) -> list[Effect]:
    """Return the mechanisms' side effects of these travels."""
    found: list[Effect] = []
    for mechanism, columns in zip(prepared.mechanisms, prepared.columns, strict=True):
        if type(mechanism).effects is not Mechanism.effects:  # most have none
            found += mechanism.effects(Move(prepared.machine, prepared.layout.points, travels[columns]))
    return found


def moved_by(moves: Sequence[MoveOf | None]) -> tuple[str, ...]:
    """Return the adjusters that moves move."""
    return tuple([move.adjuster for move in moves if move is not None])


def cautions(
    prepared: Geometry, survey: Survey, advice: Advice, moved: tuple[str, ...], learnt: Responses | None
) -> list[str]:
    """Return the cautions that go with what is to be done now; none where nothing is."""
    if advice.do == "nothing":
        return []
    found = list(prepared.said_of(moved).cautions if moved else GENERAL_CAUTIONS[:1])
    if learnt is not None and learnt.stop:
        found.insert(0, sentences.did_not_obey(learnt.stop))
    if survey.bed_temperature is not None and survey.bed_temperature >= HOT:
        found.insert(0, sentences.bed_burns(survey.bed_temperature))
    return found


def notes(
    prepared: Geometry,
    solve: Solve[Any],
    moved: tuple[str, ...],
    values: Sequence[float],
    drift: float,
    learnt: Responses | None,
) -> list[str]:
    """Return what else is to be known of the readings of one survey, its single ``values``, and of the moves."""
    machine, found = prepared.machine, list(prepared.notes)
    if moved and solve.criterion != "least-squares":
        found.append(sentences.TRAVELS_OF_A_ZONE)
    if learnt is not None:
        found += learnt.notes
    if drift:
        found.append(drift_in_no_budget(machine.sense * drift, machine.units, DECIMALS[machine.units]))
    if (more := prepared.layout.more_scatter(values)) is not None:
        found.append(repeats_scatter(*more, machine.units, DECIMALS[machine.units]))
    return found
