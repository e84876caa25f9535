"""How a rigid bed on more than three supports is set: three carry it, the others are backed off and brought up again.

So the trade works: a plane is set by three screws, and every further one only has to touch. Of the screws that could
carry, those are taken between which the bed stands safest.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from functools import lru_cache
from itertools import combinations

import numpy as np
from msgspec.structs import replace
from numpy.typing import NDArray

from ...model.contract import Adjuster, Carried, Floats, Move, Part, Replay
from ...model.machine import Machine
from ..rigid import COLLINEAR, plane_shares, positions
from . import sentences

CLEAR_MM = 0.2
"""A screw is backed off so far that this much stays between its tip and the bed while the others are set. Common
practice, no source."""

FURTHER = 1.9
"""What is clear of the bed stays so where it went no less than 0.7 and the others go no more than 1.3 of what was
asked. Our own choice."""

SAFE = 0.05
"""A bed whose middle lies further than this share of its supports' extent inside the three that carry stands by
itself. Our own choice."""


def set_on_three(move: Move, adjusters: Sequence[Adjuster], held: Collection[str]) -> tuple[Part, ...]:
    """Return the parts of travels (n,) that keep the n supports in one plane, by way of three that carry.

    The three are set one after the other, those that lift the bed off the others first. Their ``counts`` are the
    heights of all supports' places in the plane through the three, so that the change of gap is exact.
    """
    travels, machine, at = move.travels, move.machine, positions(move.machine.supports)
    clear: Mapping[int, float] = {}
    if move.standing is not None and move.standing.carry:
        carry, clear = list(move.standing.carry), move.standing.clear
        inside = inside_of(machine, at, carry)
    else:
        carry, inside = carriers(machine, at, travels, adjusters, held)
    shares = plane_shares(at[carry], at)
    moved = bool(travels[carry].any())
    others = [j for j, one in enumerate(adjusters) if j not in carry and one.id not in held and (moved or clear.get(j))]
    lifts = shares * travels[carry]
    turn = np.argsort(-lifts[others].sum(axis=0), kind="stable").tolist()
    low = np.minimum(np.cumsum(lifts[:, turn], axis=1).min(axis=1), 0.0)
    names = [one.id for one in adjusters]
    off = {j: clearance(machine, adjusters, j, float(low[j])) if moved else 0.0 for j in others}
    for j in [j for j in others if j in clear]:
        # what touches the bed, or may where this one went less and the others go further than asked, goes further off
        safe = FURTHER * float(low[j])
        further = clearance(machine, adjusters, j, safe) - clear[j]
        off[j] = max(further, 0.0) if moved and clear[j] < -safe else 0.0
    parts = [Part(j, -back, {}) for j, back in off.items() if back]
    parts += [
        Part(carry[i], float(travels[carry[i]]), dict(enumerate(lifts[:, i].tolist())))
        for i in turn
        if travels[carry[i]]
    ]
    parts += [Part(j, None, {}, about=clear.get(j, 0.0) + off[j] + float(travels[j])) for j in others]
    if not others or clear:
        return tuple(parts)
    says = sentences.three_carry([names[j] for j in carry], [names[j] for j in others])
    if inside < SAFE:
        middle = plane_shares(at[carry], middle_of(machine)[None])[0]
        says += sentences.hold_it_down(names[carry[int(np.argmin(middle))]])
    return (replace(parts[0], says=says), *parts[1:])


def replay(carried: Carried, adjusters: Sequence[Adjuster], held: Collection[str]) -> Replay:
    """Return what steps did that :func:`set_on_three` told on the way to these travels.

    Three carry the bed as long as the work lasts; the others are moved clear of it.
    """
    machine, at = carried.machine, positions(carried.machine.supports)
    carry, _ = carriers(machine, at, carried.travels, adjusters, held)
    shares, clear, counts = plane_shares(at[carry], at), dict[int, float](), list[Mapping[int, float] | None]()
    for column, travel in carried.done:
        if column not in carry:
            counts.append({})
            if travel is None:
                clear.pop(column, None)
            else:
                clear[column] = clear.get(column, 0.0) - travel
            continue
        if travel is None:
            counts.append(None)
            continue
        lifts = shares[:, carry.index(column)]
        counts.append(dict(enumerate(lifts.tolist())))
        for other in clear:
            clear[other] += travel * float(lifts[other])
    return Replay(tuple(counts), tuple(carry), clear)


def inside_of(machine: Machine, at: Floats, carry: Sequence[int]) -> float:
    """Return how far inside three supports (n, 2) the middle of the bed lies, as :func:`tripods` tells it."""
    triples, inside = tripods(tuple(map(tuple, at.tolist())), tuple(middle_of(machine).tolist()))
    return float(inside[int(np.argmax((triples == np.sort(carry)).all(axis=1)))])


def carriers(
    machine: Machine, at: Floats, travels: Floats, adjusters: Sequence[Adjuster], held: Collection[str]
) -> tuple[list[int], float]:
    """Return the three supports to carry, and how far inside them the middle of the bed lies, by their extent.

    They hold as many as there are of the screws that must not be moved, and leave off only what can be backed off. Then
    the middle of the bed decides, then how many of the others would move anyway, then the effort of the others, which
    are spared exact setting, then how little those travel.
    """
    triples, inside = tripods(tuple(map(tuple, at.tolist())), tuple(middle_of(machine).tolist()))
    fixed = np.array([one.id in held for one in adjusters])
    lowest = np.minimum(travels, 0.0) - machine.from_mm(CLEAR_MM)
    stuck = fixed | (np.array([one.lower for one in adjusters]) > lowest)
    effort = np.array([one.effort for one in adjusters])
    size = np.abs(travels)
    keys = np.stack(
        [
            np.round(size, 12)[triples].sum(axis=1),
            -effort[triples].sum(axis=1),
            -(size[triples] > 0).sum(axis=1),
            inside,
            stuck[triples].sum(axis=1),
            fixed[triples].sum(axis=1),
            np.isfinite(inside),
        ]
    )
    best = int(np.lexsort(keys)[-1])
    return triples[best].tolist(), float(inside[best])


@lru_cache(maxsize=256)
def tripods(supports: tuple[tuple[float, ...], ...], middle: tuple[float, ...]) -> tuple[NDArray[np.int64], Floats]:
    """Return every three of the supports (k, 3), and how far inside each the middle of the bed lies, by the extent of
    all; -inf where they carry no plane.
    """
    at = np.array(supports)
    triples = np.array(list(combinations(range(len(at)), 3)))
    a, b, c = (at[triples[:, corner]] for corner in range(3))
    sides = np.stack([c - b, a - c, b - a])
    lengths = np.hypot(sides[..., 0], sides[..., 1])
    double = sides[0, :, 0] * sides[1, :, 1] - sides[0, :, 1] * sides[1, :, 0]
    from_ends = np.array(middle) - np.stack([b, c, a])
    heights = (sides[..., 0] * from_ends[..., 1] - sides[..., 1] * from_ends[..., 0]) * np.sign(double) / lengths
    inside = np.round(heights.min(axis=0) / np.ptp(at, axis=0).max(), 6)
    inside[np.abs(double) < COLLINEAR * lengths.max(axis=0) ** 2] = -np.inf
    return triples, inside


def middle_of(machine: Machine) -> Floats:
    """Return the middle of the bed in plan, where its weight is taken to be."""
    return np.array([sum(machine.bed.x) / 2, sum(machine.bed.y) / 2])


def clearance(machine: Machine, adjusters: Sequence[Adjuster], j: int, low: float) -> float:
    """Return how far to back an adjuster off, so that it stays clear of a bed that comes down to ``low`` over it."""
    own = adjusters[j]
    errors = sum(one.setting or 0.0 for one in adjusters)
    back = machine.from_mm(CLEAR_MM) + errors - low
    if own.step is not None:
        back = own.step * np.ceil(back / own.step)
    return float(min(back, -own.lower))
