"""Where the indicator is parked while an adjuster is moved."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from msgspec import Struct

from ...model.contract import Floats
from ...reduction.sentences import station_at

TIE = 1e-9


class Spot(Struct, frozen=True):
    """A ``station`` by its number and in words (``at``), and ``there`` what every adjuster does at it."""

    station: int
    at: str
    there: list[float]


class Parking(Struct, frozen=True):
    """For each adjuster the station that it moves most (``own``); ``influence`` (n, m) at all ``points`` (n, 2)."""

    own: list[Spot]
    influence: Floats
    points: Floats

    def at(self, station: int) -> str:
        """Return where a station is, in words."""
        return station_at(*self.points[station].tolist())

    def spot_for(self, change: Mapping[int, float], adjuster: int) -> Spot:
        """Return where a change of gap made by these travels shows most; the adjuster's own where they are not many."""
        if len(change) < 2:
            return self.own[adjuster]
        size = np.abs(self.influence[:, list(change)] @ np.array(list(change.values())))
        return spot(int(np.argmax(size >= size.max() * (1.0 - TIE))), self.influence, self.points)


def spot(station: int, influence: Floats, points: Floats) -> Spot:
    """Return one station as a spot."""
    x, y = points[station].tolist()
    return Spot(station, station_at(x, y), influence[station].tolist())


def parking(influence: Floats, points: Floats) -> Parking:
    """Choose for each adjuster the station that it moves most; the first of equals.

    ``influence`` (n, m) at stations ``points`` (n, 2).
    """
    size = np.abs(influence)
    stations = np.argmax(size >= size.max(axis=0) * (1.0 - TIE), axis=0).tolist()
    return Parking([spot(station, influence, points) for station in stations], influence, points)
