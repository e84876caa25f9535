"""Solvers that do not answer: one ends its process, as a fault in a compiled library would, and one raises."""

from __future__ import annotations

import os
from typing import ClassVar

from tramwright_solvers.contract import Adjuster, Floats, Machine, Mechanism, Site


class Deadly(Mechanism, frozen=True, tag="deadly"):
    """Never answers."""

    contract: ClassVar[int] = 2
    version = "1.0"
    needs = "nothing"

    def adjusters(self, machine: Machine) -> tuple[Adjuster, ...]:
        """End the process without a word."""
        os._exit(3)

    def influence(self, site: Site) -> Floats:
        """Return what is never asked for."""
        raise NotImplementedError


class Raising(Deadly, frozen=True, tag="raising"):
    """Raises what no solver should."""

    def adjusters(self, machine: Machine) -> tuple[Adjuster, ...]:
        """Raise."""
        raise IndexError("a fault of a plug-in")
