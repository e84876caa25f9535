"""A closing error told apart: a steady drift of the set-up, a jump between two readings, or one misread station.

Every reading takes part: the station's height is the smooth form that checks readings against each other, and beside it
each explanation is one more column of the least-squares problem. The one that leaves the smallest sum of squares
explains best; where another leaves nearly as little, the readings do not tell.
"""

from __future__ import annotations

from typing import Literal, NamedTuple

import numpy as np
from msgspec import Struct

from ..linalg.orthogonalize import dominant, lengths, less
from ..model.contract import Floats
from ..reduction.repeats import DIVISIONS
from ..reduction.stations import StationLayout

DECISIVE = 9.0
"""Sum of squares, in variances of a reading, by which one explanation has to be better than another: a likelihood ratio
of e^4.5. Our own choice."""

TRIED = 32
"""Explanations, the best, that are looked at where several explain a closing error as well as a drift."""

RANK = 1e-9
"""Share of a column that has to be its own in the model."""

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
    design = np.concatenate([np.ones((len(means), 1)), columns[stations], network.nuisance], axis=1) * root[:, None]
    design /= lengths(design)
    basis, seen_by = dominant(design, RANK), np.linalg.pinv(design, rcond=RANK)
    rest = less(root * means, basis)
    for column, setup in enumerate(network.drift_of):
        own = (layout.group_setup[later] == setup) & (setup >= 0)
        if not own.any() or np.abs(errors[own]).max() <= DIVISIONS * layout.division:
            continue
        worst = np.flatnonzero(own)[np.abs(errors[own]).argmax()]
        # what the drift alone explains: a row of the pseudo-inverse is orthogonal to all columns but its own
        drift = seen_by[column - len(network.drift_of)]
        drift = drift / np.linalg.norm(drift)
        members = np.flatnonzero(layout.group_setup == setup)
        order = members[np.argsort(network.nuisance[members, column], kind="stable")]
        closing = np.unique(layout.closings[own])
        # explanations: a jump before each reading but the first, which moves it and all after it; a slip at one reading
        jumps = Explained.by(root[order], basis[order], rest[order], drift[order]).from_each_on()
        slips = Explained.by(root[closing], basis[closing], rest[closing], drift[closing])
        by_drift = float(drift @ (root * means))
        gain, norms, along = (
            np.concatenate(pair) for pair in zip(jumps.told(by_drift), slips.told(by_drift), strict=True)
        )
        whole = float(rest @ rest) + by_drift**2
        left = whole - gain
        dof = len(means) - basis.shape[1]
        unit = max(1.0, min(whole - by_drift**2, float(left.min())) / dof) if dof > 0 else np.inf
        best = int(left.argmin())
        if whole - by_drift**2 + DECISIVE * unit <= left[best]:
            continue
        count, sure = len(order) - 1, bool(left[best] + DECISIVE * unit <= whole - by_drift**2)
        sizes = np.where(norms > 0.0, along / np.where(norms > 0.0, norms, 1.0), errors[worst])
        tried = [best] if sure else _near_best(left, unit)
        off = {one: order[one + 1 :] if one < count else closing[[one - count]] for one in tried}
        taken_off = network.nuisance[:, column] * float(network.gain[column] @ means)
        read = {one: gaps + layout.averaged(_less(taken_off, own, sizes[one])) for one, own in off.items()}
        # of all that explain it as well, the one by which it makes most difference that it is no drift
        best = max(read, key=lambda one: abs(float(np.ptp(read[one]) - np.ptp(gaps))))
        place = off[best][0]
        return ClosingDoubt(
            setup=layout.setups[setup],
            error=float(errors[worst]),
            closed=int(stations[later[worst]]),
            kind="jump" if best < count - 1 else "slip",
            size=float(sizes[best]),
            before=int(stations[order[best]]) if best < count else int(stations[place]),
            after=int(stations[place]),
            sure=sure,
            gaps=read[best],
        )
    return None


def _near_best(left: Floats, unit: float) -> list[int]:
    """Return the explanations that nothing tells from the best, which comes first, by what they leave (k,)."""
    first = np.argsort(left, kind="stable")[:TRIED]
    return [int(one) for one in first[left[first] <= left[first[0]] + DECISIVE * unit]]


def _less(values: Floats, places: np.ndarray, size: float) -> Floats:
    """Return values less a size at some places."""
    less = values.copy()
    less[places] -= size
    return less


class Explained(NamedTuple):
    """Columns that may explain what is left, by what they have in common with model, rest and drift: (k,), (k, p).

    ``squares`` are their own lengths squared, ``model`` their parts in the model, ``rest`` and ``drift`` their products
    with what the model leaves and with what the drift alone explains.
    """

    squares: Floats
    model: Floats
    rest: Floats
    drift: Floats

    @classmethod
    def by(cls, root: Floats, basis: Floats, rest: Floats, drift: Floats) -> Explained:
        """Return one column for each reading: a slip of one there, weighted by its ``root`` weight."""
        return cls(root**2, root[:, None] * basis, root * rest, root * drift)

    def from_each_on(self) -> Explained:
        """Return the sums over each reading but the first and all after it: jumps there."""
        return Explained(*(np.cumsum(part[::-1], axis=0)[-2::-1] for part in self))

    def told(self, by_drift: float) -> tuple[Floats, Floats, Floats]:
        """Return by how much each lowers the sum of squares, its own part squared, and that part times what is left."""
        norms = self.squares - np.sum(self.model**2, axis=1) + self.drift**2
        norms = np.where(norms > ITS_OWN * self.squares, norms, 0.0)
        along = self.rest + self.drift * by_drift
        return np.where(norms > 0.0, along**2 / np.where(norms > 0.0, norms, 1.0), 0.0), norms, along
