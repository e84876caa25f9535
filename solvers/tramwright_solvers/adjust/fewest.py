"""Which adjusters to touch: every subset that is worth considering, prepared once, and the choice among them.

Stations and adjusters meet in a space of few dimensions: that of the gaps which adjusters can make. A gap is split into
its coordinates ``c`` in that space and a part that nothing reaches, so that the least-squares answer of *every* subset
is one small matrix times ``c``. For three screws and four seats that is three dimensions and 62 subsets.
"""

from __future__ import annotations

from collections.abc import Collection
from functools import cached_property
from itertools import combinations
from math import comb

import numpy as np
from msgspec import Struct

from ..contract import Floats
from ..noise import Noise
from ..stacks import each
from .problem import Criterion, Problem
from .subsets import RANK, SLACK, batches, freedom, undominated

MOST_BOUNDED = 300
"""Subsets solved within their bounds before those that cannot be the best of their size are given up."""

EXACT_UP_TO = 12
MOST_SUBSETS = 5000


class Zone(Struct, frozen=True):
    """Subsets (k,) of equal size s and freedom f: their ``columns`` (k, s), ``free`` travels (k, s, f) and ``design``.

    ``design`` (k, n, f) is what those travels do to the gap, with a column of ones where the offset is free.
    """

    subsets: np.ndarray
    columns: np.ndarray
    free: Floats
    design: Floats


