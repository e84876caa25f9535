"""How many subsets of adjusters are weighed."""

from __future__ import annotations

from math import comb

EXACT_UP_TO = 12
MOST_SUBSETS = 5000
MOST_REMAINS = 2**23
"""Stations × subsets beyond which subsets of fewer adjusters are weighed: 64 MB of what remains, for each survey."""


def exact_moves(free: int, stations: int) -> int:
    """Return up to how many adjusters every subset of ``free`` ones is weighed, one at the least."""
    most = min(free, 1)
    while most < free and subsets_up_to(free, most + 1) <= most_subsets(free, stations):
        most += 1
    return most


def most_subsets(free: int, stations: int) -> int:
    """Return how many subsets of ``free`` adjusters are weighed at so many stations."""
    by_remains = MOST_REMAINS // max(stations, 1)
    return by_remains if free <= EXACT_UP_TO else min(MOST_SUBSETS, by_remains)


def room_beyond(free: int, stations: int) -> int:
    """Return how many subsets may be weighed beside those of up to :func:`exact_moves`."""
    return max(0, most_subsets(free, stations) - subsets_up_to(free, exact_moves(free, stations)))


def subsets_up_to(free: int, size: int) -> int:
    """Return how many subsets of at most ``size`` of ``free`` adjusters there are, the empty one included."""
    return sum(comb(free, k) for k in range(size + 1))
