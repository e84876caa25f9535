"""A solver that ends its process, as a fault in a compiled library would."""

from __future__ import annotations

import os

from tramwright_solvers.contract import Adjuster, Floats, Machine, Mechanism, Site


class Deadly(Mechanism, frozen=True, tag="deadly"):
    """Never answers."""

    version = "1.0"
    needs = "nothing"

    def adjusters(self, machine: Machine) -> tuple[Adjuster, ...]:
        """End the process without a word."""
        os._exit(3)

    def influence(self, site: Site) -> Floats:
        """Return what is never asked for."""
        raise NotImplementedError
