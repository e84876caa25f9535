"""The exchange method for the smallest largest deviation, for a stack of problems at once.

Take p + 1 stations, a *reference*, with a sign each: one coefficient vector makes all of them deviate by the same ``h``
with those signs, and weights ``mu >= 0`` with ``sum(mu * sign * row) = 0``, ``sum(mu) = 1`` prove that no fit has a
smaller largest deviation than ``h``. While some station deviates by more than ``h`` it enters the reference and the
ratio test on ``mu`` says which one leaves, so the lower bound stays valid and ``h`` never falls. This is the dual
simplex method for the L-infinity problem: Stiefel's exchange of 1959 (name and year from memory) without its Haar
condition, which points in a plane need not satisfy. The formulas here are derived from linear programming duality.

Arrays have the batch last, so that every operation runs along contiguous problems: ``basis`` (p, n, 1 or b) has
orthonormal columns, shared where its last length is one; ``target`` (n, b) has largest element one.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..model.contract import Floats

Ints = NDArray[np.int64]

CLOSE = 1e-11
"""A station no further out than this, against the largest least-squares residual, does not enter the reference."""

PATIENCE = 20
"""Exchanges allowed for each station of a reference; random surveys of 100 stations take up to 10 (measured)."""

PIVOT = 1e-9
"""Smallest pivot. The pivots of one exchange sum to one, so there is always one of at least 1 / (p + 1)."""

TIED = 1e-12
"""Ratios this close are a tie; the largest pivot among them leaves, then the first."""


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


def deviations(basis: Floats, target: Floats, fit: Floats) -> Floats:
    """Return ``target - basis * fit``, shape (n, b); ``basis`` (p, n, 1 or b), ``target`` (n, b), ``fit`` (p, b)."""
    result = target.copy()
    for column, coefficient in zip(basis, fit, strict=True):
        result -= column * coefficient
    return result


def lower_bound(basis: Floats, target: Floats, reference: Reference) -> Floats:
    """Return a lower bound of the largest deviation of any fit, shape (b,), valid whatever the rounding errors.

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
    """Exchange until no station is further out than the reference, or until :data:`PATIENCE` is used up."""
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
