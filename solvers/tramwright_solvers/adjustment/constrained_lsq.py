"""Weighted least squares for the travels: by one matrix where only equations bind, exactly within bounds otherwise.

Bounds and conditions are met by the chain LSI → LDP → NNLS of C. L. Lawson and R. J. Hanson, *Solving Least Squares
Problems* (SIAM Classics 15, 1995), chapter 23. Directions that the gap cannot see are settled in a second stage by
least effort, so the answer is unique. Rank is judged on the influence itself, before efforts scale it.
"""

from __future__ import annotations

import numpy as np
from msgspec import Struct

from ..model.contract import Floats
from ..model.errors import Impossible
from . import sentences
from .problem import Problem

RANK = 1e-10
"""Singular values below this share of the largest count as zero: influences are of order one, their noise 1e-15."""

SLACK = 1e-12
"""Constraints are met to this share of the largest gap before the last clipping."""

PROXIMAL = 1e-3
"""Weight of the proximal term against the smallest singular value; each pass shrinks what it leaves by its square."""

PASSES, MORE_PASSES = 8, 8
"""Passes with that weight, and further ones with a tenth of the weight before: where a limit runs nearly along what the
gap cannot see, the travels slide far along it, and the full weight would let them go a little at a time."""

CLOSE, NEAR = 1e-9, 1e-6
"""Shares of the effort by which polished travels may seem dearer than those they polish."""

MANY = 256
"""Stations beyond which gap and influence are first brought to as many rows as adjusters: the full decompositions below
take stations × stations numbers, 3 GB for 20 000."""


class Constraints(Struct, frozen=True):
    """``equal @ a = target`` and ``normals @ a >= floor``, shapes (e, m), (e,), (k, m), (k,)."""

    equal: Floats
    target: Floats
    normals: Floats
    floor: Floats


def response(problem: Problem) -> Floats:
    """Return the matrix, shape (m, n), that takes a gap to its best travels where only equations bind.

    ``travels = response @ gap`` is the weighted least-squares answer and, of all such, the one of least effort. Bounds
    and inequalities are left aside.
    """
    equations = problem.rows[problem.rows_lower == problem.rows_upper]
    root = np.sqrt(problem.weights)
    to_fit = -problem.centred(np.eye(len(root))) * root
    none = np.zeros((len(equations), len(root)))
    return _on_equations(problem.weighted(), to_fit.T, equations, none, problem.effort)


def bounded(problem: Problem, gap: Floats) -> Floats:
    """Return the travels, shape (m,), of least weighted squares within all bounds and conditions; ``gap`` is (n,).

    Raises:
        Impossible: no travel satisfies the bounds and conditions. Never where zero travel does.
    """
    travels = feasible_best(problem, gap)
    if travels is None:
        raise Impossible.at("/solve", sentences.NOTHING_ALLOWED)
    return travels


def feasible_best(problem: Problem, gap: Floats) -> Floats | None:
    """Return what :func:`bounded` returns, or None where no travels are allowed; zero travel need not be."""
    influence = problem.weighted()
    to_fit = -np.sqrt(problem.weights) * problem.centred(gap)
    limits = _constraints(problem)
    scale = max(
        float(np.max(np.abs(to_fit), initial=0.0)),
        float(np.max(limits.floor, initial=0.0)),
        float(np.max(np.abs(limits.target), initial=0.0)),
    )
    if scale == 0.0:
        return np.zeros(influence.shape[1])
    limits = Constraints(limits.equal, limits.target / scale, limits.normals, limits.floor / scale)
    to_fit = to_fit / scale
    if len(to_fit) > MANY:  # an orthogonal transformation, which changes no distance and no travel
        basis, influence = np.linalg.qr(influence)
        to_fit = basis.T @ to_fit
    travels = _on_equations(influence, to_fit, limits.equal, limits.target, problem.effort)
    if np.max(np.abs(limits.equal @ travels - limits.target), initial=0.0) > 1e3 * SLACK:
        return None
    if np.min(limits.normals @ travels - limits.floor, initial=0.0) < 0.0:
        constrained = _within(influence, to_fit, limits, problem.effort, travels)
        if constrained is None:
            return None
        travels = constrained
    return np.clip(travels * scale, problem.lower, problem.upper)


