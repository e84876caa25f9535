"""The least-squares answers of subsets of the adjusters, one matrix each: for one geometry, or for many of one shape.

The gaps that the adjusters can make span a space of few dimensions. A gap is split into its coordinates ``c`` in that
space and a residual that no adjuster changes, so that the least-squares answer of *every* subset is one small matrix
times ``c``. For three screws and four seats that is three dimensions and 62 subsets.

Every array has a leading axis of geometries. It is 1 long for a stack of surveys of one machine, read alike, and as
long as the stack where each survey is of a machine of its own; broadcasting is the only difference.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import combinations, groupby

import numpy as np
from msgspec import Struct

from ..linalg.rowwise import row_products
from ..model.contract import Floats
from ..reduction.covariance import GapCovariance
from .problem import Problem
from .subsets import RANK, batches, reaches, undominated


class SubsetFits(Struct, frozen=True):
    """Answers of K subsets of m adjusters at n stations, for g geometries whose adjusters can make r kinds of gap.

    ``basis`` (g, n, r) takes a gap to its coordinates, ``lift`` (g, r, n) coordinates back to a gap, ``mean`` (g, n)
    takes the weighted mean and ``weight`` (g, 1) is the sum of the weights; ``fit`` (g, r, K·m) takes coordinates to
    travels, whose gains have rows of the lengths ``norms`` (g, K, m), ``left`` (g, r, n·K) to what remains at the
    stations and ``remain`` (g, r, K·r) to the coordinates of that.
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
        return sum(getattr(self, name).nbytes for name in ARRAYS)

    def gain(self, index: int) -> Floats:
        """Return d travel / d gap (m, n) of one subset in the first geometry."""
        adjusters = self.norms.shape[2]
        gain: Floats = self.fit[0, :, index * adjusters : (index + 1) * adjusters].T @ self.basis[0].T
        return gain

    def u(self, chosen: np.ndarray, noise: GapCovariance) -> Floats:
        """Return the standard uncertainty of every travel in the subset chosen for each survey (N,), shape (N, m)."""
        own = np.arange(len(chosen)) if len(self.norms) > 1 else 0
        if noise.uniform is not None:
            return np.asarray(noise.uniform * self.norms[own, chosen])
        u = np.empty((len(chosen), self.norms.shape[2]))
        for index in np.unique(chosen).tolist():
            rows = np.flatnonzero(chosen == index)
            u[rows] = noise.some(rows).of(self.gain(index), self.norms[0, index])
        return u

    def answers(self, gaps: Floats) -> tuple[Floats, Floats, Floats]:
        """Return travels (N, K, m), what is left (N, n, K) and its rms (N, K) for gaps (N, n), bounds left aside."""
        (surveys, stations), (_, subsets, adjusters) = gaps.shape, self.norms.shape
        coordinates = row_products(gaps, self.basis)
        unreached = gaps - row_products(coordinates, self.lift)
        if self.offset_free:
            unreached -= row_products(unreached, self.mean[:, :, None])
        travels = row_products(coordinates, self.fit).reshape(surveys, subsets, adjusters)
        left = row_products(coordinates, self.left).reshape(surveys, stations, subsets)
        left += unreached[:, :, None]
        remain = row_products(coordinates, self.remain).reshape(surveys, subsets, self.basis.shape[2])
        squares = np.sum(remain * remain, axis=2) / self.weight
        return travels, left, np.sqrt(squares + row_products(unreached * unreached, self.mean[:, :, None]))

    def rms(self, left: Floats) -> Floats:
        """Return the weighted root mean square of what is left (N, n, K), shape (N, K)."""
        return np.asarray(np.sqrt(np.matmul(self.mean[:, None, :], left * left)[:, 0]))

    def of(self, geometry: int) -> SubsetFits:
        """Return those of one geometry, with memory of their own, so that keeping them does not keep the others."""
        return SubsetFits(self.offset_free, *(getattr(self, name)[geometry : geometry + 1].copy() for name in ARRAYS))


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
    problems: Sequence[Problem], free: Sequence[int], most: int, larger: list[tuple[int, ...]], *, every: bool
) -> Iterator[SameShape]:
    """Fit the subsets of the ``free`` columns of up to ``most`` adjusters, and ``larger`` ones after them.

    The problems have equal shapes, efforts, equations and offset. Without ``every`` subset wanted, only those are kept
    that no other undercuts, whatever the gap.
    """
    first = problems[0]
    equations = int(np.sum(first.rows_lower == first.rows_upper))
    for places, spaces in by_rank(problems):
        # More adjusters than directions to move in: one of them could be left out.
        useful = most if every else min(most, spaces.axes.shape[2] + equations)
        wanted = [subset for size in range(1, useful + 1) for subset in combinations(free, size)]
        if every or equations:
            found = solved(spaces, first, nothing(spaces), wanted + larger, most, every=every)
        else:
            found = solved(spaces, first, grown(spaces, wanted), larger, most, every=False)
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


class Subsets(Struct, frozen=True):
    """K subsets in g spaces: their travels ``fit`` (g, K, m, r) and the coordinates that are ``left`` (g, K, r, r).

    ``worth`` (g, K) says where no adjuster of a subset could be left out.
    """

    sets: list[tuple[int, ...]]
    fit: Floats
    left: Floats
    worth: np.ndarray


def nothing(spaces: Spaces) -> Subsets:
    """Return the subset of no adjuster."""
    count, rank, adjusters = spaces.reduced.shape
    whole = np.broadcast_to(np.eye(rank), (count, 1, rank, rank))
    return Subsets([()], np.zeros((count, 1, adjusters, rank)), whole, np.ones((count, 1), dtype=bool))


