"""How many passes remain, from what the moves are meant to do and how well each adjuster is known to follow.

Monte Carlo (JCGM 101) with a fixed seed: the true gaps and the noise of each survey to come are drawn from the
covariance of this one, responses from what is known of them, settings from what each may be beside its mark, and the
passes are played through as the correction would decide them: until the total is small enough to be left alone, or no
move is sure to gain. The gaps are drawn about what was read, so form that is only noise makes the total larger, never
smaller. That later passes learn more, or move other adjusters as well, is left out: the forecast is never too short on
that account.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import sqrt
from typing import Literal

import numpy as np
from msgspec import Struct

from ..model.contract import Adjuster, Floats
from ..model.units import DECIMALS, K
from ..results.learning import Forecast
from . import sentences
from .response_lsq import ReducedPass
from .responses import Responses

DRAWS, NUMBERS = 1000, 4_000_000
"""Plays, and the most numbers held at once: fewer plays where there are very many stations."""

MOST_PASSES = 10
"""Passes beyond this are not counted: no person would make them."""

SURE = 0.95
"""Share of the plays that end within ``at_most`` passes."""

REACHED = 0.975
"""Share of the plays that end inside the total that is promised: half of what is not :data:`SURE` may miss it."""


class Goal(Struct, frozen=True):
    """When moving ends: a bed of a total surely inside ``enough`` is left alone; ``aim`` is what the moves aim at.

    ``beside`` (m,) is how far each adjuster may be left beside its mark, ±; ``in_steps`` (m,) the whole steps in which
    it moves, 0 where it moves freely.
    """

    aim: float
    enough: float
    beside: Floats
    in_steps: Floats


def forecast(
    learnt: Responses,
    seen: ReducedPass,
    travels: Floats,
    asks: Floats,
    goal: Goal,
    offset: Literal["free", "keep"] = "free",
    unit: str = "mm",
) -> Forecast:
    """Play the passes through for one survey ``seen``, the travels wanted (m,) and what is asked for them (m,)."""
    moving = np.flatnonzero(travels)
    columns, beside = seen.influence[:, moving], goal.beside[moving]
    read = 2.0 * float((seen.variance + np.sum(seen.factors**2, axis=1)).max())
    setting = 2.0 / 3.0 * float((columns**2 @ beside**2).max())
    if len(moving) == 0:
        inside = max(goal.aim, float(np.ptp(seen.gaps)) + K * sqrt(read))
        return Forecast(0, 0, inside, sentences.no_pass_remains(inside, goal.aim, unit, DECIMALS[unit]))

    draws = max(50, min(DRAWS, NUMBERS // len(seen.gaps)))
    random = np.random.default_rng(0)
    noise = random.standard_normal((draws, len(seen.gaps))) * np.sqrt(seen.variance)
    noise += random.standard_normal((draws, seen.factors.shape[1])) @ seen.factors.T
    root = factor(learnt.will.covariance[np.ix_(moving, moving)])
    response = learnt.will.response[moving] + random.standard_normal((draws, len(moving))) @ root.T

    def made(asked: Floats) -> Floats:
        """Draw what comes of travels (draws, p) that are asked for."""
        set_to = asked + random.uniform(-1.0, 1.0, asked.shape) * beside
        return np.asarray(np.where(asked != 0.0, response * set_to, 0.0))

    whole, gain, u = goal.in_steps[moving], travel_gain(columns, seen, offset), sqrt(read + setting)
    gaps = seen.gaps + noise + made(np.broadcast_to(asks[moving], response.shape)) @ columns.T
    totals, moved = [np.ptp(gaps, axis=1)], np.ones(draws, dtype=bool)
    for turn in range(1, MOST_PASSES):
        survey = gaps + np.roll(noise, turn, axis=0)
        asked = -survey @ gain.T
        found, left = np.ptp(survey, axis=1), np.ptp(survey + asked @ columns.T, axis=1)
        moved &= (found + K * sqrt(read) > goal.enough) & (left + K * u < found)
        if not moved.any():
            break
        asked /= learnt.divisor[moving]
        asked = np.where(whole > 0.0, np.round(asked / np.where(whole > 0.0, whole, 1.0)) * whole, asked)
        gaps = gaps + made(np.where(moved[:, None], asked, 0.0)) @ columns.T
        totals.append(np.ptp(gaps, axis=1))
    inside = max(goal.aim, float(np.quantile(totals[-1], REACHED)))
    there = np.array(totals) <= inside
    passes = np.where(there.any(axis=0), there.argmax(axis=0) + 1, MOST_PASSES + 1)
    usual, most = (int(np.quantile(passes, share, method="higher")) for share in (0.5, SURE))
    return Forecast(usual, most, inside, told(usual, most, goal.aim, inside, unit))


def whole_steps(adjusters: Sequence[Adjuster]) -> Floats:
    """Return the steps in which adjusters move (m,): the thinnest sheet for a stack of shims, 0 for a free travel."""
    sheets = (min((sheet.thickness for sheet in one.stock or ()), default=0.0) for one in adjusters)
    return np.array([one.step or sheet for one, sheet in zip(adjusters, sheets, strict=True)])


def factor(covariance: Floats) -> Floats:
    """Return a square root of a covariance matrix that may be singular."""
    values, vectors = np.linalg.eigh(covariance)
    return np.asarray(vectors * np.sqrt(np.maximum(values, 0.0)))


def travel_gain(columns: Floats, seen: ReducedPass, offset: Literal["free", "keep"]) -> Floats:
    """Return what takes gaps (n,) to the travels (p,) that would have made them, by weighted least squares, (p, n)."""
    root = 1.0 / np.sqrt(seen.variance)
    one = root / np.linalg.norm(root) if offset == "free" else np.zeros(len(root))
    design = columns * root[:, None]
    gain = np.linalg.pinv(design - np.outer(one, one @ design), rcond=1e-9)
    return np.asarray((gain - np.outer(gain @ one, one)) * root)


def told(usual: int, most: int, aim: float, inside: float, unit: str) -> str:
    """Return the forecast as a sentence."""
    digits = DECIMALS[unit]
    many = f"more than {MOST_PASSES}" if most > MOST_PASSES else str(most)
    goal = f"{inside:.{digits}f} {unit}"
    if usual > MOST_PASSES:
        return sentences.too_many_passes(MOST_PASSES, goal)
    passes = "This pass" if usual == 1 else sentences.passes_left(usual)
    known = "" if most == usual else sentences.passes_at_most(many)
    reached = sentences.passes_to_the_aim(passes, goal, known)
    if inside > aim:
        reached += sentences.aim_out_of_reach(aim, unit, digits)
    return reached
