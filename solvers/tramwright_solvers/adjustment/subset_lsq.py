"""The least-squares answers of subsets of the adjusters, one matrix each: for one geometry, or for many of one shape.

The gaps that the adjusters can make span a space of few dimensions. A gap is split into its coordinates ``c`` in that
space and a residual that no adjuster changes, so that the least-squares answer of *every* subset is one small matrix
times ``c``. For three screws and four seats that is three dimensions and 62 subsets.

Every array has a leading axis of geometries. It is 1 long for a stack of surveys of one machine, read alike, and as
long as the stack where each survey is of a machine of its own; broadcasting is the only difference.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import combinations, compress, groupby

import numpy as np
from msgspec import Struct

from ..linalg.rowwise import row_products
from ..model.contract import Floats
from ..reduction.covariance import GapCovariance
from .problem import Problem
from .subsets import RANK, SLACK, batches, least_efforts, reaches

BLOCK = 2**20
"""Numbers of each array that are worked on at a time while subsets are fitted."""

STEP = 256
"""Subsets whose travels are measured at a time."""

TOGETHER = 16
"""Surveys of which what is left is worked out at once, so that what is only passed on stays in the cache."""

MOST_LEFT = 2**21
"""Numbers of ``left`` beyond which it is not prepared, 16 MB: then what remains is lifted to the stations each time."""


class SubsetFits(Struct, frozen=True):
    """Answers of K subsets of m adjusters at n stations, for g geometries whose adjusters can make r kinds of gap.

    ``basis`` (g, n, r) takes a gap to its coordinates, ``lift`` (g, r, n) coordinates back to a gap, ``mean`` (g, n)
    takes the weighted mean and ``weight`` (g, 1) is the sum of the weights; ``fit`` (g, r, K·m) takes coordinates to
    travels, whose gains have rows of the lengths ``norms`` (g, K, m), ``left`` (g, r, n·K) to what remains at the
    stations and ``remain`` (g, r, r·K) to the coordinates of that. Beyond :data:`MOST_LEFT` numbers ``left`` is empty.
    """

    offset_free: bool
    basis: Floats
    lift: Floats
    mean: Floats
    weight: Floats
    fit: Floats
    norms: Floats
    left: Floats
    remain: Floats

    @property
    def nbytes(self) -> int:
        """Bytes of the arrays."""
        return sum([getattr(self, name).nbytes for name in ARRAYS])

    def gain(self, index: int) -> Floats:
        """Return d travel / d gap (m, n) of one subset in the first geometry."""
        adjusters = self.norms.shape[2]
        gain: Floats = self.fit[0, :, index * adjusters : (index + 1) * adjusters].T @ self.basis[0].T
        return gain

    def u(self, chosen: np.ndarray, noise: GapCovariance) -> Floats:
        """Return the standard uncertainty of every travel in the subset chosen for each survey (N,), shape (N, m)."""
        if noise.uniform is not None:
            alike = len(self.norms) == 1
            norms = self.norms[0].take(chosen, axis=0) if alike else self.norms[np.arange(len(chosen)), chosen]
            return np.asarray(noise.uniform * norms)
        u = np.empty((len(chosen), self.norms.shape[2]))
        for index in np.unique(chosen).tolist():
            rows = np.flatnonzero(chosen == index)
            u[rows] = noise.some(rows).of(self.gain(index), self.norms[0, index])
        return u

    def travels(self, gaps: Floats, subset: np.ndarray) -> Floats:
        """Return the travels (N, m) of one subset (N,) for each gap (N, n) of the first geometry, bounds left aside."""
        _, subsets, adjusters = self.norms.shape
        fit = self.fit[0].reshape(-1, subsets, adjusters)[:, subset].swapaxes(0, 1)
        return row_products(row_products(gaps, self.basis[0]), fit)

    def answers(self, gaps: Floats) -> tuple[Floats, Floats, Floats]:
        """Return travels (N, K, m), what is left (N, n, K) and its rms (N, K) for gaps (N, n), bounds left aside."""
        (surveys, stations), (_, subsets, adjusters) = gaps.shape, self.norms.shape
        coordinates = row_products(gaps, self.basis)
        unreached = gaps - row_products(coordinates, self.lift)
        if self.offset_free:
            unreached -= row_products(unreached, self.mean[:, :, None])
        travels = row_products(coordinates, self.fit).reshape(surveys, subsets, adjusters)
        remain = row_products(coordinates, self.remain).reshape(surveys, self.basis.shape[2], subsets)
        # numpy looks through the first axis several times as fast as through any other but the last
        left = np.empty((stations, surveys, subsets))
        for start in range(0, surveys, TOGETHER):
            own = slice(start, start + TOGETHER)
            of_own = own if len(self.left) > 1 else slice(1)
            if self.left.size:
                reached = row_products(coordinates[own], self.left[of_own]).reshape(-1, stations, subsets)
            else:
                reached = np.matmul(self.lift[of_own].swapaxes(1, 2), remain[own])
            np.add(reached.swapaxes(0, 1), unreached.T[:, own, None], out=left[:, own])
        squares = (remain * remain).sum(axis=1) / self.weight
        return (
            travels,
            left.swapaxes(0, 1),
            np.sqrt(squares + row_products(unreached * unreached, self.mean[:, :, None])),
        )

    def rms(self, left: Floats) -> Floats:
        """Return the weighted root mean square of what is left (N, n, K), shape (N, K)."""
        return np.asarray(np.sqrt(np.matmul(self.mean[:, None, :], left * left)[:, 0]))

    def each(self) -> Iterator[SubsetFits]:
        """Yield those of each geometry, with memory of their own, so that keeping them does not keep the others."""
        if len(self.norms) == 1:
            yield SubsetFits(self.offset_free, *(np.ascontiguousarray(getattr(self, name)) for name in ARRAYS))
            return
        for arrays in zip(*[getattr(self, name)[:, None] for name in ARRAYS], strict=True):
            yield SubsetFits(self.offset_free, *[array.copy() for array in arrays])


ARRAYS = SubsetFits.__struct_fields__[1:]


def join_fits(many: Sequence[SubsetFits]) -> SubsetFits:
    """Return one geometry for each survey of a stack from those of one geometry each, all of equal shapes."""
    return SubsetFits(many[0].offset_free, *(np.concatenate([getattr(one, name) for one in many]) for name in ARRAYS))


class SameShape(Struct, frozen=True):
    """Geometries, by their ``places`` among those asked for, in which the same subsets are worth considering."""

    places: list[int]
    sets: list[tuple[int, ...]]
    fits: SubsetFits


class Spaces(Struct, frozen=True):
    """The gaps that adjusters can make in g geometries, r kinds in each.

    ``axes`` (g, n, r) are orthonormal once weighted, ``reduced`` (g, r, m) is the influence along them; ``weights``
    (g, n) and the ``strongest`` singular value (g,).
    """

    axes: Floats
    reduced: Floats
    weights: Floats
    strongest: Floats


def fits(
    problems: Sequence[Problem],
    free: Sequence[int],
    most: int,
    larger: list[tuple[int, ...]],
    *,
    every: bool,
    least: int = 1,
) -> Iterator[SameShape]:
    """Fit the subsets of the ``free`` columns of ``least`` to ``most`` adjusters, and ``larger`` ones after them.

    The problems have equal shapes, efforts, equations and offset. Without ``every`` subset wanted, only those are kept
    that no other undercuts, whatever the gap.
    """
    first = problems[0]
    equations = int(np.sum(first.equations))
    for places, spaces in by_rank(problems):
        # More adjusters than directions to move in: one of them could be left out.
        useful = most if every else min(most, spaces.axes.shape[2] + equations)
        wanted = [subset for size in range(least, useful + 1) for subset in combinations(free, size)]
        if first.at_most:
            wanted = [subset for subset in wanted if first.permits(subset)]
        found = Subsets(spaces, 1 + len(wanted) + len(larger))
        if every or equations:
            solved(spaces, first, found, wanted + larger, most, every=every)
        else:
            grown(spaces, found, wanted)
            solved(spaces, first, found, larger, most, every=False)
        yield from kept(places, spaces, first, found, every=every)


def by_rank(problems: Sequence[Problem]) -> Iterator[tuple[np.ndarray, Spaces]]:
    """Yield the places of the problems whose adjusters can make equally many kinds of gap, and the spaces of these."""
    weights = np.stack([problem.weights for problem in problems])
    influence = np.stack([problem.influence for problem in problems])
    if problems[0].offset_free:
        influence = influence - np.matmul(weights[:, None, :], influence) / weights.sum(axis=1)[:, None, None]
    weighted = influence * np.sqrt(weights)[:, :, None]
    left, singular, _ = np.linalg.svd(weighted, full_matrices=False)
    strongest = np.maximum(singular.max(axis=1, initial=0.0), 1e-300)
    ranks = np.sum(singular > RANK * strongest[:, None], axis=1)
    for rank in np.unique(ranks).tolist():
        places = np.flatnonzero(ranks == rank)
        axes = left[places, :, :rank]
        yield places, Spaces(axes, axes.transpose(0, 2, 1) @ weighted[places], weights[places], strongest[places])


class Subsets:
    """Subsets in g spaces, as many as have been added: their travels and what they leave.

    ``fit`` (g, K, m, r) are travels for the coordinates of a gap, ``left`` (g, K, r, r) the coordinates that remain,
    and ``worth`` (g, K) says where no adjuster of a subset could be left out. There is room for ``most`` subsets, the
    empty one, which is the first, among them.
    """

    def __init__(self, spaces: Spaces, most: int) -> None:
        count, rank, adjusters = spaces.reduced.shape
        self.sets: list[tuple[int, ...]] = [()]
        self.fit = np.zeros((count, most, adjusters, rank))
        self.left = np.empty((count, most, rank, rank))
        self.left[:, 0] = np.eye(rank)
        self.worth = np.ones((count, most), dtype=bool)

    def add(self, subsets: list[tuple[int, ...]]) -> slice:
        """Make room for subsets, each of whose arrays is to be filled in; return where they are."""
        start = len(self.sets)
        self.sets += subsets
        return slice(start, len(self.sets))


def grown(spaces: Spaces, found: Subsets, wanted: Sequence[tuple[int, ...]]) -> None:
    """Fit subsets of adjusters that move freely, each from the one without its last adjuster, and add them.

    ``wanted`` come by size. It is Greville's recursion for the pseudo-inverse (SIAM Review 2, 1960, from memory): the
    part ``q`` of a column outside the span of the others gives the travel of its adjuster, and the travels of the
    others change by their projection of that column. Where ``q`` is zero the subset is not worth fitting, nor is any
    grown from it.
    """
    place = {subset: at for at, subset in enumerate(((), *wanted))}
    for _, alike in groupby(wanted, key=len):
        for batch in blocks(list(alike), spaces):
            at = found.add(batch)
            parents = np.array([place[subset[:-1]] for subset in batch])
            last, numbers = np.array([subset[-1] for subset in batch]), np.arange(len(batch))
            column = np.moveaxis(spaces.reduced[:, :, last], 1, 2)[..., None]
            of_parents, rest = found.fit[:, parents], found.left[:, parents]
            own = rest @ (rest @ column)  # once more, for orthogonality to working precision
            size = np.sqrt(np.sum(own * own, axis=2, keepdims=True))
            apart = size > RANK * spaces.strongest[:, None, None, None]
            along = np.divide(own, size, out=np.zeros_like(own), where=apart).swapaxes(2, 3)
            travel = np.divide(along, size, out=np.zeros_like(along), where=apart)
            found.fit[:, at] = of_parents - (of_parents @ column) * travel
            found.fit[:, at][:, numbers, last] = -travel[:, :, 0]
            found.left[:, at] = rest - along.swapaxes(2, 3) * along
            found.worth[:, at] = found.worth[:, parents] & apart[:, :, 0, 0]


def blocks(subsets: list[tuple[int, ...]], spaces: Spaces) -> Iterator[list[tuple[int, ...]]]:
    """Cut subsets into lists whose arrays are worked on at once: :data:`BLOCK` numbers each."""
    count, rank, adjusters = spaces.reduced.shape
    step = max(1, BLOCK // max(1, count * rank * adjusters))
    return (subsets[start : start + step] for start in range(0, len(subsets), step))


def solved(
    spaces: Spaces, first: Problem, found: Subsets, wanted: list[tuple[int, ...]], most: int, *, every: bool
) -> None:
    """Fit the wanted subsets, by size, and add them; of travels that do the same, the least effort.

    Those of more than ``most`` adjusters are always worth it.
    """
    count, rank, _ = spaces.reduced.shape
    for alike, freedoms in batches(first, wanted):
        start = 0
        for batch in blocks(alike, spaces):
            parts = freedoms[start : start + len(batch)]
            start += len(batch)
            at, columns = found.add(batch), np.array(batch)
            made = np.matmul(np.moveaxis(spaces.reduced[:, :, columns], 1, 2), parts)
            u, s, vt = np.linalg.svd(made, full_matrices=False)
            largest = np.maximum(s.max(axis=2, initial=0.0), spaces.strongest[:, None])
            used = s > RANK * largest[:, :, None]
            u = u * used[:, :, None, :]
            length = np.linalg.norm(parts, axis=2)
            good = np.tile(np.all(length > RANK * np.linalg.norm(length, axis=1, keepdims=True), axis=1), (count, 1))
            if not every and len(batch[0]) <= most:
                good &= used.sum(axis=2) == parts.shape[2]
            inverse = np.divide(1.0, s, out=np.zeros_like(s), where=used)
            answer = -parts @ (vt.swapaxes(2, 3) * inverse[:, :, None, :]) @ u.swapaxes(2, 3)
            found.fit[:, at][:, np.arange(len(batch))[:, None], columns] = answer
            found.left[:, at] = np.eye(rank) - u @ u.swapaxes(2, 3)
            found.worth[:, at] = good


def kept(places: np.ndarray, spaces: Spaces, first: Problem, found: Subsets, *, every: bool) -> Iterator[SameShape]:
    """Yield those spaces together in which the same subsets are worth keeping, with the fits of these."""
    for choice, own in worth_keeping(first, found, every=every).items():
        these = list(choice)
        fits = _written(spaces.axes[own], spaces.weights[own], found, own, these, first.offset_free)
        yield SameShape(places[own].tolist(), [found.sets[k] for k in these], fits)


def worth_keeping(first: Problem, found: Subsets, *, every: bool) -> dict[tuple[int, ...], list[int]]:
    """Return the spaces in which the same subsets are worth keeping, by these subsets."""
    efforts = [float(first.effort[list(subset)].sum()) for subset in found.sets]
    dearest_first = sorted(range(len(efforts)), key=efforts.__getitem__, reverse=True)
    alike: dict[tuple[tuple[int, ...], tuple[float, ...]], list[int]] = {}
    for space, good in enumerate(found.worth[:, dearest_first].tolist()):
        these = tuple(compress(dearest_first, good))
        least = () if every else least_efforts(reaches(found.left[space, : len(efforts)]), efforts, these)
        alike.setdefault((these, least), []).append(space)
    by_choice: dict[tuple[int, ...], list[int]] = {}
    for (these, least), own in alike.items():
        told = these if every else [k for k, most in zip(these, least, strict=True) if efforts[k] <= most + SLACK]
        by_choice.setdefault(tuple(sorted(told)), []).extend(own)
    return by_choice


def _written(
    axes: Floats, weights: Floats, found: Subsets, own: list[int], these: list[int], offset_free: bool
) -> SubsetFits:
    """Write the fits of ``these`` subsets in their ``own`` g spaces, of axes (g, n, r) and weights (g, n)."""
    (count, stations, rank), subsets, rows = axes.shape, len(these), np.array(own)[:, None]
    root = np.sqrt(weights)[:, :, None]
    weight = weights.sum(axis=1, keepdims=True)
    basis, lift = axes * root, (axes / root).swapaxes(1, 2)
    cross = np.linalg.cholesky(basis.swapaxes(1, 2) @ basis)
    fit = found.fit[rows, these]
    some = (fit[:, start : start + STEP] for start in range(0, subsets, STEP))
    along = ((part.reshape(count, -1, rank) @ cross).reshape(part.shape) for part in some)
    norms = np.concatenate([np.linalg.norm(part, axis=3) for part in along], axis=1)
    travels = _flat(fit)
    del fit  # each of these is large where there are many adjusters, and not needed beside the next
    left = found.left[rows, these]
    few = rank * stations * subsets <= MOST_LEFT
    by_kind = np.ascontiguousarray(left.transpose(0, 3, 1, 2)[:, :, : subsets * few])
    at_stations = np.matmul(lift.swapaxes(1, 2)[:, None], by_kind.swapaxes(2, 3))
    return SubsetFits(
        basis=basis,
        lift=lift,
        mean=weights / weight,
        weight=weight,
        fit=travels,
        norms=norms,
        left=at_stations.reshape(count, rank, stations * subsets * few),
        remain=_flat(left.swapaxes(1, 2)),
        offset_free=offset_free,
    )


def _flat(gains: Floats) -> Floats:
    """Return gains (g, a, b, r) as one matrix for each geometry, (g, r, a·b)."""
    count, *_, rank = gains.shape
    flat = np.moveaxis(gains, 3, 1).reshape(count, rank, -1)
    return np.ascontiguousarray(flat) if count == 1 else flat
