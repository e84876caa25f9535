"""Whether the limit is met, as far as the indicator can tell."""

from __future__ import annotations

from math import erfc, sqrt
from typing import Literal

from .answer import Verdict

K = 1.6448536269514722
"""One-sided coverage factor for 95 % of a normal distribution: the default conformance probability of ISO 14253-1:2017
(the clause from memory; the quantile computed)."""

RULE = "ISO 14253-1"

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
