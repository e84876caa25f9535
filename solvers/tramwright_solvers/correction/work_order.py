"""The order of work: slackened seats first, screws last, with the dial reading of every step.

Seats come first because moving one upsets what the screws have set (common practice, no source). Each step parks the
indicator at the station where that adjuster moves the gap most and says what it reads before and after, in the user's
own sense and from the zero of the first set-up.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Literal

from ..adjustment.shim_stacks import Stack
from ..model.contract import Adjuster
from ..model.machine import Screw
from ..model.units import WRITTEN
from ..reduction.sentences import station_at
from ..results.correction import MoveOf, Step
from ..results.findings import Place
from . import sentences

if TYPE_CHECKING:
    from .geometry import Geometry


def turn_direction(screw: Screw, travel: float) -> Literal["clockwise", "anticlockwise"]:
    """Return which way to turn for this travel, as seen from where the screw is turned.

    Seen from above, a right-handed part turned clockwise advances downwards relative to its mate: if it stays, its
    mate comes up and the bed with it; if it travels, it goes down and takes the bed along. A left hand, a view from
    below, and a downward travel each reverse the direction.
    """
    clockwise = travel > 0
    for reversed_ in (screw.travels, screw.hand == "left", screw.seen_from == "below"):
        clockwise ^= reversed_
    return "clockwise" if clockwise else "anticlockwise"


def move_of(
    adjuster: Adjuster, solver: str, travel: float, u: float, stack: Stack | None, ask: float | None = None
) -> MoveOf:
    """Return the move of one adjuster: as turns where it has a thread, as sheets where it is shimmed.

    ``ask`` is the travel to set for it, where that is known to differ from the travel it will make.
    """
    if adjuster.screw is not None:
        turns = abs(travel if ask is None else ask) / adjuster.screw.lead
        return MoveOf(
            adjuster.id,
            solver,
            travel,
            u,
            ask=ask,
            turns=turns,
            degrees=360.0 * turns,
            direction=turn_direction(adjuster.screw, travel),
            seen_from=adjuster.screw.seen_from,
        )
    if stack is not None:
        return MoveOf(adjuster.id, solver, travel, u, stack=list(stack.add), remove=list(stack.remove) or None)
    return MoveOf(adjuster.id, solver, travel, u, ask=ask)


def readings_first(prepared: Geometry, places: Sequence[Place], gap: Sequence[float]) -> list[Step]:
    """Return the steps that read these stations, again or as well; ``gap`` is as found, one value a station."""
    known = {(place.x, place.y): height for place, height in zip(prepared.places, gap, strict=True)}
    machine, steps = prepared.machine, list[Step]()
    for place in places:
        found = known.get((place.x, place.y))
        before = None if found is None else machine.sense * found
        written = None if before is None else WRITTEN[machine.units][1] % before
        do = sentences.read_station(station_at(place.x, place.y), written, machine.units)
        steps.append(Step(do, None, None, place, before, None, None))
    return steps


def steps_for(prepared: Geometry, moves: Sequence[MoveOf | None], gap: Sequence[float]) -> list[Step]:
    """Return the steps that carry out the moves, one adjuster each; ``gap`` is as found, one value a station."""
    machine, adjusters, park = prepared.machine, prepared.adjusters, prepared.parking
    work = [(index, move) for index, move in enumerate(moves) if move is not None]
    work.sort(key=lambda item: not adjusters[item[0]].slackens)
    sense, made, steps = machine.sense, list[tuple[int, float]](), []
    for index, move in work:
        station, there = park.station[index], park.there[index]
        place = prepared.places[station]
        before = sense * (gap[station] + sum(there[j] * travel for j, travel in made))
        after = before + sense * there[index] * move.travel
        made.append((index, move.travel))
        steps.append(
            Step(
                do=sentences.instruction(machine.units, adjusters[index], move, park.at[index], before, after),
                adjuster=move.adjuster,
                travel=move.travel,
                park=place,
                dial_before=before,
                dial_after=after,
                dial_goes="up" if after > before else "down",
            )
        )
    return steps