def _constraints(problem: Problem) -> Constraints:
    """Write bounds and condition rows with unit normals; fixed adjusters and pairs of equal ends become equations."""
    rows = np.vstack([np.eye(len(problem.effort)), problem.rows])
    low = np.concatenate([problem.lower, problem.rows_lower])
    high = np.concatenate([problem.upper, problem.rows_upper])
    size = np.linalg.norm(rows, axis=1)
    size[size == 0.0] = 1.0
    rows, low, high = rows / size[:, None], low / size, high / size
    equal = low == high
    below, above = ~equal & np.isfinite(low), ~equal & np.isfinite(high)
    return Constraints(
        rows[equal],
        low[equal],
        np.vstack([rows[below], -rows[above]]),
        np.concatenate([low[below], -high[above]]),
    )


def _split(matrix: Floats, size: float = 0.0) -> tuple[Floats, Floats, Floats, Floats]:
    """Return left vectors, singular values, right vectors (as columns) of the range, and a basis of the null space.

    ``size`` is that of what the matrix was made from: where nothing of it is left but rounding, all is null space.
    """
    left, values, right = np.linalg.svd(matrix, full_matrices=True)
    rank = int(np.sum(values > RANK * np.max(values, initial=size)))
    return left[:, :rank], values[:rank], right[:rank].T, right[rank:].T


def _size(influence: Floats) -> float:
    """Return the length of the longest column, which is no more than the largest singular value."""
    return float(np.max(np.linalg.norm(influence, axis=0), initial=0.0))


def _solve_equations(equal: Floats, target: Floats) -> tuple[Floats, Floats]:
    """Return the smallest solution of ``equal @ a = target`` and a basis of what leaves it true."""
    left, values, right, free = _split(equal)
    return right @ ((left.T @ target).T / values).T, free


def _on_equations(influence: Floats, to_fit: Floats, equal: Floats, target: Floats, effort: Floats) -> Floats:
    """Fit ``influence @ a`` to ``to_fit`` on the equations, then least effort; right-hand sides may be columns."""
    start, free = _solve_equations(equal, target)
    left, values, right, unseen = _split(influence @ free, _size(influence))
    travels = start + free @ (right @ ((left.T @ (to_fit - influence @ start)).T / values).T)
    redundant = free @ unseen
    if redundant.shape[1]:
        weighed = (redundant.T * effort).T
        travels = travels - redundant @ np.linalg.lstsq(weighed, (travels.T * effort).T, rcond=None)[0]
    return np.asarray(travels)


def _nearest(normals: Floats, floor: Floats) -> tuple[Floats, Floats] | None:
    """Return the shortest x with ``normals @ x >= floor`` and its multipliers (LDP, Lawson & Hanson 23.27), or None."""
    from scipy.optimize import nnls

    size = np.hypot(np.linalg.norm(normals, axis=1), floor)
    size[size == 0.0] = 1.0
    stacked = np.vstack([normals.T, floor]) / size
    aim = np.zeros(len(stacked))
    aim[-1] = 1.0
    multipliers = nnls(stacked, aim)[0]
    rest = stacked @ multipliers - aim
    if -rest[-1] < SLACK:
        return None
    shortest = -rest[:-1] / rest[-1]
    # The quotient loses digits where normals differ much in length; the shortest point on the face it found does not.
    face = multipliers > 1e-9 * np.max(multipliers, initial=0.0)
    exact = np.linalg.lstsq(normals[face] / size[face, None], floor[face] / size[face], rcond=None)[0]
    if np.min((normals @ exact - floor) / size, initial=0.0) > np.min((normals @ shortest - floor) / size, initial=0.0):
        shortest = exact
    return shortest, multipliers / size


