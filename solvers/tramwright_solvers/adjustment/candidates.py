"""Subsets of adjusters: prepared once, then fitted to any stack of gaps, (N, n)."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from functools import cached_property

import numpy as np
from msgspec import Struct

from ..linalg.rowwise import row_products
from ..model.contract import Floats
from ..model.deadline import NEVER, Deadline
from ..model.options import Criterion
from .counts import exact_moves, room_beyond
from .problem import Problem
from .subset_lsq import SubsetFits, fits
from .subsets import SLACK, freedom, of_least_effort, reaches
from .zones import Zone

MOST_BOUNDED = 300
"""Subsets solved within their bounds before those that cannot be the best of their size are dropped."""

SAME = 1e10
"""One in so many parts of a gap is what subsets leave alike that are taken to make the same gaps."""


class Candidates(Struct, frozen=True, dict=True):
    """Subsets of the adjusters and their least-squares answers, for a problem with n stations and m adjusters.

    ``sets`` are K subsets as ascending column tuples, the empty one first and by size; ``effort`` and ``count`` their
    efforts and sizes, ``fits`` their answers without bounds. Every subset of up to ``exact_moves`` adjusters is among
    them.
    """

    problem: Problem
    sets: tuple[tuple[int, ...], ...]
    count: list[int]
    effort: list[float]
    fits: SubsetFits
    bounded: bool
    exact_moves: int

    @property
    def nbytes(self) -> int:
        """Bytes of the answers, with those of :attr:`zones`, wanted or not: two arrays of each subset's columns."""
        columns = sum(self.count) + len(self.count) - 1  # the first subset moves nothing
        return self.fits.nbytes + 16 * len(self.problem.weights) * columns

    @cached_property
    def may_stand(self) -> bool:
        """Whether zero travel satisfies everything."""
        return self.problem.may_stand

    @cached_property
    def directions(self) -> int:
        """How many adjusters a subset needs at the most to make any gap, unless it is bounded."""
        return int(self.fits.basis.shape[2] + np.sum(self.problem.equations))

    def least_shown(self, index: int, free: int) -> bool:
        """Say whether no subset of ``free`` adjusters that was not weighed needs less effort than this one.

        Those have more adjusters than ``exact_moves``; and without bounds one of more than there are directions to move
        in could leave one out.
        """
        if self.exact_moves >= (free if self.bounded else min(free, self.directions)):
            return True
        easiest = np.sort(self.problem.effort)[: self.exact_moves + 1]
        return self.effort[index] <= float(easiest.sum()) + SLACK

    def evaluate(
        self, gaps: Floats, criterion: Criterion, unbounded: Collection[int] = (), within: Deadline = NEVER
    ) -> SubsetAnswers:
        """Return travels and what is left for every subset and every gap of the stack (N, n).

        Subsets listed as ``unbounded`` are left as they are without bounds, which no answer of theirs can undercut.

        Raises:
            OutOfTime: the time is up.
        """
        table = self.outline(gaps, criterion)
        if criterion == "minimum-zone":
            self.refine(table, gaps, np.broadcast_to(np.array(self.count) > 0, table.total.shape), within)
        if self.bounded:
            self._keep_within(gaps, criterion, table.travels, table.left, unbounded, within)
            table = self._measured(table.travels, table.left, criterion)
        return table

    def outline(self, gaps: Floats, criterion: Criterion) -> SubsetAnswers:
        """Return the least-squares answers of every subset, without bounds.

        Where the criterion is the minimum zone they bound it: from above by their spread, from below by twice their
        rms, since no deviation is everywhere less than its root mean square.
        """
        travels, left, rms = self.fits.answers(gaps)
        return self._measured(travels, left, criterion, rms)

    def _measured(
        self, travels: Floats, left: Floats, criterion: Criterion, rms: Floats | None = None
    ) -> SubsetAnswers:
        """Return the table of these answers; their root mean square is worked out unless known."""
        if rms is None:
            rms = self.fits.rms(left)
        most, least = left.max(axis=1), left.min(axis=1)
        total = most - least
        spread = total if self.problem.offset_free else 2.0 * np.maximum(most, -least)
        return SubsetAnswers(
            travels=travels,
            left=left,
            total=total,
            rms=rms,
            spread=spread,
            objective=rms if criterion == "least-squares" else 0.5 * spread,
        )

    def refine(self, table: SubsetAnswers, gaps: Floats, pairs: np.ndarray, within: Deadline = NEVER) -> None:
        """Replace least-squares answers in a table by minimum-zone ones, for the ``pairs`` (N, K) of survey and subset.

        Subsets of equal size are fitted together. Those that can make the same gaps are fitted once, and each makes
        that gap: where several fits are equally good, they are compared by the same one.

        Raises:
            OutOfTime: the time is up.
        """
        first = np.zeros_like(pairs)
        for own, other in enumerate(self.alike.tolist()):
            first[:, other] |= pairs[:, own]
        for zone in self.zones:
            survey, member = np.nonzero(first[:, zone.subsets])
            if not len(survey):
                continue
            fitted = zone.nearest(gaps[survey], member, within)
            free = zone.free[member]
            subset = zone.subsets[member]
            moved = np.matmul(free, fitted[:, : free.shape[2], None])[:, :, 0]
            table.travels[survey[:, None], subset[:, None], zone.columns[member]] = -moved
            self._settle(table, gaps, survey, subset)
        survey, subset = np.nonzero(pairs & (self.alike != np.arange(len(self.alike))))
        made = row_products(table.travels[survey, self.alike[subset]], -self.problem.influence.T)
        table.travels[survey, subset] = self.fits.travels(made, subset)
        self._settle(table, gaps, survey, subset)

    def _settle(self, table: SubsetAnswers, gaps: Floats, survey: np.ndarray, subset: np.ndarray) -> None:
        """Write into a table what the travels of these pairs leave."""
        problem = self.problem
        left = problem.centred(gaps[survey] + row_products(table.travels[survey, subset], problem.influence.T))
        most, least = left.max(axis=1), left.min(axis=1)
        spread = most - least if problem.offset_free else 2.0 * np.maximum(most, -least)
        table.left[survey, :, subset] = left
        table.total[survey, subset] = most - least
        table.spread[survey, subset] = spread
        table.objective[survey, subset] = 0.5 * spread
        table.rms[survey, subset] = np.sqrt(row_products(left * left, self.fits.mean[0, :, None])[:, 0])

    @cached_property
    def alike(self) -> np.ndarray:
        """Of each subset (K,) the first that can make the same gaps."""
        first: dict[bytes, int] = {}
        kinds = self.fits.basis.shape[2]
        remain = np.ascontiguousarray(np.moveaxis(self.fits.remain[0].reshape(kinds, kinds, len(self.sets)), 2, 0))
        return np.array([first.setdefault(reach, at) for at, reach in enumerate(reaches(remain, SAME))])

    @cached_property
    def zones(self) -> list[Zone]:
        """The subsets by how many travels and freedoms they have, ready to be fitted together."""
        by_shape: dict[tuple[int, int], list[tuple[int, Floats]]] = {}
        for index, columns in enumerate(self.sets):
            if columns and (free := freedom(self.problem, columns)).shape[1]:
                by_shape.setdefault(free.shape, []).append((index, free))
        found = []
        for members in by_shape.values():
            subsets = np.array([index for index, _ in members])
            moved = np.array([self.sets[index] for index in subsets])
            found.append(Zone(self.problem, subsets, moved, np.stack([free for _, free in members])))
        return found

    def _keep_within(
        self,
        gaps: Floats,
        criterion: Criterion,
        travels: Floats,
        left: Floats,
        unbounded: Collection[int],
        within: Deadline,
    ) -> None:
        """Solve again every subset whose free answer breaks a bound or a condition.

        The free answer is a bound on what the subset can do. So of each size the subsets are tried in the order of
        their free answers, and once more than ``MOST_BOUNDED`` have been solved, only those whose bound undercuts the
        best of their size; the others are dropped and get an infinite residual.
        """
        problem = self.problem
        slack = SLACK * np.abs(travels).max(initial=0.0)
        along = travels @ problem.rows.T
        broken = np.any((travels < problem.lower - slack) | (travels > problem.upper + slack), axis=2) | np.any(
            (along < problem.rows_lower - slack) | (along > problem.rows_upper + slack), axis=2
        )
        broken[:, [0, *unbounded]] = False
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
                within.check()
                travels[survey, index] = 0.0
                if (kept_in := self.within(index, gap, criterion, within)) is None:
                    left[survey, 0, index] = np.inf
                    continue
                travels[survey, index, list(self.sets[index])] = kept_in
                left[survey, :, index] = self._left(gap, travels[survey, index])
                best[size] = min(best[size], float(measure(problem, left[survey, :, [index]], criterion)[0]))
        kept = [index for index in range(len(self.sets)) if index not in set(unbounded)]
        travels[:, kept] = np.clip(travels[:, kept], problem.lower, problem.upper)

    def within(self, index: int, gap: Floats, criterion: Criterion, deadline: Deadline = NEVER) -> Floats | None:
        """Return the travels of one subset for one gap (n,), bounds and conditions kept; None where there are none.

        Raises:
            OutOfTime: the time is up.
        """
        alone = self.problem.moving(self.sets[index])
        if criterion == "least-squares":
            from .constrained_lsq import feasible_best

            return feasible_best(alone, gap)
        from .minimum_zone import feasible_best as best_zone

        return best_zone(alone, gap, deadline)

    def _left(self, gap: Floats, travels: Floats) -> Floats:
        """Return what one gap (n,) leaves after these travels (m,)."""
        return self.problem.centred(gap + self.problem.influence @ travels)


