"""Until when somebody waits for an answer: work that may take long asks now and then, and stops where nobody does.

What a request may cost is bounded before it is begun (:mod:`..correction.cost`), by counting. The clock stands behind
that, for what no count foretells: it only ever stops work, and never decides what an answer is.
"""

from __future__ import annotations

from math import inf
from threading import Event
from time import monotonic

from msgspec import Struct

from .errors import OutOfTime
from .sentences import OUT_OF_TIME


class Deadline(Struct, frozen=True):
    """A time of the monotonic clock, and a flag that is set once the client has gone."""

    end: float = inf
    gone: Event | None = None

    def sooner(self, seconds: float) -> Deadline:
        """Return the deadline so many seconds from now, or this one if it is sooner; the flag is the same."""
        return Deadline(min(self.end, monotonic() + seconds), self.gone)

    @property
    def left(self) -> float:
        """Seconds that are left; none once the client has gone."""
        return 0.0 if self.gone is not None and self.gone.is_set() else max(self.end - monotonic(), 0.0)

    @property
    def passed(self) -> bool:
        """Whether there is no time left."""
        return self.left == 0.0

    def check(self) -> None:
        """Go on only while somebody waits.

        Raises:
            OutOfTime: the time has passed, or the client has gone.
        """
        if self.passed:
            raise OutOfTime(OUT_OF_TIME)


NEVER = Deadline()
"""Whoever calls from a program waits as long as it takes."""
