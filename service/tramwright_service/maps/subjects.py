"""From a request and its answer to the drawing of it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np

from tramwright_solvers.comparison.results import Comparison
from tramwright_solvers.model.contract import Floats
from tramwright_solvers.model.machine import Machine
from tramwright_solvers.model.units import DECIMALS
from tramwright_solvers.planning import SurveyPlan
from tramwright_solvers.planning.results import Rating
from tramwright_solvers.results.correction import Correction
from tramwright_solvers.results.moves import MoveOf
from tramwright_solvers.reversal import Reversal
from tramwright_solvers.reversal.results import ReversalForm

from . import sentences
from .drawing import Callout, Drawing, Panel


def of_correction(asked: Any, answer: Correction) -> Drawing:
    """Return the drawing of a correction: the gap as found, what to move, and the gap afterwards.

    In the midst of the work the gap as it is now stands in the place of the gap as found: what is left to move is
    moved from there.
    """
    machine: Machine = asked.machine
    digits, unit, kept = DECIMALS[answer.units], answer.units, asked.solve.offset == "keep"
    stations, patches = answer.predicted.stations, answer.patches
    points = np.array([(one.x, one.y) for one in stations])
    doubtful = {(one.x, one.y) for one in answer.suspects} | {(one.x, one.y) for one in answer.advice.read}
    if (progress := answer.progress) is None:
        title, after, total = sentences.AS_FOUND, sentences.AFTER, answer.as_found
        gaps = [one.before for one in stations]
    else:
        title, after, total = sentences.now(len(progress.steps)), sentences.AFTER_THE_REST, progress.now
        gaps = [one.gap for one in progress.stations]
    found, says = about_mean(gaps, kept), sentences.total(total, digits, unit)
    callouts = [one for move in answer.moves for one in callout_of(machine, move, digits)]
    panels = [gap_panel(title, says, points, found, digits, patches, callouts=callouts, rings=sorted(doubtful))]
    if answer.moves:
        left = about_mean([one.gap for one in stations], kept)
        says = sentences.total(answer.predicted, digits, unit)
        panels.append(gap_panel(after, says, points, left, digits, patches))
    return Drawing(
        machine,
        sentences.gap_title(answer.machine),
        answer.says,
        sentences.correction_tells(answer, digits),
        panels,
        [sentences.CONTOURS, sentences.SIGNS, *([sentences.DOUBTFUL] if doubtful else [])],
        sentences.gap_scale(kept, unit),
    )


def of_comparison(asked: Any, answer: Comparison) -> Drawing:
    """Return the drawing of a comparison: the gap in both surveys, and its change."""
    machine: Machine = asked.machine
    digits, unit, kept, stations = DECIMALS[answer.units], answer.units, asked.offset == "keep", answer.stations
    points = np.array([(one.x, one.y) for one in stations]).reshape(-1, 2)
    changed = [(one.x, one.y) for one in stations if one.significant]
    total = answer.total
    shown = [
        (sentences.BEFORE, sentences.length(total.before, digits, unit), [one.before for one in stations], kept),
        (sentences.AFTERWARDS, sentences.length(total.after, digits, unit), [one.after for one in stations], kept),
        (sentences.CHANGE, sentences.ringed(len(changed), len(stations)), [one.change for one in stations], True),
    ]
    panels = [gap_panel(title, says, points, about_mean(gaps, as_is), digits) for title, says, gaps, as_is in shown[:2]]
    title, says, gaps, _ = shown[2]
    # What alone explains the change goes before what only together with others would.
    alone = [(one, one.if_alone) for one in answer.adjusters if one.explains]
    together = [(one, one.travel) for one in answer.adjusters if one.significant]
    callouts = [
        Callout(one.adjuster, x, y, (one.adjuster, *said), travel > 0.0)
        for one, travel in alone or together
        if travel
        for x, y in place_of(machine, one.adjuster)
        for said in [sentences.explains(travel, one.explains, digits, unit)]
    ]
    panels.append(gap_panel(title, says, points, np.array(gaps), digits, callouts=callouts, rings=changed))
    return Drawing(
        machine,
        sentences.gap_title(answer.machine),
        answer.says,
        sentences.comparison_tells(answer, digits),
        panels if len(stations) else panels[2:],
        [sentences.CONTOURS, sentences.SIGNS, sentences.CHANGED],
        sentences.gap_scale(kept, unit),
    )


def of_reversal(asked: Any, answer: Reversal) -> Drawing:
    """Return the drawing of a reversal: the forms of plate and gantry."""
    digits, unit = DECIMALS[answer.units], answer.units

    def panel(title: str, form: ReversalForm) -> Panel:
        points = np.array([(one.x, one.y) for one in form.stations]).reshape(-1, 2)
        says = sentences.form_range(form, digits, unit)
        return gap_panel(title, says, points, np.array([one.height for one in form.stations]), digits)

    return Drawing(
        asked.machine,
        sentences.reversal_title(answer.machine),
        answer.says,
        sentences.reversal_tells(answer, digits),
        [panel(sentences.PLATE, answer.plate), panel(sentences.GANTRY, answer.gantry)],
        [sentences.CONTOURS, sentences.SIGNS, sentences.PLATE_FRAME, answer.undecided.says],
        sentences.height_scale(unit),
    )


def of_survey_plan(asked: Any, answer: SurveyPlan) -> Drawing:
    """Return the drawing of a survey plan: the stations by number, the way from each to the next, what is kept out."""
    digits, unit, machine = DECIMALS[answer.units], answer.units, asked.machine

    def panel(title: str, rating: Rating) -> Panel:
        stops = rating.stations
        places = [(stop.x, stop.y) for stop in stops]
        callouts = [
            Callout(one.adjuster, x, y, (one.adjuster, sentences.known_to(one.u, digits, unit)))
            for one in rating.moves
            for x, y in place_of(machine, one.adjuster)
        ]
        # the first station is reached from the last one: its reading closes the survey
        ways = [(places[number - 1], place, stops[number].over_kept_out) for number, place in enumerate(places)]
        return Panel(
            title,
            sentences.plan_size(rating, unit),
            np.array(places),
            [str(number) for number in range(1, len(places) + 1)],
            (0, len(places) - 1),
            callouts=callouts,
            ways=ways,
            kept_out=asked.keep_out,
        )

    panels = [panel(sentences.PROPOSED, answer.plan)]
    if answer.yours is not None:
        panels.append(panel(sentences.YOURS, answer.yours))
    return Drawing(
        machine,
        sentences.plan_title(answer.machine),
        answer.says,
        sentences.plan_tells(answer),
        panels,
        [sentences.PLAN_SIGNS, *([sentences.KEPT_OUT] if asked.keep_out else [])],
    )


def about_mean(gaps: Sequence[float], kept: bool) -> Floats:
    """Return gaps as they are shown: where the zero is free, about their mean."""
    shown = np.array(gaps)
    return shown if kept or not len(shown) else shown - shown.mean()


def gap_panel(
    title: str,
    says: str,
    points: Floats,
    shown: Floats,
    digits: int,
    patches: Sequence[Sequence[int]] = (),
    callouts: Sequence[Callout] = (),
    rings: Sequence[tuple[float, float]] = (),
) -> Panel:
    """Return a panel of heights at stations (n, 2), which may be none."""
    labels = [sentences.edge(value, digits) for value in shown.tolist()]
    first = (int(np.argmax(shown)), int(np.argmin(shown))) if len(shown) else ()
    return Panel(title, says, points, labels, first, shown, patches, callouts, rings)


def place_of(machine: Machine, adjuster: str) -> list[tuple[float, float]]:
    """Return where the adjuster of this name stands; nothing where no support or seat has it."""
    fixed = [*machine.supports, *(machine.rails.seats if machine.rails else ())]
    return [(one.x, one.y) for one in fixed if one.id == adjuster]


def callout_of(machine: Machine, move: MoveOf, digits: int) -> Iterator[Callout]:
    """Yield what is written of a move, where its adjuster has a place."""
    says = (move.adjuster, sentences.travel(move, digits, machine.units), *sentences.turn(move, machine.units))
    for x, y in place_of(machine, move.adjuster):
        yield Callout(move.adjuster, x, y, says, move.travel > 0.0)
