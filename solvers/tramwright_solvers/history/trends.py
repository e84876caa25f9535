"""Steady, drifting or jumped: what the terms of a machine did from survey to survey.

Every term is a level, free in each run of surveys between which nobody moved anything, and a rate that all runs share
from some survey on; fitted by weighted least squares (N. R. Draper and H. Smith, *Applied Regression Analysis*, 3rd
ed., 9.2), the runs' levels taken out first (R. Frisch and F. Waugh, Econometrica 1 (1933)). Moves made by people begin
a new run, and so no move is taken for a drift.

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

from typing import NamedTuple

import numpy as np

from ..model.contract import Floats

BELIEF = 4.0
"""How many degrees of freedom the stated uncertainties count for."""
DRIFT_RISK, JUMP_RISK = 0.005, 0.002
"""Risk of taking the scatter of a steady machine for a drift, or for a jump, at one survey, all terms together."""
MARGIN = 6.0
"""By how much more than a drift a step must explain, in variances, to be one, and a later beginning than the first."""
LEAST = 3
"""Fewest surveys on the slope of a drift, its beginning among them."""
UNTOLD = 1e-10
"""A column whose part within the runs is smaller than this share of the largest, squared, is not told."""
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

    ``begins`` (n,) has the jumps too. ``since`` is the place of the survey at which a drift begins, -1 without one;
    ``rate`` a day with its ``rate_u``: from there on; of a term that does not drift from where the clearest drift
    begins, or from the first survey on. ``mean`` with its ``mean_u`` is that
    of the last run, and ``ahead`` days of the rate later is the last survey; mean and rate are not correlated.
    ``factor`` is the root of the variance factor, ``dof`` the degrees of freedom, ``told`` how many surveys of the last
    run tell the term. NaN where something cannot be told.
    """

    begins: np.ndarray
    steps: list[Step]
    since: np.ndarray
    rate: Floats
    rate_u: Floats
    mean: Floats
    mean_u: Floats
    ahead: Floats
    factor: Floats
    dof: Floats
    told: np.ndarray


def trends(track: Track) -> Trends:
    """Return what the terms did."""
    begins, steps = track.begins.copy(), list[Step]()
    begins[0] = True
    fit = _Fit(track, begins)
    while len(steps) < JUMPS and (step := fit.step()) is not None:
        steps.append(step)
        begins[step.before + 1] = True
        fit = _Fit(track, begins)
    return fit.trends(steps)


