"""When a drift may have begun, and what is known of its rate and level although nobody saw it begin.

A drift begins at a survey or between two. Each of these beginnings has a rate of its own, and is as likely as what it
leaves of the sum of squares: the chance of a beginning, given the values, is that time between it and the next times
(BELIEF + residual sum of squares) to the power of -(BELIEF + degrees of freedom) / 2 (a line with one change of slope,
the variance as in :mod:`.trends`; A. F. M. Smith, Biometrika 62 (1975), for the chance of a change point). Rate and
level are the means over all beginnings, and their variances those within and between beginnings (law of total
variance). With one beginning alone, u of a late drift's rate would be a third of what the rate is off by.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from ..model.contract import Floats
from .added_columns import BELIEF, gains_of, summed, told_of

PARTS = 3
"""Beginnings looked at from each survey on to the next: with more, nothing changes that is told."""

INSTANT = 1e-9
"""Share of the time since the first survey that a beginning stands for at the least."""


class Drifts(NamedTuple):
    """R terms that drift, and the n surveys since which they may. (R, n): the days from each survey to the end, and
    those from the mean slope of the last run to the end; the product of each slope with what is to be explained, its
    sum of squares, that of the step after each survey, and whether the drift may have begun there. (R, 1): the sum of
    squares without a rate, the degrees of freedom with one, and what one reading may be off by all along."""

    lasted: Floats
    ahead: Floats
    product: Floats
    size: Floats
    step_size: Floats
    may: np.ndarray
    left: Floats
    dof: Floats
    reading: Floats


class Course(NamedTuple):
    """What is known of terms, all of one shape: the variance factor, the rate with its variance, what it has come to at
    the end beyond the mean of the last run with the variance, and the covariance of both."""

    factor: Floats
    rate: Floats
    rate_variance: Floats
    come: Floats
    come_variance: Floats
    shared: Floats


def course(of: Drifts) -> Course:
    """Return what is known of terms that drift, (R,), whenever they began.

    The slope since a beginning between two surveys lies at every survey between the slopes since these two, which
    differ by a step of so many days: so evenly does its product, and its sum of squares falls short of that by the
    square of what they differ by. Before anything is read it is as likely that a drift began before the first survey,
    which looks as if it began there, as after it, and then at any time alike.
    """
    part, fine = np.arange(PARTS) / PARTS, (len(of.left), -1)

    def finer(values: Floats) -> Floats:
        further = np.diff(values, append=values[:, -1:])
        return np.reshape(values[..., None] + part * further[..., None], fine)

    between = np.diff(of.lasted, append=0.0) ** 2 * of.step_size
    size = told_of(finer(of.size) - np.reshape(part * (1.0 - part) * between[..., None], fine))
    lasted, ahead = finer(of.lasted), finer(of.ahead)
    rate, gain = gains_of(finer(of.product), size)
    squares = BELIEF + np.maximum(of.left - gain, 0.0)
    dof = BELIEF + np.maximum(of.dof, 0.0)
    # two surveys at one time have no time between them, and yet it may have begun there and nowhere else
    prior = np.maximum(-np.diff(lasted, append=0.0), INSTANT * lasted[:, :1])
    prior[:, 0] += lasted[:, 0]
    least = np.where((size > 0.0) & np.repeat(of.may, PARTS, axis=1), squares, np.inf)
    chance = prior * (least.min(axis=1, keepdims=True) / least) ** (dof / 2.0)
    chance /= summed(chance)[:, None]
    factor = squares / dof
    variance = factor / np.where(size > 0.0, size, 1.0) + (of.reading / np.where(lasted > 0.0, lasted, 1.0)) ** 2
    mean, come = summed(chance * rate), summed(chance * rate * ahead)
    off, past = rate - mean[:, None], rate * ahead - come[:, None]
    return Course(
        summed(chance * factor),
        mean,
        summed(chance * (variance + off**2)),
        come,
        summed(chance * (ahead**2 * variance + past**2)),
        summed(chance * (ahead * variance + past * off)),
    )
