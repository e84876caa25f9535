"""When the total will pass its limit, and how sure that is.

The gap at the stations of the last survey goes on as its terms do; the total is the range of it, so it may fall before
it rises. Between which two stations it passes the limit is found, and what these two tell is a line with uncertain
level and rate: the days at which such a line may meet the limit are those of E. C. Fieller, Journal of the Royal
Statistical Society B 16 (1954); as inverse regression in Draper and Smith, *Applied Regression Analysis*, 3rd ed., 3.2.
"""

from __future__ import annotations

from math import inf, sqrt
from typing import NamedTuple

from ..model.contract import Floats

FAR = 36_500.0
"""Days beyond which nothing is foretold."""
UNEVEN = 0.4
"""A drift seldom goes on evenly: from now on its rate may be another by this part of it (k = 1). No source."""
ROUNDS = 100
"""Most steps of Newton's method; each ends at a pair of stations further in, so a few do."""


class Line(NamedTuple):
    """A total that changes evenly: now with its variance, a day with its variance, and their covariance."""

    now: float
    rate: float
    now_variance: float
    rate_variance: float
    shared: float

    @property
    def onward_variance(self) -> float:
        """Variance of the rate from now on."""
        return self.rate_variance + (UNEVEN * self.rate) ** 2

    def highest(self, day: float, k: float) -> float:
        """Return what it may be on a day, ``k`` standard uncertainties above what is expected."""
        variance = self.now_variance + 2.0 * day * self.shared + day**2 * self.onward_variance
        return self.now + day * self.rate + k * sqrt(max(variance, 0.0))


class Ahead(NamedTuple):
    """The gap (n,) at the stations as it is now, and by how much J terms change it, (n, J), for each of their units;
    level variance and rate (J,), its variance and the covariance of both; and the variance of what the terms leave."""

    gap: Floats
    shapes: Floats
    level_variance: Floats
    rate: Floats
    rate_variance: Floats
    shared: Floats
    left_variance: float

    def line(self, day: float) -> tuple[Line, Floats]:
        """Return the total as the two stations tell it that are highest and lowest on a day, and what each term adds
        to its rate (J,)."""
        gap = self.gap + day * (self.shapes @ self.rate)
        high, low = int(gap.argmax()), int(gap.argmin())
        apart = self.shapes[high] - self.shapes[low]
        squares = apart**2
        line = Line(
            float(self.gap[high] - self.gap[low]),
            float(apart @ self.rate),
            float(squares @ self.level_variance) + self.left_variance,
            float(squares @ self.rate_variance),
            float(squares @ self.shared),
        )
        return line, apart * self.rate

    def passes(self, limit: float) -> float | None:
        """Return after how many days the total passes a limit, 0 where it has; None where it never does.

        The range of a gap that changes evenly is a convex function of time, made of straight pieces: from beyond the
        passing, Newton's method meets it after as many steps as there are pieces.
        """
        if self.line(0.0)[0].now >= limit:
            return 0.0
        day = FAR
        for _ in range(ROUNDS):
            line, _ = self.line(day)
            over = line.now + day * line.rate - limit
            if day == FAR and over < 0.0:
                return None
            if over <= 1e-12 * limit or line.rate <= 0.0:
                break
            day -= over / line.rate
        return day


def interval(line: Line, limit: float, k: float) -> tuple[float, float]:
    """Return between which days a line may meet the limit, ``k`` standard uncertainties to each side; not before day
    0, and infinite where it may never do so."""
    margin = line.now - limit
    square = line.rate**2 - k**2 * line.onward_variance
    half = margin * line.rate - k**2 * line.shared
    rest = margin**2 - k**2 * line.now_variance
    root = sqrt(max(half**2 - square * rest, 0.0))
    if square <= 0.0:  # the rate may be none at all
        first = 0.0 if rest <= 0.0 or margin > 0.0 else rest / (root - half) if root > half else inf
        return first, inf
    first, last = ((-half + side * root) / square for side in (-1.0, 1.0))
    return max(first, 0.0), max(last, 0.0)


def safe_until(ahead: Ahead, limit: float, k: float, most: float) -> float:
    """Return for how many days the total stays below a limit, ``k`` standard uncertainties above what is expected."""

    def over(day: float) -> bool:
        return ahead.line(day)[0].highest(day, k) >= limit

    if over(0.0):
        return 0.0
    if not over(most):
        return most
    low, high = 0.0, most
    while high - low > 0.5:
        middle = (low + high) / 2.0
        low, high = (low, middle) if over(middle) else (middle, high)
    return low
