"""What mechanisms do on several machines at once, each with places of its own."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from ..model.contract import Floats, Mechanism, Site
from . import rail_shim, three_screw

TOGETHER: dict[type[Mechanism], Callable[[Sequence[Site]], Floats]] = {
    three_screw.ThreeScrew: three_screw.influences,
    rail_shim.RailShim: rail_shim.influences,
}
"""Mechanisms that most machines have, worked out in arrays of all sites; a class made from one of them is not meant."""


def influences(mechanisms: Sequence[Mechanism], sites: Sequence[Site]) -> Floats:
    """Return the influence of mechanisms of one class, each at a site of its own, shape (n_sites, n_points, m).

    All have equally many points and adjusters.
    """
    if together := TOGETHER.get(type(mechanisms[0])):
        return together(sites)
    return np.stack([mechanism.influence(site) for mechanism, site in zip(mechanisms, sites, strict=True)])
