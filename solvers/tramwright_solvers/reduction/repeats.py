"""Repeats of one reading that are too far apart to be repeats: one of them was misread."""

from __future__ import annotations

import numpy as np
from msgspec import Struct

from ..model.contract import Floats

DIVISIONS = 3.0
"""Repeats within so many divisions are never held against each other: common practice, no source."""

DEVIATIONS = 6.0
"""Repeats farther apart than so many standard deviations of the others are no scatter. Our own choice."""

LEAST_OWN = 4
"""Repeats of one reading from which their own scatter, the odd one left out, is believed."""


RISK = 0.001
"""Chance that sound repeats are said to scatter too much."""


class Odd(Struct, frozen=True):
    """One reading whose repeats disagree: its ``group``, the ``value`` that is off and what the ``others`` read."""

    group: int
    value: float
    others: float
    deviation: float


def more_scatter(groups: list[Floats], variance: float, division: float) -> tuple[float, float] | None:
    """Return the standard deviation of repeats and the one stated where the first is too large; else None.

    ``variance`` is that of repeatability. Rounding adds a quarter of a squared division at the most, where a reading
    lies midway between two; so sound repeats are beyond the quantile of chi-squared in one case of a thousand at most.
    """
    from scipy.special import chdtri

    freedom = sum(len(group) - 1 for group in groups)
    squares = sum(float(np.sum((group - group.mean()) ** 2)) for group in groups)
    stated = variance + 0.25 * division**2
    if not freedom or squares <= float(chdtri(freedom, RISK)) * stated:
        return None
    return float(np.sqrt(squares / freedom)), float(np.sqrt(stated))


def odd_repeats(groups: list[Floats], scatter: float, division: float) -> list[Odd]:
    """Return the readings, each with its repeats, whose repeats disagree.

    ``scatter`` is the standard deviation that the indicator's repeatability and rounding give. Where at least three
    readings were repeated, their median scatter counts if it is larger; so does the own one, without the value that is
    farthest off, of :data:`LEAST_OWN` repeats or more. Of two repeats neither is known to be off: the later is named.
    """
    own = np.array([float(np.var(group, ddof=1)) if len(group) > 1 else np.nan for group in groups])
    repeated, found = np.flatnonzero(~np.isnan(own)), list[Odd]()
    usual = float(np.sqrt(np.median(own[repeated]))) if len(repeated) else 0.0
    for index in repeated.tolist():
        values = groups[index]
        if float(np.ptp(values)) <= DIVISIONS * division:
            continue
        off = len(values) - 1 if len(values) == 2 else int(np.argmax(np.abs(values - np.median(values))))
        rest, deviation = np.delete(values, off), scatter
        if len(repeated) > 2:
            deviation = max(deviation, usual)
        if len(values) >= LEAST_OWN:
            deviation = max(deviation, float(np.std(rest, ddof=1)))
        away = float(values[off] - np.median(rest))
        if abs(away) > max(DIVISIONS * division, DEVIATIONS * deviation):
            found.append(Odd(index, float(values[off]), float(np.median(rest)), away / deviation))
    return found
