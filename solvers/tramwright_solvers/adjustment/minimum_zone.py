"""Minimum zone: the fit, or the travels, that leave the smallest largest deviation (Chebyshev, L-infinity).

:func:`chebyshev` settles whole stacks of unbounded problems by exchange (see :mod:`.chebyshev_exchange`) and proves
each answer; :func:`bounded` is the linear programme for everything that limits travels, solved by HiGHS.
"""

from __future__ import annotations

from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..model.contract import Floats
from ..model.deadline import NEVER, Deadline
from ..model.errors import Impossible, SolverError
from . import sentences
from .chebyshev_exchange import deviations, exchanged, lower_bound
from .problem import Problem

PROVEN = 1e-9
"""Largest distance between a zone and its lower bound, as a share of it, that still counts as proof."""

BLOCK = 2**16
"""Numbers worked on at a time, so that they stay in the processor's cache."""

TIGHT = 1e-10
"""The tightest feasibility tolerance that HiGHS takes. Everything handed to it is scaled to order one."""

WAYS: tuple[tuple[Literal["highs-ds", "highs-ipm"], float], ...] = (
    ("highs-ds", TIGHT),
    ("highs-ds", 1e-9),
    ("highs-ds", 1e-8),
    ("highs-ds", 1e-7),
    ("highs-ipm", 1e-7),
)
"""Methods and tolerances tried in turn: with far bounds and redundant adjusters the dual simplex of HiGHS may miss the
tightest (9 of 5286 random problems). Its interior point shares nothing with it, and has not been needed yet."""

SLACK = 1e-9
"""Widening of the zone, as a share of it, within which the least effort is sought."""

RANK = 1e-12
"""Singular values of a column-scaled design below this share of the largest are rounding."""

INFEASIBLE = 2
"""Status of ``scipy.optimize.linprog`` for a programme without a solution."""

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


class Spans(NamedTuple):
    """Designs (k, n, p) and what their columns span, ready for any values.

    ``size`` (k, p) are the columns' largest elements; ``left`` (k, n, q), ``singular`` (k, q) and ``right`` (k, q, p)
    take the columns of that size apart, q being the lesser of n and p, and ``ranks`` (k,) says how much of it counts.
    """

    designs: Floats
    size: Floats
    left: Floats
    singular: Floats
    right: Floats
    ranks: NDArray[np.intp]


def spans(designs: Floats) -> Spans:
    """Take designs (k, n, p) apart."""
    size = np.max(np.abs(designs), axis=1, initial=0.0)
    size[size == 0.0] = 1.0
    left, singular, right = np.linalg.svd(designs / size[:, None, :], full_matrices=False)
    return Spans(designs, size, left, singular, right, np.sum(singular > RANK * singular[:, :1], axis=1))


def chebyshev(design: Floats, values: Floats) -> Chebyshev:
    """Minimise ``max |values - design @ coefficients|`` for every row of ``values``.

    ``design`` has shape (n, p), shared, or (b, n, p), one for each problem (a free offset is a column of ones);
    ``values`` (b, n). Zones agree with the linear programme to 1e-9 of themselves. Where columns depend on each other,
    the shortest coefficients, over columns scaled to largest element one, stand for all that give the same fit; where
    several fits are equally good, one of them is returned. A row's answer does not depend, to the last bit, on the
    rows beside it.

    Raises:
        SolverError: a problem that the exchange did not finish and HiGHS could not solve either.
    """
    of = np.arange(len(values)) if design.ndim == 3 else np.zeros(len(values), dtype=np.intp)
    return nearest(spans(design if design.ndim == 3 else design[None]), values, of)


