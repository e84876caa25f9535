"""Which method of which plug-in runs now, told to whoever watches: a process that answers for plug-ins does."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Protocol


class Watch(Protocol):
    """Told of each call from outside; not of those that a plug-in makes of itself meanwhile."""

    def begin(self, name: str, origin: str, method: str) -> None:
        """A method of a plug-in is about to run."""
        ...

    def end(self) -> None:
        """It has ended."""
        ...


class Calls:
    """Calls of plug-ins in this process."""

    def __init__(self) -> None:
        self.watch: Watch | None = None
        self._depth = 0

    @contextmanager
    def call(self, name: str, origin: str, method: str) -> Iterator[None]:
        """Tell of a call while it lasts."""
        watch = self.watch if self._depth == 0 else None
        self._depth += 1
        if watch is not None:
            watch.begin(name, origin, method)
        try:
            yield
        finally:
            self._depth -= 1
            if watch is not None:
                watch.end()


CALLS = Calls()
