"""How far each adjuster moves for what it is asked, learnt from the passes before, and used in the next.

Two questions, two estimates from the same readings (:mod:`.response_lsq`). What did it do? That decides whether an
adjuster is named, and counts how closely a setting can be made. What will it do next? That is what the next travel is
divided by and the forecast rests on; it also counts the play that may have been lost when an adjuster turned back or
was moved for the first time, because play is not proportional to travel: without this, learning costs more passes than
it saves.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from math import sqrt
from typing import Literal

import numpy as np
from msgspec import Struct

from ..model.contract import Adjuster, Floats
from ..results.learning import AdjusterResponse
from . import sentences
from .response_lsq import PRIOR, ReducedPass, accumulate, slips
from .sentences import sentence, undetermined_sentence

SIGNIFICANT = 2.0
"""A response is used in the next moves where it differs from 1 by more than this many standard uncertainties."""

NAMED, NOTICED = 3.0, 0.1
"""An adjuster is named where its response differs from 1 by more than NAMED standard uncertainties and by NOTICED."""

SCALE_RISK, ALIKE = 0.001, 0.05
"""Risk that a sound dial's scale is called off, and that adjusters which answer alike are said not to."""

MOST_OFF, KNOWN = 0.1, 0.03
"""A common share farther from 1 is no scale of a dial, and one known worse than this tells nothing. Our own choices."""

SEEN = 1e-6
"""Share of the best known direction's information below which the readings tell nothing of another."""

LEAST, MOST = 0.5, 1.6
"""Bounds of the response by which a travel is divided: never more than twice what is wanted. Our own choice."""

MISFITS = sentences.MISFIT


class Slack(Struct, frozen=True):
    """By how much a travel may differ from its lasting share of what was asked: standard uncertainties, as lengths.

    Our own choices, no source. ``mark``: how far beside its mark an adjuster is left; a degree of turn on a lead of
    4 mm is 0.011 mm. ``play``: what may be lost where one turns back or was not moved before; up to 0.1 mm, taken as
    rectangular (JCGM 100, 4.3.7).
    """

    mark: float = 0.01
    play: float = 0.1 / sqrt(3.0)

    @classmethod
    def usual(cls, from_mm: Callable[[float], float]) -> Slack:
        """Return the usual values in the unit of length."""
        usual = cls()
        return cls(from_mm(usual.mark), from_mm(usual.play))

    def marks(self, asked: Floats) -> Floats:
        """Return u of every travel that was asked (passes, m), play left out; zero where none was."""
        return np.where(asked != 0.0, self.mark, 0.0)

    def with_play(self, asked: Floats) -> Floats:
        """Return u of every travel that was asked (passes, m), play counted wherever the direction is not the last."""
        result, last = self.marks(asked), np.zeros(asked.shape[1])
        for row, one in enumerate(asked):
            turned = (one != 0.0) & (one * last <= 0.0)
            result[row, turned] = np.hypot(self.mark, self.play)
            last = np.where(one != 0.0, one, last)
        return result


class Estimate(Struct, frozen=True):
    """Responses (m,) of all adjusters with their covariance (m, m), prior included.

    ``determined`` (m,) says where the readings alone decide; ``doubted`` that they contradict each other.
    """

    response: Floats
    covariance: Floats
    determined: np.ndarray
    doubted: bool

    @property
    def u(self) -> Floats:
        """Standard uncertainties of the responses, shape (m,)."""
        return np.asarray(np.sqrt(np.diag(self.covariance)))


class Responses(Struct, frozen=True):
    """What is known of the adjusters once the passes are looked at.

    ``did`` is what they did, ``will`` what may be relied on next time; ``divisor`` (m,) is what the next travels are
    divided by. ``followed`` has one entry for each adjuster that was moved, ``doubts`` are sentences, ``stop`` names
    the adjusters to be looked at before anything is moved; ``notes`` say what all of them together show.
    """

    adjusters: tuple[Adjuster, ...]
    did: Estimate
    will: Estimate
    divisor: Floats
    followed: tuple[AdjusterResponse, ...]
    stop: tuple[str, ...]
    doubts: tuple[str, ...]
    notes: tuple[str, ...] = ()

    @property
    def named(self) -> tuple[AdjusterResponse, ...]:
        """The adjusters that do not follow."""
        return tuple(one for one in self.followed if not one.follows)


