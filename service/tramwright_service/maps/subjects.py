"""From an answer to its drawing."""

from __future__ import annotations

from typing import Any

import numpy as np

from tramwright_solvers.model.contract import Floats
from tramwright_solvers.model.machine import Machine
from tramwright_solvers.model.units import DECIMALS
from tramwright_solvers.results.correction import Correction
from tramwright_solvers.results.moves import MoveOf

from . import sentences
from .drawing import Callout, Drawing, Panel


def of_correction(asked: Any, answer: Correction) -> Drawing:
    """Return the drawing of a correction: the gap as found, what to move, and the gap afterwards."""
    machine: Machine = asked.machine
    digits, unit, kept = DECIMALS[answer.units], answer.units, asked.solve.offset == "keep"
    stations = answer.predicted.stations
    points = np.array([(one.x, one.y) for one in stations])
    doubtful = {(one.x, one.y) for one in answer.suspects} | {(one.x, one.y) for one in answer.advice.read}
    panels = [
        gap_panel(
            sentences.AS_FOUND,
            sentences.total(answer.as_found, digits, unit),
            points,
            np.array([one.before for one in stations]),
            kept,
            digits,
            callouts=[callout(machine, move, digits) for move in answer.moves if place_of(machine, move.adjuster)],
            rings=sorted(doubtful),
        )
    ]
    if answer.moves:
        left = np.array([one.gap for one in stations])
        says = sentences.total(answer.predicted, digits, unit)
        panels.append(gap_panel(sentences.AFTER, says, points, left, kept, digits))
    notes = [sentences.CONTOURS, sentences.SIGNS, *([sentences.DOUBTFUL] if doubtful else [])]
    return Drawing(
        machine,
        sentences.correction_title(answer.machine),
        answer.says,
        sentences.correction_tells(answer, digits),
        panels,
        notes,
        sentences.quantity(kept, unit),
    )


def gap_panel(title: str, says: str, points: Floats, gaps: Floats, kept: bool, digits: int, **more: Any) -> Panel:
    """Return a panel of gaps: where the zero is free, about their mean."""
    shown = gaps if kept else gaps - gaps.mean()
    labels = [sentences.edge(value, digits) for value in shown]
    return Panel(title, says, points, labels, (int(np.argmax(shown)), int(np.argmin(shown))), shown, **more)


def place_of(machine: Machine, adjuster: str) -> tuple[float, float] | None:
    """Return where an adjuster of this name stands, None where no support or seat has it."""
    fixed = [*machine.supports, *(machine.rails.seats if machine.rails else ())]
    return next(((one.x, one.y) for one in fixed if one.id == adjuster), None)


def callout(machine: Machine, move: MoveOf, digits: int) -> Callout:
    """Return what is written of a move."""
    x, y = place_of(machine, move.adjuster) or (0.0, 0.0)
    says = (move.adjuster, sentences.travel(move, digits, machine.units), *sentences.turn(move, machine.units))
    return Callout(move.adjuster, x, y, says, move.travel > 0.0)
