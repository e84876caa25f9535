"""How far observations of a linear model check each other: redundancy numbers, studentized residuals, smallest slips.

After Baarda, *A testing procedure for use in geodetic networks* (1968), and Cook & Weisberg, *Residuals and Influence
in Regression* (1982); the formulas are those of the textbooks, from memory. Everything is in weighted observations,
that is multiplied by the square roots of their weights, so that all have the same standard deviation.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from statistics import NormalDist

import numpy as np
from msgspec import Struct

from ..linalg.orthogonalize import bases, dominant, each_apart, lengths, less
from ..linalg.rowwise import row_dots
from ..model.contract import Floats

ALPHA, POWER = 0.001, 0.8
"""Two-sided risk of one test and the power at the smallest detectable slip, as Baarda chose them: δ0 = 4.1321."""

INDEPENDENT = 1e-9
"""Share of a column's length that has to be its own."""

LEAST_REDUNDANCY = 0.1
"""Redundancy number below which an observation is hardly checked by the others. Common practice, no source."""


class Reliability(Struct, frozen=True):
    """A linear model of n observations: ``basis`` (n, q), orthonormal, spans its weighted columns.

    ``redundancy`` (n,) are the redundancy numbers, one less the leverage; their sum is ``dof`` = n - q.
    """

    basis: Floats
    redundancy: Floats
    dof: int

    @classmethod
    def of(cls, basis: Floats) -> Reliability:
        """Return the model whose columns a basis (n, p) spans; columns of it that are zero count for nothing."""
        basis = np.ascontiguousarray(basis[:, basis.any(axis=0)])
        redundancy = np.clip(1.0 - np.einsum("ij,ij->i", basis, basis), 0.0, 1.0)
        return cls(basis, redundancy, len(basis) - basis.shape[1])

    def residual(self, weighted: Floats) -> Floats:
        """Return weighted residuals, observed less fitted, of weighted observations (n,)."""
        return np.asarray(weighted - self.basis @ (weighted @ self.basis))

    def extended(self, weighted: Floats) -> Reliability:
        """Return the model with further weighted columns (n, k)."""
        added = dominant(less(weighted / lengths(weighted), self.basis), INDEPENDENT, absolute=True)
        redundancy = np.clip(self.redundancy - np.einsum("ij,ij->i", added, added), 0.0, 1.0)
        return Reliability(np.concatenate([self.basis, added], axis=1), redundancy, self.dof - added.shape[1])

    @property
    def checked(self) -> np.ndarray:
        """Which observations the others check at all, (n,)."""
        return np.asarray(self.redundancy >= LEAST_REDUNDANCY if self.dof >= 2 else np.zeros_like(self.redundancy) > 0)

    def normalized(self) -> Floats:
        """Return factors (n,) from weighted residuals to residuals of one and the same deviation; 0 if unchecked."""
        spare = np.where(self.checked, self.redundancy, np.inf)
        return np.asarray(1.0 / np.sqrt(spare))

    def slips(self, index: np.ndarray, others: Sequence[Floats] = ()) -> Floats:
        """Return what a free slip at one observation (N,) of each survey adds to the model: unit directions (N, n).

        They are orthogonal to the model and to those of ``others`` (N, n each). To add one is to set the observation
        aside.
        """
        slip = np.zeros((len(index), len(self.basis)))
        slip[np.arange(len(index)), index] = 1.0
        slip = each_apart(slip, self.basis, others)
        return np.asarray(slip / np.sqrt(row_dots(slip, slip))[:, None])


def reliability(columns: Floats, root: Floats) -> Reliability:
    """Prepare a model from its design (n, p), of any rank, and the square roots of the weights (n,)."""
    return Reliability.of(spanned((columns * root[:, None])[None])[0])


def spanned(weighted: Floats) -> Floats:
    """Return orthonormal bases (g, n, r) of what weighted columns (g, n, p) span; directions left out are zero."""
    return bases(weighted / lengths(weighted), INDEPENDENT)


@cache
def non_centrality(alpha: float = ALPHA, power: float = POWER) -> float:
    """Return Baarda's δ0: how many standard deviations apart slip and no slip must lie."""
    normal = NormalDist()
    return -normal.inv_cdf(alpha / 2.0) - normal.inv_cdf(1.0 - power)


def smallest_detectable(u: Floats, model: Reliability, deviations: Floats | float | None = None) -> Floats:
    """Return the smallest slip noticed with :data:`POWER`, δ · u / √r, for standard uncertainties u (n,).

    ``deviations`` (n,) are δ, by default Baarda's δ0 for the w-test alone. Infinite where the others do not check the
    observation at all.
    """
    apart = non_centrality() if deviations is None else deviations
    spare = model.redundancy if model.dof else np.zeros_like(model.redundancy)
    out = np.full_like(spare, np.inf)
    return np.asarray(np.divide(apart * u, np.sqrt(spare), out=out, where=spare > 1e-9))
