"""How well the gaps of one survey are known, and so everything that is linear in them (JCGM 100, 5.2.2)."""

from __future__ import annotations

from math import sqrt

import numpy as np
from msgspec import Struct

from .contract import Floats


class Noise(Struct, frozen=True):
    """Covariance of one survey's gaps: ``diag(variance) + factors @ factors.T``.

    ``variance`` (n,), ``factors`` (n, q). ``uniform`` is the standard uncertainty of every station where all are known
    equally well and independently, which is the usual survey and the quick path; None elsewhere.
    """

    variance: Floats
    factors: Floats
    uniform: float | None

    def of_totals(self, gaps: Floats) -> list[float]:
        """Return u of highest minus lowest of each gap (k, n), which stations they are being taken as known.

        A difference of zero between equal stations is as uncertain as any other: the next reading may part them.
        """
        if self.uniform is not None:
            return [sqrt(2.0) * self.uniform] * len(gaps)
        high, low = gaps.argmax(axis=1), gaps.argmin(axis=1)
        common = self.factors[high] - self.factors[low]
        squared = self.variance[high] + self.variance[low] + np.einsum("ij,ij->i", common, common)
        return [float(u) for u in np.sqrt(squared)]

    def of(self, gain: Floats) -> list[float]:
        """Return u of linear combinations of the gaps, ``gain`` (k, n)."""
        return [float(u) for u in np.sqrt(gain**2 @ self.variance + np.sum((gain @ self.factors) ** 2, axis=1))]

    def stations(self) -> list[float]:
        """Return u of each station's gap."""
        if self.uniform is not None:
            return [self.uniform] * len(self.variance)
        return [float(u) for u in np.sqrt(self.variance + np.einsum("ij,ij->i", self.factors, self.factors))]
