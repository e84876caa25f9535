"""The ISO 14253-1 verdict on a total, with what would decide an undecided one."""

from __future__ import annotations

from math import ceil, erfc, sqrt
from typing import Literal

from ..model.contract import Floats
from ..model.machine import Machine
from ..model.units import DECIMALS, K
from ..results.correction import Verdict
from . import sentences
from .range import K_AS_READ, margin_as_read

RULE = "ISO 14253-1"

MOST_REPEATS = 20
"""Most repeats at each station that are proposed; beyond them a better indicator is. Our own choice."""

FINER = (0.5, 0.2, 0.1)
"""Finer divisions that are proposed, each a part of the present one: dials come in steps of 1, 2 and 5 (common
practice, no source)."""

Standing = Literal["within", "outside", "undecided"]


def standing(
    total: float, u: float, limit: float, margin: float | None = None, inside: float | None = None
) -> Standing:
    """Decide by ISO 14253-1: proven inside the limit less the uncertainty, proven outside beyond the limit plus it.

    ``margin`` is how far beyond the limit proves a total outside, ``inside`` how far within it one within; K u unless
    given (see :mod:`.range`).
    """
    if total + (K * u if inside is None else inside) <= limit:
        return "within"
    if total - (K * u if margin is None else margin) > limit:
        return "outside"
    return "undecided"


def conformance_probability(total: float, u: float, limit: float) -> float:
    """Return the probability that the true total is inside the limit, for a normal distribution (JCGM 106:2012,
    7.3)."""
    if u == 0.0:
        return 1.0 if total <= limit else 0.0
    return 0.5 * erfc((total - limit) / (u * sqrt(2.0)))


Known = tuple[float, float, float, float, float]
"""A total, its u, how far beyond the limit proves it outside, how far inside it within, and what setting adds to u."""


def verdict(machine: Machine, found: Known, predicted: Known, variance: Floats) -> Verdict:
    """Return the verdict on two totals; ``variance`` (n,) is that of the gaps."""
    limit = machine.total_limit
    total, u, margin, inside, _ = found
    as_found = standing(total, u, limit, margin, inside)
    total, u, margin, inside, _ = predicted
    afterwards = standing(total, u, limit, margin, inside)
    open_question = predicted if afterwards == "undecided" else found if as_found == "undecided" else None
    decided_by = what_decides(machine, *open_question, variance) if open_question else ""
    return Verdict(limit, as_found, afterwards, conformance_probability(total, u, limit), RULE, K, decided_by)


def undecided(limit: float, decided_by: str) -> Verdict:
    """Return the verdict where the readings do not bear one; ``decided_by`` says what would."""
    return Verdict(limit, "undecided", "undecided", None, RULE, K, decided_by)


def what_decides(
    machine: Machine, total: float, u: float, margin: float, inside: float, setting: float, variance: Floats
) -> str:
    """Say what would bring an undecided total to a verdict, should it stay as it is: repeats, or a finer indicator.

    Repeats divide only the part of the variance that is not the indicator's own; where that is not enough, nothing but
    an indicator better by the factor of the uncertainties will do. No reading takes off what ``setting`` adds.
    """
    beyond = total - machine.total_limit
    if beyond > 0.0:
        enough = beyond * u / margin
    elif inside > K_AS_READ * u:  # what rounding takes of it stays, however often it is read
        enough = (-beyond - (inside - K_AS_READ * u)) / K_AS_READ
        if enough <= 0.0:
            return finer_dial(machine, -beyond, u, inside, variance)
    else:
        enough = -beyond / K
    if enough <= 0.0:
        return sentences.ON_THE_LIMIT
    if enough <= setting:
        return sentences.SETTING_IS_TOO_COARSE
    enough, u = sqrt(enough**2 - setting**2), sqrt(u**2 - setting**2)
    whole = float(variance.mean())
    own = min(machine.indicator_variance, whole)
    to_share = (enough / u) ** 2 * whole - own
    if to_share > 0.0:
        times = ceil((whole - own) / to_share * (1.0 - 1e-9))
        if times <= MOST_REPEATS:
            return sentences.repeats_would_decide(times)
    digits = DECIMALS[machine.units]
    return sentences.better_indicator_would_decide(machine.error_limit * enough / u, machine.units, digits)


def finer_dial(machine: Machine, room: float, u: float, inside: float, variance: Floats) -> str:
    """Say how finely a total must be read that lies ``room`` within the limit, less than its rounding hides."""
    units, digits = machine.units, DECIMALS[machine.units]
    rounding = u**2 * machine.division**2 / 12.0 / float(variance.mean())
    for part in FINER:
        read = sqrt(max(u**2 - rounding * (1.0 - part**2), 0.0))
        if margin_as_read(read, part * machine.division) <= room:
            return sentences.finer_division_would_decide(part * machine.division, units)
    if room > 0.0:
        return sentences.better_indicator_would_decide(machine.error_limit * room / inside, units, digits)
    return sentences.ROUNDED_ONTO_THE_LIMIT
