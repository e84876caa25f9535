"""A plate on more than three screws: what it is as a thin plate, and what its screws do whatever their number."""

from __future__ import annotations

from typing import Literal

import numpy as np
from msgspec import Struct

from ..model.contract import Carried, Effect, Mechanism, Move, Part, Replay
from ..model.errors import Fault, Refused
from ..model.machine import Bed, Machine
from ..model.materials import elasticity_of
from ..model.units import MM_PER_INCH
from . import sentences
from .parts.rounds import small_turns
from .parts.three_carry import replay, set_on_three
from .rigid import support_adjusters

MPA_PER_GPA = 1000.0


class Plate(Struct, frozen=True):
    """A thin isotropic plate in N and mm: ``thickness`` in mm, ``youngs_modulus`` and ``yield_strength`` in MPa,
    the latter None where it is not known.

    Formulas: S. Timoshenko and S. Woinowsky-Krieger, *Theory of Plates and Shells*: for w = c·u·v the twisting moment
    is D·(1 − ν)·c per unit width, held by corner forces of twice that, with D = E·h³ / (12·(1 − ν²)).
    """

    thickness: float
    youngs_modulus: float
    poissons_ratio: float
    yield_strength: float | None

    @property
    def bending_rigidity(self) -> float:
        """D in N·mm."""
        return self.youngs_modulus * self.thickness**3 / (12 * (1 - self.poissons_ratio**2))

    @property
    def twisting_rigidity(self) -> float:
        """D·(1 − ν) in N·mm, that is G·h³/6."""
        return self.youngs_modulus * self.thickness**3 / (12 * (1 + self.poissons_ratio))

    def stress(self, twist: float) -> float:
        """Return the von Mises stress in MPa at both faces: √3·τ, τ = 6·M/h², for a twist c in 1/mm."""
        return float(np.sqrt(3) * 6 * self.twisting_rigidity * abs(twist) / self.thickness**2)


def plate_of(machine: Machine) -> Plate:
    """Return the bed as a plate in N and mm; what is not given of its elasticity is that of its material.

    Raises:
        Refused: thickness or elasticity is neither given nor known by the material's name; each is pointed at.
    """
    bed: Bed = machine.bed
    modulus, ratio = bed.youngs_modulus, bed.poissons_ratio
    if known := elasticity_of(bed.material):
        modulus = known.youngs_modulus if modulus is None else modulus
        ratio = known.poissons_ratio if ratio is None else ratio
    if bed.thickness is None or modulus is None or ratio is None:
        rows = (
            ("thickness", machine.units, bed.thickness),
            ("youngs_modulus", "GPa", modulus),
            ("poissons_ratio", "no unit", ratio),
        )
        raise Refused(
            [
                Fault(f"/machine/bed/{name}", sentences.flexible_plate_needs(name, unit))
                for name, unit, value in rows
                if value is None
            ]
        )
    return Plate(bed.thickness * mm_per_unit(machine), modulus * MPA_PER_GPA, ratio, bed.yield_strength)


def mm_per_unit(machine: Machine) -> float:
    """Return the machine's unit of length in mm."""
    return 1.0 if machine.units == "mm" else MM_PER_INCH


class PlateOnScrews(Mechanism, frozen=True):
    """Base of the mechanisms whose screws are more than a plane has freedoms, so that a plate stands off some or bends.

    Rigid, it is set on three of them; flexible, all are turned a little at a time.
    """

    plate: Literal["rigid", "flexible"] = "rigid"
    most_stress: float = 0.2

    @property
    def limited(self) -> bool:
        """The stress of a flexible plate is limited."""
        return self.plate == "flexible"

    def plate_faults(self, machine: Machine) -> tuple[Fault, ...]:
        """Return what is not known of a flexible plate."""
        try:
            if self.plate == "flexible":
                plate_of(machine)
        except Refused as refused:
            return refused.faults
        return ()

    def parts(self, move: Move) -> tuple[Part, ...]:
        """Set a rigid plate on three of its screws and bring the others up; turn those of a flexible one in rounds."""
        if self.plate == "rigid":
            return set_on_three(move, support_adjusters(move.machine.supports), self.hold)
        return small_turns(move, support_adjusters(move.machine.supports))

    def replay(self, carried: Carried) -> Replay:
        """Three screws carry a rigid plate meanwhile, the others stand clear of it."""
        if self.plate == "rigid":
            return replay(carried, support_adjusters(carried.machine.supports), self.hold)
        return super().replay(carried)

    def may_refuse(self, machine: Machine) -> bool:
        """A plate that may bend is not moved by many turns."""
        return self.plate == "flexible"

    def share_of_yield(self, machine: Machine, stress: float) -> tuple[Effect, ...]:
        """Return which share of the yield strength a stress in MPa is, where that strength is known."""
        if machine.bed.yield_strength is None:
            return ()
        says = sentences.share_of_yield(self.most_stress)
        return (Effect("share of yield", stress / machine.bed.yield_strength, "1", says),)
