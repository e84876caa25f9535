"""How many passes remain, from what the moves are meant to do and how well each adjuster is known to follow.

Monte Carlo (JCGM 101) with a fixed seed: responses are drawn from what is known of them, the noise of each survey to
come from the covariance of this one, and the passes are played through until the total is inside. That later passes
learn more is left out, so the forecast is never too short on that account.
"""

from __future__ import annotations

from typing import Literal

import numpy as np

from ..model.contract import Floats
from ..model.units import DECIMALS
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


def forecast(
    learnt: Responses,
    seen: ReducedPass,
    travels: Floats,
    asks: Floats,
    aim: float,
    offset: Literal["free", "keep"] = "free",
    unit: str = "mm",
) -> Forecast:
    """Play the passes through for one survey ``seen``, the travels wanted (m,) and what is asked for them (m,).

    ``aim`` is the total to get inside, as the true total over the stations.
    """
    moving = np.flatnonzero(travels)
    columns = seen.influence[:, moving]
    left = seen.gaps + columns @ travels[moving]
    draws = max(50, min(DRAWS, NUMBERS // len(left)))
    random = np.random.default_rng(0)
    if len(moving) == 0:
        return Forecast(0, 0, max(aim, float(np.ptp(left))), sentences.NO_PASS_REMAINS)

    root = factor(learnt.will.covariance[np.ix_(moving, moving)])
    response = learnt.will.response[moving] + random.standard_normal((draws, len(moving))) @ root.T
    noise = factor(travel_covariance(columns, seen, offset))

    def misread() -> Floats:
        """Draw the error of the travels that a survey calls for, (draws, p)."""
        return np.asarray(random.standard_normal((draws, noise.shape[1])) @ noise.T)

    def total(off: Floats) -> Floats:
        """Return the total with adjusters off their right place by (draws, p)."""
        return np.asarray(np.ptp(left + off @ columns.T, axis=1))

    inside = max(aim, float(np.quantile(total(misread()), SURE)))
    gain = response / learnt.divisor[moving]
    off = misread() + response * asks[moving] - travels[moving]
    passes = np.ones(draws, dtype=int)
    open_ = total(off) > inside
    for _ in range(MOST_PASSES):
        passes += open_
        off = np.where(open_[:, None], off - gain * (off + misread()), off)
        open_ &= total(off) > inside
    usual, most = (int(np.quantile(passes, share, method="higher")) for share in (0.5, SURE))
    return Forecast(usual, min(most, MOST_PASSES + 1), inside, told(usual, most, aim, inside, unit))


def factor(covariance: Floats) -> Floats:
    """Return a square root of a covariance matrix that may be singular."""
    values, vectors = np.linalg.eigh(covariance)
    return np.asarray(vectors * np.sqrt(np.maximum(values, 0.0)))


def travel_covariance(columns: Floats, seen: ReducedPass, offset: Literal["free", "keep"]) -> Floats:
    """Return the covariance (p, p) of the travels that one survey calls for, by weighted least squares."""
    root = 1.0 / np.sqrt(seen.variance)
    one = root / np.linalg.norm(root) if offset == "free" else np.zeros(len(root))
    design = columns * root[:, None]
    gain = np.linalg.pinv(design - np.outer(one, one @ design), rcond=1e-9)
    gain = (gain - np.outer(gain @ one, one)) * root
    common = gain @ seen.factors
    return np.asarray((gain * seen.variance) @ gain.T + common @ common.T)


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
