"""Where the indicator is parked while an adjuster is moved."""

from __future__ import annotations

import numpy as np
from msgspec import Struct

from ..model.contract import Floats
from ..reduction.sentences import station_at

TIE = 1e-9


class Parking(Struct, frozen=True):
    """For each adjuster the ``station`` that it moves most, and ``there`` what every adjuster does at that station.

    ``at`` is the station in words.
    """

    station: list[int]
    there: list[list[float]]
    at: list[str]


def parking(influence: Floats, points: Floats) -> Parking:
    """Choose for each adjuster the station that it moves most; the first of equals.

    ``influence`` (n, m) at stations ``points`` (n, 2).
    """
    size = np.abs(influence)
    station = np.argmax(size >= size.max(axis=0) * (1.0 - TIE), axis=0)
    at = [station_at(x, y) for x, y in points[station].tolist()]
    return Parking(station.tolist(), influence[station].tolist(), at)
