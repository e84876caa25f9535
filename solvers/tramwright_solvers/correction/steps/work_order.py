"""The order of work: slackened seats first, screws last, with the dial reading of every step.

Seats come first because moving one upsets what the screws have set (common practice, no source). Each mechanism says in
which parts its travels are made. Each step parks the indicator at the station where that part moves the gap most and
says what it reads before and after, in the user's own sense and from the zero of the first set-up.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from ...adjustment.shim_stacks import Stack
from ...model.contract import Adjuster, Floats, Part
from ...model.machine import Screw
from ...model.options import Solve
from ...model.units import DECIMALS, signed
from ...reduction.sentences import station_at
from ...results.findings import Place
from ...results.moves import Counted, MoveOf, Step
from . import sentences

if TYPE_CHECKING:
    from ..decision import Decision
    from ..geometry import Geometry
    from .parking import Spot


def turn_direction(screw: Screw, travel: float) -> Literal["clockwise", "anticlockwise"]:
    """Return which way to turn for this travel, as seen from where the screw is turned.

    Seen from above, a right-handed part turned clockwise advances downwards relative to its mate: if it stays, its
    mate comes up and the bed with it; if it travels, it goes down and takes the bed along. A left hand, a view from
    below, and a downward travel each reverse the direction.
    """
    clockwise = (travel > 0) ^ screw.travels ^ (screw.hand == "left") ^ (screw.seen_from == "below")
    return "clockwise" if clockwise else "anticlockwise"


def move_of(
    adjuster: Adjuster, solver: str, travel: float, u: float | None, stack: Stack | None, ask: float | None = None
) -> MoveOf:
    """Return the move of one adjuster: as turns where it has a thread, as sheets where it is shimmed.

    ``ask`` is the travel to set for it, where that is known to differ from the travel it will make.
    """
    set_to = travel if ask is None else ask
    if (scale := adjuster.scale) is not None:
        counts = set_to / scale.travel
        counted = Counted(abs(counts), scale.unit, scale.up if counts > 0 else scale.down, scale.seen_from)
        return MoveOf(adjuster.id, solver, travel, u, ask=ask, counted=counted)
    if (screw := adjuster.screw) is not None:
        turns, way = abs(set_to) / screw.lead, turn_direction(screw, travel)
        return MoveOf(adjuster.id, solver, travel, u, ask, turns, 360.0 * turns, way, screw.seen_from)
    if stack is not None:
        return MoveOf(adjuster.id, solver, travel, u, stack=list(stack.add), remove=list(stack.remove) or None)
    return MoveOf(adjuster.id, solver, travel, u, ask=ask)


def moves_of(solve: Solve[Any], decided: Decision, asked: Sequence[list[float] | None]) -> list[list[MoveOf | None]]:
    """Return each survey's moves, None for an adjuster that stands still; ``asked`` is what to set for its travels
    (m,), None where it is these."""
    chosen, found, told = decided.chosen, [], solve.criterion == "least-squares"
    rows = zip(chosen.index.tolist(), chosen.travels.tolist(), chosen.u.tolist(), decided.settled, strict=True)
    for own, asks, (index, travels, u, settled) in zip(decided.prepared, asked, rows, strict=True):
        stacks = settled.stacks.get(index, {}) if settled else {}
        moves: list[MoveOf | None] = [None] * len(travels)
        adjusters, solvers = own.adjusters, own.solver_of
        for at, travel in enumerate(travels):
            if travel:
                ask = None if asks is None or asks[at] == travel else asks[at]
                error = u[at] if told else None
                moves[at] = move_of(adjusters[at], solvers[at], travel, error, stacks.get(at), ask)
        found.append(moves)
    return found


def readings_first(prepared: Geometry, places: Sequence[Place], gap: Sequence[float]) -> list[Step]:
    """Return the steps that read these stations, again or as well; ``gap`` is as found, one value a station."""
    if not places:
        return []
    known = {(place.x, place.y): height for place, height in zip(prepared.places, gap, strict=True)}
    machine, steps = prepared.machine, list[Step]()
    for place in places:
        found = known.get((place.x, place.y))
        before = None if found is None else machine.sense * found
        written = None if before is None else signed(before, DECIMALS[machine.units])
        do = sentences.read_station(station_at(place.x, place.y), written, machine.units)
        steps.append(Step(do, None, None, place, before, None, None))
    return steps


def steps_for(
    prepared: Geometry,
    moves: Sequence[MoveOf | None],
    travels: Floats,
    gap: Sequence[float],
    under_dial: int | None = None,
) -> list[Step]:
    """Return the steps that carry out the moves by these travels (m,); ``gap`` is as it is now, one value a station.

    The adjuster ``under_dial``, by its column, goes first where the order does not matter.
    """
    adjusters, unit, sense = prepared.adjusters, prepared.machine.units, prepared.machine.sense
    parking, places, linear = prepared.parking, prepared.places, prepared.linear
    made, steps = dict[int, float](), list[Step]()
    for first, part in work(prepared, moves, travels, under_dial):
        own, adjuster = first + part.adjuster, adjusters[first + part.adjuster]
        change = {first + column: travel for column, travel in part.counts.items() if travel}
        spot, before, by = parking.spot_for(change, own), 0.0, 0.0
        there = spot.there
        if linear:
            for j, travel in made.items():
                before += there[j] * travel
            for j, travel in change.items():
                by += there[j] * travel
                made[j] = made.get(j, 0.0) + travel
        else:
            before = moved_at(prepared, spot, made)
            for j, travel in change.items():
                made[j] = made.get(j, 0.0) + travel
            by = moved_at(prepared, spot, made) - before
        before = sense * (gap[spot.station] + before)
        after = before + sense * by
        move = part_of(adjuster, prepared.solver_of[own], part, moves[own])
        if change:
            eased = [adjusters[first + column].id for column in part.eases] if part.eases else ()
            do = sentences.instruction(unit, adjuster, move, spot.at, before, after, eased)
        elif part.travel is None:
            do = sentences.brought_up(unit, move, spot.at, before)
        else:
            do = sentences.backed_off(unit, move, spot.at, before)
        do = f"{part.says} {do}" if part.says else do
        goes: Literal["up", "down", "still"] = "still" if not change else "up" if after > before else "down"
        steps.append(Step(do, move.adjuster, part.travel, places[spot.station], before, after, goes))
    return steps


def moved_at(prepared: Geometry, spot: Spot, travels: Mapping[int, float]) -> float:
    """Return the exact change of gap at a spot that these travels by column make."""
    made = np.zeros(len(prepared.adjusters))
    made[list(travels)] = list(travels.values())
    return float(prepared.change_at(prepared.layout.points[spot.station : spot.station + 1], made)[0])


def work(
    prepared: Geometry, moves: Sequence[MoveOf | None], travels: Floats, under_dial: int | None = None
) -> list[tuple[int, Part]]:
    """Return the parts of the moves in order, each with the column at which its mechanism's adjusters begin.

    The adjuster at which the dial stands already, by its column, goes first where the order does not matter.
    """
    parts = [
        (columns.start, part)
        for mechanism, columns in zip(prepared.mechanisms, prepared.columns, strict=True)
        if any(moves[columns]) or ((standing := prepared.standing_of(mechanism)) and standing.clear)
        for part in mechanism.parts(prepared.moving(mechanism, columns, travels))
    ]
    parts.sort(key=lambda part: not prepared.adjusters[part[0] + part[1].adjuster].slackens)
    if prepared.ordered:
        return in_their_order(parts, prepared.adjusters)
    return parts if under_dial is None else that_first(parts, under_dial, prepared.adjusters)


def that_first(parts: list[tuple[int, Part]], column: int, adjusters: Sequence[Adjuster]) -> list[tuple[int, Part]]:
    """Return the parts with that of one adjuster first.

    They stay as they are where it goes in rounds, where others are backed off before any is moved, and where it is no
    seat while seats are still to be moved.
    """
    own = [one for one in parts if one[0] + one[1].adjuster == column]
    if len(own) != 1 or not own[0][1].counts:
        return parts
    if any(adjusters[first + part.adjuster].slackens for first, part in parts) and not adjusters[column].slackens:
        return parts
    beside = [part for first, part in parts if first == own[0][0]]
    moved = [part.adjuster for part in beside if part.counts]
    if len(set(moved)) < len(moved) or any(not part.counts and part.travel is not None for part in beside):
        return parts
    return own + [one for one in parts if one is not own[0]]


def in_their_order(parts: Sequence[tuple[int, Part]], adjusters: Sequence[Adjuster]) -> list[tuple[int, Part]]:
    """Return the parts with those behind others whose adjuster goes ``after`` theirs; else their order stays."""
    ids = [adjuster.id for adjuster in adjusters]
    waiting, done = list(parts), list[tuple[int, Part]]()
    while waiting:
        left = {ids[first + part.adjuster] for first, part in waiting}
        free = (
            at for at, (first, part) in enumerate(waiting) if not left & set(adjusters[first + part.adjuster].after)
        )
        # adjusters that wait for each other wait for nobody
        done.append(waiting.pop(next(free, 0)))
    return done


def part_of(adjuster: Adjuster, solver: str, part: Part, whole: MoveOf | None) -> MoveOf:
    """Return one part of an adjuster's move; one that is backed off may have no move of its own."""
    travel = part.about if part.travel is None else part.travel
    if whole is not None and travel == whole.travel:
        return whole
    u: float | None = 0.0
    ask = None
    if whole is not None and part.counts:
        u, ask = whole.u, None if whole.ask is None else whole.ask * travel / whole.travel
    return move_of(adjuster, solver, travel, u, None, ask)
