"""Lengths: units, decimals that are worth writing, and the coverage factor."""

from __future__ import annotations

MM_PER_INCH = 25.4
"""Exact by definition (international yard and pound agreement of 1959; from memory)."""


DECIMALS = {"mm": 3, "inch": 4}

WRITTEN = {unit: f"%.{digits}f" for unit, digits in DECIMALS.items()}
SIGNED = tuple([f"%+.{digits}f" for digits in range(10)])
"""How lengths are written, and readings to so many decimals: dozens for every answer, and so by the quicker of the two
formats."""


K = 1.6448536269514722
"""One-sided coverage factor for 95 % of a normal distribution: the default conformance probability of ISO 14253-1:2017
(the clause from memory; the quantile computed)."""


def signed(value: float, digits: int) -> str:
    """Return a reading with its sign; what rounds to nothing has none."""
    shown = SIGNED[digits] % value
    return shown if shown.strip("+-.0") else shown[1:]
