"""Times as the store keeps them, whole microseconds since 1970, and as they are read and shown."""

from __future__ import annotations

import time
from datetime import UTC, datetime, timedelta
from functools import lru_cache

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
MICROSECOND = timedelta(microseconds=1)
DAY = 86_400_000_000


def now() -> int:
    """Return the time."""
    return time.time_ns() // 1000


def read(text: str) -> int | None:
    """Return the time that RFC 3339 tells; None where it tells none."""
    try:
        told = datetime.fromisoformat(text)
    except ValueError:
        return None
    return (told - EPOCH) // MICROSECOND if told.tzinfo is not None else None


@lru_cache(256)
def shown(at: int) -> str:
    """Return a time as RFC 3339, UTC."""
    return (EPOCH + at * MICROSECOND).isoformat(timespec="microseconds").replace("+00:00", "Z")