def nearest(known: Spans, values: Floats, of: NDArray[np.intp], within: Deadline = NEVER) -> Chebyshev:
    """Answer as :func:`chebyshev`, each row of ``values`` (b, n) with the design whose number ``of`` (b,) gives.

    Raises:
        OutOfTime: the time is up.
    """
    count, stations = values.shape
    shared, columns = len(known.designs) == 1, known.designs.shape[2]
    result = Chebyshev(np.zeros((count, columns)), np.zeros(count), np.zeros(count, dtype=np.bool_))
    ranks = known.ranks[of]
    for rank in np.unique(ranks):
        members = np.flatnonzero(ranks == rank)
        step = max(1, BLOCK // (stations * (1 if shared else columns)))
        for start in range(0, len(members), step):
            within.check()
            part = members[start : start + step]
            own = slice(None) if shared else of[part]
            lift = known.right[own, :rank].swapaxes(1, 2) / known.singular[own, None, :rank] / known.size[own, :, None]
            orthogonal = np.ascontiguousarray(known.left[own, :, :rank])
            solved = _block(known.designs[own], orthogonal, lift, values[part], within)
            for whole, piece in zip(result, solved, strict=True):
                whole[part] = piece
    return result


def _block(designs: Floats, orthogonal: Floats, lift: Floats, values: Floats, within: Deadline) -> Chebyshev:
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
        fit[:, row] = by_programme(basis[:, :, row if basis.shape[2] > 1 else 0].T, target[:, row], within)
    coefficients = lift @ (projected + scale[:, None] * fit.T)[:, :, None]
    remaining = values - (designs @ coefficients)[:, :, 0]
    return Chebyshev(coefficients[:, :, 0], np.max(np.abs(remaining), axis=1), finished)


def by_programme(design: Floats, values: Floats, within: Deadline = NEVER) -> Floats:
    """Solve one problem as a linear programme; ``design`` (n, p), ``values`` (n,), both of order one."""
    one = np.ones((len(values), 1))
    columns = design.shape[1]
    return programme(
        cost=np.append(np.zeros(columns), 1.0),
        at_most=(np.block([[design, -one], [-design, -one]]), np.concatenate([values, -values])),
        equal=(np.empty((0, columns + 1)), np.empty(0)),
        lower=np.append(np.full(columns, -np.inf), 0.0),
        upper=np.full(columns + 1, np.inf),
        within=within,
    )[:-1]


def programme(
    cost: Floats,
    at_most: tuple[Floats, Floats],
    equal: tuple[Floats, Floats],
    lower: Floats,
    upper: Floats,
    within: Deadline = NEVER,
) -> Floats:
    """Return the minimiser of ``cost @ x`` with ``at_most``: ``A @ x <= b``, ``equal``: ``A @ x = b`` and bounds.

    Raises:
        OutOfTime: the time is up.
        Impossible: nothing keeps the limits.
        SolverError: HiGHS found no optimum.
    """
    from scipy.optimize import linprog

    for method, tolerance in WAYS:
        within.check()
        found = linprog(
            cost,
            A_ub=at_most[0],
            b_ub=at_most[1],
            A_eq=equal[0],
            b_eq=equal[1],
            bounds=list(zip(lower.tolist(), upper.tolist(), strict=True)),
            method=method,
            options={
                "primal_feasibility_tolerance": tolerance,
                "dual_feasibility_tolerance": tolerance,
                "time_limit": within.left,
            },
        )
        if found.status == 0:
            return np.asarray(found.x, dtype=np.float64)
    within.check()
    if found.status == INFEASIBLE:
        raise Impossible.at("/solve", sentences.NOTHING_ALLOWED)
    raise SolverError(sentences.programme_unsolved(found.message))


def bounded(problem: Problem, gap: Floats, within: Deadline = NEVER) -> Floats:
    """Return the travels (m,) of minimum zone within bounds and condition rows; ``gap`` (n,), in its unit.

    Among travels that leave the smallest zone, to 1e-9 of it and 1e-10 of the gap's own size, those of least
    ``sum(effort * |a|)``: so redundant adjusters stand still. Equal inputs give equal bytes.

    Raises:
        OutOfTime: the time is up.
        Impossible: no travel satisfies the bounds and conditions. Never where zero travel does.
        SolverError: HiGHS failed.
    """
    count, adjusters = problem.influence.shape
    middle = (np.max(gap) + np.min(gap)) / 2.0 if problem.offset_free else 0.0
    scale = float(np.max(np.abs(gap - middle)))
    if not problem.may_stand:
        scale = max(scale, float(np.max(np.maximum(problem.rows_lower, -problem.rows_upper))))
        if adjusters == 0:
            raise Impossible.at("/solve", sentences.NOTHING_ALLOWED)
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

    flattest = programme(np.append(np.zeros(len(least) - 1), 1.0), at_most, equal, least, largest, within)
    # The zone that these travels really leave: a zone a rounding error too small would leave nothing to choose from.
    largest[-1] = np.max(np.abs(target + gaps @ flattest[:-1])) * (1.0 + SLACK) + TIGHT
    effort = problem.effort / np.max(problem.effort)
    easiest = programme(np.concatenate([effort, effort, np.zeros(rest)]), at_most, equal, least, largest, within)
    travels = easiest[:adjusters] - easiest[adjusters : 2 * adjusters]
    return np.clip(travels * scale, problem.lower, problem.upper)


def feasible_best(problem: Problem, gap: Floats, within: Deadline = NEVER) -> Floats | None:
    """Return what :func:`bounded` returns, or None where no travels are allowed.

    Raises:
        OutOfTime: the time is up.
        SolverError: HiGHS failed.
    """
    try:
        return bounded(problem, gap, within)
    except Impossible:
        return None


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
