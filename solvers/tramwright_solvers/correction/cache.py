"""Prepared geometries kept under what they came from."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Sequence
from threading import Lock

from ..model.contract import Mechanism
from ..model.errors import SolverError
from ..reduction.readings import Where
from .geometry import Geometry

MOST_KEPT = 256
"""Prepared geometries cached at once; each takes half a megabyte once answered in full (25 stations)."""

GeometryKey = tuple[bytes, tuple[Where, ...], tuple[Mechanism, ...]]
"""Machine and options as bytes, the readings without their values, and the mechanisms picked where none is named."""


class GeometryCache:
    """Prepared geometries by content, least recently used out first; safe to share between threads."""

    def __init__(self, kept: int = MOST_KEPT) -> None:
        self._kept = kept
        self._entries: OrderedDict[GeometryKey, Geometry] = OrderedDict()
        self._lock = Lock()

    def get(
        self, keys: Sequence[GeometryKey], make: Callable[[list[int]], list[Geometry | SolverError]]
    ) -> list[Geometry | SolverError]:
        """Return the prepared geometries, from the cache where they were asked for before.

        ``make`` prepares those at the places it is given; what cannot be prepared is not kept.
        """
        with self._lock:
            found: list[Geometry | SolverError | None] = [self._entries.get(key) for key in keys]
            for key, known in zip(keys, found, strict=True):
                if known is not None:
                    self._entries.move_to_end(key)
        if missing := [place for place, known in enumerate(found) if known is None]:
            for place, own in zip(missing, make(missing), strict=True):
                found[place] = own
            with self._lock:
                for place in missing:
                    if isinstance(made := found[place], Geometry):
                        self._entries[keys[place]] = made
                while len(self._entries) > self._kept:
                    self._entries.popitem(last=False)
        return [one for one in found if one is not None]