class Candidates(Struct, frozen=True, dict=True):
    """Subsets of the adjusters and their least-squares answers, for a problem with n stations and m adjusters.

    ``sets`` are K subsets as ascending column tuples, the empty one first and by size; ``effort`` and ``count`` their
    efforts and sizes. ``basis`` (r, n) takes a gap to its coordinates, ``lift`` (r, n) coordinates back to a gap,
    ``mean`` (n,) takes the weighted mean; ``fit`` (r, K·m) takes coordinates to travels, whose gains have rows of the
    lengths ``norms`` (K, m), ``left`` (r, n·K) to what remains at the stations and ``remain`` (r, K·r) to the
    coordinates of that. Every subset of up to ``exact_moves`` adjusters is among them.
    """

    problem: Problem
    sets: tuple[tuple[int, ...], ...]
    count: list[int]
    effort: list[float]
    basis: Floats
    lift: Floats
    mean: Floats
    fit: Floats
    norms: Floats
    left: Floats
    remain: Floats
    bounded: bool
    exact_moves: int

    def gain(self, index: int) -> Floats:
        """Return d travel / d gap of one subset, shape (m, n)."""
        adjusters = self.problem.influence.shape[1]
        gain: Floats = self.fit[:, index * adjusters : (index + 1) * adjusters].T @ self.basis
        return gain

    def u(self, chosen: np.ndarray, noise: Noise) -> Floats:
        """Return the standard uncertainty of every travel in the subset chosen for each survey (N,), shape (N, m)."""
        if noise.uniform is not None:
            return np.asarray(noise.uniform * self.norms[chosen])
        u = np.empty((len(chosen), self.norms.shape[1]))
        for index in np.unique(chosen).tolist():
            rows = np.flatnonzero(chosen == index)
            u[rows] = noise.some(rows).of(self.gain(index), self.norms[index])
        return u

    def evaluate(self, gaps: Floats, criterion: Criterion, unbounded: Collection[int] = ()) -> Table:
        """Return travels and what is left for every subset and every gap of the stack (N, n).

        Subsets listed as ``unbounded`` are left as they are without bounds, which no answer of theirs can undercut.
        """
        table = self.outline(gaps, criterion)
        if criterion == "minimum-zone":
            self.refine(table, gaps, np.broadcast_to(np.array(self.count) > 0, table.total.shape))
        if self.bounded:
            self._keep_within(gaps, criterion, table.travels, table.left, unbounded)
            table = self._measured(table.travels, table.left, criterion)
        return table

    def outline(self, gaps: Floats, criterion: Criterion) -> Table:
        """Return the least-squares answers of every subset, without bounds.

        Where the criterion is the minimum zone they bound it: from above by their spread, from below by twice their
        rms, since no deviation is everywhere less than its root mean square.
        """
        problem, (surveys, stations) = self.problem, gaps.shape
        adjusters, subsets = problem.influence.shape[1], len(self.sets)
        coordinates = each(gaps, self.basis.T)
        unreached = gaps - each(coordinates, self.lift)
        if problem.offset_free:
            unreached -= each(unreached, self.mean[:, None])
        travels = each(coordinates, self.fit).reshape(surveys, subsets, adjusters)
        left = each(coordinates, self.left).reshape(surveys, stations, subsets)
        left += unreached[:, :, None]
        remain = each(coordinates, self.remain).reshape(surveys, subsets, len(self.basis))
        squares = np.sum(remain * remain, axis=2) / problem.weights.sum()
        return self._measured(
            travels, left, criterion, np.sqrt(squares + each(unreached * unreached, self.mean[:, None]))
        )

    def _measured(self, travels: Floats, left: Floats, criterion: Criterion, rms: Floats | None = None) -> Table:
        """Return the table of these answers; their root mean square is worked out unless known."""
        if rms is None:
            rms = np.sqrt(np.matmul(self.mean, left * left))
        most, least = left.max(axis=1), left.min(axis=1)
        total = most - least
        spread = total if self.problem.offset_free else 2.0 * np.maximum(most, -least)
        return Table(
            travels=travels,
            left=left,
            total=total,
            rms=rms,
            spread=spread,
            objective=rms if criterion == "least-squares" else 0.5 * spread,
        )

    def refine(self, table: Table, gaps: Floats, pairs: np.ndarray) -> None:
        """Replace least-squares answers in a table by minimum-zone ones, for the ``pairs`` (N, K) of survey and subset.

        Subsets of equal size are fitted together.
        """
        from .minimum_zone import chebyshev

        problem = self.problem
        for zone in self.zones:
            survey, member = np.nonzero(pairs[:, zone.subsets])
            if not len(survey):
                continue
            fitted = chebyshev(zone.design[member], gaps[survey]).coefficients
            free = zone.free[member]
            subset = zone.subsets[member]
            moved = np.matmul(free, fitted[:, : free.shape[2], None])[:, :, 0]
            table.travels[survey[:, None], subset[:, None], zone.columns[member]] = -moved
            left = problem.centred(gaps[survey] + each(table.travels[survey, subset], problem.influence.T))
            most, least = left.max(axis=1), left.min(axis=1)
            spread = most - least if problem.offset_free else 2.0 * np.maximum(most, -least)
            table.left[survey, :, subset] = left
            table.total[survey, subset] = most - least
            table.spread[survey, subset] = spread
            table.objective[survey, subset] = 0.5 * spread
            table.rms[survey, subset] = np.sqrt(each(left * left, self.mean[:, None])[:, 0])

    @cached_property
    def zones(self) -> list[Zone]:
        """The subsets by how many travels and freedoms they have, ready to be fitted together."""
        by_shape: dict[tuple[int, int], list[tuple[int, Floats]]] = {}
        for index, columns in enumerate(self.sets):
            if columns and (free := freedom(self.problem, columns)).shape[1]:
                by_shape.setdefault(free.shape, []).append((index, free))
        found = []
        for members in by_shape.values():
            design = np.stack([self.problem.influence[:, self.sets[index]] @ free for index, free in members])
            if self.problem.offset_free:
                design = np.concatenate([design, np.ones((*design.shape[:2], 1))], axis=2)
            subsets = np.array([index for index, _ in members])
            moved = np.array([self.sets[index] for index in subsets])
            found.append(Zone(subsets, moved, np.stack([free for _, free in members]), design))
        return found

    def _keep_within(
        self, gaps: Floats, criterion: Criterion, travels: Floats, left: Floats, unbounded: Collection[int]
    ) -> None:
        """Solve again every subset whose free answer breaks a bound or a condition.

        The free answer is a bound on what the subset can do. So of each size the subsets are tried in the order of
        their free answers, and once more than ``MOST_BOUNDED`` have been solved, only those whose bound undercuts the
        best of their size; the others are given up, with an infinite rest.
        """
        problem = self.problem
        slack = SLACK * np.abs(travels).max(initial=0.0)
        along = travels @ problem.rows.T
        broken = np.any((travels < problem.lower - slack) | (travels > problem.upper + slack), axis=2) | np.any(
            (along < problem.rows_lower - slack) | (along > problem.rows_upper + slack), axis=2
        )
        broken[:, list(unbounded)] = False
        count = np.array(self.count)
        for survey, gap in enumerate(gaps):
            free = measure(problem, left[survey].T, criterion)
            best = {
                size: float(free[(count == size) & ~broken[survey]].min(initial=np.inf)) for size in set(self.count)
            }
            again = np.flatnonzero(broken[survey])
            for turn, index in enumerate(again[np.lexsort((free[again], count[again]))].tolist()):
                size = self.count[index]
                if turn >= MOST_BOUNDED and free[index] >= best[size]:
                    travels[survey, index], left[survey, 0, index] = 0.0, np.inf
                    continue
                travels[survey, index] = 0.0
                travels[survey, index, list(self.sets[index])] = self.within(index, gap, criterion)
                left[survey, :, index] = self._left(gap, travels[survey, index])
                best[size] = min(best[size], float(measure(problem, left[survey, :, [index]], criterion)[0]))
        kept = [index for index in range(len(self.sets)) if index not in set(unbounded)]
        travels[:, kept] = np.clip(travels[:, kept], problem.lower, problem.upper)

    def within(self, index: int, gap: Floats, criterion: Criterion) -> Floats:
        """Return the travels of one subset for one gap (n,), bounds and conditions kept."""
        alone = self.problem.moving(self.sets[index])
        if criterion == "least-squares":
            from .least_squares import bounded

            return bounded(alone, gap)
        from .minimum_zone import bounded as zone_bounded

        return zone_bounded(alone, gap)

    def _left(self, gap: Floats, travels: Floats) -> Floats:
        """Return what one gap (n,) leaves after these travels (m,)."""
        return self.problem.centred(gap + self.problem.influence @ travels)


