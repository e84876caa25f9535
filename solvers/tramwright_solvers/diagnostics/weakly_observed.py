"""Terms and adjusters that the stations determine badly, and the stations that would cure it.

Each term of the form and each adjuster is held to two measures: the standard uncertainty of what it does over the bed,
as far as these stations tell it from the other terms (from easier adjusters), against that of a good plan of as many
stations; and against the limit. What is not seen at all is named elsewhere (:mod:`.unobservable`, :class:`.Form`).

A good plan here is one grown place by place on a grid over the bed, each place being the one at which the gap is least
known (the greedy way to a D-optimal design; Kiefer & Wolfowitz 1960 for the equivalence, from memory).
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from math import sqrt

import numpy as np
from msgspec import Struct

from ..linalg.grids import evenly, grid
from ..linalg.orthogonalize import dominant, each_beside_others, less, nearly_apart
from ..model.contract import Adjuster, Floats
from ..model.machine import Bed, Machine
from ..model.units import DECIMALS
from ..reduction.covariance import GapCovariance
from ..results.findings import Blind
from . import sentences
from .form_terms import TERMS, Form, term_columns

SEVERAL = 3.0
"""Seen badly is what is this many times less certain than a good plan would leave it. Our own choice."""

OF_LIMIT = 1.0 / 3.0
"""Seen badly is, too, what is uncertain by more than this share of the limit. Our own choice."""

MOST_ADDED = 6
"""Stations proposed at the most."""

WELL = 0.5
"""Stations are added until the uncertainty is this share of what would be named. Our own choice."""

INNER = np.array([7 * row + column for row in range(1, 6) for column in range(1, 6) if (row, column) != (3, 3)])
"""Places of the grid that are neither along its edges nor in its middle; no reading is proposed there."""

GROWN = 60
"""Stations for which a good plan is grown; one of more is as good, station for station."""

INSET = 0.04
"""Stations proposed keep this share of the bed's side from its edge, so that the tip stands on it. Our own choice."""

SEEN_OVER_BED = 1e-3
"""What is below this over the bed, once the others are taken off, is nothing of its own."""

SURELY = 1e-5
"""Share by which a bound is left wider, that no rounding decides."""

RIDGE = 1e-9
"""Information lent to a design that is still too small for its model, relative to one reading."""


def remedy_points(bed: Bed) -> Floats:
    """Return the 7 × 7 grid of places at which a reading may be proposed, shape (49, 2), whole in the third digit."""
    sides = []
    for low, high in (bed.x, bed.y):
        inset = INSET * (high - low)
        sides.append([min(max(float(f"{at:.3g}"), low), high) for at in evenly(low + inset, high - inset, 7)])
    return grid(*sides)


class Estimand(Struct, frozen=True):
    """One term or adjuster: its column beside those it has to be told from, at the stations and at the places.

    ``here`` (n, k + 1) and ``there`` (49, k + 1) have its own column last and the others orthonormal over the places;
    ``size`` is the range over the places of what it does beyond them, for a coefficient of one.
    """

    what: str
    kind: str
    here: Floats
    there: Floats
    size: float


class Confounders(Struct, frozen=True):
    """What an item has to be told from, orthonormal over the places: at the stations (n, k), at the places (49, k)."""

    here: Floats
    there: Floats


def confounders_of(here: Floats, there: Floats) -> Confounders:
    """Prepare what others do from their columns at the stations (n, p) and at the places (49, p)."""
    left, singular, right = np.linalg.svd(there, full_matrices=False)
    kept = singular > 1e-9 * max(float(singular.max(initial=0.0)), 1e-300)
    return Confounders(here @ (right[kept].T / singular[kept]), left[:, kept])


def estimand(what: str, kind: str, others: Confounders, here: Floats, there: Floats) -> Estimand | None:
    """Prepare an item from its columns (n,) and (49,); None where it does nothing of its own over the bed."""
    apart = less(there, others.there)
    size = float(apart.max() - apart.min())
    if size < SEEN_OVER_BED * max(1.0, float(np.abs(there).max())):
        return None
    return Estimand(what, kind, np.column_stack([others.here, here]), np.column_stack([others.there, there]), size)


