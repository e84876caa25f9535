"""Errors of setting the adjusters, and the uncertainty that they add to the predicted gaps and total.

The moves asked for are known numbers; what is set differs from them by an error of its own for each adjuster moved. It
adds ``J diag(s²) Jᵀ`` over the adjusters moved to the covariance of the predicted gaps. The highest minus the lowest
gap is no single difference, for where the extremes lie afterwards depends on these same errors: what is stated is the
95 % quantile of the range of ``J s`` over the stations, as a multiple of the one-sided factor used for every total.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from math import sqrt

import numpy as np
from msgspec import Struct

from ..linalg.rowwise import row_products
from ..model.contract import Adjuster, Floats
from ..model.machine import Machine
from ..model.units import K

TURN = 0.01
"""A screw is set to a hundredth of a turn, 3.6°, either way. Our own choice, no source."""

SHEET_MM = 0.005
"""Sheets lie and are as thick as stated to 5 µm either way. Our own choice, no source."""

LEAST_SEEN = 0.2
"""Least influence at the dial with which an adjuster is set by the dial; below it the dial does not help. Our own
choice."""

TIE = 1e-12
"""Differences this close, relatively, are equal."""

BLOCK = 2**20
"""Sums over pairs of stations that are worked out at a time."""

RISK = 0.05
"""One in twenty, as in the verdict's factor."""


def half_width(machine: Machine, adjuster: Adjuster, seen: float) -> float:
    """Return how far beside its mark an adjuster may be left, ± travel, in the machine's unit.

    ``seen`` is its largest influence at a station, where the dial is parked while it is moved. What the adjuster states
    comes first. Else sheets are as thick as :data:`SHEET_MM` says; screws and slipping seats are watched on the dial to
    half a division, and a screw besides is turned to :data:`TURN`, whichever is finer.
    """
    if adjuster.setting is not None:
        return adjuster.setting
    if adjuster.stock is not None:
        return machine.from_mm(SHEET_MM)
    by_dial = 0.5 * machine.division / max(seen, LEAST_SEEN)
    return by_dial if adjuster.screw is None else min(by_dial, TURN * adjuster.screw.lead)


class Setting(Struct, frozen=True):
    """What setting m adjusters adds to what is predicted at n stations, for K subsets of them that may be moved.

    ``half`` (m,) are the half-widths, taken as rectangular, ``u`` (m,) their standard uncertainties. ``least`` (m,) are
    the smallest travels worth asking for: they can be set, no better than to the half-width, and the dial shows them,
    which is read to half a division (common practice, no source) where the adjuster moves it most. ``gaps`` (m, n)
    are the variances each gives to the stations when moved; ``parts`` (K, m) those it gives to the total, and
    ``totals`` (K,) the roots of their sums.
    """

    half: Floats
    u: Floats
    least: Floats
    gaps: Floats
    parts: Floats
    totals: Floats

    def of_gaps(self, moved: np.ndarray) -> Floats:
        """Return the variance (N, n) that setting adds to each predicted gap where these adjusters (N, m) are moved."""
        return row_products(moved.astype(np.float64), self.gaps)


