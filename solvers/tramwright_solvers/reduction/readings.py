"""The readings of a survey as they were sent: place, time and value of each, and the faults found in them.

Where and when, how often and in which set-up is what a layout is made from (:mod:`.stations`); the values are applied
to it, a whole stack of surveys at once.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from itertools import pairwise
from typing import Any

from ..model.errors import Fault
from ..model.machine import Machine
from ..model.survey import Reading, Survey
from . import sentences

Where = tuple[float, float, str, int, float | None]
"""One reading without its values: x, y, set-up, number of repeats, time from the set-up's first reading or None."""


def where(readings: Sequence[Reading]) -> tuple[Where, ...]:
    """Return what a layout depends on: the readings without their values.

    Time is in seconds where the set-up gives times. Where it gives none but reads a station again after others, the
    number of the visit stands for time, each station visited counting one; otherwise it is None. Where no station is
    read twice, times tell nothing and are left out. Times must be sound (:func:`time_faults`).
    """
    plain = tuple([(r.x, r.y, r.setup, len(r.value) if isinstance(r.value, list) else 1, None) for r in readings])
    if len({(r.x, r.y) for r in readings}) == len(plain):
        return plain
    times: list[float | None] = [None] * len(readings)
    members: dict[str, list[int]] = {}
    for index, reading in enumerate(readings):
        members.setdefault(reading.setup, []).append(index)
    for own in members.values():
        clock = _clock([readings[index] for index in own])
        for index, time in zip(own, clock, strict=True):
            times[index] = time
    return tuple([(*known[:4], time) for known, time in zip(plain, times, strict=True)])


def _clock(readings: Sequence[Reading]) -> Sequence[float | None]:
    """Return the times of one set-up's readings, from the earliest."""
    if readings[0].time is not None:
        moments = [datetime.fromisoformat(r.time) for r in readings if isinstance(r.time, str)]
        if moments:
            start = min(moments)
            return [(moment - start).total_seconds() for moment in moments]
        seconds = [r.time for r in readings if isinstance(r.time, float | int)]
        first = min(seconds)
        return [second - first for second in seconds]
    visits = [0]
    for before, reading in pairwise(readings):
        visits.append(visits[-1] + ((before.x, before.y) != (reading.x, reading.y)))
    again = visits[-1] + 1 > len({(r.x, r.y) for r in readings})
    return [float(visit) for visit in visits] if again else [None] * len(readings)


def values(readings: Sequence[Reading], *, single: bool = False) -> list[float]:
    """Return every single value in order, repeats one after another; ``single`` says that each reading has one."""
    given: list[Any] = [reading.value for reading in readings]
    if single or list not in set(map(type, given)):
        return given
    return [value for one in given for value in (one if isinstance(one, list) else (one,))]


def outline(readings: Sequence[Reading]) -> tuple[list[Any], list[int]]:
    """Return all that :func:`where` looks at, uninterpreted: quicker to make and compare than what it returns."""
    return [(reading.x, reading.y, reading.setup, reading.time) for reading in readings], _repeats(readings)


def has_outline(readings: Sequence[Reading], known: tuple[list[Any], list[int]]) -> bool:
    """Say whether this is the outline of readings, which is not made for it."""
    places, repeats = known
    if len(readings) != len(places):
        return False
    for reading, (x, y, setup, time) in zip(readings, places, strict=True):
        if reading.x != x or reading.y != y or reading.setup != setup or reading.time != time:
            return False
    return repeats == _repeats(readings)


def _repeats(readings: Sequence[Reading]) -> list[int]:
    """Return how often each reading was taken, nothing where each was once."""
    if list not in {type(reading.value) for reading in readings}:
        return []
    return [len(reading.value) if isinstance(reading.value, list) else 1 for reading in readings]


def place_faults(machine: Machine, readings: Sequence[Where]) -> list[Fault]:
    """Return a fault for every reading off the bed.

    A bed that runs backwards is the machine's fault and is not held against every reading.
    """
    faults: list[Fault] = []
    (left, right), (front, rear) = machine.bed.x, machine.bed.y
    across, along = [one[0] for one in readings], [one[1] for one in readings]
    if readings and left <= min(across) <= max(across) <= right and front <= min(along) <= max(along) <= rear:
        return faults
    for index, (x, y, *_) in enumerate(readings):
        if left < right and not left <= x <= right:
            faults.append(_off_bed(index, "x", x, left, right))
        if front < rear and not front <= y <= rear:
            faults.append(_off_bed(index, "y", y, front, rear))
    return faults


def time_faults(survey: Survey) -> list[Fault]:
    """Return a fault for every time that makes no sense."""
    faults = list[Fault]()
    if [None for reading in survey.readings if reading.time is not None]:  # a third of the time that any() takes
        faults = [
            Fault(f"/survey/readings/{index}/time", sentences.TIME_FORM)
            for index, reading in enumerate(survey.readings)
            if isinstance(reading.time, str) and not is_time(reading.time)
        ]
        faults += _mixed_times(survey.readings)
    if survey.taken_at is not None and not is_time(survey.taken_at):
        faults.append(Fault("/survey/taken_at", sentences.DATE_FORM))
    return faults


def _mixed_times(readings: Sequence[Reading]) -> list[Fault]:
    """Return where times change their kind within the survey, or are left out of some readings of a set-up."""
    faults = []
    given = [(index, isinstance(r.time, str)) for index, r in enumerate(readings) if r.time is not None]
    if (odd := next((index for index, text in given if text != given[0][1]), None)) is not None:
        faults.append(
            Fault(
                f"/survey/readings/{odd}/time",
                sentences.TIMES_MIXED,
            )
        )
    timed = {r.setup for r in readings if r.time is not None}
    without = {r.setup: index for index, r in reversed(list(enumerate(readings))) if r.time is None}
    for setup, index in sorted(without.items(), key=lambda item: item[1]):
        if setup in timed:
            faults.append(
                Fault(
                    f"/survey/readings/{index}/time",
                    sentences.time_missing(setup or "(unnamed)"),
                )
            )
    return faults


def _off_bed(index: int, axis: str, at: float, low: float, high: float) -> Fault:
    return Fault(
        f"/survey/readings/{index}/{axis}",
        sentences.off_the_bed(axis, at, low, high),
    )


def is_time(text: str) -> bool:
    """Say whether a text is an RFC 3339 date and time with its offset, in the years 1 to 9999 of UTC."""
    try:
        told = datetime.fromisoformat(text)
        if told.tzinfo is not None:
            told.astimezone(UTC)  # fails where the offset leads out of them
    except (ValueError, OverflowError):
        return False
    return told.tzinfo is not None
