"""What keeps plug-ins that fail again and again from taking the host: how soon they are asked, started and answered
for again.

A request over which a process ended is held when it comes again, byte for byte, at first for a second and each time
twice as long; it says nothing about other requests for the same plug-in. Processes that ended are replaced at most so
often. Whoever meets a fault is answered in turn, so that nobody hears of more of them than others can bear.
"""

from __future__ import annotations

import asyncio
from collections import OrderedDict, deque
from collections.abc import Sequence
from hashlib import blake2b
from math import ceil
from threading import Lock
from time import monotonic

from msgspec import Struct

from tramwright_solvers.mechanisms.plug_ins import sentences
from tramwright_solvers.model.errors import PlugInFault

from ...wire.problems import ON_HOLD, RequestError
from .messages import Ask

SHORTEST, LONGEST = 1.0, 60.0
"""Seconds for which a request is held after it has ended a process, the first time and at the most."""
REMEMBERED = 256
"""Requests that are held at the same time, at the most."""
ENDED, WITHIN = 5, 10.0
"""How many processes of one set of plug-ins may end within so many seconds before no other is started."""
EVERY, BEHIND = 0.1, 1.0
"""Seconds between two faults that are told, and for which the telling waits at the most."""


class Held(Struct):
    """A request that has ended a process: until when it is held, for how long that is, and what was said of it."""

    until: float
    seconds: float
    fault: PlugInFault


class Holds:
    """What is held for one set of plug-ins, which may take so many seconds; safe to share between threads."""

    def __init__(self, seconds: float) -> None:
        self._answer_takes = seconds
        self._held = OrderedDict[bytes, Held]()
        self._ended = deque[float](maxlen=ENDED)
        self._last: PlugInFault | None = None
        self._lock = Lock()

    def refusal(self, ask: Ask, named: Sequence[str]) -> RequestError | None:
        """Return why a request is not passed on now; where its time is up, it alone is passed on and not its like."""
        if not self._held:
            return None
        with self._lock:
            held, now = self._held.get(_key(ask)), monotonic()
            if held is None:
                return None
            if now >= held.until:
                held.until = now + held.seconds + self._answer_takes
                return None
        left = ceil(held.until - now)
        return _told(sentences.held(left, held.fault.detail), held.fault.among(named), left)

    def ended(self, ask: Ask, fault: PlugInFault | None) -> None:
        """A process ended over a request, or was ended where nobody waits for it any more."""
        now = monotonic()
        with self._lock:
            self._ended.append(now)
            if fault is None:
                return
            self._last, key = fault, _key(ask)
            before = self._held.pop(key, None)
            seconds = SHORTEST if before is None else min(2.0 * before.seconds, LONGEST)
            if len(self._held) >= REMEMBERED:
                self._held.popitem(last=False)
            self._held[key] = Held(now + seconds, seconds, fault)

    def answered(self, ask: Ask) -> None:
        """A request has been answered: it is held no more."""
        if self._held:
            with self._lock:
                self._held.pop(_key(ask), None)

    @property
    def wait(self) -> float:
        """Seconds until a process may be started, none mostly."""
        with self._lock:
            return self._ended[0] + WITHIN - monotonic() if len(self._ended) == ENDED else 0.0

    def not_started(self, named: Sequence[str]) -> RequestError:
        """Return why a request is refused for which no process may be started."""
        left, fault = max(ceil(self.wait), 1), self._last
        says = sentences.not_started(left, fault.detail if fault else "")
        return _told(says, fault.among(named) if fault else None, left)


class Turns:
    """Who has met a fault is told of it in turn."""

    def __init__(self) -> None:
        self._next = 0.0

    async def mine(self) -> None:
        """Return when it is."""
        now = monotonic()
        turn = min(max(self._next, now), now + BEHIND)
        self._next = turn + EVERY
        await asyncio.sleep(turn - now)


def _key(ask: Ask) -> bytes:
    return blake2b(ask.body, digest_size=16, person=ask.question.encode()[:16]).digest()


def _told(says: str, fault: PlugInFault | None, seconds: int) -> RequestError:
    faults = [] if fault is None else [type(fault.faults[0])(fault.pointer, says)]
    return RequestError(ON_HOLD, says, faults, {"Retry-After": str(seconds)})
