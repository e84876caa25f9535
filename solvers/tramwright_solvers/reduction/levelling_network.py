"""Set-ups of the indicator joined as a levelling network, by weighted least squares.

A group is what was read at one station in one set-up at one time; its mean is the station's height plus the set-up's
zero plus its drift times the time. Zeros and drifts are the nuisance parameters. Stations are eliminated from the
normal equations; what remains (the Schur complement) is solved by QR, so nothing of the size stations × stations is
formed (Ghilani, *Adjustment Computations*, ch. 12 for the network; the elimination is the block inverse of its normal
equations).
"""

from __future__ import annotations

import numpy as np
from msgspec import Struct

from ..linalg.orthogonalize import in_order
from ..model.contract import Floats
from ..model.errors import Fault, Refused
from . import sentences

LEAST_HOLD = 0.1
"""A drift is estimated where the network holds it, over the set-up's whole span of time, to within 1 / LEAST_HOLD
standard uncertainties of a single reading; a drift held worse than that would add more error than it takes away."""

MOST_SETUPS = 200
"""Most set-ups of one survey; the work grows with the square of their number."""


class Network(Struct, frozen=True):
    """What joins the groups: p zeros and drifts over G groups and n stations.

    ``nuisance`` (G, p) is the design of zeros and drifts, ``drift_of`` (p,) the set-up of which each is the drift, -1
    where it is a zero; ``gain`` (p, G) gives them from group means, and ``-factors`` (n, p) is what one standard
    uncertainty of each of p independent combinations of them does to the stations, so that ``factors @ factors.T`` is
    the covariance they give to the gaps.
    """

    nuisance: Floats
    drift_of: tuple[int, ...]
    gain: Floats
    factors: Floats


class Groups(Struct, frozen=True):
    """The groups of a survey, each of shape (G,): indices of station and set-up, time, weight; and the set-ups' names.

    ``time`` runs from the set-up's first reading, in any unit, NaN where the set-up has none; ``weight`` is the inverse
    variance of the group's mean.
    """

    station: np.ndarray
    setup: np.ndarray
    time: Floats
    weight: Floats
    names: tuple[str, ...]

    def closings(self) -> np.ndarray:
        """Return the closing readings, (c, 2): the group that read the station first, and one that read it later."""
        order = np.lexsort((self.time, self.setup, self.station))
        same = (np.diff(self.station[order]) == 0) & (np.diff(self.setup[order]) == 0)
        first = np.maximum.accumulate(np.where(np.concatenate([[False], same]), 0, np.arange(len(order))))
        pairs = np.column_stack([order[first], order])[1:][same]
        return np.asarray(pairs[np.argsort(pairs[:, 1])])


def join(groups: Groups, points: Floats, closings: np.ndarray) -> Network | None:
    """Return the network of all zeros but the first set-up's and of every drift that can be told; None if none is left.

    The first set-up's zero is kept as it was at its first reading. A drift is tried for each set-up that has times,
    those with closing readings first and the first set-up's last: where only the difference of two drifts can be
    told, the first set-up's is taken as none, as its zero is.

    Raises:
        Refused: set-ups hang apart from the first one, or there are more than :data:`MOST_SETUPS`.
    """
    setups = len(groups.names)
    if setups > MOST_SETUPS:
        raise Refused.at(
            "/survey/readings",
            sentences.too_many_setups(setups, MOST_SETUPS),
        )
    _refuse_apart(groups, points)
    span = np.zeros(setups)
    np.fmax.at(span, groups.setup, groups.time)
    closed = set(groups.setup[closings[:, 1]].tolist())
    drifting = sorted(np.flatnonzero(span > 0.0).tolist(), key=lambda setup: (setup not in closed, setup == 0, setup))
    own = groups.setup[:, None]
    zeros = (own == np.arange(1, setups)).astype(np.float64)
    drifts = np.where(own == drifting, groups.time[:, None] / span[drifting], 0.0)
    nuisance = np.concatenate([zeros, drifts], axis=1)

    averages = np.zeros((len(points), nuisance.shape[1]))
    np.add.at(averages, groups.station, groups.weight[:, None] * nuisance)
    averages /= np.bincount(groups.station, groups.weight)[:, None]
    root = np.sqrt(groups.weight)[:, None]
    reduced = root * (nuisance - averages[groups.station])
    kept = _held(reduced, setups - 1, LEAST_HOLD * float(root.min()))
    if not kept:
        return None
    basis, upper = np.linalg.qr(reduced[:, kept])
    inverse = np.linalg.inv(upper)
    drift_of = tuple(([-1] * (setups - 1) + drifting)[column] for column in kept)
    return Network(nuisance[:, kept], drift_of, inverse @ (basis * root).T, -averages[:, kept] @ inverse)


def _held(columns: Floats, sure: int, least: float) -> list[int]:
    """Return the columns to estimate: the first ``sure`` ones, and each later one that adds ``least`` to those before.

    What a column adds (the norm of its part outside their span) is the inverse of the standard uncertainty of its
    parameter, once stations and the parameters before it are estimated too.
    """
    return np.flatnonzero(in_order(columns, np.repeat([0.0, least], [sure, columns.shape[1] - sure])).kept).tolist()


def _refuse_apart(groups: Groups, points: Floats) -> None:
    """Refuse set-ups that no chain of shared stations joins to the first, and say which station would join them."""
    part = _parts(groups.station, groups.setup)
    if not part.any():
        return
    from scipy.spatial import cKDTree

    names = [name or "(unnamed)" for name in groups.names]
    home = np.unique(groups.station[part[groups.setup] == 0])
    tree, faults = cKDTree(points[home]), []
    for apart in np.unique(part[part > 0]).tolist():
        members = [names[setup] for setup in np.flatnonzero(part == apart)]
        there = np.unique(groups.station[part[groups.setup] == apart])
        distance, nearest = tree.query(points[there])
        x, y = points[home[np.asarray(nearest)[int(np.argmin(distance))]]].tolist()
        alone = (part == 0).sum() == 1
        faults.append(Fault("/survey/readings", sentences.setups_apart(members, names[0], x, y, alone=alone)))
    raise Refused(faults)


def _parts(station: np.ndarray, setup: np.ndarray) -> np.ndarray:
    """Return for each set-up the lowest set-up that shared stations join it to, directly or through others."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    count = int(setup.max()) + 1
    size = count + int(station.max()) + 1
    links = coo_array((np.ones(len(setup)), (setup, count + station)), shape=(size, size))
    label = connected_components(links, directed=False)[1][:count]
    return np.asarray(np.unique(label, return_index=True)[1][label])