def settings_of(
    of: Sequence[tuple[Machine, Sequence[Adjuster]]],
    influence: Floats,
    points: Floats,
    sets: Sequence[tuple[int, ...]],
) -> list[Setting]:
    """Prepare for g machines with m adjusters each, their ``influence`` (g, n, m) at ``points`` (g, n, 2), and subsets.

    The quantile of the range is ``D √χ²`` with D the standard deviation of the largest difference of two stations and
    χ² the 95 % quantile for as many degrees of freedom as the errors effectively have, ``(Σλ)² / Σλ²`` of the
    eigenvalues of their covariance over the stations (for r equal ones an upper bound by Cauchy and Schwarz; checked by
    Monte Carlo in tests). For one adjuster it is exact: 1.96 standard deviations.
    """
    count, stations, width = influence.shape
    seen, division = np.abs(influence).max(axis=1), np.array([[machine.division] for machine, _ in of])
    half = np.array(
        [
            [half_width(machine, one, most) for one, most in zip(adjusters, row, strict=True)]
            for (machine, adjusters), row in zip(of, seen.tolist(), strict=True)
        ]
    )
    u = half / sqrt(3.0)
    least = np.maximum(half, 0.5 * division / np.maximum(seen, LEAST_SEEN))
    moved = np.zeros((len(sets), width))
    for row, subset in zip(moved, sets, strict=True):
        row[list(subset)] = 1.0
    scaled = influence * u[:, None, :]
    of_corners = np.take_along_axis(scaled, outermost(points, influence)[:, :, None], axis=1)
    first, second = np.triu_indices(of_corners.shape[1], 1)
    worst = np.zeros((count, len(sets), width))
    if len(first):
        squares = (of_corners[:, first] - of_corners[:, second]) ** 2
        step = max(1, BLOCK // (count * len(first)))
        widest = np.concatenate(
            [widest_pair(squares, moved[start : start + step]) for start in range(0, len(sets), step)], axis=1
        )
        worst = np.take_along_axis(squares, widest[:, :, None], axis=1)
    along = scaled - np.matmul(np.full((1, stations), 1.0 / stations), scaled)
    gram = np.matmul(along.transpose(0, 2, 1), along)
    trace = np.matmul(np.diagonal(gram, axis1=1, axis2=2)[:, None, :], moved.T)[:, 0]
    second_moment = np.sum(np.matmul(moved, gram**2) * moved, axis=2)
    freedom = np.where(trace > 0.0, trace**2 / np.where(second_moment > 0.0, second_moment, 1.0), 1.0)
    parts = worst * moved * (np.interp(np.sqrt(freedom), *quantiles()) / K)[:, :, None] ** 2
    columns = (half, u, least, scaled.transpose(0, 2, 1) ** 2, parts, np.sqrt(parts.sum(axis=2)))
    # copies, so that keeping one does not keep the others
    return [Setting(*(part.copy() for part in row)) for row in zip(*columns, strict=True)]


def widest_pair(squares: Floats, moved: Floats) -> np.ndarray:
    """Return which pair of stations lies widest apart (g, K) where these adjusters (K, m) are moved.

    ``squares`` (g, pairs, m) are what each adjuster brings. Of pairs as far apart it is the first, whatever rounding
    made of them.
    """
    sums = np.matmul(moved, squares.swapaxes(1, 2))
    return np.asarray((sums >= sums.max(axis=2, keepdims=True) * (1.0 - TIE)).argmax(axis=2))


@cache
def quantiles() -> tuple[Floats, Floats]:
    """Return roots of degrees of freedom, to 81, and of the 95 % quantiles of χ²: nearly a line (R. A. Fisher).

    Read off straight between these points the quantile is right to 1e-7 of itself, at a tenth of the cost of working it
    out.
    """
    from scipy.special import chdtri

    roots = np.linspace(1.0, 9.0, 8001)
    return roots, np.sqrt(chdtri(roots * roots, RISK))


def outermost(points: Floats, influence: Floats) -> np.ndarray:
    """Return the stations (g, c) among which the largest difference is looked for: outermost in plan, or for an
    adjuster.

    Where one geometry has fewer of them than another, its last is named again.
    """
    turns = np.arange(16) * (np.pi / 8.0)
    ways = np.column_stack([np.cos(turns), np.sin(turns)])
    found = [np.matmul(points, ways.T).argmax(axis=1), influence.argmax(axis=1), influence.argmin(axis=1)]
    distinct = [sorted(set(row)) for row in np.concatenate(found, axis=1).tolist()]
    most = max(map(len, distinct))
    return np.array([row + row[-1:] * (most - len(row)) for row in distinct])
