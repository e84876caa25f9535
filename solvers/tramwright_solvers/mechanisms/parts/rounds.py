"""Travels that are made in rounds: every adjuster goes a share of its way before any goes further."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from math import ceil

import numpy as np

from ...model.contract import Adjuster, Move, Part
from ...model.errors import Refused
from ...model.machine import Machine
from . import sentences

QUARTER = 0.25
"""Most turns that a screw makes in one round where it bends a plate. Common practice, no source."""

MOST_ROUNDS = 20
"""What takes more rounds is not to be done by moving screws or seats: it is a slip of reading, or something is loose or
damaged. Our own choice."""


def small_turns(move: Move, adjusters: Sequence[Adjuster]) -> tuple[Part, ...]:
    """Return the parts of travels that bend a plate: in rounds over all screws, a quarter turn at most in each.

    Raises:
        Refused: a screw would need more than :data:`MOST_ROUNDS`; the fault points at it.
    """
    travels = {at: float(move.travels[at]) for at in farthest_behind_first(move)}
    turns = {at: abs(travels[at]) / one.screw.lead for at, one in enumerate(adjusters) if one.screw and at in travels}
    most = max(turns, key=turns.__getitem__, default=0)
    rounds = ceil(turns.get(most, 0.0) / QUARTER - 1e-9)
    if rounds > MOST_ROUNDS:
        says = sentences.screw_too_far(adjusters[most].id, turns[most], QUARTER * MOST_ROUNDS)
        raise Refused.at(adjusters[most].pointer, says)
    shares = {at: shares_worth_making(move.machine, adjusters[at], travel, rounds) for at, travel in travels.items()}
    rounds = max(shares.values(), default=1)
    first = sentences.turned_in_rounds(rounds) if rounds > 1 else ""
    return as_parts(in_rounds(travels, shares, rounds, adjusters), rounds, first)


def farthest_behind_first(move: Move) -> list[int]:
    """Return the columns that travel, in their order; those of work under way that are farthest from their end first,
    so that a round begun is ended before the next."""
    moving = np.flatnonzero(move.travels)
    if move.standing is not None:
        made, left = np.abs(move.standing.made[moving]), np.abs(move.travels[moving])
        moving = moving[np.argsort(made / (made + left), kind="stable")]
    return [int(at) for at in moving]


def as_parts(
    made: Iterable[tuple[int, int, float]], rounds: int, first: str, eased: Mapping[int, tuple[int, ...]] | None = None
) -> tuple[Part, ...]:
    """Return shares as parts that say where a round begins, and ``first`` before all; ``eased`` go with a column."""
    found, begun = list[Part](), 0
    for turn, at, travel in made:
        says = sentences.round_of(turn, rounds) if turn > begun and rounds > 1 else ""
        found.append(
            Part(at, travel, {at: travel}, eases=(eased or {}).get(at, ()), says=says if begun else first + says)
        )
        begun = turn
    return tuple(found)


def shares_worth_making(machine: Machine, adjuster: Adjuster, travel: float, rounds: int) -> int:
    """Return in how many shares to make a travel: one a round, or fewer, so that each can be set and seen on the dial.

    A share is four divisions or twice the error of setting at least, and a whole step: the indicator is parked where
    it shows a part of it only.
    """
    least = max(4.0 * machine.division, 2.0 * (adjuster.setting or 0.0), adjuster.step or 0.0)
    return max(1, min(rounds, int(abs(travel) / least)))


def in_rounds(
    travels: Mapping[int, float], shares: Mapping[int, int], rounds: int, adjusters: Sequence[Adjuster]
) -> Iterator[tuple[int, int, float]]:
    """Yield round, column and travel of each share in turn; the shares of a column are spread evenly over the rounds.

    They add up to its travel, and each is a whole number of steps where it has a step.
    """
    for turn in range(1, rounds + 1):
        for column, travel in travels.items():
            count = shares[column]
            before, after = (
                reached(travel, past * count // rounds, count, adjusters[column].step) for past in (turn - 1, turn)
            )
            if after != before:
                yield turn, column, after - before


def reached(travel: float, made: int, of: int, step: float | None) -> float:
    """Return how far so many shares of a travel reach."""
    if made == of:
        return travel
    share = travel * made / of
    return share if step is None else step * round(share / step)
