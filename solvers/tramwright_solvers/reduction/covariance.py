"""How well the gaps of a stack of surveys are known, and so everything that is linear in them (JCGM 100, 5.2.2)."""

from __future__ import annotations

from math import sqrt

import numpy as np
from msgspec import Struct

from ..linalg.rowwise import row_products
from ..model.contract import Floats


class GapCovariance(Struct, frozen=True):
    """Covariance of each survey's gaps: ``diag(variance[row]) + factors @ factors.T``.

    ``variance`` (N, n), ``factors`` (n, q). ``uniform`` is the standard uncertainty of every station where all are
    known equally well and independently, which is the usual survey and the quick path; None elsewhere.
    """

    variance: Floats
    factors: Floats
    uniform: float | None

    def some(self, rows: np.ndarray) -> GapCovariance:
        """Return the noise of these surveys of the stack."""
        return GapCovariance(self.variance[rows], self.factors, self.uniform)

    def of_totals(self, gaps: Floats) -> Floats:
        """Return u of highest minus lowest of gaps (N, n, K), shape (N, K); which stations they are counts as known.

        A difference of zero between equal stations is as uncertain as any other: the next reading may part them.
        """
        surveys, _, subsets = gaps.shape
        if self.uniform is not None:
            return np.full((surveys, subsets), sqrt(2.0) * self.uniform)
        high, low = gaps.argmax(axis=1), gaps.argmin(axis=1)
        common = self.factors[high] - self.factors[low]
        own = np.take_along_axis(self.variance, high, axis=1) + np.take_along_axis(self.variance, low, axis=1)
        return np.asarray(np.sqrt(own + np.sum(common**2, axis=2)))

    def of(self, gain: Floats, lengths: Floats) -> Floats:
        """Return u of linear combinations of the gaps, shape (N, k): ``gain`` (k, n), whose rows have these lengths."""
        if self.uniform is not None:
            return (self.uniform * lengths)[None].repeat(len(self.variance), axis=0)
        return np.asarray(
            np.sqrt(row_products(self.variance, (gain**2).T) + np.sum((gain @ self.factors) ** 2, axis=1))
        )

    def stations(self) -> Floats:
        """Return u of each station's gap, shape (N, n)."""
        if not self.factors.shape[1]:
            return np.sqrt(self.variance)
        return np.asarray(np.sqrt(self.variance + (self.factors**2).sum(axis=1)))
