"""Prepared geometries kept under what they came from."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import suppress
from threading import Lock
from typing import Any, NamedTuple

from cachetools import LRUCache
from msgspec.structs import replace

from ..model.contract import Mechanism
from ..model.errors import SolverError
from ..model.machine import Machine, content_key
from ..model.options import Solve
from ..model.survey import Survey
from ..reduction.readings import Where, where
from .geometry import Geometry

MOST_BYTES = 128 * 1024 * 1024
"""Memory for geometries unless told otherwise: a farm's worth of 230 machines, half a megabyte each (25 stations)."""

GeometryKey = tuple[bytes, tuple[Mechanism, ...]]
"""Machine, options and readings without their values as bytes, and the mechanisms picked where none is named."""


def geometry_key(machine: Machine, solve: Solve[Any]) -> bytes:
    """Return bytes that are equal exactly when machines, read alike, have one geometry, to be followed by those of the
    readings: it hangs neither on what a machine is called nor on what is aimed for."""
    return content_key(replace(machine, id=""), solve.with_, solve.offset)


class GeometrySource(NamedTuple):
    """What surveys that stand in one stack have in common, but for the names of their machines.

    ``known`` is :func:`geometry_key` and the bytes of the readings, which are hashed and compared sooner than these.
    """

    machine: Machine
    solve: Solve[Any]
    readings: tuple[Where, ...]
    known: bytes

    @classmethod
    def of(cls, machine: Machine, solve: Solve[Any], survey: Survey, key: bytes) -> GeometrySource:
        """Return that of a survey; ``key`` is :func:`geometry_key`."""
        readings = where(survey.readings)
        return cls(machine, solve, readings, key + content_key(readings))


class GeometryCache:
    """Prepared geometries by content, least recently used out first, bounded in bytes; safe to share between threads.

    A geometry counts with what it will take once answered in full (:attr:`Geometry.nbytes`); one that is larger than
    the whole cache is not kept.
    """

    def __init__(self, most: int = MOST_BYTES) -> None:
        self._entries: LRUCache[GeometryKey, Geometry] = LRUCache(most, getsizeof=lambda made: made.nbytes)
        self._lock = Lock()
        self.found = self.prepared = 0
        """Geometries that were kept when asked for, and that were not."""

    @property
    def nbytes(self) -> int:
        """Bytes of the geometries kept, as they are counted against the bound."""
        return int(self._entries.currsize)

    def __len__(self) -> int:
        """How many are kept."""
        return len(self._entries)

    def get(
        self, keys: Sequence[GeometryKey], make: Callable[[list[int]], list[Geometry | SolverError]]
    ) -> list[Geometry | SolverError]:
        """Return the prepared geometries, from the cache where they were asked for before.

        ``make`` prepares those at the places it is given, each once; what cannot be prepared is not kept.
        """
        with self._lock:
            found: list[Geometry | SolverError | None] = [self._entries.get(key) for key in keys]
        missing: dict[GeometryKey, int] = {}
        for place, known in enumerate(found):
            if known is None:
                missing.setdefault(keys[place], place)
        self.found += len(keys) - len(missing)
        self.prepared += len(missing)
        if not missing:
            return [one for one in found if one is not None]
        made = dict(zip(missing, make(list(missing.values())), strict=True))
        with self._lock:
            for key, own in made.items():
                if isinstance(own, Geometry):
                    with suppress(ValueError):  # larger than the whole cache
                        self._entries[key] = own
        return [made[keys[place]] if one is None else one for place, one in enumerate(found)]
