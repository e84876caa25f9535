"""What a discrete adjuster can be set to: whole steps, or stacks of shims from the stock at hand.

A stack's travel is its height after the move less its height now. Sheets fitted now may stay or come out; taken out,
they return to hand for the same seat. Adjusters of one pool share the counts of what they add.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from threading import Lock
from typing import TypeAlias

import numpy as np
from cachetools import LRUCache, cached
from msgspec import Struct
from numpy.typing import NDArray

from ..model.contract import Adjuster, Floats
from ..model.errors import Refused
from . import sentences

PLENTY = 1000
"""A count of at least this many means any number."""

LARGEST_STACK = 6
"""Most sheets under a seat where the machine names no limit: tall stacks of thin sheets are not stiff. Our own
choice."""

MOST_STACKS = 20_000
"""Different stacks that are searched under one seat; more are refused, with what to change."""

MOST_KEPT = 2**16
"""Stacks kept for the next survey of a machine: they hang on its stock alone. Some 20 MB at the most."""

MOST_DEALS = 20_000
"""Steps of the search that shares a scarce stock between the seats; settings that take more are skipped, and the answer
says so."""

SAME = 1e-9
"""Heights closer than this share of the thickest sheet are one height."""

Counts: TypeAlias = NDArray[np.int64]
Kept: TypeAlias = Callable[[Floats, Counts, int, float], tuple[Floats, Counts]]


class Lattice(Struct, frozen=True):
    """Whole multiples of ``step``, from ``first`` to ``last`` of them; either end may be infinite."""

    step: float
    first: float
    last: float

    @property
    def low(self) -> float:
        """Lowest travel."""
        return self.first * self.step

    @property
    def high(self) -> float:
        """Highest travel."""
        return self.last * self.step

    def travel(self, picks: Counts) -> Floats:
        """Return the travel of each pick, a number of steps."""
        return np.asarray(picks * self.step)

    def nearest(self, travel: float) -> int:
        """Return the pick next to a travel."""
        return int(np.clip(np.round(travel / self.step), self.first, self.last))


class Stacks(Struct, frozen=True):
    """Attainable travels of a shimmed seat, ascending, zero among them.

    ``counts`` has shape (n_travels, n_thicknesses): sheets of each of ``thicknesses``, thickest first, now under the
    seat, the fewest that make that height and of those the thickest.
    """

    travels: Floats
    counts: Counts
    thicknesses: tuple[float, ...]

    @property
    def low(self) -> float:
        """Lowest travel."""
        return float(self.travels[0])

    @property
    def high(self) -> float:
        """Highest travel."""
        return float(self.travels[-1])

    def travel(self, picks: Counts) -> Floats:
        """Return the travel of each pick, an index of ``travels``."""
        return np.asarray(self.travels[picks])

    def nearest(self, travel: float) -> int:
        """Return the pick next to a travel, of two equally near the nearer to zero."""
        away = np.abs(self.travels - travel)
        return int(np.lexsort((np.abs(self.travels), np.round(away / (SAME * self.thicknesses[0]))))[0])


Discrete: TypeAlias = Lattice | Stacks
Ways: TypeAlias = dict[int, list[tuple[Counts, tuple[int, ...]]]]
"""For each pick the stacks that make it, with what they take of scarce sheets."""


class Stack(Struct, frozen=True):
    """Sheets under a seat after the move, and what to add and what to take out for it; thickest first."""

    under: tuple[float, ...]
    add: tuple[float, ...]
    remove: tuple[float, ...]


def _size(found: Discrete | Ways | None) -> int:
    """Return how many stacks were found."""
    if isinstance(found, Stacks):
        return len(found.travels)
    return sum(map(len, found.values())) if isinstance(found, dict) else 1


@cached(LRUCache(MOST_KEPT, getsizeof=_size), lock=Lock())
def choices(adjuster: Adjuster) -> Discrete | None:
    """Return the attainable travels of an adjuster, or None where it moves continuously; to be read only.

    Raises:
        Refused: the stock makes more different stacks than are searched.
    """
    if adjuster.stock is not None:
        thicknesses, hand = _hand(adjuster)
        if not thicknesses:
            return Stacks(np.zeros(1), np.zeros((1, 0), dtype=np.int64), (1.0,))
        heights, counts = _piles(adjuster, thicknesses, hand, _fewest)
        counts[heights == 0.0] = _fitted(adjuster, thicknesses)
        order = np.argsort(heights, kind="stable")
        return Stacks(heights[order], counts[order], thicknesses)
    if adjuster.step is not None:
        first = np.ceil(adjuster.lower / adjuster.step - SAME)
        last = np.floor(adjuster.upper / adjuster.step + SAME)
        return Lattice(adjuster.step, min(float(first), 0.0), max(float(last), 0.0))
    return None


def stack_for(adjuster: Adjuster, under: Sequence[int] | Counts) -> Stack:
    """Name the sheets of a stack given as counts of each thickness at hand, thickest first."""
    thicknesses, _ = _hand(adjuster)
    fitted = _fitted(adjuster, thicknesses)
    now = np.asarray(under, dtype=np.int64)
    return Stack(
        _named(thicknesses, now),
        _named(thicknesses, np.maximum(now - fitted, 0)),
        _named(thicknesses, np.maximum(fitted - now, 0)),
    )


class Pools:
    """The shared counts of a set of adjusters: says which travels can be had together, and from which sheets.

    ``unsure`` becomes true once such a search was stopped for its length: an attainable setting may then be missing.
    ``dealt`` counts the steps of all deals.
    """

    def __init__(self, adjusters: Mapping[int, Adjuster], tables: Mapping[int, Discrete]) -> None:
        """Prepare for these adjusters and their choices, both keyed by column.

        Raises:
            Refused: a scarce stock makes more different stacks than are searched.
        """
        self.adjusters = adjusters
        self.tables = tables
        self._options: dict[int, Ways] = {}
        members: dict[str, list[int]] = {}
        for column, adjuster in adjusters.items():
            if adjuster.stock is not None and adjuster.pool is not None:
                members.setdefault(adjuster.pool, []).append(column)
        self.groups: list[tuple[list[int], dict[float, int]]] = []
        for columns in members.values():
            wanted = sum(most_sheets(adjusters[column]) for column in columns)
            scarce = {
                thickness: count
                for thickness, count in _counted(adjusters[columns[0]]).items()
                if count < min(wanted, PLENTY)
            }
            if len(columns) > 1 and scarce:
                self.groups.append((columns, scarce))
                for column in columns:
                    self._options[column] = ways(adjusters[column], tuple(scarce))
        self._known: dict[tuple[tuple[int, int], ...], dict[int, Counts] | None] = {}
        self.unsure = False
        self.dealt = 0

    def __bool__(self) -> bool:
        """Whether any count is scarce enough to matter."""
        return bool(self.groups)

    def together(self, picks: Mapping[int, int]) -> dict[int, Counts] | None:
        """Return a stack for each pick of a shimmed column, drawn from the shared counts, or None if there is none."""
        result: dict[int, Counts] = {}
        for column, pick in picks.items():
            table = self.tables[column]
            if isinstance(table, Stacks):
                result[column] = table.counts[pick]
        for columns, scarce in self.groups:
            key = tuple((column, pick) for column, pick in picks.items() if column in columns)
            if key not in self._known:
                deal = _Deal([self._options[column][pick] for column, pick in key])
                dealt = deal.from_sheets(0, tuple(scarce.values()))
                self.dealt += MOST_DEALS - deal.steps_left
                self.unsure |= deal.steps_left <= 0
                self._known[key] = (
                    None if dealt is None else {column: counts for (column, _), counts in zip(key, dealt, strict=True)}
                )
            shared = self._known[key]
            if shared is None:
                return None
            result |= shared
        return result


@cached(LRUCache(MOST_KEPT, getsizeof=_size), lock=Lock())
def ways(adjuster: Adjuster, scarce: tuple[float, ...]) -> Ways:
    """For each pick list the stacks that make it with what they take of the scarce sheets, best liked first; to be read
    only."""
    table = choices(adjuster)
    assert isinstance(table, Stacks)
    thicknesses, hand = _hand(adjuster)
    heights, counts = _piles(adjuster, thicknesses, hand, _every)
    fitted = _fitted(adjuster, thicknesses)
    taken = np.maximum(counts - fitted, 0)[:, [thicknesses.index(thickness) for thickness in scarce]]
    found: Ways = {}
    order = np.lexsort((*(-counts[:, ::-1].T), counts.sum(axis=1), np.any(counts != fitted, axis=1)))
    for index in order:
        pick = int(np.argmin(np.abs(table.travels - heights[index])))
        known, take = found.setdefault(pick, []), tuple(int(number) for number in taken[index])
        if not any(all(a <= b for a, b in zip(other, take, strict=True)) for _, other in known):
            known.append((counts[index], take))
    return found


class _Deal:
    """A search for one stack for each seat that together take no more than there is."""

    def __init__(self, seats: Sequence[list[tuple[Counts, tuple[int, ...]]]]) -> None:
        self.seats = seats
        self.dead: set[tuple[int, tuple[int, ...]]] = set()
        self.steps_left = MOST_DEALS

    def from_sheets(self, seat: int, left: tuple[int, ...]) -> list[Counts] | None:
        """Give each seat from this one on its best-liked stack that leaves enough for the rest."""
        if seat == len(self.seats):
            return []
        if (seat, left) in self.dead:
            return None
        for counts, take in self.seats[seat]:
            self.steps_left -= 1
            if self.steps_left <= 0:
                return None
            after = tuple(have - number for have, number in zip(left, take, strict=True))
            if min(after) >= 0:
                others = self.from_sheets(seat + 1, after)
                if others is not None:
                    return [counts, *others]
        self.dead.add((seat, left))
        return None


def _counted(adjuster: Adjuster) -> Counter[float]:
    counts: Counter[float] = Counter()
    for sheet in adjuster.stock or ():
        counts[sheet.thickness] += sheet.count
    return counts


def _hand(adjuster: Adjuster) -> tuple[tuple[float, ...], Counts]:
    """Return every thickness at hand for this seat, thickest first, and how many of each, its own sheets included."""
    hand = _counted(adjuster) + Counter(adjuster.fitted)
    thicknesses = tuple(sorted(hand, reverse=True))
    return thicknesses, np.array([hand[thickness] for thickness in thicknesses], dtype=np.int64)


def _fitted(adjuster: Adjuster, thicknesses: tuple[float, ...]) -> Counts:
    fitted = Counter(adjuster.fitted)
    return np.array([fitted[thickness] for thickness in thicknesses], dtype=np.int64)


def most_sheets(adjuster: Adjuster) -> int:
    """Return the most sheets under this seat; a pile that is already higher may stay as high."""
    limit = LARGEST_STACK if adjuster.largest_stack is None else adjuster.largest_stack
    return max(limit, len(adjuster.fitted))


def _named(thicknesses: tuple[float, ...], counts: Counts) -> tuple[float, ...]:
    return tuple(t for t, number in zip(thicknesses, counts, strict=True) for _ in range(int(number)))


def _piles(adjuster: Adjuster, thicknesses: tuple[float, ...], hand: Counts, kept: Kept) -> tuple[Floats, Counts]:
    """Enumerate travels and the counts of sheets that make them, within bounds and the largest stack."""
    most, standing = most_sheets(adjuster), float(sum(adjuster.fitted))
    same = SAME * thicknesses[0]
    heights, counts = np.zeros(1), np.zeros((1, len(thicknesses)), dtype=np.int64)
    # Thinnest first, so that the thickest, added last, decides between stacks of equally many sheets.
    for place in reversed(range(len(thicknesses))):
        numbers = np.arange(min(int(hand[place]), most) + 1)
        counts = np.repeat(counts, len(numbers), axis=0)
        counts[:, place] = np.tile(numbers, len(heights))
        heights = (heights[:, None] + thicknesses[place] * numbers).ravel()
        allowed = (counts.sum(axis=1) <= most) & (heights <= adjuster.upper + standing + same)
        heights, counts = kept(heights[allowed], counts[allowed], place, same)
        if len(heights) > MOST_STACKS:
            raise _too_many(adjuster)
    travels = heights - standing
    travels[np.abs(travels) <= same] = 0.0
    allowed = (travels >= adjuster.lower - same) & (travels <= adjuster.upper + same)
    return np.clip(travels[allowed], adjuster.lower, adjuster.upper), counts[allowed]


def _every(heights: Floats, counts: Counts, place: int, same: float) -> tuple[Floats, Counts]:
    """Keep every stack."""
    return heights, counts


def _fewest(heights: Floats, counts: Counts, place: int, same: float) -> tuple[Floats, Counts]:
    """Keep for each height the fewest sheets and, of those, the thickest: no attainable height is lost."""
    order = np.argsort(heights, kind="stable")
    heights, counts = heights[order], counts[order]
    group = np.concatenate([[0], np.cumsum(np.diff(heights) > same)])
    order = np.lexsort((-counts[:, place], counts.sum(axis=1), group))
    best = order[np.concatenate([[True], np.diff(group[order]) > 0])]
    return heights[best], counts[best]


def _too_many(adjuster: Adjuster) -> Refused:
    return Refused.at(
        adjuster.pool or f"{adjuster.pointer}/stock",
        sentences.too_many_stacks(adjuster.id, MOST_STACKS),
    )


def kept_and_added(adjuster: Adjuster) -> list[tuple[float, int, int]]:
    """Return for each thickness at hand how many sheets are fitted now and how many more there are, at most a stack."""
    thicknesses, hand = _hand(adjuster)
    fitted = _fitted(adjuster, thicknesses)
    return [
        (thickness, int(now), min(int(number - now), most_sheets(adjuster)))
        for thickness, now, number in zip(thicknesses, fitted, hand, strict=True)
    ]
