"""A rigid bed on three supports: each tilts the bed about the line through the other two."""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar

import numpy as np

from ..model.contract import Adjuster, Floats, Mechanism, Site
from ..model.errors import Refused
from ..model.machine import Machine
from . import sentences
from .rigid import plane_shares, positions, require_plane, support_adjusters

SUPPORTS = 3


class ThreeScrew(Mechanism, frozen=True, tag="three-screw"):
    """Bed on three supports, each raised by a screw.

    The gap change is affine; a support's influence is its barycentric coordinate. Three supports tilt a bed and can
    do no more: twist stays whatever they do.
    """

    version: ClassVar[str] = "1.0"
    needs: ClassVar[str] = sentences.THREE_SCREW_NEEDS
    example: ClassVar[str | None] = "tilted-bed.json"

    @classmethod
    def suits(cls, machine: Machine) -> bool:
        """Three supports without kinematic mounts."""
        return len(machine.supports) == SUPPORTS and all(support.mount is None for support in machine.supports)

    def adjusters(self, machine: Machine) -> tuple[Adjuster, ...]:
        """One adjuster for each support."""
        count = len(machine.supports)
        if count != SUPPORTS:
            raise Refused.at("/machine/supports", sentences.three_screw_needs_three_supports(count))
        require_plane(machine.supports)
        return support_adjusters(machine.supports)

    def influence(self, site: Site) -> Floats:
        """Barycentric coordinates of the points in the triangle of supports."""
        return np.asarray(influences([site])[0])


def influences(sites: Sequence[Site]) -> Floats:
    """Return the influence at sites with equally many points, (n_sites, n_points, 3)."""
    at = positions([support for site in sites for support in site.machine.supports])
    return plane_shares(at.reshape(-1, SUPPORTS, 2), np.array([site.points for site in sites]))
