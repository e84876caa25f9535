"""Steady, drifting or jumped: what the terms of a machine did from survey to survey.

Every term is a level, free in each run of surveys between which nobody moved anything, and a rate that all runs share
from some day on, which is not known (:mod:`.beginnings`); fitted by weighted least squares (N. R. Draper and H. Smith,
*Applied Regression Analysis*, 3rd ed., 9.2), the runs' levels taken out first (R. Frisch and F. Waugh, Econometrica 1
(1933)). Moves made by people begin a new run, and so no move is taken for a drift.

Two things can be added to levels: a rate since some survey, and a step between two surveys. Which of them it is, is
asked by what each leaves of the sum of squares. The uncertainties are those of the surveys; how far the scatter really
is from them is told by the residuals, the more the more there are: the variance factor is
(:data:`BELIEF` + residual sum of squares) / (:data:`BELIEF` + degrees of freedom), and what is tested follows Student's
distribution with the sum of both as its degrees of freedom (a scaled inverse chi-squared prior about one; G. K. Smyth,
Statistical Applications in Genetics and Molecular Biology 3 (2004), article 3).

The scatter shows nothing of what stays from survey to survey while the gap does: the indicator's own error. It changes
with the gap, and alike at stations that read alike, so no number of them averages it out. What is told of a change is
therefore never better than one reading is: its variance is added to that of a step, and of what a drift has come
to. Whether there is a step or a drift is asked of the scatter alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from ..model.contract import Floats
from .added_columns import BELIEF, critical_value, factor_of, gains_of, left_of, onward, summed, told_of
from .beginnings import Course, Drifts, course

DRIFT_RISK, JUMP_RISK = 0.005, 0.002
"""Risk of taking the scatter of a steady machine for a drift, or for a jump, at one survey, all terms together."""
MARGIN = 6.0
"""By how much more than a drift a step must explain, in variances, to be one, and a later beginning than the first."""
LEAST = 3
"""Fewest surveys on the slope of a drift, its beginning among them."""
ALIKE = 1e-9
"""Steps that explain the same but for rounding: between them are surveys that do not tell the term."""
TOGETHER = 8
"""Machines whose tracks are worked through at once: no more than stay in the cache."""
JUMPS = 8
"""Most jumps that are looked for."""


class Track(NamedTuple):
    """What was found at n surveys in the order of time: J terms (n, J), NaN where not told, with their standard
    uncertainties; when, in days (n,); which surveys begin a run (n,), because something was moved before them; and the
    standard uncertainty of one reading of the last survey."""

    days: Floats
    values: Floats
    u: Floats
    begins: np.ndarray
    reading: float = 0.0


class Step(NamedTuple):
    """A jump between survey ``before`` (its place) and the next, by term (J,) with standard uncertainties."""

    before: int
    change: Floats
    u: Floats


class Trends(NamedTuple):
    """What was found of each of J terms; all arrays are (J,) unless told.

    ``begins`` (n,) has the jumps too. ``since`` is the place of the first survey at which a drift may well have begun,
    -1 without one; ``rate`` a day with its ``rate_u``: the mean over all its beginnings (:mod:`.beginnings`); of a term
    that does not drift from where the clearest drift may have begun, or from the first survey on. ``now`` with its
    ``now_variance`` is the level at the last survey, ``shared`` its covariance with the rate; ``dof`` the degrees of
    freedom. NaN where something cannot be told.
    """

    begins: np.ndarray
    steps: list[Step]
    since: np.ndarray
    rate: Floats
    rate_u: Floats
    now: Floats
    now_variance: Floats
    shared: Floats
    dof: Floats


def trends(track: Track) -> Trends:
    """Return what the terms did."""
    return trends_of([track])[0]


def trends_of(tracks: Sequence[Track]) -> list[Trends]:
    """Return what the terms of each of several machines did, as :func:`trends` of each; a few together take little more
    time than one."""
    return [one for at in range(0, len(tracks), TOGETHER) for one in _trends_of(tracks[at : at + TOGETHER])]


def _trends_of(tracks: Sequence[Track]) -> list[Trends]:
    stack = _stacked(tracks)
    begins, steps = stack.begins, [list[Step]() for _ in tracks]
    fit = _Fit(stack, begins)
    for _ in range(JUMPS):
        found = fit.steps()
        if not found:
            break
        begins = begins.copy()
        for at, step in found.items():
            steps[at].append(step)
            begins[at, step.before + 1] = True
        fit = _Fit(stack, begins)
    return fit.trends([len(track.days) for track in tracks], steps)


class _Stack(NamedTuple):
    """Tracks of g machines with n surveys at most, the time last: days and begins (g, n), values and weights (g, J, n),
    zero where not told, and u of one reading (g, 1). Shorter ones go on with surveys at the time of the last that tell
    nothing."""

    days: Floats
    begins: np.ndarray
    values: Floats
    weight: Floats
    real: np.ndarray
    reading: Floats


def _stacked(tracks: Sequence[Track]) -> _Stack:
    n, terms = max(len(track.days) for track in tracks), tracks[0].values.shape[1]
    shape = len(tracks), terms, n
    stack = _Stack(
        np.empty((len(tracks), n)),
        np.zeros((len(tracks), n), bool),
        np.full(shape, np.nan),
        np.ones(shape),
        np.zeros((len(tracks), n), bool),
        np.array([[track.reading] for track in tracks]),
    )
    for at, track in enumerate(tracks):
        own = len(track.days)
        stack.days[at, :own], stack.days[at, own:] = track.days, track.days[-1]
        stack.begins[at, :own], stack.real[at, :own] = track.begins, True
        stack.values[at, :, :own], stack.weight[at, :, :own] = track.values.T, track.u.T
    stack.begins[:, 0] = True
    known = np.isfinite(stack.values)
    return stack._replace(values=np.where(known, stack.values, 0.0), weight=np.where(known, 1.0 / stack.weight**2, 0.0))


class _Fit:
    """Tracks with the levels of their runs taken out, and every rate and step that could be added.

    A step after survey m is a column that is zero up to m and one from there to the end of the run; a rate from survey
    k on is the sum of the steps from k on, each times the days to the next survey. So with their means over the runs
    taken out, all products of these columns are sums over surveys that follow one another, of terms that are not
    negative. All arrays are (g, J, n) unless told, sums those in the order of time: what one machine is told does not
    depend on the others.
    """

    def __init__(self, stack: _Stack, begins: np.ndarray) -> None:
        self.stack, self.begins = stack, begins
        weight = stack.weight
        g, terms, n = weight.shape
        places = np.arange(n)
        row = (n * np.arange(g * terms)).reshape(g, terms, 1)
        self.starts = np.maximum.accumulate(np.where(begins, places, 0), axis=1)
        following = np.minimum.accumulate(np.where(begins, places, n)[:, ::-1], axis=1)[:, ::-1]
        ends = np.concatenate([following[:, 1:], np.full((g, 1), n)], axis=1) - 1
        self._first, self._last = row + self.starts[:, None], row + ends[:, None]
        known = weight > 0.0
        self.of_run = self._within(weight)
        over = np.where(self.of_run > 0.0, self.of_run, 1.0)
        self.mean = self._within(weight * stack.values) / over
        rest = np.where(known, stack.values - self.mean, 0.0)
        weighted = weight * rest
        self.whole = summed(weighted * rest)
        self.spare = (known.sum(axis=2) - ((self.of_run > 0.0) & begins[:, None]).sum(axis=2)).astype(float)
        # every step: the weight after it, the share of its run's before, its size and product with what is left
        after = self._after(weight)
        before = 1.0 - after / over
        self.step_size = after * before
        self.step_product = self._after(weighted)
        # every rate
        days = np.diff(stack.days, append=stack.days[:, -1:])[:, None]
        late = days * after
        later = self._after(late)
        early = days * before
        passed = early.cumsum(axis=2) - early
        # product of each step with the rate since the first survey
        self.step_even = before * (later + late) + after * (passed - passed.take(self._first))
        self.rate_size = onward(early * (2.0 * later + late))
        self.rate_product = onward(days * self.step_product)
        self.rate_even = onward(days * self.step_even)
        # what one difference alone tells may as well be a jump
        self.inside = stack.real & ~begins
        differences = onward(self.inside) - self.inside
        self.drifts_seen = (differences[:, None] >= LEAST - 1) & (self.spare >= LEAST - 1)[..., None]
        self.rate, self.gain = gains_of(self.rate_product, self.rate_size)
        self.rate_gain = np.where(self.drifts_seen, self.gain, 0.0)
        self.best = self.rate_gain.max(axis=2)
        # the earliest beginning that explains nearly as much as the best
        left = factor_of(self.whole - self.best, self.spare - 1.0) ** 2
        near = self.rate_gain >= (self.best - MARGIN * left)[..., None]
        self.since = near.argmax(axis=2)

    def _within(self, values: Floats) -> Floats:
        """Return the sum over the run of each survey."""
        summed = values.cumsum(axis=2)
        whole: Floats = summed.take(self._last) - summed.take(self._first) + values.take(self._first)
        return whole

    def _after(self, values: Floats) -> Floats:
        """Return the sum of what comes after each survey in its run."""
        summed = values.cumsum(axis=2)
        after: Floats = summed.take(self._last) - summed
        return after

    def steps(self) -> dict[int, Step]:
        """Return of each machine that has one the clearest step that no drift explains: alone, or beside an even
        drift."""
        places = np.zeros_like(self.inside)
        places[:, :-1] = self.inside[:, 1:]
        if not places.any():
            return {}
        even, even_size = self.rate_product[..., :1], self.rate_size[..., :1]
        over = np.divide(1.0, even_size, out=np.zeros_like(even_size), where=even_size > 0.0)
        size = left_of(self.rate_size, self.rate_even**2 * over)
        gains = gains_of(self.rate_product - self.rate_even * even * over, size)[1]
        ways = (
            _Steps(self.step_product, self.step_size, self.whole, self.best, self.spare - 1.0),
            _Steps(
                self.step_product - self.step_even * even * over,
                left_of(self.step_size, self.step_even**2 * over),
                self.whole - (even**2 * over)[..., 0],
                np.where(self.drifts_seen, gains, 0.0).max(axis=2),
                self.spare - 2.0,
            ),
        )
        clear = [way.clear(places) for way in ways]
        found = dict[int, Step]()
        for at in range(len(places)):
            most = [float(one[at].max()) for one in clear]
            if not any(most):
                continue
            way = most[1] > most[0]
            first = int((clear[way][at] > (1.0 - ALIKE) * most[way]).argmax())
            step = ways[way].step(at, first % places.shape[1])
            found[at] = step._replace(u=np.hypot(step.u, self.stack.reading[at]))
        return found

    def trends(self, lengths: Sequence[int], steps: Sequence[list[Step]]) -> list[Trends]:
        """Return the terms of each machine as they are once every jump begins a run."""
        days, weight = self.stack.days, self.stack.weight
        row = np.arange(self.whole.size).reshape(self.whole.shape) * days.shape[1]
        gain = self.rate_gain.take(row + self.since)
        factor = factor_of(self.whole - gain, self.spare - 1.0)
        terms = self.whole.shape[1]
        drifts = gain > (factor * critical_value(self.spare - 1.0, DRIFT_RISK / (4.0 * terms))) ** 2
        # what makes one term drift moves others as well, if too little to be told of each alone
        leader = np.where(drifts, gain / factor**2, 0.0).argmax(axis=1)[:, None]
        led = np.where(drifts.any(axis=1)[:, None], np.take_along_axis(self.since, leader, axis=1), 0)
        at = np.where(drifts, self.since, led)
        seen = told_of(self.rate_size).take(row + at) * (self.spare >= LEAST - 1) > 0.0
        of_run = self.of_run[..., -1]
        told = of_run > 0.0
        over = np.where(told, of_run, 1.0)
        # from the mean slope of the last run to the end, since every survey
        last = weight * (np.arange(days.shape[1]) >= self.starts[:, -1:])[:, None]
        lasted = np.broadcast_to((days[:, -1:] - days)[:, None], weight.shape)
        ahead = lasted - (lasted * onward(last) - onward(last * lasted)) / over[..., None]
        # a term that does not drift has its rate since one survey, a drift that of all its beginnings
        own = ahead.take(row + at)
        rate, factor = (
            self.rate.take(row + at),
            factor_of(self.whole - self.gain.take(row + at), self.spare - seen) ** 2,
        )
        variance = factor / np.where(seen, self.rate_size.take(row + at), 1.0)
        found = Course(factor, rate, variance, rate * own, own**2 * variance, own * variance)
        if drifts.any():
            every = lasted, ahead, self.rate_product, self.rate_size, self.step_size, self.drifts_seen
            each = self.whole, self.spare - 1.0, np.broadcast_to(self.stack.reading, self.whole.shape)
            known = course(Drifts(*(one[drifts] for one in every), *(one[drifts][:, None] for one in each)))
            for whole, some in zip(found, known, strict=True):
                whole[drifts] = some
        fields = (
            np.where(drifts, at, -1),
            np.where(seen, found.rate, np.nan),
            np.where(seen, np.sqrt(found.rate_variance), np.nan),
            np.where(told, self.mean[..., -1] + np.where(seen, found.come, 0.0), np.nan),
            np.where(told, found.factor / over + np.where(seen, found.come_variance, 0.0), np.nan),
            np.where(seen, found.shared, 0.0),
            BELIEF + np.maximum(self.spare - seen, 0.0),
        )
        return [
            Trends(self.begins[place, :length], steps[place], *(field[place] for field in fields))
            for place, length in enumerate(lengths)
        ]


class _Steps(NamedTuple):
    """Every step that could be added to what is left: its product with it, its own sum of squares, both (g, J, n); and
    (g, J) the sum of squares, what a drift would explain of it, and the degrees of freedom after it."""

    product: Floats
    size: Floats
    whole: Floats
    best: Floats
    spare: Floats

    def clear(self, places: np.ndarray) -> Floats:
        """Return how clear each is of those at ``places`` (g, n), 0 where it is not."""
        gain, best = gains_of(self.product, self.size)[1], self.best[..., None]
        variance = factor_of(self.whole[..., None] - np.maximum(gain, best), self.spare[..., None]) ** 2
        clear: Floats = gain / variance
        tried = 4.0 * self.whole.shape[1] * np.maximum(places.sum(axis=1), 1)
        critical = np.where(self.spare < 0.0, np.inf, critical_value(self.spare, JUMP_RISK / tried[:, None]))
        clear[~places[:, None] | (gain - best < MARGIN * variance) | (clear < critical[..., None] ** 2)] = 0.0
        return clear

    def step(self, at: int, place: int) -> Step:
        """Return one of them."""
        product, size = self.product[at, :, place], told_of(self.size)[at, :, place]
        told = size > 0.0
        over = np.where(told, size, 1.0)
        u = factor_of(self.whole[at] - np.where(told, product**2 / over, 0.0), self.spare[at]) / np.sqrt(over)
        return Step(place, np.where(told, product / over, np.nan), np.where(told, u, np.nan))
