"""Slips of reading and writing that explain a suspect: each is judged by how well the mended value fits the rest."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from msgspec import Struct

from ..model.contract import Floats
from ..reduction.sentences import station_at
from . import sentences

EXPLAINS = 3.0
"""A mended value within this many standard deviations of the expected one explains the reading. Our own choice."""

FORM_MM = 0.09
"""No slip is offered for a reading nearer to the expected one than this: a corner that falls, a dent or a wave puts it
there as well. Our own choice, checked by Monte Carlo (tests/claims)."""

AS_WELL = 4.0
"""Slips whose squared deviations differ by less explain a reading about as well: a likelihood ratio below e². Our own
choice."""


class Misread(Struct, frozen=True):
    """A reading set aside: ``expected`` gap by the rest, ``u`` the standard deviation of a sound reading about it."""

    index: int
    expected: float
    standardized: float
    u: float


class Read(Struct, frozen=True):
    """How the stations (n, 2) were read: what slips could do there.

    ``direct`` (n,) says where the gap is the dial's own value; ``rounding`` is the standard uncertainty of rounding to
    the division, ``form`` how far from the others the bed's own form may put a reading, ``revolutions`` what one
    revolution of the dial may be, ``digits`` how lengths in ``unit`` are written.
    """

    points: Floats
    sense: float
    direct: np.ndarray
    rounding: float
    form: float
    revolutions: tuple[float, ...]
    digits: int
    unit: str

    def written(self, gap: float) -> str:
        """Return a gap as the user writes it, in the user's own sense."""
        return f"{self.sense * gap + 0.0:+.{self.digits}f}"

    def at(self, index: int) -> str:
        """Name a station."""
        x, y = self.points[index].tolist()
        return station_at(x, y)

    def of_row(self, gap: Floats, one: Misread, name: str) -> tuple[str, str]:
        """Return likely slip and advice for a station of a row that is off as a whole."""
        off = self.written(float(gap[one.index]) - one.expected)
        if abs(float(gap[one.index]) - one.expected) < self.form:
            return sentences.UNKNOWN_SLIP, sentences.row_or_form(name, self.at(one.index), off, self.unit)
        return (
            sentences.whole_row_off(name, off, self.unit),
            sentences.read_row_again(name, self.at(one.index), off, self.unit),
        )


class Mended(Struct, frozen=True):
    """A slip, what mending it makes of the reading, and how far that is from expected in standard deviations."""

    name: str
    value: float
    off: float


def mended(read: Read, gap: Floats, one: Misread, others: list[Misread]) -> Iterator[Mended]:
    """Try every slip on one suspect; ``others`` are all suspects of the survey."""

    def trial(name: str, value: float) -> Mended:
        return Mended(name, value, abs(value - one.expected) / one.u)

    value = float(gap[one.index])
    if read.direct[one.index]:
        yield trial(sentences.SIGN_TURNED, -value)
        yield trial(sentences.TEN_TIMES_TOO_LARGE, value / 10.0)
        yield trial(sentences.TEN_TIMES_TOO_SMALL, value * 10.0)
    for revolution in read.revolutions:
        yield trial(sentences.revolution_high(revolution, read.unit), value - read.sense * revolution)
        yield trial(sentences.revolution_low(revolution, read.unit), value + read.sense * revolution)
    for other in others:
        if other.index != one.index and read.direct[one.index] and read.direct[other.index]:
            back = abs(value - other.expected) / other.u
            swapped = trial(sentences.swapped(read.at(other.index)), float(gap[other.index]))
            yield Mended(swapped.name, swapped.value, max(swapped.off, back))


def misread(read: Read, gap: Floats, one: Misread, found: list[Misread]) -> tuple[str, str]:
    """Return the likely slip, two if both explain the reading about as well, and a sentence saying what to do."""
    fitting = sorted(
        (trial for trial in mended(read, gap, one, found) if trial.off <= EXPLAINS), key=lambda trial: trial.off
    )
    near = abs(float(gap[one.index]) - one.expected) < read.form
    best = [] if near else [trial for trial in fitting if trial.off**2 < fitting[0].off ** 2 + AS_WELL]
    says = sentences.read_station_again(
        read.at(one.index),
        read.written(float(gap[one.index])),
        read.unit,
        read.written(one.expected),
        2.0 * one.u,
        read.digits,
    )
    if not best:
        return sentences.UNKNOWN_SLIP, sentences.reading_or_form(says)
    would = " or ".join(f"{read.written(trial.value)} ({trial.name})" for trial in best)
    return " or ".join(trial.name for trial in best), sentences.may_have_been(says, would)
