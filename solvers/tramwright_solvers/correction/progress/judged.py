"""What a good mechanic makes of a step once the dial is read: it did as told, play was taken up, stop, read again."""

from __future__ import annotations

from typing import Literal

from msgspec import Struct

from ...learning.response_lsq import SLIPS
from ...learning.responses import LEAST, MOST, NAMED, Slack
from ..geometry import Geometry
from . import sentences
from .state import Seen, Told

WILD = 4.0
"""A change of the dial of more than so many times what was asked is a misreading: no adjuster does that. Our own
choice."""

HARDLY = 0.6
"""An adjuster is stuck where its response is below :data:`SLIPS`, and beyond doubt below this."""

PLAY = 3.0**0.5
"""The most that may be lost as play, in its standard uncertainty: it is taken as rectangular."""

Finding = Literal[
    "unread", "still", "followed", "lifted", "as told", "small", "play", "off", "stuck", "wrong way", "misread"
]


class Judged(Struct, frozen=True):
    """What was found of one step; ``response`` is the change of the dial over the change told, ``u`` known so well.

    ``trusted`` says whether the reading tells where the bed is.
    """

    found: Finding
    response: float = 1.0
    u: float = 0.0

    @property
    def trusted(self) -> bool:
        """Whether the reading is believed."""
        return self.found not in ("unread", "misread", "followed", "lifted")


def judge_step(
    prepared: Geometry, step: Told, seen: Seen, gap: float | None, change: float | None, back: bool
) -> Judged:
    """Judge one step by the gap that the dial showed afterwards, or by the ``change`` of gap over it; ``back`` says
    that it turned the adjuster back."""
    if gap is None and change is None:
        return Judged("unread")
    u, went = seen.u_before, (gap or 0.0) - seen.before if change is None else change
    if not step.counts:
        if abs(went) <= NAMED * u + prepared.machine.division:
            return Judged("still")
        return Judged("lifted" if step.travel is None and went > 0.0 else "followed", went)
    asked = seen.wanted - seen.before
    if abs(asked) <= 2.0 * u:
        return Judged("misread" if abs(went) > WILD * abs(asked) + 2.0 * NAMED * u else "small")
    response, u_response = went / asked, u / abs(asked)
    if abs(response) > WILD + NAMED * u_response:
        return Judged("misread", response, u_response)
    if response < -SLIPS and response + NAMED * u_response < 0.0:
        return Judged("wrong way", response, u_response)
    lost = (1.0 - response) * abs(step.travel or 0.0)
    play = max(PLAY * Slack.usual(prepared.machine.from_mm).play, prepared.adjusters[step.column].play)
    if back and response < LEAST and lost <= play:
        return Judged("play", response, u_response)
    if response < SLIPS and response + NAMED * u_response < HARDLY:
        return Judged("stuck", response, u_response)
    plain = abs(response - 1.0) <= 2.0 * u_response
    return Judged("as told" if plain else "off", response, u_response)


def is_beyond(one: Judged) -> bool:
    """Say whether an adjuster did, beyond doubt, less or more than is usual of any."""
    return one.found in ("off", "stuck", "wrong way") and (
        one.response + NAMED * one.u < LEAST or one.response - NAMED * one.u > MOST
    )


def says(prepared: Geometry, step: Told, one: Judged, moved: float | None, read: float | None, expected: float) -> str:
    """Return what is said of one step."""
    adjuster, unit = prepared.adjusters[step.column], prepared.machine.units
    at, asked = prepared.parking.at(step.station), step.travel or 0.0
    went = one.response * asked
    if one.found == "misread" and read is not None:
        return sentences.misread(adjuster, read, expected, at, unit)
    if one.found == "followed":
        return sentences.bed_followed(adjuster, one.response, at, unit)
    if one.found == "lifted":
        return sentences.lifted(adjuster, expected, at, unit)
    if one.found == "stuck":
        return sentences.hardly_moved(adjuster, went, asked, at, unit)
    if one.found == "wrong way":
        return sentences.wrong_way(adjuster, went, asked, at, unit)
    if one.found == "play":
        return sentences.play_taken_up(adjuster, abs(asked - went), unit)
    if one.found == "off" and moved is not None:
        return sentences.moved_by(adjuster, moved, asked, unit)
    plain = {
        "unread": sentences.not_read,
        "still": sentences.left_the_bed,
        "small": sentences.small_to_tell,
    }
    return plain.get(one.found, sentences.moved_as_asked)(adjuster)