def _within(influence: Floats, to_fit: Floats, limits: Constraints, effort: Floats, near: Floats) -> Floats | None:
    """Minimise over equations and inequalities: fit first, then effort, then the identified face solved exactly."""
    start, free = _solve_equations(limits.equal, limits.target)
    left, values, right, unseen = _split(influence @ free, _size(influence))
    seen, redundant = free @ right, free @ unseen
    basis = np.hstack([seen, redundant])
    normals, floor = limits.normals @ basis, limits.floor - limits.normals @ start
    goal = np.concatenate([left.T @ (to_fit - influence @ start), np.zeros(redundant.shape[1])])
    sizes = np.concatenate([values, np.zeros(redundant.shape[1])])
    least = 1e-6 * values[0] if len(values) else 1.0
    pull = max(PROXIMAL * values[-1], least) if len(values) else least
    # Proximal passes make the rank-deficient problem definite without moving its minimum.
    point = basis.T @ (near - start)
    tight = np.zeros(len(floor), dtype=bool)
    for taken in range(PASSES + MORE_PASSES):
        if taken >= PASSES:
            pull = max(0.1 * pull, least)
        metric = np.hypot(sizes, pull)
        centre = (sizes * goal + pull**2 * point) / metric**2
        found = _nearest(normals / metric, floor - normals @ centre)
        if found is None:
            return None
        moved = centre + found[0] / metric
        tight = found[1] > 1e-9 * np.max(found[1], initial=0.0)
        change, point = np.max(np.abs(moved - point)), moved
        if change <= SLACK * (1.0 if taken < PASSES else max(1.0, np.max(np.abs(point)))):
            break
    travels = start + basis @ point
    tries = [(tight, CLOSE)]
    if redundant.shape[1]:
        travels, also = _least_effort(travels, redundant, limits, effort)
        # What held the fit need not hold the least effort; but where it must, rounding may ask for more of that.
        tries = [(tight | also, CLOSE), (also, CLOSE), (tight | also, NEAR)]
    for held, dearer in tries:
        face = Constraints(
            np.vstack([limits.equal, limits.normals[held]]),
            np.concatenate([limits.target, limits.floor[held]]),
            limits.normals,
            limits.floor,
        )
        polished = _on_equations(influence, to_fit, face.equal, face.target, effort)
        if _no_worse(polished, travels, face, influence=influence, to_fit=to_fit, effort=effort, dearer=dearer):
            return polished
    return travels


def _least_effort(
    travels: Floats, redundant: Floats, limits: Constraints, effort: Floats
) -> tuple[Floats, np.ndarray[tuple[int], np.dtype[np.bool_]]]:
    """Move along what the gap cannot see to the least effort within the limits; also say which limits then hold."""
    left, upper = np.linalg.qr(redundant * effort[:, None])
    middle = -np.linalg.solve(upper, left.T @ (effort * travels))
    normals = limits.normals @ redundant
    # The present point must stay allowed whatever rounding did to it, or the second stage would have no answer.
    floor = np.minimum(limits.floor - limits.normals @ travels, 0.0)
    found = _nearest(normals @ np.linalg.inv(upper), floor - normals @ middle)
    if found is None:
        return travels, np.zeros(len(floor), dtype=bool)
    shift, multipliers = found
    moved = travels + redundant @ (middle + np.linalg.solve(upper, shift))
    return moved, multipliers > 1e-9 * np.max(multipliers, initial=0.0)


def _no_worse(
    new: Floats, old: Floats, face: Constraints, *, influence: Floats, to_fit: Floats, effort: Floats, dearer: float
) -> bool:
    """Say whether the polished travels keep every limit and lose nothing against those they polish, effort by up to
    the share ``dearer``."""
    allowed = np.min(face.normals @ new - face.floor, initial=0.0) >= -10 * SLACK
    met = np.max(np.abs(face.equal @ new - face.target), initial=0.0) <= 10 * SLACK
    # What breaks a limit by a little may also seem better by a little.
    spare = 1e-9 - 100 * np.min(face.normals @ old - face.floor, initial=0.0)
    fits = np.linalg.norm(influence @ new - to_fit) <= np.linalg.norm(influence @ old - to_fit) + spare
    cheap = np.linalg.norm(effort * new) <= (np.linalg.norm(effort * old) + np.max(effort) * spare) * (1 + dearer)
    return bool(allowed and met and fits and cheap)