def grown(spaces: Spaces, wanted: Sequence[tuple[int, ...]]) -> Subsets:
    """Fit subsets of adjusters that move freely, each from the one without its last adjuster.

    ``wanted`` come by size. It is Greville's recursion for the pseudo-inverse (SIAM Review 2, 1960, from memory): the
    part ``q`` of a column outside the span of the others gives the travel of its adjuster, and the travels of the
    others change by their projection of that column. Where ``q`` is zero the subset is not worth fitting, nor is any
    grown from it.
    """
    found = nothing(spaces)
    sets, fit, left, worth = list(found.sets), [found.fit], [found.left], [found.worth]
    for _, alike in groupby(wanted, key=len):
        batch = list(alike)
        before = {subset: place for place, subset in enumerate(sets[-fit[-1].shape[1] :])}
        parents = np.array([before[subset[:-1]] for subset in batch])
        last, numbers = np.array([subset[-1] for subset in batch]), np.arange(len(batch))
        column = np.moveaxis(spaces.reduced[:, :, last], 1, 2)[..., None]
        of_parents, rest = fit[-1][:, parents], left[-1][:, parents]
        own = rest @ (rest @ column)  # once more, for orthogonality to working precision
        size = np.sqrt(np.sum(own * own, axis=2, keepdims=True))
        apart = size > RANK * spaces.strongest[:, None, None, None]
        along = np.divide(own, size, out=np.zeros_like(own), where=apart).swapaxes(2, 3)
        travel = np.divide(along, size, out=np.zeros_like(along), where=apart)
        grown_fit = of_parents - (of_parents @ column) * travel
        grown_fit[:, numbers, last] = -travel[:, :, 0]
        sets += batch
        fit.append(grown_fit)
        left.append(rest - along.swapaxes(2, 3) * along)
        worth.append(worth[-1][:, parents] & apart[:, :, 0, 0])
    return Subsets(sets, *(np.concatenate(parts, axis=1) for parts in (fit, left, worth)))


def solved(
    spaces: Spaces, first: Problem, begun: Subsets, wanted: list[tuple[int, ...]], most: int, *, every: bool
) -> Subsets:
    """Fit the wanted subsets, by size, and add them to those begun with; of travels that do the same, the least effort.

    Those of more than ``most`` adjusters are always worth it.
    """
    count, rank, adjusters = spaces.reduced.shape
    sets, fit, left, worth = list(begun.sets), [begun.fit], [begun.left], [begun.worth]
    for batch, parts in batches(first, wanted):
        columns = np.array(batch)
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
        of_batch = np.zeros((count, len(batch), adjusters, rank))
        answer = -parts @ (vt.swapaxes(2, 3) * inverse[:, :, None, :]) @ u.swapaxes(2, 3)
        of_batch[:, np.arange(len(batch))[:, None], columns] = answer
        sets += batch
        fit.append(of_batch)
        left.append(np.eye(rank) - u @ u.swapaxes(2, 3))
        worth.append(good)
    return Subsets(sets, *(np.concatenate(parts, axis=1) for parts in (fit, left, worth)))


def kept(places: np.ndarray, spaces: Spaces, first: Problem, found: Subsets, *, every: bool) -> Iterator[SameShape]:
    """Yield those spaces together in which the same subsets are worth keeping, with the fits of these."""
    efforts = [float(first.effort[list(subset)].sum()) for subset in found.sets]
    same = [] if every else reaches(found.left)
    by_choice: dict[tuple[int, ...], list[int]] = {}
    for space, good in enumerate(found.worth):
        these = np.flatnonzero(good).tolist()
        if not every:
            reach = [same[space][k] for k in these]
            these = [these[k] for k in undominated(reach, [efforts[k] for k in these])]
        by_choice.setdefault(tuple(these), []).append(space)
    for choice, own in by_choice.items():
        these, rows = list(choice), np.array(own)[:, None]
        of_these = found.fit[rows, these], found.left[rows, these]
        written = _written(spaces.axes[own], spaces.weights[own], *of_these, first.offset_free)
        yield SameShape(places[own].tolist(), [found.sets[k] for k in these], written)


def _written(axes: Floats, weights: Floats, fit: Floats, left: Floats, offset_free: bool) -> SubsetFits:
    """Write fits from axes (g, n, r), weights (g, n), travels (g, K, m, r) and coordinates left (g, K, r, r)."""
    (count, subsets, adjusters, rank), stations = fit.shape, axes.shape[1]
    root = np.sqrt(weights)[:, :, None]
    weight = weights.sum(axis=1, keepdims=True)
    basis, lift = axes * root, (axes / root).swapaxes(1, 2)
    cross = np.linalg.cholesky(basis.swapaxes(1, 2) @ basis)
    at_stations = np.matmul(left.swapaxes(2, 3), lift[:, None])
    return SubsetFits(
        basis=basis,
        lift=lift,
        mean=weights / weight,
        weight=weight,
        fit=np.moveaxis(fit, 3, 1).reshape(count, rank, subsets * adjusters),
        norms=np.linalg.norm(fit @ cross[:, None], axis=3),
        left=np.transpose(at_stations, (0, 2, 3, 1)).reshape(count, rank, stations * subsets),
        remain=np.moveaxis(left, 3, 1).reshape(count, rank, subsets * rank),
        offset_free=offset_free,
    )
