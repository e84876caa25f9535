"""Work done in a search, counted so that equal requests end at the same place on every machine, however busy it is.

One unit is about a microsecond of the machine whose figures DEVELOPERS.md gives; every price here was measured there.
"""

from __future__ import annotations

from time import monotonic

SECOND = 1e6
"""Units in a second of the time limit."""

BACKSTOP = 60.0
"""The clock itself stops a search at this many times the time limit, or at this many seconds if that is more: where
twelve such searches shared two cores, ten times were not enough."""

CARRIED, CHUNK_CARRIED = 0.2, 50.0
"""One partial setting carried on to the next adjuster, and one lot of them."""

JUDGED, DEALT = 10.0, 0.5
"""One setting judged for its share of scarce sheets, and one step in dealing them."""


def completing(stations: int, *, zone: bool) -> float:
    """Return the price of completing one setting by limited travels: bounded least squares, or a linear programme."""
    return 3000.0 + 30.0 * stations if zone else 300.0 + 4.0 * stations


def screening(settings: int, stations: int) -> float:
    """Return the price of the zones that unlimited screws would leave of so many settings at once."""
    return 450.0 + (0.8 + 0.09 * stations) * settings


FITTED = 20.0
"""Completing one setting by unlimited travels and least squares."""

ROOT, NODE = 6000.0, 12.0
"""For each variable of a mixed-integer programme: what HiGHS spends before it branches, and on each node."""


class Work:
    """An allowance of work; what a part of it spends counts to the whole."""

    def __init__(self, limit: float, until: float, whole: Work | None = None) -> None:
        self.limit = limit
        self.until = until
        self.whole = whole
        self.done = 0.0

    @classmethod
    def within(cls, time_limit: float) -> Work:
        """Return the allowance that a time limit in seconds stands for; the clock of its backstop starts now."""
        return cls(time_limit * SECOND, monotonic() + BACKSTOP * max(time_limit, 1.0))

    def part(self, limit: float) -> Work:
        """Return an allowance of its own, spent from this one too."""
        return Work(limit, self.until, self)

    def spend(self, amount: float) -> None:
        """Count work that was done."""
        self.done += amount
        if self.whole is not None:
            self.whole.spend(amount)

    @property
    def left(self) -> float:
        """What may still be spent."""
        return max(self.limit - self.done, 0.0)

    @property
    def seconds(self) -> float:
        """Seconds until the backstop, negative once it has passed."""
        return self.until - monotonic()

    def over(self, share: float = 1.0) -> bool:
        """Say whether this share of it is spent, or, on a machine far too slow, the clock has run out."""
        return self.done >= share * self.limit or self.seconds < 0.0
