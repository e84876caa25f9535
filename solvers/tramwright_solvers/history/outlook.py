"""What the surveys of one machine have come to: which terms drift, when the limit will be passed, when to look next."""

from __future__ import annotations

from typing import Literal, NamedTuple

import numpy as np

from ..diagnostics.form_terms import OVER_BED, term_columns
from ..model.contract import Floats
from ..model.machine import Bed
from .added_columns import BELIEF
from .crossing import Ahead, interval, safe_until
from .trends import Step, Track, Trends, trends

NAMES = ("total", "tilt-x", "tilt-y", "twist", "bow-x", "bow-y", "remainder")
"""The terms of a track, in order."""
TOTAL, SHAPES, REMAINDER = 0, slice(1, 6), 6
STEADY = 2
"""Degrees of freedom from which it is said that a term is steady: four surveys of one run."""
WITHIN = 365.0
"""Days after which a limit that will be passed is no warning yet, and days to the next check at the most."""
SPAN = 7.0
"""Days that surveys must span to tell when to look next; a week is common practice, no source."""
CONFIDENCE = 0.975
"""On either side of what is expected: 95 % between both."""
CERTAIN = 3.0
"""Another term than the most certain is named in a jump beyond so many standard uncertainties."""

State = Literal["steady", "drifting", "jumped", "cannot-be-told"]
Why = Literal["drift", "no-drift", "close", "changed", "moved-since", "outside", "too-few"]


class Last(NamedTuple):
    """The last survey: the bed, its stations (n, 2) and their gap (n,)."""

    bed: Bed
    points: Floats
    gap: Floats


class Warned(NamedTuple):
    """The limit will be passed: by which term (its place in :data:`NAMES`), and when, in days from the last survey;
    ``latest`` is infinite where it may stay below."""

    term: int
    at: float
    earliest: float
    latest: float


class Coming(NamedTuple):
    """What is to be done: the warning, and the days from the last survey to the next check, None where that cannot be
    told, with the reason."""

    warned: Warned | None
    check: float | None
    why: Why


class Outlook(NamedTuple):
    """What was found: the state of each term, how fast the total moves now with its u (NaN where that cannot be told),
    and what is to be done."""

    trends: Trends
    states: list[State]
    total_rate: tuple[float, float]
    warned: Warned | None
    check: float | None
    why: Why


def outlook(track: Track, last: Last | None, limit: float, *, outside: bool, moved: bool) -> Outlook:
    """Return what the surveys of a machine have come to.

    The columns of ``track`` are :data:`NAMES`. ``last`` is None where its gap was not kept: then only the totals
    themselves tell when the limit will be passed. ``outside`` says that the last survey proved the machine outside,
    ``moved`` that something was moved since.
    """
    found = trends(track)
    states = [_state(found, term) for term in range(len(NAMES))]
    ahead = onward(found, track, last)
    now, _ = ahead.line(0.0)
    rate = (now.rate, now.rate_variance**0.5) if np.isfinite(found.rate).any() else (np.nan, np.nan)
    done = settled(outside=outside, moved=moved) or coming(found, ahead, track.days, limit)
    return Outlook(found, states, rate, *done)


def settled(*, outside: bool, moved: bool) -> Coming | None:
    """Return what is to be done whatever the trends are, if it is so."""
    return Coming(None, 0.0, "moved-since" if moved else "outside") if moved or outside else None


def onward(found: Trends, track: Track, last: Last | None) -> Ahead:
    """Return how the total goes on: by the shapes of the last survey, or by itself where they do not tell."""
    drifting = found.since >= 0
    if last is None or (drifting[TOTAL] and not drifting[SHAPES].any()):
        return _own(found)
    return _ahead(found, track, last)


def coming(found: Trends, ahead: Ahead, days: Floats, limit: float) -> Coming:
    """Return what is to be done with a machine that is not outside and was not moved since; ``days`` (n,) are those of
    its surveys."""
    drifting = found.since >= 0
    by_shape = bool(drifting[SHAPES].any())  # else by what else changes the total
    k = _student(found.dof[drifting].min(initial=found.dof.max()))
    day = ahead.passes(limit) if by_shape or drifting[TOTAL] else None
    if day is not None and day <= WITHIN:
        line, adds = ahead.line(day)
        if line.rate > 0.0:
            shapes = len(adds) > 1
            term = 1 + int(np.argmax(np.where(drifting[SHAPES], adds, -np.inf))) if by_shape and shapes else TOTAL
            warned = Warned(term, day, *interval(line, limit, k))
            return Coming(warned, min(warned.earliest, WITHIN), "drift")
    if found.steps and max(step.before for step in found.steps) + 2 == len(days):
        return Coming(None, 0.0, "changed")
    span = float(days[-1] - days[0])
    if span < SPAN or not np.isfinite(found.rate).any():
        return Coming(None, None, "too-few")
    safe = min(safe_until(ahead, limit, k, WITHIN), span)
    return Coming(None, safe, "drift" if drifting.any() else "no-drift" if safe > 0.0 else "close")


def named(step: Step) -> list[int]:
    """Return which terms changed in a jump, the most certain first, which is always named."""
    certain = _told(np.abs(step.change) / step.u)
    first, *others = np.argsort(-certain).tolist()
    return [first, *(term for term in others if certain[term] > CERTAIN)]


def _state(found: Trends, term: int) -> State:
    """Return the state of one term."""
    if found.since[term] >= 0:
        return "drifting"
    run = int(found.begins.nonzero()[0][-1])
    if found.dof[term] - BELIEF >= STEADY and not (len(found.begins) - run <= STEADY and _jumped(found, term, run)):
        return "steady"
    return "jumped" if _jumped(found, term, run) else "cannot-be-told"


def _jumped(found: Trends, term: int, run: int) -> bool:
    return any(step.before + 1 == run and term in named(step) for step in found.steps)


def _ahead(found: Trends, track: Track, last: Last) -> Ahead:
    """Return how the gap at the stations of the last survey goes on."""
    shapes = term_columns(last.bed, last.points)[:, 1:] / OVER_BED[1:]
    left = _told(track.u[-1, REMAINDER])
    return Ahead(
        gap=last.gap + shapes @ _told(found.now - track.values[-1])[SHAPES],
        shapes=shapes,
        level_variance=_told(found.now_variance)[SHAPES],
        rate=_told(found.rate)[SHAPES],
        rate_variance=_told(found.rate_u)[SHAPES] ** 2,
        shared=_told(found.shared)[SHAPES],
        left_variance=float(left) ** 2,
    )


def _told(values: Floats) -> Floats:
    """Return values with zero for those not told."""
    return np.where(np.isnan(values), 0.0, values)


def _own(found: Trends) -> Ahead:
    """Return how the total goes on by itself: as the gap of two stations, one of which stays where it is."""
    one = slice(TOTAL, TOTAL + 1)
    return Ahead(
        gap=np.array([float(found.now[TOTAL]), 0.0]),
        shapes=np.array([[1.0], [0.0]]),
        level_variance=found.now_variance[one],
        rate=_told(found.rate[one]),
        rate_variance=_told(found.rate_u[one]) ** 2,
        shared=found.shared[one],
        left_variance=0.0,
    )


def _student(dof: float) -> float:
    """Return how many standard uncertainties a side of the interval is long."""
    from scipy.special import stdtrit

    return float(stdtrit(dof, CONFIDENCE))
