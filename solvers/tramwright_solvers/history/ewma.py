"""The control chart of exponentially weighted moving averages, for surveys of unequal uncertainty.

S. W. Roberts, "Control chart tests based on geometric moving averages", Technometrics 1 (1959); NIST/SEMATECH
e-Handbook of Statistical Methods, 6.3.2.4. The limits are exact for every point, not those that they tend to, and hold
what the target itself is unsure by.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from ..model.contract import Floats

WEIGHT = 0.3
"""Weight of the newest value; the handbook takes 0.2 to 0.3 for usual."""
K = 3.0
"""Standard deviations from the target to either limit."""


class Chart(NamedTuple):
    """The averages (n,), and their limits (n,)."""

    level: Floats
    lower: Floats
    upper: Floats


def chart(
    values: Floats, u: Floats, target: float, target_u: float = 0.0, weight: float = WEIGHT, k: float = K
) -> Chart:
    """Return the averages of values (n,) with standard uncertainties (n,), begun at the target, with their limits.

    average_i = weight * value_i + (1 - weight) * average_(i-1); where all u are one s, its variance is
    s² * weight / (2 - weight) * (1 - (1 - weight)^(2 i)). Values and target are independent.
    """
    ages = np.arange(len(values))
    shares = np.tril(weight * (1.0 - weight) ** np.maximum(ages[:, None] - ages, 0))  # of each value in each average
    rest = (1.0 - weight) ** (ages + 1.0)
    level = shares @ values + rest * target
    reach = k * np.sqrt(shares**2 @ u**2 + ((1.0 - rest) * target_u) ** 2)
    return Chart(level, target - reach, target + reach)
