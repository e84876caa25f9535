"""What mechanisms with a rigid bed on supports share: the adjusters that supports are, and plane interpolation."""

from __future__ import annotations

from collections.abc import Sequence
from math import hypot

import numpy as np

from ..model.contract import Adjuster, Floats
from ..model.errors import Refused
from ..model.machine import Support
from . import sentences

SUPPORT_EFFORT = 1.0
"""Effort of a screw: the unit in which all efforts are counted. Our own choice, overridden by `effort`."""

COLLINEAR = 1e-3
"""Supports whose triangle is flatter than this (height over longest side) carry no plane: 1 mm in a metre."""


def support_adjusters(supports: Sequence[Support]) -> tuple[Adjuster, ...]:
    """Turn supports into adjusters, in the order in which the machine lists them."""
    return tuple(
        Adjuster(
            id=support.id,
            kind="support",
            effort=SUPPORT_EFFORT if support.effort is None else support.effort,
            pointer=f"/machine/supports/{index}",
            lower=support.travel[0] if support.travel else -np.inf,
            upper=support.travel[1] if support.travel else np.inf,
            step=support.step,
            screw=support.screw,
            setting=support.setting,
        )
        for index, support in enumerate(supports)
    )


def positions(supports: Sequence[Support]) -> Floats:
    """Return the supports' positions in plan, shape (n_supports, 2)."""
    return np.array([(support.x, support.y) for support in supports], dtype=np.float64).reshape(-1, 2)


def require_plane(supports: Sequence[Support]) -> None:
    """Refuse supports that lie, nearly, on one line.

    Raises:
        Refused: no plane is fixed by these supports.
    """
    count = len(supports)
    x, y = sum([support.x for support in supports]) / count, sum([support.y for support in supports]) / count
    off = [(support.x - x, support.y - y) for support in supports]
    xx, yy, xy = (sum([one[i] * one[j] for one in off]) for i, j in ((0, 0), (1, 1), (0, 1)))
    # squares of the larger and the smaller spread: eigenvalues of the second moments, the smaller from the determinant
    wide = 0.5 * (xx + yy + hypot(xx - yy, 2.0 * xy))
    if wide == 0.0 or (xx * yy - xy * xy) / wide < COLLINEAR**2 * wide:
        raise Refused.at(
            "/machine/supports",
            sentences.SUPPORTS_IN_LINE,
        )


def plane_shares(at: Floats, points: Floats) -> Floats:
    """Return the affine functions through three support positions, shape (n_points, 3).

    Column j is 1 at support j, 0 at the other two and affine between: the barycentric coordinate of the point. The
    columns sum to one everywhere (partition of unity). ``at`` has shape (3, 2), ``points`` (n_points, 2); both may
    have an axis of machines before these.
    """
    x, y = at.T[..., None]
    right, left, up, rear = x[1] - x[0], x[2] - x[0], y[1] - y[0], y[2] - y[0]
    area = right * rear - up * left
    shares = np.empty((*points.shape[:-1], 3))
    across, along = points[..., 0] - x[0], points[..., 1] - y[0]
    shares[..., 1] = (rear * across - left * along) / area
    shares[..., 2] = (right * along - up * across) / area
    shares[..., 0] = 1.0 - shares[..., 1] - shares[..., 2]
    return np.asarray(shares)


def fitted_shares(at: Floats, points: Floats) -> Floats:
    """Return what each support lends to the least-squares plane through all of them, shape (n_points, n_supports).

    The columns sum to one everywhere, and heights at the supports that lie in one plane give back that plane exactly.
    ``at`` has shape (n_supports, 2) with three supports or more off one line; ``points`` has shape (n_points, 2).
    """
    middle = at.mean(axis=0)
    size = float(np.abs(at - middle).max())
    known, asked = (
        np.column_stack([np.ones(len(plan)), (plan - middle) / size]) for plan in (at, np.asarray(points, dtype=float))
    )
    shares: Floats = asked @ np.linalg.pinv(known)
    return shares