def learn(
    adjusters: tuple[Adjuster, ...],
    seen: Sequence[ReducedPass],
    asked: Floats,
    slack: Slack,
    offset: Literal["free", "keep"] = "free",
    unit: str = "mm",
) -> Responses:
    """Learn from K surveys in order of time and the travels ``asked`` (K - 1, m) between them.

    ``offset`` is as in the request: free, each survey has its own zero; kept, a common change of height counts.
    Stations are the same where their coordinates are. ``unit`` is for the sentences.

    Raises:
        ValueError: the numbers of surveys, passes and adjusters do not match.
    """
    if len(seen) != len(asked) + 1 or asked.shape[1:] != (len(adjusters),):
        raise ValueError("give one row of travels for each pass, and a survey before and after it")
    did = estimate(seen, asked, slack.marks(asked), offset)
    will = estimate(seen, asked, slack.with_play(asked), offset)
    off = np.abs(did.response - 1.0)
    sure = did.determined & (off > NAMED * did.u) & (off > NOTICED)
    stop = sure & slips(did.response)
    scaled = np.array([adjuster.stock is None and adjuster.step is None for adjuster in adjusters], dtype=bool)
    used = scaled & ~stop & (np.abs(will.response - 1.0) > SIGNIFICANT * will.u)
    divisor = np.where(used, np.clip(will.response, LEAST, MOST), 1.0)
    followed = tuple(
        followed_by(adjuster, asked[asked[:, j] != 0.0, j], did, j, bool(sure[j]), float(divisor[j]), unit)
        for j, adjuster in enumerate(adjusters)
        if np.any(asked[:, j] != 0.0)
    )
    unseen = tuple(one.adjuster for one in followed if not one.determined)
    return Responses(
        adjusters=adjusters,
        did=did,
        will=will,
        divisor=divisor,
        followed=followed,
        stop=tuple(adjusters[j].id for j in np.flatnonzero(stop)),
        doubts=(*([MISFITS] if did.doubted else []), *([undetermined_sentence(unseen)] if unseen else [])),
        notes=scale_notes(did, np.flatnonzero(np.any(asked != 0.0, axis=0))),
    )


def scale_notes(did: Estimate, moved: np.ndarray) -> tuple[str, ...]:
    """Say where all adjusters moved fell short or went too far by one and the same share: the dial may be what is off.

    The common share is the weighted mean of what the readings alone tell (the prior taken out again), tested at
    ``SCALE_RISK``; the single responses must not differ from it beyond chance.
    """
    from scipy.special import chdtri, ndtri

    if len(moved) < 2 or did.doubted:
        return ()
    whole = np.linalg.inv(did.covariance[np.ix_(moved, moved)])
    known, pull = whole - np.eye(len(moved)) / PRIOR**2, whole @ (did.response[moved] - 1.0)
    values, vectors = np.linalg.eigh(known)
    seen = values > SEEN * values.max()
    weight, freedom = float(known.sum()), int(seen.sum()) - 1
    if freedom < 1 or weight <= SEEN * float(values.max()):
        return ()
    off = float(pull.sum()) / weight
    apart = float(np.sum((vectors[:, seen].T @ pull) ** 2 / values[seen])) - off**2 * weight
    beyond = -ndtri(SCALE_RISK / 2.0) / sqrt(weight)
    if not beyond < abs(off) < MOST_OFF or beyond > KNOWN or apart > chdtri(freedom, ALIKE):
        return ()
    return (sentences.scale_off(1.0 + off, 1.0 / sqrt(weight)),)


def travels_to_ask(travels: Floats, learnt: Responses) -> Floats:
    """Return what to ask (m,) so that the adjusters really make these travels (m,), within their bounds.

    Travels of adjusters that are not known to answer otherwise, that move in whole steps or shims, or that must be
    looked at first (``learnt.stop``) are returned as they are.
    """
    wanted = travels / learnt.divisor
    lower = np.array([min(adjuster.lower, 0.0) for adjuster in learnt.adjusters])
    upper = np.array([max(adjuster.upper, 0.0) for adjuster in learnt.adjusters])
    return np.where(learnt.divisor == 1.0, travels, np.clip(wanted, lower, upper))


def estimate(seen: Sequence[ReducedPass], asked: Floats, setting: Floats, offset: Literal["free", "keep"]) -> Estimate:
    """Estimate the responses of all adjusters; those that were not moved keep the prior."""
    count = asked.shape[1]
    moved = np.flatnonzero(np.any(asked != 0.0, axis=0))
    evidence = accumulate(seen, asked, moved, setting, offset)
    spread, change, misfit = evidence.weighed()
    response, covariance, determined = np.ones(count), np.eye(count) * PRIOR**2, np.zeros(count, dtype=bool)
    response[moved] += change
    covariance[np.ix_(moved, moved)] = spread
    determined[moved] = ~evidence.blind
    return Estimate(response, covariance, determined, evidence.misfits(misfit))


def followed_by(
    adjuster: Adjuster, asked: Floats, did: Estimate, column: int, sure: bool, divisor: float, unit: str
) -> AdjusterResponse:
    """Write down what one adjuster did; ``asked`` are its travels, the last one last."""
    last, response, u = float(asked[-1]), float(did.response[column]), float(did.u[column])
    determined = bool(did.determined[column])
    says = sentence(adjuster, last, response, u, determined, sure, unit)
    return AdjusterResponse(adjuster.id, last, last * response, response, u, determined, not sure, divisor, says)
