"""Which stations to read as well, where those read do not show what the moves or the verdict need."""

from __future__ import annotations

import numpy as np

from ..diagnostics.form_terms import term_columns
from ..diagnostics.settling import settling_places
from ..diagnostics.weakly_observed import remedy_points
from ..model.contract import Floats
from ..model.units import K
from ..results.findings import Place
from .geometry import JUDGED, Geometry


def places_to_read(prepared: Geometry, adjusters: tuple[int, ...]) -> tuple[Place, ...]:
    """Return the stations to read as well to see tilts, twist and what these adjusters do."""
    places, bed, points = remedy_points(prepared.machine.bed), prepared.machine.bed, prepared.layout.points
    terms = slice(0, len(JUDGED) + 1)
    u, enough = prepared.reading_u, prepared.shown / (2.0 * K)
    found = settling_places(term_columns(bed, points)[:, terms], term_columns(bed, places)[:, terms], u, enough)
    if adjusters:
        points = np.concatenate([points, places[found]])
        here, there = (
            np.column_stack([np.ones(len(at)), prepared.influence_at(at)[:, adjusters]]) for at in (points, places)
        )
        found += settling_places(here, there, u, enough)
    return tuple(Place(*places[index].tolist()) for index in dict.fromkeys(found))


def places_farthest_moved(prepared: Geometry, travels: Floats) -> tuple[Place, ...]:
    """Return where these travels (m,) raise and where they lower the gap most, the stations left out."""
    places = remedy_points(prepared.machine.bed)
    change = prepared.influence_at(places) @ travels
    found = [Place(*places[at].tolist()) for at in (int(change.argmin()), int(change.argmax()))]
    return tuple([place for place in found if place not in prepared.places])
