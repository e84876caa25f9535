"""Least squares over whole steps and stacks of shims: the exact search.

The screws that move continuously are projected out, the rest is brought to triangular form, and the settings are
enumerated row by row within the radius of the best answer so far (U. Fincke and M. Pohst, Mathematics of Computation
44, 1985; nearest first after C. P. Schnorr and M. Euchner, Mathematical Programming 66, 1994). What the gap cannot see
is enumerated first; equal answers are settled by least effort.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TypeAlias

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from ..linalg.orthogonalize import dominant, less
from ..model.contract import Floats
from .constrained_lsq import RANK
from .shim_stacks import Counts, Discrete, Lattice, Stacks
from .work import CARRIED, CHUNK_CARRIED, Work

CHUNK = 2048
"""Partial settings that are carried on together."""

CHUNK_JUDGED = 128
"""The same where each must be judged for its share of scarce sheets."""

BLOCK = 512
"""Complete settings that are judged together."""

REACH = 32
"""Where the gap cannot see an unbounded run of steps, steps searched to each side of the continuous answer."""

LONGEST_RUN = 100_000
"""Most steps searched at one place; a longer run, cut short, is reported as a search that was stopped."""

STIFF = 10.0
"""Weight that turns equations among the travels into rows of the least squares; they are checked exactly at the end."""

SettleScrews: TypeAlias = Callable[[Mapping[int, int]], Floats | None]
Allowed: TypeAlias = Callable[[Mapping[int, int]], bool]


class Reduced(Struct, frozen=True):
    """Distance² to flatness as ``outside + |aim - blind_part - upper @ travels|²``, all for unit weights.

    ``seen`` and ``blind`` name the discrete columns in the order of ``upper`` (r, r) and of ``across`` (r, d - r).
    """

    seen: tuple[int, ...]
    blind: tuple[int, ...]
    upper: Floats
    across: Floats
    aim: Floats
    outside: float


class Frontier(Struct, frozen=True):
    """K partial settings of the same depth: picks so far, what is left to reach, distance² and effort² so far."""

    picks: Counts
    left: Floats
    distance: Floats
    effort: Floats

    def take(self, rows: Counts | slice | NDArray[np.bool_]) -> Frontier:
        """Return these rows."""
        return Frontier(self.picks[rows], self.left[rows], self.distance[rows], self.effort[rows])


def reduce(influence: Floats, to_fit: Floats, rows: Floats, discrete: tuple[int, ...]) -> Reduced:
    """Project out the continuous columns and factorise the discrete ones.

    ``influence`` (n, m) and ``to_fit`` (n,) are weighted; ``rows`` (e, m) are equations ``rows @ a = 0``.
    """
    matrix = np.vstack([influence, STIFF * rows])
    aim = np.concatenate([to_fit, np.zeros(len(rows))])
    continuous = [column for column in range(matrix.shape[1]) if column not in discrete]
    if continuous:
        reached = dominant(matrix[:, continuous], RANK)
        matrix, aim = less(matrix, reached), less(aim, reached)
    size = float(np.max(np.linalg.norm(influence, axis=0), initial=0.0))
    rest = matrix[:, list(discrete)].copy()
    seen: list[int] = []
    while len(seen) < len(discrete):
        norms = np.linalg.norm(rest, axis=0)
        place = int(np.argmax(norms))
        if norms[place] <= 10 * RANK * size:
            break
        axis = rest[:, place] / norms[place]
        for _ in range(2):  # once more, against rounding
            rest -= np.outer(axis, axis @ rest)
        rest[:, place] = 0.0
        seen.append(discrete[place])
    blind = tuple(column for column in discrete if column not in seen)
    seen = _longest_last(matrix, seen)
    ortho, upper = np.linalg.qr(matrix[:, seen])
    goal = ortho.T @ aim
    return Reduced(
        tuple(seen),
        blind,
        upper,
        ortho.T @ matrix[:, list(blind)],
        goal,
        float(np.sum((aim - ortho @ goal) ** 2)),
    )


def _longest_last(matrix: Floats, columns: list[int]) -> list[int]:
    """Order columns shortest first as they are orthogonalised: the search then starts where it is pruned hardest."""
    rest, order = {column: matrix[:, column] for column in columns}, []
    while rest:
        column = min(rest, key=lambda name: (float(np.linalg.norm(rest[name])), name))
        axis = rest.pop(column)
        axis = axis / np.linalg.norm(axis)
        rest = {name: vector - axis * (axis @ vector) for name, vector in rest.items()}
        order.append(column)
    return order


class Search:
    """A depth-first search over :class:`Reduced`, best first within each depth, within an allowance of work."""

    def __init__(
        self,
        *,
        reduced: Reduced,
        tables: Mapping[int, Discrete],
        effort: Floats,
        middle: Floats,
        settle: SettleScrews,
        screen: Callable[[Floats], Floats] | None,
        allowed: Allowed | None,
        slack: float,
        work: Work,
        share: float,
    ) -> None:
        """Prepare a search.

        ``effort`` (m,) and ``middle`` (m,), the continuous answer, are by column. ``settle`` completes picks by
        travels of the continuous adjusters, or says None; ``screen``, where given, sharpens the lower bounds of the
        norms of discrete travels, shape (K, m); ``allowed``, where given, judges part of the picks. Norms that differ
        by less than ``slack`` are equal. The search ends once this ``share`` of the work allowed is spent; the three
        functions count theirs to it.
        """
        self.reduced = reduced
        self.tables = tables
        self.effort = effort
        self.middle = middle
        self.settle = settle
        self.screen = screen
        self.allowed = allowed
        self.slack = slack
        self.work = work
        self.share = share
        self.order = (*reduced.blind, *reversed(reduced.seen))
        self.cut = False
        self.best = np.inf
        self.cost = np.inf
        self.travels: Floats | None = None

    def offer(self, travels: Floats, norm: float) -> None:
        """Keep these travels if they are better, or as good with less effort."""
        cost = float(np.sum((self.effort * travels) ** 2))
        if norm < self.best - self.slack or (norm <= self.best + self.slack and cost < self.cost * (1 - 1e-12)):
            self.travels, self.cost = travels, cost
        self.best = min(self.best, norm)

    def run(self, norm_of: Callable[[Floats], float]) -> float:
        """Search until done or all work is spent; return a lower bound of every norm, the best norm where done."""
        rank = len(self.reduced.seen)
        stack = [
            Frontier(
                np.zeros((1, 0), dtype=np.int64),
                self.reduced.aim[None, :].copy(),
                np.full(1, self.reduced.outside),
                np.zeros(1),
            )
        ]
        while stack:
            if self.work.over(self.share):
                self.cut = True
                return min(self.best, float(np.sqrt(min(float(part.distance.min()) for part in stack))))
            self.work.spend(CHUNK_CARRIED)
            part = stack.pop()
            size = CHUNK if self.allowed is None else CHUNK_JUDGED
            part, rest = part.take(slice(0, size)), part.take(slice(size, None))
            if len(rest.picks):
                stack.append(rest)
            part = part.take(self._promising(part))
            if self.allowed is not None and part.picks.shape[1]:
                judged = self._judged(part, self.allowed)
                if judged is None:
                    stack.append(part)
                    continue
                part = judged
            if not len(part.picks):
                continue
            depth = part.picks.shape[1]
            if depth == len(self.order):
                if not self._finish(part, norm_of):
                    stack.append(part)
                continue
            wider = self._blind(part, depth) if depth < len(self.order) - rank else self._seen(part, depth)
            wider = wider.take(self._promising(wider))
            if len(wider.picks):
                near = np.abs(self._travel(depth, wider.picks[:, -1]) - self.middle[self.order[depth]])
                stack.append(wider.take(np.lexsort((wider.effort, near, wider.distance))))
        return float(np.sqrt(self.reduced.outside)) if self.cut else self.best

    def _judged(self, part: Frontier, allowed: Allowed) -> Frontier | None:
        """Return the settings that are allowed so far, or None if all work was spent over them."""
        kept = np.zeros(len(part.picks), dtype=bool)
        for row, picks in enumerate(part.picks):
            if self.work.over(self.share):
                return None
            kept[row] = allowed(self._named(picks))
        return part.take(kept)

    def _named(self, picks: Counts) -> dict[int, int]:
        return {column: int(pick) for column, pick in zip(self.order, picks, strict=False)}

    def _travel(self, depth: int, picks: Counts) -> Floats:
        return self.tables[self.order[depth]].travel(picks)

    def _promising(self, part: Frontier) -> NDArray[np.bool_]:
        norm = np.sqrt(part.distance)
        better = norm < self.best - self.slack
        equal = (norm <= self.best + self.slack) & (part.effort < self.cost * (1 - 1e-12))
        return np.asarray(better | equal)

    def _widen(self, depth: int, first: Counts, count: Counts) -> tuple[Counts, Counts, Floats]:
        """Repeat each row for every pick in its run; return rows, picks and travels."""
        rows = np.repeat(np.arange(len(count)), count)
        self.work.spend(CARRIED * len(rows))
        picks = np.arange(len(rows)) - np.repeat(np.cumsum(count) - count, count) + np.repeat(first, count)
        return rows, picks, self._travel(depth, picks)

    def _next(self, part: Frontier, *, rows: Counts, picks: Counts, left: Floats, added: Floats) -> Frontier:
        depth = part.picks.shape[1]
        travel = self._travel(depth, picks)
        return Frontier(
            np.column_stack([part.picks[rows], picks]),
            left,
            part.distance[rows] + added,
            part.effort[rows] + (self.effort[self.order[depth]] * travel) ** 2,
        )

    def _blind(self, part: Frontier, depth: int) -> Frontier:
        table = self.tables[self.order[depth]]
        if isinstance(table, Stacks):
            low, high = 0, len(table.travels) - 1
        else:
            middle = table.nearest(float(self.middle[self.order[depth]]))
            low, high = int(max(table.first, middle - REACH)), int(min(table.last, middle + REACH))
        size = len(part.picks)
        rows, picks, travel = self._widen(depth, np.full(size, low), np.full(size, high - low + 1))
        left = part.left[rows] - travel[:, None] * self.reduced.across[:, depth]
        return self._next(part, rows=rows, picks=picks, left=left, added=np.zeros(len(rows)))

    def _seen(self, part: Frontier, depth: int) -> Frontier:
        row = len(self.order) - 1 - depth
        pivot = float(self.reduced.upper[row, row])
        centre = part.left[:, row] / pivot
        room = np.sqrt(np.maximum((self.best + self.slack) ** 2 - part.distance, 0.0)) / abs(pivot) * (1 + 1e-12)
        table = self.tables[self.order[depth]]
        if isinstance(table, Stacks):
            first = np.searchsorted(table.travels, centre - room, side="left")
            last = np.searchsorted(table.travels, centre + room, side="right") - 1
        else:
            first, last = self._steps(table, centre, room)
        rows, picks, travel = self._widen(depth, first, np.maximum(last - first + 1, 0))
        left = part.left[rows] - travel[:, None] * self.reduced.upper[:, row]
        return self._next(part, rows=rows, picks=picks, left=left, added=left[:, row] ** 2)

    def _steps(self, table: Lattice, centre: Floats, room: Floats) -> tuple[Counts, Counts]:
        middle = np.clip(np.round(centre / table.step), table.first, table.last)
        wide = np.floor(room / table.step) + 1
        if np.any(wide > LONGEST_RUN):
            self.cut = True
            wide = np.minimum(wide, LONGEST_RUN)
        low = np.maximum(np.minimum(np.ceil((centre - room) / table.step), middle), middle - wide)
        high = np.minimum(np.maximum(np.floor((centre + room) / table.step), middle), middle + wide)
        return np.maximum(low, table.first).astype(np.int64), np.minimum(high, table.last).astype(np.int64)

    def _finish(self, part: Frontier, norm_of: Callable[[Floats], float]) -> bool:
        """Complete settings by the continuous adjusters, nearest first; say whether the work allowed sufficed."""
        order = self._ranked(part)
        for start in range(0, len(order), BLOCK):
            block = part.take(order[start : start + BLOCK])
            block = block.take(self._promising(block))
            if self.screen is not None and len(block.picks):
                block = self._screened(block, self.screen)
            block = block.take(self._promising(block))
            while len(block.picks):
                if self.work.over(self.share):
                    return False
                travels = self.settle(self._named(block.picks[0]))
                block = block.take(slice(1, None))
                if travels is not None:
                    self.offer(travels, norm_of(travels))
                    block = block.take(self._promising(block))
        return True

    def _screened(self, block: Frontier, screen: Callable[[Floats], Floats]) -> Frontier:
        """Replace distances² by sharper ones and sort by them."""
        travels = np.zeros((len(block.picks), len(self.effort)))
        for depth, column in enumerate(self.order):
            travels[:, column] = self._travel(depth, block.picks[:, depth])
        sharper = Frontier(block.picks, block.left, screen(travels) ** 2, block.effort)
        return sharper.take(self._ranked(sharper))

    def _ranked(self, part: Frontier) -> Counts:
        """Return the order nearest first, of equally near ones least effort first."""
        return np.lexsort((part.effort, np.round(np.sqrt(part.distance) / self.slack)))
