"""Whether the limit is met, as far as the indicator can tell, and which readings the others contradict."""

from __future__ import annotations

from math import erfc, sqrt
from typing import Literal

import numpy as np
from msgspec import Struct

from .answer import Suspect, Verdict
from .contract import Floats

K = 1.6448536269514722
"""One-sided coverage factor for 95 % of a normal distribution: the default conformance probability of ISO 14253-1:2017
(the clause from memory; the quantile computed)."""

RULE = "ISO 14253-1"

LEAST_SPARE = 0.05
"""Redundancy number below which a reading is checked too little by the others to be suspected. Our own choice."""

Standing = Literal["within", "outside", "undecided"]


def standing(total: float, u: float, limit: float) -> Standing:
    """Decide by ISO 14253-1: proven inside the limit less the uncertainty, proven outside beyond the limit plus it."""
    if total + K * u <= limit:
        return "within"
    if total - K * u > limit:
        return "outside"
    return "undecided"


def conformance_probability(total: float, u: float, limit: float) -> float:
    """Return the probability that the true total is inside the limit, for a normal distribution (JCGM 106:2012,
    7.3)."""
    if u == 0.0:
        return 1.0 if total <= limit else 0.0
    return 0.5 * erfc((total - limit) / (u * sqrt(2.0)))


def verdict(limit: float, found: tuple[float, float], predicted: tuple[float, float]) -> Verdict:
    """Return the verdict on two totals, each with its standard uncertainty."""
    return Verdict(
        limit=limit,
        as_found=standing(*found, limit),
        predicted=standing(*predicted, limit),
        probability=conformance_probability(*predicted, limit),
        rule=RULE,
        k=K,
    )


class Consistency(Struct, frozen=True):
    """What the other readings say of each.

    ``basis`` (n, q), orthonormal, spans adjusters and terms in weighted gaps; ``spare`` (n,) are the redundancy
    numbers, one less the leverage; ``per_spare`` their inverse, zero where hardly anything checks the reading.
    """

    basis: Floats
    spare: Floats
    per_spare: Floats
    dof: int

    def suspects(self, gap: Floats, variance: Floats, root: Floats, points: Floats, sense: float) -> list[Suspect]:
        """Return readings that stand out from the smooth form through the rest.

        The test statistic is the externally studentized residual against Student's t at 1 % shared over all stations
        (Bonferroni); a reading must also be off by three standard uncertainties of its own, so that a very smooth
        survey does not make rounding look like a slip.
        """
        if self.dof < 2:
            return []
        weighted = root * gap
        residual = weighted - self.basis @ (self.basis.T @ weighted)
        whole = float(residual @ residual)
        deleted = residual * self.per_spare
        slips = deleted / root
        off = np.abs(slips) > 3.0 * np.sqrt(variance)
        if not off.any():
            return []
        rest = np.maximum(whole - residual * deleted, 1e-12 * whole) / (self.dof - 1)
        studentized = deleted * np.sqrt(self.spare / np.maximum(rest, 1e-300))
        index = int(np.argmax(np.where(off, np.abs(studentized), 0.0)))
        from scipy.stats import t

        if abs(studentized[index]) <= t.isf(0.005 / len(gap), self.dof - 1):
            return []
        value, expected = sense * float(gap[index]), sense * float(gap[index] - slips[index])
        x, y = points[index].tolist()
        near = 3.0 * sqrt(float(variance[index]) / float(self.spare[index]))
        return [Suspect(x, y, value, expected, float(studentized[index]), likely_slip(value, expected, near))]


def likely_slip(value: float, expected: float, near: float) -> str:
    """Name the slip that would explain a reading, if one does to within ``near``."""
    trials = {
        "sign turned": -value,
        "decimal place (ten times too large)": value / 10.0,
        "decimal place (ten times too small)": value * 10.0,
    }
    name, trial = min(trials.items(), key=lambda item: abs(item[1] - expected))
    return name if abs(trial - expected) <= near else "unknown: read this station again"


def consistency(columns: Floats, root: Floats) -> Consistency:
    """Prepare the check for columns (n, p) that a sound survey may contain, and square-root weights (n,)."""
    weighted = columns * root[:, None]
    size = np.linalg.norm(weighted, axis=0)
    u, s, _ = np.linalg.svd(weighted / np.where(size > 0.0, size, 1.0), full_matrices=False)
    basis = u[:, s > 1e-9 * s[0]]
    spare = 1.0 - np.einsum("ij,ij->i", basis, basis)
    per_spare = np.divide(1.0, spare, out=np.zeros_like(spare), where=spare > LEAST_SPARE)
    return Consistency(basis=basis, spare=spare, per_spare=per_spare, dof=len(columns) - basis.shape[1])
