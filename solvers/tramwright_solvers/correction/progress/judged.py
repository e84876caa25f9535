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

PLAY = 3.0**0.5
"""The most that may be lost as play, in its standard uncertainty: it is taken as rectangular."""

Finding = Literal[
    "unread", "still", "followed", "lifted", "as told", "small", "play", "off", "stuck", "wrong way", "misread"
]


class Judged(Struct, frozen=True):
    """What was found of one step; ``response`` is the change of the dial over the change asked for, with its ``u``."""

    found: Finding
    response: float = 1.0
    u: float = 0.0

    @property
    def trusted(self) -> bool:
        """Whether the reading tells where the bed is."""
        return self.found not in ("unread", "misread", "followed", "lifted")

    @property
    def lasting(self) -> bool:
        """Whether the adjuster may do so again."""
        return self.found in ("as told", "off", "small", "unread") and not self.beyond

    @property
    def beyond(self) -> bool:
        """Whether the adjuster went, beyond doubt, further than is usual of any."""
        return self.found == "off" and self.response - NAMED * self.u > MOST


def judge_step(
    prepared: Geometry, step: Told, seen: Seen, gap: float | None, change: float | None, *, turned: bool
) -> Judged:
    """Judge one step by the gap that the dial showed afterwards, or by the ``change`` of gap over it.

    ``turned`` says that the adjuster did not go the same way before, so that its play may have been taken up.
    """
    if gap is None and change is None:
        return Judged("unread")
    u, went = seen.u_before, (gap or 0.0) - seen.before if change is None else change
    if not step.counts:
        if abs(went) <= NAMED * u + prepared.machine.division:
            return Judged("still")
        return Judged("lifted" if step.travel is None and went > 0.0 else "followed", went)
    if abs(seen.by) <= 2.0 * u:
        return Judged("misread" if abs(went) > WILD * abs(seen.by) + 2.0 * NAMED * u else "small")
    response, u_response = went / seen.by, u / abs(seen.by)
    if abs(response) > WILD + NAMED * u_response:
        return Judged("misread", response, u_response)
    if response < -SLIPS and response + NAMED * u_response < 0.0:
        return Judged("wrong way", response, u_response)
    if response + NAMED * u_response < LEAST:
        play = max(PLAY * Slack.usual(prepared.machine.from_mm).play, prepared.adjusters[step.column].play)
        lost = (1.0 - response) * abs(seen.asked)
        return Judged("play" if turned and lost <= play else "stuck", response, u_response)
    as_wanted = abs(seen.before + went - seen.wanted) <= 2.0 * u
    return Judged("as told" if as_wanted else "off", response, u_response)


def says(
    prepared: Geometry, step: Told, seen: Seen, one: Judged, moved: float | None, read: float | None, expected: float
) -> str:
    """Return what is said of one step."""
    adjuster, unit = prepared.adjusters[step.column], prepared.machine.units
    at, asked = prepared.parking.at(step.station), seen.asked
    went = one.response * asked
    if one.found == "misread" and read is not None:
        return sentences.misread(adjuster, read, expected, at, unit)
    if one.found == "followed":
        return sentences.bed_followed(adjuster, prepared.machine.sense * one.response, at, unit)
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
