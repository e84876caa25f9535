"""Surveys of one plate laid on the bed in several ways, matched point by point.

A point q of the plate, in the plate's own frame (where it lies when neither turned nor shifted), comes to lie at
``p = c + R(turned) (q - c) + shifted``, c being the middle of the bed and R the rotation anticlockwise from above. Two
positions are the same point where they are within a tolerance (:data:`MATCH`), chains of such positions included.
"""

from __future__ import annotations

from math import cos, floor, hypot, log10, radians, sin
from typing import Annotated

import numpy as np
from msgspec import Meta, Struct

from ..model.contract import Floats
from ..model.given import Given
from ..model.machine import Bed
from ..model.quantities import FEWEST, Angle, BedTemperature, Coordinate, TakenAt
from ..model.survey import Reading

MATCH = 0.002
"""Tolerance of a position as a share of the bed's longer side: 1 mm on 500 mm. Our own choice: over such a distance a
form of 0.1 mm across the bed changes by less than the dial shows."""

MOST_READINGS = 2000
"""Most readings in all surveys together: they are solved by dense algebra."""

LEAST_TIED = 4
"""Readings that a survey must share with others, at the station and on the plate: its plane takes three of them."""


class PlacedSurvey(Given, frozen=True):
    """Readings taken with the plate lying in one way; positions are the machine's, as for any survey.

    The plate is turned about the middle of the bed first and shifted afterwards. It may be levelled anew each time.
    """

    readings: Annotated[
        list[Reading],
        Meta(
            max_length=MOST_READINGS,
            extra_json_schema=FEWEST,
            description="Dial readings; positions are those of the machine, wherever the plate lies.",
        ),
    ]
    turned: Annotated[
        Angle,
        Meta(
            description="How far the plate is turned about the middle of the bed, in degrees, anticlockwise seen from "
            "above."
        ),
    ] = 0.0
    shifted: Annotated[
        tuple[Coordinate, Coordinate],
        Meta(description="How far the plate is moved after the turn, [along x, along y], in `units`."),
    ] = (0.0, 0.0)
    taken_at: TakenAt = None
    bed_temperature: BedTemperature = None


class Placement(Struct, frozen=True):
    """How the plate lies: turned by ``turned`` degrees about ``centre``, then moved by ``shifted``."""

    turned: float
    shifted: tuple[float, float]
    centre: tuple[float, float]

    @property
    def rotation(self) -> Floats:
        """The rotation (2, 2); exact for quarter turns."""
        quarters = {0.0: (1.0, 0.0), 90.0: (0.0, 1.0), 180.0: (-1.0, 0.0), 270.0: (0.0, -1.0)}
        angle = self.turned % 360.0
        c, s = quarters.get(angle, (cos(radians(angle)), sin(radians(angle))))
        return np.array([[c, -s], [s, c]])

    def on_bed(self, plate: Floats) -> Floats:
        """Return where points of the plate (n, 2) come to lie."""
        centre = np.array(self.centre)
        return np.asarray((plate - centre) @ self.rotation.T + centre + np.array(self.shifted))

    def on_plate(self, bed: Floats) -> Floats:
        """Return the points of the plate (n, 2) that lie at these positions."""
        centre = np.array(self.centre)
        return np.asarray((bed - centre - np.array(self.shifted)) @ self.rotation + centre)

    def same(self, other: Placement, bed: Bed) -> bool:
        """Say whether the plate lies alike, its edge within the tolerance by which positions are matched."""
        turn = abs((self.turned - other.turned + 180.0) % 360.0 - 180.0)
        moved = hypot(self.shifted[0] - other.shifted[0], self.shifted[1] - other.shifted[1])
        return radians(turn) * half_side(bed) + moved <= tolerance(bed)


class MatchedSurveys(Struct, frozen=True):
    """All surveys reduced to stations and matched: R rows, P points of the plate, G positions of the gantry.

    ``plate`` (P, 2) and ``gantry`` (G, 2) are positions in the plate's and the machine's frame. Of each row,
    ``survey``, ``at_plate`` and ``at_gantry`` (R,) are indices, ``gaps`` (R,) the gap; ``blocks`` is the covariance of
    each survey's rows, which stand together in order. ``blur`` is the largest mismatch of a position as a share of half
    the longer side, ``left_out`` how many stations were read in one survey alone and nowhere else on the plate either.
    """

    bed: Bed
    placements: tuple[Placement, ...]
    plate: Floats
    gantry: Floats
    survey: np.ndarray
    at_plate: np.ndarray
    at_gantry: np.ndarray
    gaps: Floats
    blocks: tuple[Floats, ...]
    blur: float
    left_out: int


def half_side(bed: Bed) -> float:
    """Return half of the bed's longer side: the unit of the terms, the same along x and y so that a turn keeps them."""
    return 0.5 * max(bed.x[1] - bed.x[0], bed.y[1] - bed.y[0])


def tolerance(bed: Bed) -> float:
    """Return how near two positions must be to count as the same point."""
    return MATCH * 2.0 * half_side(bed)


def middle(bed: Bed) -> tuple[float, float]:
    """Return the middle of the bed."""
    return 0.5 * (bed.x[0] + bed.x[1]), 0.5 * (bed.y[0] + bed.y[1])


def match_points(points: Floats, within: float) -> tuple[Floats, np.ndarray]:
    """Return the distinct positions among points (n, 2), by y and then x, and which of them each point is at, (n,)."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components
    from scipy.spatial import cKDTree

    pairs = cKDTree(points).query_pairs(within, output_type="ndarray")
    links = coo_array((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(len(points), len(points)))
    number, label = connected_components(links, directed=False)
    size = np.bincount(label, minlength=number)
    centres = np.column_stack([np.bincount(label, points[:, axis], number) / size for axis in (0, 1)])
    # to about 1e-9 of the bed, so that which comes first does not hang on round-off
    centres = np.round(centres, 6 - floor(log10(within))) + 0.0
    order = np.lexsort(centres.T)
    place = np.empty(number, dtype=np.intp)
    place[order] = np.arange(number)
    return np.asarray(centres[order]), place[label]
