"""The uncertainty budget of a total, one line for each source (JCGM 100, 4.3, 5.1 and 8).

Sources are independent, so the squares of ``sensitivity · u`` add up to the square of the total's u, and each line has
its share of it. Division and error limit are the indicator's own and are not averaged out by repeats; repeatability is
type A from the repeats pooled over stations, with their degrees of freedom, where repeats tell, and type B with the
stated half-width where they do not. Zeros and drifts of set-ups are estimated from the readings themselves and bring
what the shared stations leave uncertain. The errors of setting come in with the moves alone (:mod:`.setting_error`).

The moves are computed from the readings and then known numbers. So what is predicted at a station differs from what
will be there by the error of the reading there and by the errors of setting, only: the u of the move does not enter a
second time.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import sqrt
from typing import TYPE_CHECKING, Literal

import numpy as np
from msgspec import Struct

from ..model.contract import Adjuster, Floats
from ..results.findings import Budget, BudgetLine
from . import sentences

if TYPE_CHECKING:
    from ..model.machine import Machine
    from ..reduction.covariance import GapCovariance
    from ..reduction.stations import StationLayout
    from .setting_error import Setting


Source = tuple[str, float, Literal["rectangular", "normal"], Literal["A", "B"], float, float | None, float]
"""A line of a budget without its share."""


def combined(rows: Sequence[Source]) -> Budget:
    """Combine independent sources to a budget: JCGM 100, equations 10 and G.2b."""
    squares = [(row[6] * row[4]) ** 2 for row in rows]
    whole = sum(squares)
    per = 1.0 / whole if whole > 0.0 else 0.0
    lines = [BudgetLine(*row[:5], row[6], square * per, row[5]) for row, square in zip(rows, squares, strict=True)]
    loose = sum(line.share**2 / line.dof for line in lines if line.dof is not None)
    return Budget(sqrt(whole), lines, 1.0 / loose if loose > 0.0 else None)


class Sources(Struct, frozen=True):
    """The sources at n stations, prepared.

    ``fixed`` and ``repeated`` (n,) take the variance of the fixed and of the repeatable error of one reading to that of
    a station; ``factors`` (n, q) as in :class:`.Noise`. ``indicator`` and ``settings`` are name, half-width and
    standard uncertainty of the lines they make; ``own`` is the variance of the first together, ``spare`` the degrees of
    freedom of the repeats and ``default`` the half-width where these are not believed. ``usual`` keeps the budgets
    of surveys whose stations are all known alike, by subset and u.
    """

    fixed: Floats
    repeated: Floats
    factors: Floats
    indicator: tuple[tuple[str, float, float], ...]
    own: float
    spare: int
    default: float
    settings: tuple[tuple[str, float, float], ...]
    setting: Setting
    usual: dict[tuple[int, float], Budget]

    def budgets(
        self, high: np.ndarray, low: np.ndarray, u: Floats, noise: GapCovariance, subset: np.ndarray | None
    ) -> list[Budget]:
        """Return the budget of each total of a stack of N surveys.

        ``high`` and ``low`` (N,) are the stations of the extremes, ``u`` (N,) the u stated of the totals and ``noise``
        that of the gaps; ``subset`` (N,) says which subset of the adjusters is moved, None as found. Where a pair of
        stations that are known less well makes u larger than the extremes do, the lines are scaled to it. Where all
        stations are known alike, the budget depends on the subset and u alone and is written once.
        """
        if noise.uniform is None:
            return self._worked_out(high, low, u, noise, subset)
        if len(self.usual) > MOST_KEPT:
            self.usual.clear()
        found = []
        for row, known in enumerate(
            zip([NONE] * len(u) if subset is None else subset.tolist(), u.tolist(), strict=True)
        ):
            if (budget := self.usual.get(known)) is None:
                own = slice(row, row + 1)
                moved = None if subset is None else subset[own]
                budget = self._worked_out(high[own], low[own], u[own], noise.some(np.arange(row, row + 1)), moved)[0]
                self.usual[known] = budget
            found.append(budget)
        return found

    def _worked_out(
        self, high: np.ndarray, low: np.ndarray, u: Floats, noise: GapCovariance, subset: np.ndarray | None
    ) -> list[Budget]:
        """Work the budgets out as :meth:`budgets` describes them."""
        repeat = (noise.variance[np.arange(len(high)), high] - self.fixed[high] * self.own) / self.repeated[high]
        repeat = np.maximum(repeat, 0.0)
        fixed, repeated = (of[high] + of[low] for of in (self.fixed, self.repeated))
        zeros = np.sum((self.factors[high] - self.factors[low]) ** 2, axis=1)
        made = fixed * self.own + repeated * repeat + zeros
        if subset is None:
            parts = np.zeros((len(high), 0))
        else:
            parts = self.setting.parts[subset]
            made = made + parts.sum(axis=1)
        scale = u * u / np.where(made > 0.0, made, 1.0)
        rows = (repeat, zeros, scale * fixed, scale * repeated, scale, scale[:, None] * parts)
        return [self._written(*row) for row in zip(*(column.tolist() for column in rows), strict=True)]

    def _written(
        self, repeat: float, zeros: float, fixed: float, repeated: float, joined: float, parts: list[float]
    ) -> Budget:
        """Write the budget of one total from variances and squared sensitivities."""
        gain, deviation = sqrt(fixed), sqrt(repeat)
        rows: list[Source] = [(name, half, "rectangular", "B", own, None, gain) for name, half, own in self.indicator]
        if self.spare > 0 and abs(sqrt(3.0) * deviation - self.default) > SAME * self.default:
            rows.append((sentences.REPEATABILITY, deviation, "normal", "A", deviation, self.spare, sqrt(repeated)))
        else:
            rows.append((sentences.REPEATABILITY, self.default, "rectangular", "B", deviation, None, sqrt(repeated)))
        if self.factors.shape[1]:
            rows.append((sentences.ZEROS, sqrt(zeros), "normal", "B", sqrt(zeros), None, sqrt(joined)))
        rows += [
            (name, half, "rectangular", "B", own, None, sqrt(part) / own)
            for (name, half, own), part in zip(self.settings, parts, strict=False)
            if part > 0.0
        ]
        return combined(rows)


NONE, MOST_KEPT = -1, 1000
"""Where the budget without any moves is kept, and how many are kept at the most."""

SAME = 1e-6
"""A repeatability this close to the default, relatively, is the default: repeats were not believed or not made."""


def sources(machine: Machine, plan: StationLayout, adjusters: Sequence[Adjuster], setting: Setting) -> Sources:
    """Prepare the budget of surveys read as ``plan`` says and corrected by these adjusters."""
    count = len(plan.points)
    share = plan.share
    division, limit = 0.5 * machine.division, machine.error_limit
    halves = zip(adjusters, setting.half.tolist(), setting.u.tolist(), strict=True)
    return Sources(
        fixed=np.asarray(np.bincount(plan.group_station, share**2, count), dtype=np.float64),
        repeated=np.asarray(np.bincount(plan.group_station, share**2 / plan.counts, count), dtype=np.float64),
        factors=plan.factors,
        indicator=(
            (sentences.HALF_A_DIVISION, division, division / sqrt(3.0)),
            (sentences.ERROR_LIMIT, limit, limit / sqrt(3.0)),
        ),
        own=machine.indicator_variance,
        spare=int(plan.counts.sum()) - len(plan.counts),
        default=sqrt(3.0 * plan.default_repeat),
        settings=tuple((sentences.setting_of(adjuster.id), half, u) for adjuster, half, u in halves),
        setting=setting,
        usual={},
    )
