"""Which readings of many surveys to set aside: the generalized extreme studentized deviate, for a stack.

After B. Rosner, *Percentage points for a generalized ESD many-outlier procedure*, Technometrics 25 (1983), from memory:
the reading furthest out is set aside, then the furthest of the rest, and so on; as many are kept aside as the last test
that succeeds says, so that several slips do not mask each other.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import inf

import numpy as np

from ..linalg.rowwise import row_dots
from ..model.contract import Floats
from .reliability import LEAST_REDUNDANCY, Reliability


def generalized_esd(
    model: Reliability, residual: Floats, unit: Floats, w: float, t: Sequence[float]
) -> list[list[int]]:
    """Return the stations to set aside in each survey, worst first, for weighted residuals (N, n).

    ``unit`` (N,) are the variances of sound readings, ``w`` the critical value of the w-test, ``t[k]`` that of
    Student's t with k readings set aside. To set a station aside is to give it a free slip in the model; the directions
    of these slips are kept beside the model's own.
    """
    found, rows = [list[int]() for _ in residual], np.arange(len(residual))
    count, redundancy = [0] * len(found), np.tile(model.redundancy, (len(rows), 1))
    slips: list[Floats] = []
    for aside, critical in enumerate(t):
        normalized = np.abs(residual) / np.sqrt(np.where(redundancy >= LEAST_REDUNDANCY, redundancy, inf))
        index = normalized.argmax(axis=1)
        largest = normalized[np.arange(len(rows)), index]
        if not (more := largest > w * np.sqrt(unit)).any():
            break
        rows, index, largest, residual, redundancy, unit = (
            of[more] for of in (rows, index, largest, residual, redundancy, unit)
        )
        slips, numbers = [slip[more] for slip in slips], np.arange(len(rows))
        whole = row_dots(residual, residual)
        rest = np.maximum(whole - largest**2, 1e-12 * whole) / (model.dof - aside - 1)
        stands = largest > critical * np.sqrt(rest)
        for row, station, out in zip(rows.tolist(), index.tolist(), stands.tolist(), strict=True):
            found[row].append(station)
            if out:
                count[row] = len(found[row])
        slip = model.slips(index, slips)
        slips.append(slip)
        residual = residual - slip * row_dots(slip, residual)[:, None]
        redundancy = np.maximum(redundancy - slip**2, 0.0)
        redundancy[numbers, index] = 0.0
    return [stations[:many] for stations, many in zip(found, count, strict=True)]