def estimands(
    form: Form,
    adjusters: Sequence[Adjuster],
    influence: Floats,
    terms_there: Floats,
    there: Floats,
    but: Collection[str] = (),
) -> list[Estimand]:
    """Return all items ``but`` some: each term beside the other terms seen, each adjuster beside a constant and all
    easier ones."""
    found: list[Estimand | None] = []
    seen = [index for index, one in enumerate(form.seen) if one]
    for index in seen[1:]:
        if TERMS[index] not in but:
            rest = [other for other in seen if other != index]
            others = confounders_of(form.columns[:, rest], terms_there[:, rest])
            found.append(estimand(TERMS[index], "term", others, form.columns[:, index], terms_there[:, index]))
    beside: dict[float, Confounders] = {}
    for index, adjuster in enumerate(adjusters):
        if adjuster.id in but:
            continue
        if adjuster.effort not in beside:
            beside[adjuster.effort] = confounders_of(*easier_than(adjuster.effort, adjusters, influence, there))
        found.append(estimand(adjuster.id, "adjuster", beside[adjuster.effort], influence[:, index], there[:, index]))
    return [one for one in found if one is not None]


def easier_than(effort: float, adjusters: Sequence[Adjuster], *at: Floats) -> Iterator[Floats]:
    """Yield a constant and the columns (n, m) of the adjusters that need less effort, at several sets of places."""
    easier = [index for index, other in enumerate(adjusters) if other.effort < effort]
    return (np.column_stack([np.ones(len(columns)), columns[:, easier]]) for columns in at)


def clearly_seen(
    form: Form,
    adjusters: Sequence[Adjuster],
    influence: Floats,
    terms_there: Floats,
    there: Floats,
    variance: Floats,
    limit: float,
) -> set[str]:
    """Return the terms and adjusters that readings of these variances (n,) see well, as far as bounds tell it cheaply.

    No plan tells an item better than one whose stations all stood where the item has most of its own.
    """
    count, weight = len(variance), 1.0 / np.sqrt(variance)[:, None]
    bound = SEVERAL * sqrt(float(variance.mean()) / count)

    def clear(here: Floats, own: Floats) -> np.ndarray:
        size = np.ptp(own, axis=0)
        most = np.abs(own).max(axis=0)
        enough = np.minimum(bound * size, OF_LIMIT * limit * most) * np.linalg.norm(here, axis=0)
        return np.asarray(size * most < (1.0 - SURELY) * enough)

    seen = np.flatnonzero(form.seen)
    told = clear(each_beside_others(form.columns[:, seen] * weight), each_beside_others(terms_there[:, seen]))
    found = {TERMS[index] for index in seen[told].tolist()}
    for effort in {adjuster.effort for adjuster in adjusters}:
        own = [index for index, adjuster in enumerate(adjusters) if adjuster.effort == effort]
        here, over = easier_than(effort, adjusters, influence, there)
        told = clear(nearly_apart(influence[:, own] * weight, here * weight), nearly_apart(there[:, own], over))
        found |= {adjusters[own[at]].id for at in np.flatnonzero(told).tolist()}
    return found


def information(rows: Floats, variance: Floats, factors: Floats) -> Floats:
    """Return ``rows.T @ inverse covariance @ rows`` of readings (n,), by the Woodbury identity."""
    weighted = rows / variance[:, None]
    if not factors.shape[1]:
        return np.asarray(rows.T @ weighted)
    joined = factors.T @ weighted
    inner = np.eye(factors.shape[1]) + factors.T @ (factors / variance[:, None])
    return np.asarray(rows.T @ weighted - joined.T @ np.linalg.solve(inner, joined))


def good_plan(columns: Floats, count: int) -> np.ndarray:
    """Return the indices of places, rows of ``columns`` (c, p), that a good plan of so many stations reads."""
    basis = dominant(columns, 1e-9)
    inverse, chosen = np.eye(basis.shape[1]) / RIDGE, []
    for _ in range(count):
        gain = basis @ inverse
        known = np.einsum("ij,ij->i", gain, basis)
        # While little is known yet, what cancels leaves RIDGE's share of rounding: the first of equals within that.
        best = int((known > known.max() * (1.0 - 1e-6)).argmax())
        chosen.append(best)
        inverse -= np.outer(gain[best], gain[best]) / (1.0 + known[best])
    return np.array(chosen)


