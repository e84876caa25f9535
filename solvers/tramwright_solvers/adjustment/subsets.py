"""Subsets of the adjusters: the travels each may make, which need less effort than others for the same effect, and
their order by size and group."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import lru_cache
from itertools import combinations, groupby
from math import comb

import numpy as np
from msgspec import Struct

from ..model.contract import Floats
from .problem import Problem

RANK = 1e-9
"""Singular values below this share of the largest count as zero."""

BLOCK = 256
"""Subsets whose reach is worked out at a time."""

SLACK = 1e-9
"""Travels beyond a bound by less than this share of the largest are taken to keep it."""


def freedom(problem: Problem, columns: tuple[int, ...]) -> Floats:
    """Return the travels that a subset can make under the equations among the conditions, shape (size, freedoms).

    Columns are orthonormal in effort × travel, so that the shortest vector of freedoms is the least effort.
    """
    effort = problem.effort[list(columns)]
    equations = problem.rows[problem.equations][:, list(columns)] / effort
    if not len(equations):
        return np.diag(1.0 / effort)
    _, singular, right = np.linalg.svd(equations)
    rank = int(np.sum(singular > RANK * max(float(singular.max(initial=0.0)), 1e-300)))
    return np.asarray(right[rank:].T / effort[:, None])


def batches(problem: Problem, wanted: list[tuple[int, ...]]) -> Iterator[tuple[list[tuple[int, ...]], Floats]]:
    """Yield subsets of equal size and freedom with their freedoms stacked, shape (subsets, size, freedoms).

    ``wanted`` are sorted by size.
    """
    if not np.any(problem.equations):
        for size, same in groupby(wanted, key=len):
            alike = list(same)
            yield alike, np.eye(size) / problem.effort[np.array(alike)][:, :, None]
        return
    by_shape: dict[tuple[int, int], tuple[list[tuple[int, ...]], list[Floats]]] = {}
    for subset in wanted:
        part = freedom(problem, subset)
        subsets, parts = by_shape.setdefault((len(subset), part.shape[1]), ([], []))
        subsets.append(subset)
        parts.append(part)
    for shape in sorted(by_shape):
        subsets, parts = by_shape[shape]
        if shape[1]:
            yield subsets, np.stack(parts)


def reaches(left: Floats, per: float = 1e7) -> list[bytes]:
    """Return what tells subsets of different reach apart, from what they leave, (K, r, r), rounded to one ``per``.

    Subsets that leave the same remain differ only in effort, whatever the survey.
    """
    if not left.size:
        return [b""] * len(left)
    found = list[bytes]()
    for start in range(0, len(left), BLOCK):
        part = left[start : start + BLOCK] * per
        rounded = np.rint(part, out=part).reshape(len(part), -1) + 0.0
        # as texts they lose the zeros at their end, which tells none apart: all are as long
        found += rounded.view(f"S{rounded[0].nbytes}").ravel().tolist()
    return found


def least_efforts(reach: Sequence[bytes], effort: Sequence[float], dearest_first: Sequence[int]) -> tuple[float, ...]:
    """Return of each of the subsets given by number, most effort first, the least effort of any of the same reach.

    Those of more effort can never be chosen. Where rounding tells two equal ones apart, both are kept, which costs only
    time.
    """
    own = [reach[k] for k in dearest_first]
    cheapest = dict(zip(own, [effort[k] for k in dearest_first], strict=True))
    return tuple([cheapest[one] for one in own])


def of_least_effort(problem: Problem, free: tuple[int, ...], most: int, room: int) -> list[tuple[int, ...]]:
    """Return subsets of more than ``most`` adjusters among those that make every gap the free ones can, with the least
    effort: the whole of these, then without one, without two and so on, as long as there is ``room``.

    Taken in the order of effort, each that adds a direction: a basis of least weight (of a matroid, by the greedy
    method). None where equations tie adjusters to each other.
    """
    if problem.equations.any():
        return []
    rest, basis = problem.weighted()[:, list(free)], list[int]()
    effort, floor = problem.effort[list(free)], RANK * float(np.linalg.norm(rest, axis=0).max(initial=0.0))
    for level in np.unique(effort):
        alike = np.flatnonzero(effort == level)
        while (norms := np.linalg.norm(rest[:, alike], axis=0)).max(initial=0.0) > floor:
            column = int(alike[norms.argmax()])
            axis = rest[:, column] / norms.max()
            rest = rest - np.outer(axis, axis @ rest)
            rest[:, column] = 0.0
            basis.append(free[column])
    found = list[tuple[int, ...]]()
    for size in range(len(basis), most, -1):
        if len(found) + comb(len(basis), size) > room:
            break
        found += combinations(sorted(basis), size)
    return found


class Sizes(Struct, frozen=True):
    """The K subsets by size and by group of adjusters.

    ``starts`` is where each size starts, ``of`` (K,) which size each subset has, ``numbers`` (K,) their places;
    ``beyond`` (r, K) is zero for subsets within nothing, within the first group, the second and so on, else infinite.
    """

    starts: np.ndarray
    of: np.ndarray
    numbers: np.ndarray
    beyond: Floats


@lru_cache(64)
def sizes(sets: tuple[tuple[int, ...], ...], groups: tuple[tuple[int, ...], ...]) -> Sizes:
    """Sort subsets, which come in the order of their size; many geometries have the same ones."""
    counts = np.array([len(subset) for subset in sets])
    starts = np.flatnonzero(np.diff(counts, prepend=-1))
    width = 1 + max((max(subset, default=0) for subset in (*sets, *groups)), default=0)
    uses, within = np.zeros((len(sets), width), dtype=bool), np.zeros((len(groups) + 1, width), dtype=bool)
    for row, subset in zip(uses, sets, strict=True):
        row[list(subset)] = True
    for row, group in zip(within[1:], groups, strict=True):
        row[list(group)] = True
    return Sizes(
        starts=starts,
        of=np.searchsorted(starts, np.arange(len(counts)), side="right") - 1,
        numbers=np.arange(len(counts)),
        beyond=np.where(np.any(uses[None] & ~within[:, None], axis=2), np.inf, 0.0),
    )
