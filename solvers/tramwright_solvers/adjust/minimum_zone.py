"""Minimum zone: the fit, or the travels, that leave the smallest largest deviation (Chebyshev, L-infinity).

:func:`chebyshev` settles whole stacks of unbounded problems by exchange. Take p + 1 stations, a *reference*, with a
sign each: one coefficient vector makes all of them deviate by the same ``h`` with those signs, and weights
``mu >= 0`` with ``sum(mu * sign * row) = 0``, ``sum(mu) = 1`` prove that no fit does better than ``h``. While some
station deviates by more than ``h`` it enters the reference and the ratio test on ``mu`` says which one leaves, so the
proof keeps standing and ``h`` never falls. This is the dual simplex method for the L-infinity problem: Stiefel's
exchange of 1959 (name and year from memory) without its Haar condition, which points in a plane do not meet. The
formulas here are derived from linear programming duality.

:func:`bounded` is the linear programme for everything that limits travels, solved by HiGHS.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..contract import Floats
from ..faults import SolverError
from .problem import Problem

Ints = NDArray[np.int64]

CLOSE = 1e-11
"""A station no further out than this, against the largest least-squares residual, does not enter the reference."""

PROVEN = 1e-9
"""Largest distance between a zone and its lower bound, as a share of it, that still counts as proof."""

PATIENCE = 20
"""Exchanges allowed for each station of a reference; random surveys of 100 stations take up to 10 (measured)."""

PIVOT = 1e-9
"""Smallest pivot. The pivots of one exchange sum to one, so there is always one of at least 1 / (p + 1)."""

TIED = 1e-12
"""Ratios this close are a tie; the largest pivot among them leaves, then the first."""

BLOCK = 2**16
"""Numbers worked on at a time, so that they stay in the processor's cache."""

TIGHT = 1e-10
"""The tightest feasibility tolerance that HiGHS takes. Everything handed to it is scaled to order one."""


SLACK = 1e-9
"""Widening of the zone, as a share of it and of the gap's own size, within which the least effort is sought."""

RANK = 1e-12
"""Singular values of a column-scaled design below this share of the largest are rounding."""

FAR = 1e6
"""Bounds this many times the gap's own size are as good as none, and only blur the programme's tolerances."""


class Chebyshev(NamedTuple):
    """Best fits of b problems: ``coefficients`` (b, p), ``half_zone`` (b,), ``finished`` (b,).

    ``half_zone`` is the largest deviation that the coefficients leave, in the unit of the values. ``finished`` tells
    where the exchange proved its own answer; elsewhere a linear programme has settled it.
    """

    coefficients: Floats
    half_zone: Floats
    finished: NDArray[np.bool_]


class Reference(NamedTuple):
    """Where an exchange stands, batch last: p + 1 stations with a sign each for b problems.

    ``stations`` and ``signs`` (p + 1, b); ``inverse`` (p + 1, p + 1, b) of the matrix with rows ``[sign * row, 1]``,
    whose last row is ``mu``; ``fit`` (p + 1, b): coefficients, then ``h``.
    """

    stations: Ints
    signs: Floats
    inverse: Floats
    fit: Floats

    def of(self, rows: NDArray[np.bool_]) -> Reference:
        """Return the same for some of the problems."""
        return Reference(self.stations[:, rows], self.signs[:, rows], self.inverse[:, :, rows], self.fit[:, rows])