def weakly_observed(
    machine: Machine,
    form: Form,
    adjusters: Sequence[Adjuster],
    influence: Floats,
    there: Floats,
    noise: GapCovariance,
    unseen: Sequence[Blind],
) -> list[Blind]:
    """Name what the stations see badly, with stations that would cure it; ``unseen`` is what they do not see at all.

    ``influence`` (n, m) is the adjusters' at the stations, ``there`` (49, m) at :func:`remedy_points`; ``noise`` is
    that of one survey before any repeat is looked at.
    """
    places = remedy_points(machine.bed)
    terms_there = term_columns(machine.bed, places)
    variance, but = noise.variance[0], {one.what for one in unseen}
    if not noise.factors.shape[1]:
        but |= clearly_seen(form, adjusters, influence, terms_there, there, variance, machine.total_limit)
    if not (wanted := estimands(form, adjusters, influence, terms_there, there, but)):
        return []
    single, count = float(variance.mean()), len(variance)
    plan = good_plan(np.column_stack([terms_there[:, form.seen], there]), min(count, GROWN))
    found = []
    for one in wanted:
        lent = RIDGE / single * np.eye(one.here.shape[1])
        matrix = information(one.here, variance, noise.factors) + lent
        good = one.there[plan].T @ one.there[plan] * (count / len(plan)) / single
        good_u = u_of(one, good + lent)
        enough = min(SEVERAL * good_u, OF_LIMIT * machine.total_limit)
        if (u := u_of(one, matrix)) > enough:
            joining = u_of(one, information(one.here, variance, np.zeros((count, 0))) + lent) <= enough
            added = [] if joining else remedy(one, matrix, single, enough)
            after = u_of(one, matrix + one.there[added].T @ one.there[added] / single) if added else u
            says = describe(machine, one, (u, good_u, after), places[added], joining, enough)
            found.append(Blind(one.what, "term" if one.kind == "term" else "adjuster", says))
    return found


def u_of(one: Estimand, matrix: Floats) -> float:
    """Return the standard uncertainty of what an item does over the bed, from its information matrix."""
    return one.size * sqrt(max(float(np.linalg.inv(matrix)[-1, -1]), 0.0))


def remedy(one: Estimand, matrix: Floats, single: float, enough: float) -> list[int]:
    """Return the places that bring an item well below ``enough``, :data:`MOST_ADDED` at most.

    Each is the one that helps most of those along the edges and in the middle. Adding a reading f takes
    ``(c' f)² / (σ² + f' M⁻¹ f)`` off the variance, c being the item's row of M⁻¹.
    """
    added: list[int] = []
    inverse = np.linalg.inv(matrix)
    while len(added) < MOST_ADDED and one.size * sqrt(max(inverse[-1, -1], 0.0)) > WELL * enough:
        gain = one.there @ inverse
        less = gain[:, -1] ** 2 / (single + np.einsum("ij,ij->i", gain, one.there))
        less[INNER] = 0.0
        best = int((less > less.max() * (1.0 - 1e-9)).argmax())
        added.append(best)
        inverse = np.linalg.inv(matrix + one.there[added].T @ one.there[added] / single)
    return added


def describe(
    machine: Machine, one: Estimand, u: tuple[float, float, float], places: Floats, joining: bool, enough: float
) -> str:
    """Say how badly, and what to do about it."""
    digits, unit = DECIMALS[machine.units], machine.units
    now, good, after = u
    what = one.what if one.kind == "term" else f"what `{one.what}` does"
    says = sentences.badly_seen(what, now, unit, good, digits)
    if joining:
        return says + sentences.SETUPS_HANG_LOOSELY
    unique = list(dict.fromkeys(map(tuple, places.tolist())))
    named = ", ".join(f"({x:g}, {y:g})" for x, y in unique)
    if after <= enough:
        return sentences.further_stations_help(says, named, after, unit, digits)
    return sentences.further_stations_help_a_little(says, named, after, unit, digits)
