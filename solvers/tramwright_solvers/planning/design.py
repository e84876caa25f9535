"""Which places to read: exact optimal designs by exchange over candidate places.

A model gives every place a row f of its columns; places chosen make the information matrix ``M = prior + sum(f f')``.
Stations are exchanged one by one for the place that improves the criterion most, until none does (V. V. Fedorov,
*Theory of Optimal Experiments*, 1972, in the order of R. D. Cook and C. J. Nachtsheim, Technometrics 22, 1980; both
from memory). No place is taken twice: a repeat at the same place does not average out the indicator's own error. Every
step is deterministic; of equal places the first is taken.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import inf
from typing import Protocol

import numpy as np

from ..model.contract import Floats
from ..model.deadline import NEVER, Deadline

RIDGE, GROWING = 1e-9, 1e-4
"""Information that a design is lent that may be too small for its model, and one that grows from nothing: with less,
its inverse is so large that rounding would choose between equal places."""

PASSES, WORK = 12, 600_000_000
"""Rounds over all stations at the most, three or four are usual; and stations × places × columns in all of them, about
a second: with very many of each the rounds are fewer, one at the least."""

SCATTERED = 4
"""Random starts beside the grown one: exchanges stop at a local optimum."""

LARGE = 60_000
"""Stations × places beyond which a design is improved from what is at hand only, to keep within about a second."""

GAIN = 1e-9
"""An exchange must improve the criterion by this."""

TIE = 1e-6
"""Places and designs as good as the best but for this share are equal, and the first is taken: on a bed that is alike
on both sides there are many, and another processor rounds otherwise."""

SOUND = 1e-8
"""An exchange that shrinks the determinant of the information below this share leaves the model undetermined."""

RANK = 1e-10
"""Designs whose smallest singular value is below this share of the largest do not determine their model."""


def product(matrix: Floats, vector: Floats) -> Floats:
    """Return matrix @ vector without threads: there are thousands of such small products, and waking threads for each
    costs ten times the work on a busy machine."""
    return np.asarray(np.einsum("ij,j->i", matrix, vector))


class Inverse:
    """The inverse of an information matrix M with what is ``lent``, kept up to date while places change.

    ``inverse`` (p, p); ``variance`` (N,) is f' M⁻¹ f and ``weighed`` (N,) f' M⁻¹ W M⁻¹ f of every place, where W are
    the criterion's moments (p, p).
    """

    def __init__(self, criterion: Criterion, chosen: Sequence[int], lent: float = RIDGE) -> None:
        self.lent = lent
        self.columns, self.prior, self.moments = criterion.columns, criterion.prior, criterion.moments
        self.renew(chosen)

    def renew(self, chosen: Sequence[int]) -> None:
        """Work everything out afresh, which removes accumulated rounding errors."""
        rows = self.columns[list(chosen)]
        matrix = self.prior + rows.T @ rows
        self.inverse = np.linalg.inv(matrix + self.lent * np.eye(len(matrix)))
        fitted = self.columns @ self.inverse
        self.variance = np.einsum("ij,ij->i", fitted, self.columns)
        self.weighed = np.einsum("ij,ij->i", fitted @ self.moments, fitted)

    def add(self, place: int, sign: float) -> None:
        """Add one place to the design (sign +1) or take it out (-1)."""
        along = self.inverse @ self.columns[place]
        heavy = self.moments @ along
        shared = product(self.columns, along)
        scale = sign / (1.0 + sign * float(self.columns[place] @ along))
        of_both = product(self.columns, self.inverse @ heavy)
        self.weighed = self.weighed - scale * shared * (2.0 * of_both - scale * float(along @ heavy) * shared)
        self.variance = self.variance - scale * shared**2
        self.inverse = self.inverse - scale * np.outer(along, along)


class Criterion(Protocol):
    """What is to be small: of designs given as indices of places, and of all exchanges of one station at once."""

    columns: Floats
    prior: Floats
    moments: Floats

    def value(self, chosen: Sequence[int]) -> float:
        """Return the criterion of a design; infinite where the design does not determine the model."""

    def gains(self, state: Inverse, out: int | None) -> Floats:
        """Return how much the criterion falls, (N,), if ``out`` is exchanged for each place (None: if it is added)."""


class Determinant:
    """D-optimality: minus the log determinant of the information for each of p columns (N, p)."""

    def __init__(self, columns: Floats) -> None:
        none = np.zeros((columns.shape[1],) * 2)
        self.columns, self.prior, self.moments = columns, none, none

    def value(self, chosen: Sequence[int]) -> float:
        """Return minus log det M / p."""
        singular = np.linalg.svd(self.columns[list(chosen)], compute_uv=False)
        if len(singular) < self.columns.shape[1] or singular[-1] <= RANK * singular[0]:
            return inf
        return -2.0 * float(np.log(singular).mean())

    def gains(self, state: Inverse, out: int | None) -> Floats:
        """By the determinant of a rank-two change: (1 + v_j)(1 - v_i) + v_ij²."""
        grown = 1.0 + state.variance
        if out is not None:
            shared = product(self.columns, state.inverse @ self.columns[out])
            grown = grown * (1.0 - shared[out]) + shared**2
        return np.asarray(np.log(np.maximum(grown, 1e-300)) / self.columns.shape[1])


class Trace:
    """Trace(M⁻¹ W) for columns (N, p), prior information (p, p) and moments W (p, p).

    With W the mean of f f' over an area this is the mean variance of what is fitted there (I-optimality); with W = t' t
    it is the variance of the linear functions t of the coefficients (L-optimality).
    """

    def __init__(self, columns: Floats, prior: Floats, moments: Floats) -> None:
        self.columns, self.prior, self.moments = columns, prior, moments

    def value(self, chosen: Sequence[int]) -> float:
        """Return trace(M⁻¹ W)."""
        rows = self.columns[list(chosen)]
        values, vectors = np.linalg.eigh(self.prior + rows.T @ rows)
        if values[0] <= RANK * values[-1]:
            return inf
        return float(np.sum(np.einsum("ij,ij->j", vectors, self.moments @ vectors) / values))

    def gains(self, state: Inverse, out: int | None) -> Floats:
        """By the inverse of a rank-two change, with g = f_i M⁻¹ W M⁻¹ f_j."""
        if out is None:
            return np.asarray(state.weighed / (1.0 + state.variance))
        along = state.inverse @ self.columns[out]
        shared = product(self.columns, along)
        of_both = product(self.columns, state.inverse @ (self.moments @ along))
        left = 1.0 - shared[out]
        determinant = (1.0 + state.variance) * left + shared**2
        gain = left * state.weighed + 2.0 * shared * of_both - (1.0 + state.variance) * of_both[out]
        sound = determinant > SOUND
        return np.asarray(np.divide(gain, determinant, out=np.full_like(gain, -inf), where=sound))


def total(criteria: Sequence[Criterion], chosen: Sequence[int]) -> float:
    """Return the sum of the criteria of one design."""
    return sum(criterion.value(chosen) for criterion in criteria)


def grown(criteria: Sequence[Criterion], count: int, near: np.ndarray | None = None) -> list[int]:
    """Return a design of this many places, each taken for what it adds most; fewer where ``near`` leaves no more."""
    chosen: list[int] = []
    states = [Inverse(criterion, chosen, GROWING) for criterion in criteria]
    crowd = crowding(len(criteria[0].columns), chosen, near)
    for _ in range(count):
        if np.all(crowd > 0):
            break
        best = first_best(criteria, states, None, crowd > 0)[0]
        chosen.append(best)
        crowd += around(best, near, len(crowd))
        for state in states:
            state.add(best, 1.0)
    return chosen


def around(place: int, near: np.ndarray | None, places: int) -> np.ndarray:
    """Return which places (N,) a station here keeps others from: itself, and those near it."""
    if near is not None:
        return np.asarray(near[place], dtype=int)
    only = np.zeros(places, dtype=int)
    only[place] = 1
    return only


def crowding(places: int, chosen: Sequence[int], near: np.ndarray | None) -> np.ndarray:
    """Return how many stations keep others from each place, (N,)."""
    return sum((around(place, near, places) for place in chosen), np.zeros(places, dtype=int))


def scattered_places(random: np.random.Generator, places: int, count: int, near: np.ndarray | None) -> list[int]:
    """Return so many places at random, or fewer where ``near`` leaves no more."""
    if near is None:
        return list(random.choice(places, count, replace=False).tolist())
    chosen: list[int] = []
    free = np.ones(places, dtype=bool)
    for place in random.permutation(places).tolist():
        if free[place] and len(chosen) < count:
            chosen.append(place)
            free &= ~near[place]
    return chosen


def exchanged(
    criteria: Sequence[Criterion], start: Sequence[int], within: Deadline = NEVER, near: np.ndarray | None = None
) -> list[int]:
    """Return the design with stations exchanged, one at a time, until no exchange lowers the sum of the criteria.

    No station comes ``near`` (N, N) another, itself included, that was not there before.

    Raises:
        OutOfTime: the time is up.
    """
    chosen = list(start)
    states = [Inverse(criterion, chosen) for criterion in criteria]
    crowd = crowding(len(criteria[0].columns), chosen, near)
    each = len(chosen) * sum(criterion.columns.size for criterion in criteria)
    for _ in range(max(1, min(PASSES, WORK // each))):
        moved = False
        for place, out in enumerate(chosen):
            within.check()
            leaves = around(out, near, len(crowd))
            barred = crowd > leaves
            barred[out] = True
            best, gain = first_best(criteria, states, out, barred)
            if gain > 0.0:
                chosen[place], moved = best, True
                crowd += around(best, near, len(crowd)) - leaves
                for state in states:
                    state.add(best, 1.0)
                    state.add(out, -1.0)
        if not moved:
            break
        for state in states:
            state.renew(chosen)
    return chosen


def first_best(
    criteria: Sequence[Criterion], states: Sequence[Inverse], out: int | None, barred: np.ndarray
) -> tuple[int, float]:
    """Return the first of the best places to take in for ``out``, and its gain, which is 0 where none is worth it; none
    of those ``barred`` (N,) is taken."""
    gains = sum(
        (criterion.gains(state, out) for criterion, state in zip(criteria, states, strict=True)),
        np.zeros(len(criteria[0].columns)),
    )
    gains[barred] = -inf
    most = float(gains.max())
    if most == -inf:
        return 0, 0.0
    return int(np.argmax(gains >= most - TIE * abs(most))), most if most > GAIN else 0.0


def best_design(
    criteria: Sequence[Criterion],
    count: int,
    starts: Sequence[Sequence[int]] = (),
    scattered: int = SCATTERED,
    within: Deadline = NEVER,
    near: np.ndarray | None = None,
) -> list[int]:
    """Return the first of the best designs found from several starts, none of which it is worse than by more than
    :data:`TIE`; empty if there is none.

    They are a grown design, as many ``scattered`` at random as asked for, always the same, and those given. Of a large
    task (:data:`LARGE`) only those given are tried, if any are. No station is moved ``near`` (N, N) another.

    Raises:
        OutOfTime: the time is up.
    """
    places = len(criteria[0].columns)
    tried = list(starts)
    if not starts or count * places <= LARGE:
        random = np.random.default_rng(0)
        made = [grown(criteria, count, near)]
        made += [scattered_places(random, places, count, near) for _ in range(scattered)]
        tried += [start for start in made if len(start) == count]
    designs = [*starts, *(exchanged(criteria, start, within, near) for start in tried)]
    values = [total(criteria, design) for design in designs]
    least = min(values, default=inf)
    best = (design for design, value in zip(designs, values, strict=True) if value <= least + TIE * abs(least))
    return list(next(best, ()))