class _Fit:
    """The track with the levels of its runs taken out, and every rate and step that could be added."""

    def __init__(self, track: Track, begins: np.ndarray) -> None:
        self.track, self.begins = track, begins
        known = np.isfinite(track.values)
        self.weight = np.where(known, 1.0 / np.where(known, track.u, 1.0) ** 2, 0.0)
        self.first = begins.nonzero()[0]
        self.runs = np.add.reduceat(known, self.first, axis=0)
        """Surveys of each run that tell each term, (runs, J)."""
        n = len(track.days)
        self.spare = known.sum(axis=0) - (self.runs > 0).sum(axis=0)
        self.rest = self._centred(np.where(known, track.values, 0.0)[:, :, None])[:, :, 0]
        self.whole = (self.weight * self.rest**2).sum(axis=0)
        self.slopes = np.maximum(0.0, track.days[:, None] - track.days)
        self.rates = self._added(self.slopes)
        self.rate, self.rate_gain, self.rate_size = self._gains(self.rest, self.rates)
        # what one difference alone tells may as well be a jump
        differences = n - begins.sum() - np.cumsum(~begins)
        self.drifts_seen = (differences >= LEAST - 1) & (self.spare >= LEAST - 1)[:, None]
        self.rate_gain[~self.drifts_seen] = 0.0
        self.best = self.rate_gain.max(axis=1)
        # the earliest beginning that explains nearly as much as the best
        left = self._factor(self.whole - self.best, self.spare - 1.0) ** 2
        near = self.rate_gain >= (self.best - MARGIN * left)[:, None]
        self.since = near.argmax(axis=1)

    def _centred(self, columns: Floats) -> Floats:
        """Take from columns (n, J, q) their weighted mean over each run."""
        weight = self.weight[:, :, None]
        of_runs = np.add.reduceat(weight, self.first, axis=0)
        means = np.add.reduceat(weight * columns, self.first, axis=0) / np.where(of_runs > 0.0, of_runs, 1.0)
        lengths = np.diff([*self.first, len(columns)])
        return columns - np.repeat(means, lengths, axis=0)

    def _added(self, columns: Floats) -> Floats:
        """Return columns (n, q) with their means taken out, for each term (n, J, q)."""
        return self._centred(np.broadcast_to(columns[:, None], (*self.rest.shape, columns.shape[1])))

    def _gains(self, rest: Floats, columns: Floats) -> tuple[Floats, Floats, Floats]:
        """Return of centred columns (n, J, q) by how much each explains what is left (n, J): its coefficient, what it
        takes of the sum of squares, and its own sum of squares, zero where it cannot be told; (J, q) each."""
        weighted = self.weight[:, :, None] * columns
        size = (weighted * columns).sum(axis=0)
        size[size <= UNTOLD * np.maximum(size.max(axis=1, keepdims=True), 1e-300)] = 0.0
        product = (weighted * rest[:, :, None]).sum(axis=0)
        coefficient = np.divide(product, size, out=np.zeros_like(size), where=size > 0.0)
        return coefficient, coefficient * product, size

    def _without(self, columns: Floats, one: Floats) -> Floats:
        """Take from columns (n, J, q) what they share with one (n, J)."""
        weighted = self.weight * one
        size = (weighted * one).sum(axis=0)
        shared = (weighted[:, :, None] * columns).sum(axis=0) / np.where(size > 0.0, size, 1.0)[:, None]
        less: Floats = columns - one[:, :, None] * shared
        return less

    def step(self) -> Step | None:
        """Return the clearest step that no drift explains, if there is one: alone, or beside an even drift."""
        places = (~self.begins).nonzero()[0] - 1
        if not len(places):
            return None
        run = np.cumsum(self.begins)
        after = np.arange(len(run))[:, None] > places
        steps = self._added((after & (run[:, None] == run[places + 1])).astype(float))
        alone = self._clearest(self.rest, steps, self.best, self.spare - 1.0)
        even = self.rates[:, :, 0]
        rest, rates, steps = (self._without(one, even) for one in (self.rest[:, :, None], self.rates, steps))
        best = np.where(self.drifts_seen, self._gains(rest[:, :, 0], rates)[1], 0.0).max(axis=1)
        beside = self._clearest(rest[:, :, 0], steps, best, self.spare - 2.0)
        clearest, place, change, u = max(alone, beside, key=lambda found: found[0])
        return Step(int(places[place]), change, u) if clearest > 0.0 else None

    def _clearest(self, rest: Floats, steps: Floats, best: Floats, spare: Floats) -> tuple[float, int, Floats, Floats]:
        """Return of steps (n, J, q) how clear the clearest is, 0 where none is, its place, change and u.

        ``best`` (J,) is what a drift would explain of what is left, ``spare`` (J,) the degrees of freedom after it.
        """
        change, gain, size = self._gains(rest, steps)
        whole = (self.weight * rest**2).sum(axis=0)
        factor = self._factor(whole[:, None] - np.maximum(gain, best[:, None]), spare[:, None])
        clear, ahead = gain / factor**2, (gain - best[:, None]) / factor**2
        critical = _critical(spare, JUMP_RISK / (4.0 * len(spare) * clear.shape[1]))
        clear[(ahead < MARGIN) | (clear < critical[:, None] ** 2) | (spare < 0.0)[:, None]] = 0.0
        term, place = np.unravel_index(clear.argmax(), clear.shape)
        told = size[:, place] > 0.0
        u = self._factor(whole - gain[:, place], spare) / np.where(told, size[:, place], 1.0) ** 0.5
        changes, u = (np.where(told, one, np.nan) for one in (change[:, place], np.hypot(u, self.track.reading)))
        return float(clear[term, place]), int(place), changes, u

    def trends(self, steps: list[Step]) -> Trends:
        """Return the terms as they are once every jump begins a run."""
        terms = np.arange(len(self.whole))
        gain, size = self.rate_gain[terms, self.since], self.rate_size[terms, self.since]
        factor = self._factor(self.whole - gain, self.spare - 1.0)
        drifts = gain > (factor * _critical(self.spare - 1.0, DRIFT_RISK / (4.0 * len(terms)))) ** 2
        # what makes one term drift moves others as well, if too little to be told of each alone
        leader = int(np.argmax(np.where(drifts, gain / factor**2, 0.0)))
        at = np.where(drifts, self.since, self.since[leader] if drifts[leader] else 0)
        size = np.where(self.spare < LEAST - 1, 0.0, self.rate_size[terms, at])
        slope = self.slopes[:, at]
        seen = size > 0.0
        over = np.where(seen, size, 1.0)
        rate = np.where(seen, self.rate[terms, at], np.nan)
        factor = self._factor(self.whole - self.rate_gain[terms, at], self.spare - seen)
        reading = np.where(drifts, self.track.reading / np.where(drifts, slope[-1], 1.0), 0.0)
        rate_u = np.where(seen, np.hypot(factor / over**0.5, reading), np.nan)
        last = slice(self.first[-1], None)
        weight = self.weight[last].sum(axis=0)
        told = weight > 0.0
        safe = np.where(told, weight, 1.0)
        mean = (self.weight[last] * np.nan_to_num(self.track.values[last])).sum(axis=0) / safe
        ahead = slope[-1] - (self.weight[last] * slope[last]).sum(axis=0) / safe
        return Trends(
            begins=self.begins,
            steps=steps,
            since=np.where(drifts, at, -1),
            rate=rate,
            rate_u=rate_u,
            mean=np.where(told, mean, np.nan),
            mean_u=np.where(told, factor / safe**0.5, np.nan),
            ahead=ahead,
            factor=factor,
            dof=BELIEF + np.maximum(self.spare - seen, 0.0),
            told=self.runs[-1],
        )

    def _factor(self, squares: Floats, dof: Floats) -> Floats:
        """Return the root of the variance factor."""
        return np.sqrt((BELIEF + np.maximum(squares, 0.0)) / (BELIEF + np.maximum(dof, 0.0)))


def _critical(dof: Floats, risk: float) -> Floats:
    """Return what Student's distribution passes with this risk, on one side."""
    from scipy.special import stdtrit

    return np.asarray(stdtrit(BELIEF + np.maximum(dof, 0.0), 1.0 - risk))