class Table(Struct, frozen=True):
    """Every subset's answer for a stack: ``travels`` (N, K, m), ``left`` (N, n, K), the rest (N, K).

    ``spread`` is what has to be small: the total, or twice the largest gap where the offset is kept.
    """

    travels: Floats
    left: Floats
    total: Floats
    rms: Floats
    spread: Floats
    objective: Floats


def measure(problem: Problem, left: Floats, criterion: Criterion) -> Floats:
    """Return what the criterion makes of what is left (k, n): root mean square, or half the zone."""
    if criterion == "least-squares":
        return np.asarray(np.sqrt((left * left) @ (problem.weights / problem.weights.sum())))
    if problem.offset_free:
        return np.asarray(left.max(axis=1) - left.min(axis=1)) / 2.0
    return np.asarray(np.abs(left).max(axis=1))


def candidates(
    problem: Problem, free: tuple[int, ...], groups: tuple[tuple[int, ...], ...], *, every: bool = False
) -> Candidates:
    """Prepare the subsets of the columns that are ``free`` to move.

    Without bounds only subsets whose adjusters differ in what they do are kept: one that could be left out never helps.
    With bounds, and where ``every`` subset is wanted because some move in whole steps, they all count, since one
    adjuster may go on where another must stop. Beyond twelve adjusters the subsets are
    complete only up to ``exact_moves``, and the whole ``groups`` stand for the rest.
    """
    root = np.sqrt(problem.weights)
    weighted = problem.centred(problem.influence.T).T * root[:, None]
    left_vectors, singular, _ = np.linalg.svd(weighted, full_matrices=False)
    rank = int(np.sum(singular > RANK * max(float(singular.max(initial=0.0)), 1e-300)))
    axes = left_vectors[:, :rank]
    reduced = axes.T @ weighted

    most = len(free)
    if len(free) > EXACT_UP_TO:
        most = max(
            size for size in range(1, len(free) + 1) if sum(comb(len(free), k) for k in range(size + 1)) <= MOST_SUBSETS
        )
    bounded = problem.moving(free).bounded
    every = every or bounded
    # More adjusters than directions to move in: one of them could be left out.
    useful = most if every else min(most, rank + int(np.sum(problem.rows_lower == problem.rows_upper)))
    wanted = [subset for size in range(1, useful + 1) for subset in combinations(free, size)]
    if most < len(free):
        wanted += sorted(
            {group for group in (*groups, free) if len(group) > most}, key=lambda group: (len(group), group)
        )

    strongest = max(float(singular.max(initial=0.0)), 1e-300)
    sets: list[tuple[int, ...]] = [()]
    fits, lefts = [np.zeros((1, problem.influence.shape[1], rank))], [np.eye(rank)[None]]
    for batch, parts in batches(problem, wanted):
        columns = np.array(batch)
        u, s, vt = np.linalg.svd(reduced[:, columns].transpose(1, 0, 2) @ parts, full_matrices=False)
        used = s > RANK * np.maximum(s.max(axis=1, initial=0.0, keepdims=True), strongest)
        u = u * used[:, None, :]
        length = np.linalg.norm(parts, axis=2)
        worth = np.all(length > RANK * np.linalg.norm(length, axis=1, keepdims=True), axis=1)
        if not every and len(batch[0]) <= most:
            worth &= used.sum(axis=1) == parts.shape[2]
        fit = np.zeros((len(batch), problem.influence.shape[1], rank))
        inverse = np.divide(1.0, s, out=np.zeros_like(s), where=used)
        answer = -parts @ (vt.transpose(0, 2, 1) * inverse[:, None, :]) @ u.transpose(0, 2, 1)
        np.put_along_axis(fit, columns[:, :, None], answer, axis=1)
        sets += [subset for subset, good in zip(batch, worth, strict=True) if good]
        fits.append(fit[worth])
        lefts.append((np.eye(rank) - u @ u.transpose(0, 2, 1))[worth])
    left, fit = np.concatenate(lefts), np.concatenate(fits)
    if not every:
        kept = undominated(left, [float(problem.effort[list(subset)].sum()) for subset in sets])
        sets, left, fit = [sets[k] for k in kept], left[kept], fit[kept]
    lift = axes.T / root
    return Candidates(
        problem=problem,
        sets=tuple(sets),
        count=[len(subset) for subset in sets],
        effort=[float(problem.effort[list(subset)].sum()) for subset in sets],
        basis=axes.T * root,
        lift=lift,
        mean=problem.weights / problem.weights.sum(),
        fit=np.ascontiguousarray(fit.reshape(-1, rank).T),
        norms=np.linalg.norm(fit @ np.linalg.cholesky((axes.T * root) @ (root[:, None] * axes)), axis=2),
        left=np.ascontiguousarray((left.transpose(0, 2, 1) @ lift).transpose(1, 2, 0).reshape(rank, -1)),
        remain=np.ascontiguousarray(left.transpose(2, 0, 1).reshape(rank, -1)),
        bounded=bounded,
        exact_moves=most,
    )
