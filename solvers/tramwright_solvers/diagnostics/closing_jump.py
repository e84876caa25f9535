"""A closing error told apart: a steady drift of the set-up, a jump between two readings, or one misread station.

Every reading takes part: the station's height is the smooth form that checks readings against each other, and beside it
each explanation is one more column of the least-squares problem. The one that leaves the smallest sum of squares
explains best; where another leaves nearly as little, the readings do not tell.
"""

from __future__ import annotations

from typing import Literal

import numpy as np
from msgspec import Struct

from ..linalg.orthogonalize import dominant, lengths, less
from ..model.contract import Floats
from ..reduction.repeats import DIVISIONS
from ..reduction.stations import StationLayout

DECISIVE = 9.0
"""Sum of squares, in variances of a reading, by which one explanation has to be better than another: a likelihood ratio
of e^4.5. Our own choice."""

ITS_OWN = 1e-6
"""Share of a column that has to be its own to be told from the others."""


class ClosingDoubt(Struct, frozen=True):
    """A closing error that is not known to be drift.

    ``error`` is the largest of the set-up, at station ``closed``. ``kind`` is what explains it best, of size ``size``:
    a jump between the readings at stations ``before`` and ``after``, or a slip at station ``after``; ``sure`` says that
    a drift does not explain it as well. ``gaps`` (n,) is what the stations then read.
    """

    setup: str
    error: float
    closed: int
    kind: Literal["jump", "slip"]
    size: float
    before: int
    after: int
    sure: bool
    gaps: Floats


def closing_doubt(layout: StationLayout, means: Floats, gaps: Floats, columns: Floats) -> ClosingDoubt | None:
    """Return the first set-up whose closing error is larger than scatter and not known to be a drift; None if none is.

    ``means`` (G,) are the groups' means as gaps, ``gaps`` (n,) the stations as reduced, ``columns`` (n, p) an
    orthonormal basis of the smooth form.
    """
    network = layout.network
    if network is None or not len(layout.closings):
        return None
    first, later = layout.closings.T
    errors = means[later] - means[first]
    root, stations = np.sqrt(layout.weights), layout.group_station
    for column, setup in enumerate(network.drift_of):
        own = (layout.group_setup[later] == setup) & (setup >= 0)
        if not own.any() or np.abs(errors[own]).max() <= DIVISIONS * layout.division:
            continue
        worst = np.flatnonzero(own)[np.abs(errors[own]).argmax()]
        others = np.delete(network.nuisance, column, axis=1)
        design = np.concatenate([np.ones((len(means), 1)), columns[stations], others], axis=1) * root[:, None]
        basis = dominant(design / lengths(design), 1e-9)
        members = np.flatnonzero(layout.group_setup == setup)
        order = members[np.argsort(network.nuisance[members, column], kind="stable")]
        jumps = np.zeros((len(means), len(order) - 1))
        jumps[order] = np.tri(len(order), len(order) - 1, -1)
        closing = np.unique(layout.closings[own])
        slips = np.eye(len(means))[:, closing]
        tried = np.concatenate([network.nuisance[:, [column]], jumps, slips], axis=1) * root[:, None]
        rest, free = less(root * means, basis), less(tried, basis)
        norms = np.sum(free**2, axis=0)
        seen = norms > ITS_OWN * np.sum(tried**2, axis=0)
        along = free.T @ rest
        left = np.where(seen, rest @ rest - along**2 / np.where(seen, norms, 1.0), np.inf)
        dof = len(means) - basis.shape[1] - 1
        unit = max(1.0, float(left.min()) / dof) if dof > 0 else np.inf
        best = 1 + int(left[1:].argmin())
        if left[0] + DECISIVE * unit <= left[best]:
            continue
        size = float(along[best] / norms[best]) if seen[best] else float(errors[worst])
        drift = network.nuisance[:, column] * float(network.gain[column] @ means)
        jump = best <= jumps.shape[1]
        place = order[best] if jump else closing[best - 1 - jumps.shape[1]]
        return ClosingDoubt(
            setup=layout.setups[setup],
            error=float(errors[worst]),
            closed=int(stations[later[worst]]),
            kind="jump" if jump and best < jumps.shape[1] else "slip",
            size=size,
            before=int(stations[order[best - 1]]) if jump else int(stations[place]),
            after=int(stations[place]),
            sure=bool(left[best] + DECISIVE * unit <= left[0]),
            gaps=gaps + layout.averaged(drift - tried[:, best] / root * size),
        )
    return None
