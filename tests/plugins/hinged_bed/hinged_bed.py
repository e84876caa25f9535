"""A bed that swings on a hinge line along x and rests on two screws: a complete plug-in solver."""

from typing import Annotated, ClassVar

import numpy as np
from msgspec import Meta

from tramwright_solvers.contract import Adjuster, Conditions, Floats, Machine, Mechanism, Refused, Site


class HingedBed(Mechanism, frozen=True, tag="hinged-bed"):
    """Rigid bed on a hinge parallel to x and two screws, which must rise together or the bed is strained."""

    hinge_y: Annotated[float, Meta(ge=-1e5, le=1e5, description="Where the hinge line lies, in `units`.")] = 0.0

    contract: ClassVar[int] = 2
    version: ClassVar[str] = "1.2"
    needs: ClassVar[str] = "two `supports`, both off the hinge line"
    places: ClassVar = {"hinge_y": "y"}

    def adjusters(self, machine: Machine) -> tuple[Adjuster, ...]:
        """Two screws, each with an arm about the hinge."""
        if len(machine.supports) != 2:
            raise Refused.at("/machine/supports", "`hinged-bed` needs exactly two supports.")
        if 0.0 in self.arms(machine):
            raise Refused.at(
                "/options/hinge_y", "A support on the hinge line cannot tilt the bed; move it or the line."
            )
        return tuple(Adjuster(s.id, "support", 1.0, f"/machine/supports/{i}") for i, s in enumerate(machine.supports))

    def arms(self, machine: Machine) -> Floats:
        """Return each support's signed distance from the hinge, shape (2,)."""
        return np.array([support.y - self.hinge_y for support in machine.supports])

    def influence(self, site: Site) -> Floats:
        """The bed turns about the hinge; each screw gives half of the turn they make together."""
        return np.outer(site.points[:, 1] - self.hinge_y, 0.5 / self.arms(site.machine))

    def conditions(self, machine: Machine) -> Conditions:
        """Both screws must ask for the same turn: a0 / arm0 = a1 / arm1."""
        row = np.array([[1.0, -1.0]]) / self.arms(machine)
        return Conditions(row, np.zeros(1), np.zeros(1), ("The two screws must turn the bed by the same angle.",))
