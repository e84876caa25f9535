"""A rail as a beam on its seats: the shape it takes when one seat moves by one millimetre.

A slender uniform beam that is free between its seats and at its ends takes the shape of the natural cubic spline
through the seat heights: fourth derivative zero between seats, second derivative continuous and zero at the ends,
straight beyond them (Euler-Bernoulli, no load). With two seats that is the straight line. Shear and the rail's own
weight are left out: weight does not change when a seat moves.

``scipy.interpolate.CubicSpline`` gives the same to 4e-15, and the tests compare with it; but it would double the time
of a survey with a machine of its own (0.35 ms to 0.75 ms a line of a batch), so it is not what answers are made with.
"""

from __future__ import annotations

import numpy as np

from ..model.contract import Floats


def cardinal_curvatures(knots: Floats) -> Floats:
    """Return the curvature at each knot for a unit height at each seat, shape (n_knots, n_knots), row = knot.

    ``knots`` are ascending seat positions, three or more. The three-moment equation (Clapeyron) for unloaded spans:
    ``h0 m0 + 2 (h0 + h1) m1 + h1 m2 = 6 ((y2 - y1) / h1 - (y1 - y0) / h0)`` with m = 0 at the ends.
    """
    count = len(knots)
    curvatures = np.zeros((count, count))
    span = np.diff(knots)
    moment = np.diag(2.0 * (span[:-1] + span[1:])) + np.diag(span[1:-1], 1) + np.diag(span[1:-1], -1)
    load = np.zeros((count - 2, count))
    inner = np.arange(count - 2)
    load[inner, inner] = 6.0 / span[:-1]
    load[inner, inner + 1] = -6.0 / span[:-1] - 6.0 / span[1:]
    load[inner, inner + 2] = 6.0 / span[1:]
    curvatures[1:-1] = np.linalg.solve(moment, load)
    return curvatures


def rail_shape(knots: Floats, at: Floats) -> tuple[Floats, Floats]:
    """Return height and slope of the rail at positions ``at`` for unit height at each seat in turn.

    Both have shape (n_positions, n_seats), with an axis of rails before these where ``knots`` (n_seats,) and ``at``
    (n_positions,) have one. Seats may come in any order, at distinct positions.
    """
    if knots.shape[-1] == 2:
        first = knots[..., :1]
        per = 1.0 / (knots[..., 1:] - first)
        height, slope = np.empty((2, *at.shape, 2))
        np.subtract(1.0, np.multiply(at - first, per, out=height[..., 1]), out=height[..., 0])
        slope[..., 0], slope[..., 1] = -per, per
        return height, slope
    if knots.ndim > 1:
        height, slope = (np.stack(both) for both in zip(*map(rail_shape, knots, at), strict=True))
        return height, slope
    order = np.argsort(knots, kind="stable")
    ascending = knots[order]
    curvature = cardinal_curvatures(ascending)
    inside = np.clip(at, ascending[0], ascending[-1])
    span_of = np.clip(np.searchsorted(ascending, inside, side="right") - 1, 0, len(knots) - 2)
    rows = np.arange(len(at))
    h = (ascending[span_of + 1] - ascending[span_of])[:, None]
    left, right = (ascending[span_of + 1] - inside)[:, None] / h, (inside - ascending[span_of])[:, None] / h
    m0, m1 = curvature[span_of], curvature[span_of + 1]
    height = ((left**3 - left) * m0 + (right**3 - right) * m1) * h**2 / 6.0
    slope = ((1.0 - 3.0 * left**2) * m0 + (3.0 * right**2 - 1.0) * m1) * h / 6.0
    height[rows, span_of] += left[:, 0]
    height[rows, span_of + 1] += right[:, 0]
    slope[rows, span_of] -= 1.0 / h[:, 0]
    slope[rows, span_of + 1] += 1.0 / h[:, 0]
    height += slope * (at - inside)[:, None]
    back = np.argsort(order, kind="stable")
    return height[:, back], slope[:, back]


def carriage_height(knots: Floats, at: Floats, block_spacing: float | Floats, ahead: float | Floats) -> Floats:
    """Return the height of a point carried ``ahead`` of the middle of two blocks, in the shape of :func:`rail_shape`.

    Of several rails either all have a ``block_spacing`` (n_rails, 1), or none has.
    ``at`` is where the point itself stands along the rail. The blocks ride at half the spacing to each side of the
    carriage's middle; the carried point follows their mean height and, by its lead, their slope.
    """
    middle = at - ahead
    spacing, lead = np.asarray(block_spacing), np.asarray(ahead)[..., None]
    if not spacing.any():
        height, slope = rail_shape(knots, middle)
        return np.asarray(height + slope * lead)
    blocks = np.concatenate([middle + spacing / 2.0, middle - spacing / 2.0], axis=-1)
    height, _ = rail_shape(knots, blocks)
    front, back = height[..., : at.shape[-1], :], height[..., at.shape[-1] :, :]
    return np.asarray((front + back) / 2.0 + (front - back) * (lead / spacing[..., None]))
