"""Where the machine stands after steps carried out since the survey: travels and gaps, estimated from the dial.

The gap at station i after K steps is ``gap_i + e_i + F_i f + change_i(sum of c_k t_k)``: what the survey says with its
errors (the station's own e, those that zeros have in common f), and what travels t did, ``c_k`` being what one unit of
step k's own travel counts by column. A step asked to go ``a`` goes ``t = a (1 + s) + w``, with s lasting of its
adjuster and w of this step alone. A dial reading sees the gap at its station with an error of its own. All of it is
linear but the change of adjusters that are not, which is taken at the estimate; all errors are taken as normal. So the
estimate is one Kalman filter (R. E. Kalman 1960) over e at the stations where the dial stood, f, s and t; every later
reading also improves what is known of the steps before.

What was asked is known less well than the dial reads, so where it was read, the dial decides.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import hypot, sqrt

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from ...learning.response_lsq import PRIOR
from ...learning.responses import LEAST, MOST, SIGNIFICANT, Responses, Slack
from ...model.contract import Floats
from ...reduction.covariance import GapCovariance
from ..geometry import Geometry

NEGLIGIBLE = 1e-12
"""Share of the largest eigenvalue of a covariance below which the others are rounding."""


class Told(Struct, frozen=True):
    """One step as it was told: its adjuster's ``column``, the ``travel`` (None until the bed is met), what one unit of
    it ``counts`` by column, and the ``station`` where the dial stood."""

    column: int
    travel: float | None
    counts: Mapping[int, float]
    station: int


class Seen(Struct, frozen=True):
    """One step as the dial should show it: gaps at its station ``before`` it, as ``wanted`` and as ``likely`` after it.

    ``asked`` is the travel set for it, ``by`` the change of gap that this makes. ``u_before`` and ``u_likely`` are of
    the difference between a reading and the gap.
    """

    before: float
    wanted: float
    likely: float
    asked: float
    by: float
    u_before: float
    u_likely: float


class State:
    """The estimate, one step after the other."""

    def __init__(
        self, prepared: Geometry, gaps: Floats, noise: GapCovariance, steps: Sequence[Told], learnt: Responses | None
    ) -> None:
        """Begin with a survey's gaps (n,) and their covariance, and what passes before it taught."""
        self.prepared, self.gaps, self.noise, self.steps = prepared, gaps, noise, steps
        self.stations = list(dict.fromkeys(one.station for one in steps))
        own, common, count = len(self.stations), noise.factors.shape[1], len(prepared.adjusters)
        self._share, self._first = own + common, own + common + count
        size = self._first + len(steps)
        self.mean, self.covariance = np.zeros(size), np.zeros((size, size))
        self.covariance[range(own), range(own)] = noise.variance[0, self.stations]
        self.covariance[range(own, self._share), range(own, self._share)] = 1.0
        shares = slice(self._share, self._first)
        self.covariance[shares, shares] = np.eye(count) * PRIOR**2
        if learnt is not None:
            self.mean[shares] = learnt.will.response - 1.0
            self.covariance[shares, shares] = learnt.will.covariance
        self._slack, self._last = Slack.usual(prepared.machine.from_mm), np.zeros(count)
        self._counted = np.zeros((count, len(steps)))
        self.reading = prepared.layout.fixed + prepared.layout.default_repeat

    @property
    def made(self) -> Floats:
        """The travels of all adjusters since the survey (m,), as the gap shows them."""
        return np.asarray(self._counted @ self.mean[self._first :])

    @property
    def response(self) -> Floats:
        """What each adjuster moves of what it is asked (m,)."""
        return np.asarray(1.0 + self.mean[self._share : self._first])

    @property
    def divisor(self) -> Floats:
        """What the next travels (m,) are divided by: responses that differ from 1 beyond doubt, else 1."""
        u = np.sqrt(np.diag(self.covariance)[self._share : self._first])
        scaled = np.array([one.stock is None and one.step is None for one in self.prepared.adjusters], dtype=bool)
        used = scaled & (np.abs(self.response - 1.0) > SIGNIFICANT * u)
        return np.where(used, np.clip(self.response, LEAST, MOST), 1.0)

    def moved(self, step: int) -> tuple[float, float]:
        """Return the travel of a step and its u."""
        at = self._first + step
        return float(self.mean[at]), sqrt(max(float(self.covariance[at, at]), 0.0))

    def gap_at(self, station: int) -> float:
        """Return the gap at a station where the dial stood, as it is now."""
        survey = self.gaps[station] + self.noise.factors[station] @ self.mean[len(self.stations) : self._share]
        return float(survey + self.mean[self.stations.index(station)] + self._change(station, self.made))

    def u_of_reading(self, station: int) -> float:
        """Return the u of the difference between a reading at a station, as it is now, and what is expected of it."""
        return self._u(self._row(station))

    def begin(self, step: int) -> Seen:
        """Make a step as it was told; return what the dial should show."""
        one = self.steps[step]
        before, row, at = self.gap_at(one.station), self._row(one.station), self._first + step
        u_before = self._u(row)
        if not one.counts or one.travel is None:
            return Seen(before, before, before, 0.0, 0.0, u_before, u_before)
        adjuster, asked = self.prepared.adjusters[one.column], one.travel / float(self.divisor[one.column])
        for column, count in one.counts.items():
            self._counted[column, step] = count
        turned = asked * self._last[one.column] < 0.0
        self._last[one.column] = asked
        play = max(self._slack.play, adjuster.play) if turned else 0.0
        own = hypot(self._slack.mark, float(self.prepared.setting.u[one.column]), play)
        share = self._share + one.column
        made, counted = self.made, self._counted[:, step]
        wanted, by = (
            self._change(one.station, made + counted * travel) - self._change(one.station, made)
            for travel in (one.travel, asked)
        )
        self.covariance[at, :] = asked * self.covariance[share, :]
        self.covariance[:, at] = self.covariance[at, :]
        self.covariance[at, at] = asked**2 * self.covariance[share, share] + own**2
        self.mean[at] = asked * (1.0 + self.mean[share])
        u_likely = self._u(self._row(one.station))
        return Seen(before, before + wanted, self.gap_at(one.station), asked, by, u_before, u_likely)

    def set_apart(self, step: int, asked: float) -> None:
        """Take a step as no sign of what its adjuster usually does: the dial alone decides how far it went."""
        at = self._first + step
        self.covariance[at, :] = self.covariance[:, at] = 0.0
        self.covariance[at, at] = asked**2

    def forget(self, column: int) -> None:
        """Take nothing for known of what an adjuster does with what it is asked."""
        share = self._share + column
        self.mean[share] = 0.0
        self.covariance[share, :] = self.covariance[:, share] = 0.0
        self.covariance[share, share] = PRIOR**2

    def read(self, station: int, gap: float) -> None:
        """Take in what the dial shows at a station, as a gap."""
        self._take_in(self._row(station), gap - self.gap_at(station), self.reading)

    def changed(self, step: int, change: float) -> None:
        """Take in by how much the dial changed over a step, as a change of gap: the difference of two readings."""
        row = np.zeros_like(self.mean)
        row[self._first + step] = self._slope(self.steps[step].station) @ self._counted[:, step]
        self._take_in(row, change - float(row @ self.mean), 2.0 * self.reading)

    def _take_in(self, row: Floats, off: float, variance: float) -> None:
        """Take in one observation: its row, by how much it is off what is expected, and the variance of its error.

        The covariance is that of Joseph's form, which stays one whatever is rounded, written out for one row.
        """
        along = self.covariance @ row
        spread = float(row @ along) + variance
        gain = along / spread
        self.mean = self.mean + gain * off
        across = np.outer(gain, along)
        self.covariance = self.covariance - across - across.T + spread * np.outer(gain, gain)

    def now(self) -> tuple[Floats, GapCovariance]:
        """Return the gaps (1, n) as they are now and their covariance."""
        own, made = len(self.stations), self.made
        gaps = self.gaps + self.noise.factors @ self.mean[own : self._share]
        gaps[self.stations] += self.mean[:own]
        gaps += self.prepared.changes(made[None])[0]
        keep = [*range(self._share), *range(self._first, len(self.mean))]
        errors = np.zeros((len(gaps), len(keep)))
        errors[self.stations, range(own)] = 1.0
        errors[:, own : self._share] = self.noise.factors
        errors[:, self._share :] = self._slopes(made) @ self._counted
        known = self.covariance[np.ix_(keep, keep)]
        # part of what is not known of a station where the dial stood stays its own, so that no variance is nothing
        alone = known[:own, :own] - known[:own, own:] @ np.linalg.pinv(known[own:, own:]) @ known[own:, :own]
        apart = 0.5 * max(float(np.linalg.eigvalsh(alone)[0]), 0.0)
        known[range(own), range(own)] -= apart
        values, vectors = np.linalg.eigh(known)
        seen = values > NEGLIGIBLE * float(values.max(initial=0.0))
        variance = self.noise.variance[:1].copy()
        variance[0, self.stations] = apart
        factors = errors @ (vectors[:, seen] * np.sqrt(values[seen]))
        return gaps[None], GapCovariance(variance, factors, None)

    def _u(self, row: Floats) -> float:
        """Return the u of the difference between a reading and what is expected of it."""
        return sqrt(max(float(row @ self.covariance @ row), 0.0) + self.reading)

    def _row(self, station: int) -> Floats:
        """Return how the gap at a station depends on what is estimated."""
        row, own = np.zeros_like(self.mean), len(self.stations)
        row[self.stations.index(station)] = 1.0
        row[own : self._share] = self.noise.factors[station]
        row[self._first :] = self._slope(station) @ self._counted
        return row

    def _change(self, station: int, travels: Floats) -> float:
        if self.prepared.linear:
            return float(self.prepared.influence[station] @ travels)
        return float(self.prepared.change_at(self.prepared.layout.points[station : station + 1], travels)[0])

    def _slope(self, station: int) -> Floats:
        """Return the influence (m,) at a station and at the travels made."""
        return np.asarray(self._slopes(self.made)[station])

    def _slopes(self, made: Floats) -> Floats:
        prepared = self.prepared
        if prepared.linear:
            return prepared.influence
        return replace(prepared, standing=prepared.standing_at(made)).influence_at(prepared.layout.points)
