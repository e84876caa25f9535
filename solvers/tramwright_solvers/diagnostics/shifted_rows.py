"""A whole row or column of the grid that is off by the same amount, as when the indicator's zero moved for a while."""

from __future__ import annotations

from itertools import groupby

import numpy as np
from msgspec import Struct

from ..linalg.orthogonalize import less, span
from ..linalg.rowwise import row_dots
from ..model.contract import Floats
from .reliability import LEAST_REDUNDANCY, Reliability

LEAST_IN_ROW, LEAST_ROWS = 3, 4
"""A row is three stations or more, and it takes four rows to tell one of them from a tilt or a bow."""

CLEARLY = 10.0
"""A row explains a survey clearly better if anything else leaves ten variances more. Our own choice."""


class ShiftedRow(Struct, frozen=True):
    """A row that is off: station indices, the shift of the gap, and its size in standard deviations."""

    members: np.ndarray
    name: str
    shift: float
    standardized: float


class ShiftedRows(Struct, frozen=True):
    """Rows and columns, prepared.

    ``members`` are the station indices of each, ``size`` (g,) is the norm of what the form leaves of each, ``bends``
    (n, c) are orthonormal directions of the next less smooth form.
    """

    members: tuple[np.ndarray, ...]
    names: tuple[str, ...]
    size: Floats
    bends: Floats
    dof: int

    def may(self, residual: Floats, root: Floats, t: float, unit: Floats, w: float) -> np.ndarray:
        """Say of which surveys with residuals (N, n) and variances ``unit`` (N,) a row may be :meth:`out`."""
        if len(self.members) == 0 or self.dof < 3:
            return np.zeros(len(residual), dtype=bool)
        starts = np.concatenate([[0], np.cumsum([len(own) for own in self.members])[:-1]])
        along = np.take(root * residual, np.concatenate(self.members), axis=1)
        explained = np.max((np.add.reduceat(along, starts, axis=1) / self.size) ** 2, axis=1)
        rest = row_dots(residual, residual) - explained
        # a little less than what is asked for, that no rounding decides
        return np.asarray(explained * (1.0 + 1e-9) > np.maximum(t**2 * rest / (self.dof - 1), w**2 * unit))

    def out(
        self,
        residual: Floats,
        root: Floats,
        normalize: Floats,
        t: float,
        unit: float,
        w: float,
        scatter: float,
        floor: float,
    ) -> ShiftedRow | None:
        """Return the row that alone explains residuals (n,), or None.

        It must stand out by Student's ``t`` and by the w-test, leave no more than the ``scatter`` of sound readings of
        variance ``unit``, and explain clearly more than any other row, any single reading or a smooth bend does; for
        a row off and a wavy plate look much alike.
        """
        if len(self.members) == 0 or self.dof < 3:
            return None
        part = np.array([float(root[own] @ residual[own]) for own in self.members]) / self.size
        explained = part**2
        index = int(explained.argmax())
        whole = float(residual @ residual)
        rest = max(whole - float(explained[index]), 1e-12 * whole)
        variance = max(rest / (self.dof - 1), floor)
        rivals = [
            float(np.delete(explained, index).max(initial=0.0)),
            float(np.max((residual * normalize) ** 2)),
            float(np.sum((residual @ self.bends) ** 2)),
        ]
        if (
            explained[index] <= max(t**2 * variance, w**2 * unit)
            or rest > scatter * unit
            or explained[index] - max(rivals) < CLEARLY * variance
        ):
            return None
        return ShiftedRow(
            members=self.members[index],
            name=self.names[index],
            shift=float(part[index] / self.size[index]),
            standardized=float(part[index] / np.sqrt(variance)),
        )


def shifted_rows(points: Floats, model: Reliability, root: Floats, bends: Floats) -> ShiftedRows:
    """Find rows (equal y) and columns (equal x) of stations (n, 2); ``bends`` (n, c) are rival terms of a form."""
    members, names, sizes = list[np.ndarray](), list[str](), list[float]()
    for axis, kind in ((1, "row at y ="), (0, "column at x =")):
        order = np.argsort(points[:, axis], kind="stable")
        lines = [
            (at, np.array(list(own)))
            for at, own in groupby(order.tolist(), key=lambda index: float(points[index, axis]))
        ]
        lines = [(at, own) for at, own in lines if len(own) >= LEAST_IN_ROW]
        if len(lines) < LEAST_ROWS:
            continue
        for at, own in lines:
            full = float(root[own] @ root[own])
            fitted = root[own] @ model.basis[own]
            left = full - float(fitted @ fitted)
            if left >= LEAST_REDUNDANCY * full:
                members.append(own)
                names.append(f"{kind} {at:g}")
                sizes.append(np.sqrt(left))
    beyond = span(less(bends * root[:, None], model.basis), 1e-6)
    return ShiftedRows(tuple(members), tuple(names), np.array(sizes), beyond, model.dof)
