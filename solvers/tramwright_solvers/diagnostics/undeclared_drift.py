"""A drift that the order of the readings shows though no station is read again: it is not in any uncertainty.

A steady drift is the number of the reading times a rate. What of it is no smooth form of the bed (a bed read in rows
all the same way is tilted by it, one read to and fro is not) is tested like a slip: against the readings' uncertainty
and against what the survey scatters about its form, each at :data:`..reliability.ALPHA`, so that a survey that does
not drift is called drifting in one of a thousand on the forms that the check allows for, and in fewer than one of a
hundred on others (measured in tests/claims). A drift of a bed read in rows all the same way looks like tilt: it cannot
be told at all.
"""

from __future__ import annotations

from math import inf

import numpy as np
from msgspec import Struct

from ..linalg.rowwise import row_dots, row_products
from ..model.contract import Floats
from .reliability import ALPHA, Reliability, non_centrality

LEAST_OWN = 0.01
"""Share of the drift's square that must not look like form. Our own choice: with less, form decides what is drift."""


class DriftCheck(Struct, frozen=True):
    """The test prepared for n stations in the order of reading: ``direction`` (n,) of length one, ``per`` reading.

    ``direction`` is the part of a steady drift that is no form; a rate of one a reading is ``per`` along it. ``t`` is
    the critical value of Student's t, infinite where nothing can be told.
    """

    direction: Floats
    per: float
    w: float
    t: float

    def drifts(self, model: Reliability, weighted: Floats, unit: Floats) -> Floats:
        """Return what each survey drifted from first to last reading, (N,); zero where that is not beyond doubt.

        ``weighted`` are gaps times square-root weights (N, n), ``unit`` (N,) the variance of one of weight one.
        """
        if self.t == inf:
            return np.zeros(len(weighted))
        size = row_products(weighted, self.direction[:, None])[:, 0]
        found = np.zeros(len(size))
        rows = np.flatnonzero(np.abs(size) > self.w * np.sqrt(unit))
        if len(rows):
            residual = weighted[rows] - row_products(row_products(weighted[rows], model.basis), model.basis.T)
            rest = np.maximum(row_dots(residual, residual) - size[rows] ** 2, 0.0) / (model.dof - 1)
            rows = rows[np.abs(size[rows]) > self.t * np.sqrt(rest)]
            found[rows] = size[rows] / self.per * (len(self.direction) - 1)
        return found


def drift_check(model: Reliability, root: Floats) -> DriftCheck:
    """Prepare for square-root weights (n,) of stations each read at one time, in the order of reading."""
    from scipy.special import stdtrit

    steady = root * (np.arange(len(root)) - 0.5 * (len(root) - 1))
    own = model.residual(steady)
    length = float(np.linalg.norm(own))
    if model.dof < 3 or length**2 < LEAST_OWN * float(steady @ steady):
        return DriftCheck(np.zeros(len(root)), 1.0, inf, inf)
    return DriftCheck(own / length, length, non_centrality(power=0.5), float(stdtrit(model.dof - 1, 1.0 - ALPHA / 2.0)))