class SubsetAnswers(Struct, frozen=True):
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
    """Return the criterion of each residual (k, n), shape (k,): root mean square, or half the zone."""
    if criterion == "least-squares":
        return np.asarray(np.sqrt((left * left) @ (problem.weights / problem.weights.sum())))
    if problem.offset_free:
        return np.asarray(left.max(axis=1) - left.min(axis=1)) / 2.0
    return np.asarray(np.abs(left).max(axis=1))


def candidates(
    problem: Problem, free: tuple[int, ...], groups: tuple[tuple[int, ...], ...], *, every: bool = False, least: int = 1
) -> Candidates:
    """Prepare the subsets of the columns of one problem that are ``free`` to move, as :func:`candidates_of` does."""
    return candidates_of([problem], free, groups, every=every, least=least)[0]


def candidates_of(
    problems: Sequence[Problem],
    free: tuple[int, ...],
    groups: tuple[tuple[int, ...], ...],
    *,
    every: bool = False,
    least: int = 1,
) -> list[Candidates]:
    """Prepare the subsets of the columns that are ``free`` to move, for problems that differ in their numbers alone.

    Shapes, efforts, equations, offset, and whether anything is bounded must be the same. Without bounds only subsets
    whose adjusters differ in what they do are kept: one that could be left out never helps. With bounds, and where
    ``every`` subset is wanted because some move in whole steps, they all count, since one adjuster may still move where
    another is at its bound. Beyond twelve adjusters, or with thousands of stations, the subsets are complete only up to
    ``exact_moves``; of more adjusters there are the whole ``groups`` and, for one problem, those
    :func:`of_least_effort`. With ``every``, those of fewer than ``least`` adjusters may be left out, the empty one
    excepted.
    """
    stations = problems[0].influence.shape[0]
    most = exact_moves(len(free), stations)
    first = problems[0]
    several = {group for group in (*groups, free) if len(group) > most}
    if several and len(problems) == 1 and not every:
        several.update(of_least_effort(first, free, most, room_beyond(len(free), stations)))
    larger = sorted(filter(first.permits, several), key=lambda group: (len(group), group))
    bounded = first.moving(free).bounded
    found: dict[int, Candidates] = {}
    for alike in fits(problems, free, most, larger, every=every or bounded, least=least):
        sets, count = tuple(alike.sets), [len(subset) for subset in alike.sets]
        effort = [float(first.effort[list(subset)].sum()) for subset in sets]
        for place, own in zip(alike.places, alike.fits.each(), strict=True):
            found[place] = Candidates(problems[place], sets, count, effort, own, bounded, most)
    return [found[place] for place in range(len(problems))]
