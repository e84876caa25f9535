"""The adjustment problem: one gap, the influence of every adjuster on it, and what the travels must obey."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from functools import cached_property, lru_cache

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from ..model.contract import Floats


class Problem(Struct, frozen=True, dict=True):
    """Find travels ``a`` that make ``gap + influence @ a`` flat, up to one constant where the offset is free.

    Shapes for n stations, m adjusters, c conditions: ``influence`` (n, m), dimensionless; ``weights`` (n,), mean one,
    the weights of the least squares; ``effort``, ``lower``, ``upper`` (m,); ``rows`` (c, m) with ``rows_lower <= rows @
    a <= rows_upper``, equal ends making an equation; of some adjusters, by column, ``at_most`` so many may move.
    ``criterion`` is the weighted sum of squares about the weighted mean (about zero where the offset is kept), or half
    the zone: half of highest minus lowest (largest magnitude where the offset is kept). Travels that the criterion
    leaves open take the least ``sum((effort * a) ** 2)`` in least squares, and ``sum(effort * abs(a))`` in linear
    programmes.
    """

    influence: Floats
    weights: Floats
    effort: Floats
    lower: Floats
    upper: Floats
    rows: Floats
    rows_lower: Floats
    rows_upper: Floats
    offset_free: bool = True
    at_most: tuple[tuple[int, frozenset[int]], ...] = ()

    @cached_property
    def equations(self) -> np.ndarray:
        """Which rows (c,) are equations that zero travel satisfies: these narrow the directions in which to move."""
        return np.asarray((self.rows_lower == 0.0) & (self.rows_upper == 0.0))

    @property
    def excludes_zero(self) -> np.ndarray:
        """Which rows (c,) zero travel breaks."""
        return np.asarray((self.rows_lower > 0.0) | (self.rows_upper < 0.0))

    @cached_property
    def may_stand(self) -> bool:
        """Whether zero travel satisfies everything."""
        return not np.any(self.excludes_zero)

    @cached_property
    def bounded(self) -> bool:
        """Whether anything but equations that zero travel satisfies limits the travels."""
        return bool(np.isfinite(self.lower).any() or np.isfinite(self.upper).any() or not self.equations.all())

    @cached_property
    def kind(self) -> tuple[object, ...]:
        """What must be the same for problems without bounds to be solved together."""
        return self.offset_free, self.effort.tobytes(), self.rows.tobytes(), self.at_most

    def moving(self, columns: Sequence[int]) -> Problem:
        """Return the problem of these adjusters alone, in this order, all others standing still."""
        keep = list(columns)
        return replace(
            self,
            influence=self.influence[:, keep],
            effort=self.effort[keep],
            lower=self.lower[keep],
            upper=self.upper[keep],
            rows=self.rows[:, keep],
            at_most=(),
        )

    def permits(self, columns: Collection[int]) -> bool:
        """Say whether these adjusters may be moved together."""
        return all(len(some.intersection(columns)) <= count for count, some in self.at_most)

    def centred(self, gaps: Floats) -> Floats:
        """Take the weighted mean off each gap, where the offset is free; ``gaps`` has shape (..., n)."""
        if not self.offset_free:
            return gaps
        # One product for each gap, so that its rounding does not depend on how many there are.
        mean = (gaps[..., None, :] @ self.weights[:, None])[..., 0] / self.weights.sum()
        return np.asarray(gaps - mean)

    def weighted(self) -> Floats:
        """Return the influence as the least squares see it, (n, m): centred, times the square roots of the weights."""
        return np.asarray((self.centred(self.influence.T) * np.sqrt(self.weights)).T)

    def rms(self, left: Floats) -> float:
        """Return the weighted root mean square of what is left (n,)."""
        return float(np.sqrt(left**2 @ self.weights / self.weights.sum()))


@lru_cache(256)
def without_conditions(effort: tuple[float, ...], reach: tuple[tuple[float, float], ...], offset_free: bool) -> Problem:
    """Return the problem at no station of adjusters with these efforts and travels; many machines have the same."""
    count = len(effort)
    lower, upper = np.array(reach).reshape(-1, 2).T + 0.0
    return Problem(
        influence=np.zeros((0, count)),
        weights=np.zeros(0),
        effort=np.array(effort),
        lower=lower,
        upper=upper,
        rows=np.zeros((0, count)),
        rows_lower=np.zeros(0),
        rows_upper=np.zeros(0),
        offset_free=offset_free,
    )