def chebyshev(design: Floats, values: Floats) -> Chebyshev:
    """Minimise ``max |values - design @ coefficients|`` for every row of ``values``.

    ``design`` has shape (n, p), shared, or (b, n, p), one for each problem (a free offset is a column of ones);
    ``values`` (b, n). Zones agree with the linear programme to 1e-9 of themselves. Where columns depend on one another the
    shortest coefficients, over columns scaled to largest element one, stand for all that give the same fit; where
    several fits are equally good, one of them is returned. A row's answer does not depend, to the last bit, on the
    rows beside it.

    Raises:
        SolverError: a problem that the exchange did not finish and HiGHS could not solve either.
    """
    designs = design if design.ndim == 3 else design[None]
    shared, (count, stations) = len(designs) == 1, values.shape
    columns = designs.shape[2]
    result = Chebyshev(np.zeros((count, columns)), np.zeros(count), np.zeros(count, dtype=np.bool_))
    size = np.max(np.abs(designs), axis=1, initial=0.0)
    size[size == 0.0] = 1.0
    left, singular, right = np.linalg.svd(designs / size[:, None, :], full_matrices=False)
    ranks = np.sum(singular > RANK * singular[:, :1], axis=1)
    for rank in np.unique(ranks):
        members = np.arange(count) if shared else np.flatnonzero(ranks == rank)
        step = max(1, BLOCK // (stations * (1 if shared else columns)))
        for start in range(0, len(members), step):
            part = members[start : start + step]
            own = slice(None) if shared else part
            lift = right[own, :rank].swapaxes(1, 2) / singular[own, None, :rank] / size[own, :, None]
            solved = _block(designs[own], np.ascontiguousarray(left[own, :, :rank]), lift, values[part])
            for whole, piece in zip(result, solved, strict=True):
                whole[part] = piece
    return result


def _block(designs: Floats, orthogonal: Floats, lift: Floats, values: Floats) -> Chebyshev:
    """Solve problems of one rank r; ``orthogonal`` (1 or b, n, r) spans the columns, ``lift`` (1 or b, p, r) goes back.

    What the exchange sees are least-squares residuals over the orthonormal basis, the largest of them one.
    """
    # One product for each problem, so that a row's rounding does not depend on how many there are.
    projected = (values[:, None, :] @ orthogonal)[:, 0, :]
    residual = values - (orthogonal @ projected[:, :, None])[:, :, 0]
    largest = np.max(np.abs(residual), axis=1)
    scale = np.where(largest > 0.0, largest, 1.0)
    target = np.ascontiguousarray((residual / scale[:, None]).T)
    basis = np.ascontiguousarray(np.moveaxis(orthogonal, 0, -1).swapaxes(0, 1))

    reference = exchanged(basis, target)
    fit = reference.fit[:-1]
    zone = np.max(np.abs(deviations(basis, target, fit)), axis=0)
    # The last term lets an exact fit, whose bound is zero, differ from it by rounding.
    finished = zone <= lower_bound(basis, target, reference) * (1.0 + PROVEN) + 1e-12
    for row in np.flatnonzero(~finished):
        fit[:, row] = by_programme(basis[:, :, row if basis.shape[2] > 1 else 0].T, target[:, row])
    coefficients = lift @ (projected + scale[:, None] * fit.T)[:, :, None]
    remaining = values - (designs @ coefficients)[:, :, 0]
    return Chebyshev(coefficients[:, :, 0], np.max(np.abs(remaining), axis=1), finished)


def deviations(basis: Floats, target: Floats, fit: Floats) -> Floats:
    """Return ``target - basis * fit``, shape (n, b); ``basis`` (p, n, 1 or b), ``target`` (n, b), ``fit`` (p, b)."""
    result = target.copy()
    for column, coefficient in zip(basis, fit, strict=True):
        result -= column * coefficient
    return result


def lower_bound(basis: Floats, target: Floats, reference: Reference) -> Floats:
    """Return what no fit can get below, shape (b,), whatever rounding has done to the reference.

    For weights ``w`` with ``sum |w| = 1`` any fit ``c`` has ``max |target - basis c| >= w · target - |wᵀ basis| |c|``;
    the best fit has ``|c| <= 2 sqrt(n)`` because the basis is orthonormal and the target nowhere exceeds one.
    """
    mu = np.maximum(reference.inverse[-1], 0.0)
    weights = reference.signs * mu / np.sum(mu, axis=0)
    each = np.arange(target.shape[1])
    rows = basis[:, reference.stations, each if basis.shape[2] > 1 else 0]
    slip = np.sqrt(np.sum(np.sum(rows * weights, axis=1) ** 2, axis=0))
    proven = np.sum(weights * target[reference.stations, each], axis=0)
    return np.asarray(proven - 2.0 * np.sqrt(len(target)) * slip)


def first_reference(basis: Floats, target: Floats) -> Reference:
    """Return a reference to start from: independent rows, picked where residuals are large, and the worst station.

    Picking is QR with row pivoting on rows weighted by 0.1 + residual: the floor keeps the rows well apart, the
    residual brings them near the contacts of the best fit and so saves exchanges.
    """
    columns, _, count = len(basis), *target.shape
    each = np.arange(count)
    away = np.abs(target)
    weighted = basis * (0.1 + away)
    stations = np.empty((columns + 1, count), dtype=np.int64)
    for step in range(columns):
        length = np.zeros_like(target)
        for column in weighted:
            length += column * column
        pick = np.argmax(length, axis=0)
        stations[step] = pick
        along = weighted[:, pick, each] / np.sqrt(length[pick, each])
        share = np.zeros_like(target)
        for column, part in zip(weighted, along, strict=True):
            share += column * part
        weighted -= along[:, None, :] * share
        away[pick, each] = -1.0
    stations[-1] = np.argmax(away, axis=0)

    rows = np.moveaxis(basis[:, stations, each if basis.shape[2] > 1 else 0], -1, 0)  # (b, p, p + 1)
    worst = np.where(target[stations[-1], each] < 0.0, -1.0, 1.0)
    # The last row as a combination of the others gives mu up to its scale; signs make it positive.
    combination = np.linalg.solve(rows[:, :, :-1], rows[:, :, -1:])[:, :, 0].T
    signs = np.concatenate([np.where(combination > 0.0, -worst, worst), worst[None]])
    matrix = np.concatenate(
        [np.moveaxis(rows, 0, -1).swapaxes(0, 1) * signs[:, None, :], np.ones((columns + 1, 1, count))], axis=1
    )
    inverse = np.ascontiguousarray(np.moveaxis(np.linalg.inv(np.moveaxis(matrix, -1, 0)), 0, -1))
    right = signs * target[stations, each]
    fit = np.zeros_like(right)
    for column in range(columns + 1):
        fit += inverse[:, column] * right[column]
    # A negative h means the mirror image of every sign; mu stays, coefficients stay, h turns positive.
    mirror = np.where(fit[-1] < 0.0, -1.0, 1.0)
    inverse[:-1] *= mirror
    fit[-1] *= mirror
    return Reference(stations, signs * mirror, inverse, fit)


def exchanged(basis: Floats, target: Floats) -> Reference:
    """Exchange until no station is further out than the reference, or for as long as is sensible."""
    columns, count = len(basis), target.shape[1]
    final = first_reference(basis, target)
    now = final.of(np.ones(count, dtype=np.bool_))
    open_rows = np.arange(count)
    for _ in range(PATIENCE * (columns + 1)):
        residual = deviations(basis, target, now.fit[:-1])
        enter = np.argmax(np.abs(residual), axis=0)
        out = residual[enter, np.arange(len(open_rows))]
        more = np.abs(out) > now.fit[-1] + CLOSE
        if not more.all():
            for whole, part in zip(final, now.of(~more), strict=True):
                whole[..., open_rows[~more]] = part
            open_rows, target, now, enter, out = open_rows[more], target[:, more], now.of(more), enter[more], out[more]
            basis = basis[:, :, more] if basis.shape[2] > 1 else basis
            if not len(open_rows):
                return final
        exchange(basis, now, enter, out)
    for whole, part in zip(final, now, strict=True):
        whole[..., open_rows] = part
    return final


def exchange(basis: Floats, now: Reference, enter: Ints, out: Floats) -> None:
    """Let station ``enter`` (b,), deviating by ``out`` (b,), into each reference in place of one of its stations."""
    each = np.arange(len(enter))
    sign = np.where(out < 0.0, -1.0, 1.0)
    row = basis[:, enter, each if basis.shape[2] > 1 else 0] * sign
    pivots = now.inverse[-1].copy()
    for part, line in zip(row, now.inverse[:-1], strict=True):
        pivots += part * line
    usable = pivots > PIVOT
    ratio = np.where(usable, np.maximum(now.inverse[-1], 0.0) / np.where(usable, pivots, 1.0), np.inf)
    leave = np.argmax(np.where(ratio <= np.min(ratio, axis=0) + TIED, pivots, -np.inf), axis=0)
    column = now.inverse[:, leave, each] / pivots[leave, each]
    now.inverse[...] -= column[:, None, :] * pivots
    now.inverse[:, leave, each] = column
    now.fit[...] += column * (np.abs(out) - now.fit[-1])
    now.stations[leave, each] = enter
    now.signs[leave, each] = sign


def by_programme(design: Floats, values: Floats) -> Floats:
    """Solve one problem as a linear programme; ``design`` (n, p), ``values`` (n,), both of order one."""
    one = np.ones((len(values), 1))
    columns = design.shape[1]
    return programme(
        cost=np.append(np.zeros(columns), 1.0),
        at_most=(np.block([[design, -one], [-design, -one]]), np.concatenate([values, -values])),
        equal=(np.empty((0, columns + 1)), np.empty(0)),
        lower=np.append(np.full(columns, -np.inf), 0.0),
        upper=np.full(columns + 1, np.inf),
    )[:-1]


def programme(
    cost: Floats, at_most: tuple[Floats, Floats], equal: tuple[Floats, Floats], lower: Floats, upper: Floats
) -> Floats:
    """Return the minimiser of ``cost @ x`` with ``at_most``: ``A @ x <= b``, ``equal``: ``A @ x = b`` and bounds.

    Raises:
        SolverError: HiGHS found no optimum.
    """
    from scipy.optimize import linprog

    found = linprog(
        cost,
        A_ub=at_most[0],
        b_ub=at_most[1],
        A_eq=equal[0],
        b_eq=equal[1],
        bounds=list(zip(lower.tolist(), upper.tolist(), strict=True)),
        method="highs-ds",
        options={"primal_feasibility_tolerance": TIGHT, "dual_feasibility_tolerance": TIGHT},
    )
    if found.status != 0:
        raise SolverError(f"The linear programme of the minimum zone was not solved: {found.message}")
    return np.asarray(found.x, dtype=np.float64)


def bounded(problem: Problem, gap: Floats) -> Floats:
    """Return the travels (m,) of minimum zone within bounds and condition rows; ``gap`` (n,), in its unit.

    Among travels that leave the smallest zone, to 1e-9 of the gap's own range, those of least ``sum(effort * |a|)``: so
    redundant adjusters stand still. Equal inputs give equal bytes.

    Raises:
        SolverError: HiGHS failed; zero travel is feasible, so the programme itself never is.
    """
    count, adjusters = problem.influence.shape
    middle = (np.max(gap) + np.min(gap)) / 2.0 if problem.offset_free else 0.0
    scale = float(np.max(np.abs(gap - middle)))
    if scale == 0.0 or adjusters == 0:
        return np.zeros(adjusters)
    target = (gap - middle) / scale
    shift = np.ones((count, 1 if problem.offset_free else 0))
    lower, upper = problem.lower / scale, problem.upper / scale
    (rows, most), (level, exact) = conditions(problem, scale)

    # Variables: travel up, travel down (both >= 0), the offset where it is free, half the zone.
    gaps = np.column_stack([problem.influence, -problem.influence, shift])
    wall = np.ones((count, 1))
    rest = shift.shape[1] + 1
    matrix = np.vstack(
        [
            np.block([[gaps, -wall], [-gaps, -wall]]),
            np.column_stack([rows, -rows, np.zeros((len(rows), rest))]),
        ]
    )
    at_most = matrix, np.concatenate([-target, target, most])
    equal = np.column_stack([level, -level, np.zeros((len(level), rest))]), exact
    least = np.append(np.zeros(2 * adjusters), np.append(np.full(rest - 1, -np.inf), 0.0))
    largest = np.concatenate([upper, -lower, np.full(rest, np.inf)])
    largest[largest > FAR] = np.inf

    flattest = programme(np.append(np.zeros(len(least) - 1), 1.0), at_most, equal, least, largest)
    # The zone that these travels really leave: a zone a rounding error too small would leave nothing to choose from.
    largest[-1] = np.max(np.abs(target + gaps @ flattest[:-1])) * (1.0 + SLACK) + SLACK
    effort = problem.effort / np.max(problem.effort)
    easiest = programme(np.concatenate([effort, effort, np.zeros(rest)]), at_most, equal, least, largest)
    travels = easiest[:adjusters] - easiest[adjusters : 2 * adjusters]
    return np.clip(travels * scale, problem.lower, problem.upper)


def conditions(problem: Problem, scale: float) -> tuple[tuple[Floats, Floats], tuple[Floats, Floats]]:
    """Return the condition rows as ``A @ a <= b`` and ``A @ a = b``, rows of order one, ``a`` in units of ``scale``."""
    size = np.max(np.abs(problem.rows), axis=1, initial=0.0)
    size[size == 0.0] = 1.0
    rows = problem.rows / size[:, None]
    low, high = problem.rows_lower / size / scale, problem.rows_upper / size / scale
    level = low == high
    above, below = ~level & (high < FAR), ~level & (low > -FAR)
    return (np.vstack([rows[above], -rows[below]]), np.concatenate([high[above], -low[below]])), (
        rows[level],
        high[level],
    )
