"""A plate on five supports or more, as large beds have: rigid, three of them carry; flexible, each bends it."""

from __future__ import annotations

from typing import Annotated, ClassVar, Literal

import numpy as np
from msgspec import Meta

from ..model.contract import Adjuster, Conditions, Effect, Floats, Move, Site
from ..model.errors import Fault, Refused
from ..model.machine import Machine
from . import sentences
from .free_plate import FreePlate, free_plate
from .plate import Plate, PlateOnScrews, mm_per_unit, plate_of
from .rigid import fitted_shares, positions, require_plane, support_adjusters

FEWEST = 5
"""The most is what a machine may describe."""

APART = 0.03
"""Supports closer together than this share of the extent of all are taken for a mistake. Our own choice."""

RING = 0.08
"""Share of the distance to the next support at which the plate's curvature is taken; chosen by comparison with finite
elements."""

GOLDEN = (1.0 + np.sqrt(5.0)) / 2.0
AXES = np.array([(0.0, 1.0, GOLDEN), (0.0, 1.0, -GOLDEN), (1.0, GOLDEN, 0.0), (1.0, -GOLDEN, 0.0),
                 (GOLDEN, 0.0, 1.0), (-GOLDEN, 0.0, 1.0)]) / np.sqrt(1.0 + GOLDEN**2)  # fmt: skip
"""The six axes through the corners of an icosahedron."""

LEAST_SEEN = float(np.sqrt((5.0 + 2.0 * np.sqrt(5.0)) / 15.0))
"""Least share of a vector's length, 0.795, that the largest of its components along :data:`AXES` can be: it is least
for a vector through the middle of a face."""


class ManyScrew(PlateOnScrews, frozen=True, tag="many-screw"):
    """Plate on 5 to 16 supports, each raised by a screw.

    ``plate`` says what gives when the screws ask for more than a plane. A ``rigid`` plate does not: its travels are
    held in one plane, three screws carry while they are set, and the others are brought up. A ``flexible`` plate is
    bent by each screw as a thin plate is that ends at the bed's edges, or at supports outside them, and is free there;
    each support has its own shape, 1 there and 0 at all others.

    Against finite elements the shape is right to 0.3 % of a screw's travel on up to nine screws and to 1.5 % on
    sixteen, the forces to 0.3 % and 2 %, the stress to 10 %. ``most_stress`` is the share of the yield strength that
    the von Mises stress around each screw, one thickness away from it, may reach; limits that are linear in the travels
    keep it, on the safe side by a fifth at most. Between the screws the plate is bent less: the sum of its two bending
    moments is harmonic there. Only the bending that these travels add is counted; how the plate was bent before is not
    known.
    """

    plate: Annotated[
        Literal["rigid", "flexible"],
        Meta(
            description="What gives when the screws ask for more than a plane. `rigid`: nothing, travels keep the "
            "supports in one plane. `flexible`: the plate is bent."
        ),
    ] = "rigid"
    most_stress: Annotated[
        float, Meta(gt=0, le=0.5, description="Share of the yield strength that bending a flexible plate may use.")
    ] = 0.2

    version: ClassVar[str] = "1.0"
    needs: ClassVar[str] = sentences.MANY_SCREW_NEEDS
    example: ClassVar[str | None] = "six-screws.json"

    @classmethod
    def suits(cls, machine: Machine) -> bool:
        """Five supports or more without kinematic mounts."""
        return len(machine.supports) >= FEWEST and all(support.mount is None for support in machine.supports)

    def adjusters(self, machine: Machine) -> tuple[Adjuster, ...]:
        """One adjuster for each support."""
        count = len(machine.supports)
        if count < FEWEST:
            raise Refused.at("/machine/supports", sentences.many_screw_needs_supports(FEWEST, count))
        require_plane(machine.supports)
        at = positions(machine.supports)
        apart = distances(at)
        faults = []
        if apart.min() < APART * np.ptp(at, axis=0).max():
            first, second = sorted(divmod(int(np.argmin(apart)), count))
            names = machine.supports[first].id, machine.supports[second].id
            faults.append(Fault(f"/machine/supports/{second}", sentences.supports_too_close(*names)))
        faults.extend(self.plate_faults(machine))
        if faults:
            raise Refused(faults)
        return support_adjusters(machine.supports)

    def influence(self, site: Site) -> Floats:
        """Shares of the plane through the supports or, for a flexible plate, its shapes; columns sum to one."""
        if self.plate == "rigid":
            return fitted_shares(positions(site.machine.supports), site.points)
        return bent(site.machine).heights(site.points)

    def conditions(self, machine: Machine) -> Conditions | None:
        """Keep the travels of a rigid plate in one plane, and the stress of a flexible one in its share of yield."""
        if self.plate == "rigid":
            at = positions(machine.supports)
            whole, _ = np.linalg.qr(np.column_stack([np.ones(len(at)), at - at.mean(axis=0)]), mode="complete")
            rows = whole[:, 3:].T
            none = np.zeros(len(rows))
            return Conditions(rows, none, none, (sentences.TRAVELS_MUST_KEEP_ONE_PLANE,) * len(rows))
        plate = plate_of(machine)
        if plate.yield_strength is None:
            return None
        allowed = self.most_stress * plate.yield_strength
        rows = (AXES @ stresses(machine, plate, bent(machine))).reshape(-1, len(machine.supports))
        most = np.full(len(rows), LEAST_SEEN * allowed)
        because = [sentences.bending_limits_travel(self.most_stress, allowed, one.id) for one in machine.supports]
        return Conditions(rows, -most, most, tuple([why for why in because for _ in AXES]))

    def effects(self, move: Move) -> tuple[Effect, ...]:
        """Say how far off one plane a rigid plate's supports are, and the forces and stress of a flexible one."""
        if not np.any(move.travels):
            return ()
        machine = move.machine
        if self.plate == "rigid":
            at = positions(machine.supports)
            off = float(np.abs(move.travels - fitted_shares(at, at) @ move.travels).max())
            return (Effect(sentences.OUT_OF_ONE_PLANE, off, machine.units, sentences.ONE_PLANE_IS_KEPT),)
        plate, shape = plate_of(machine), bent(machine)
        forces = plate.bending_rigidity / mm_per_unit(machine) * (shape.forces @ move.travels)
        told = sentences.forces_at("Bending", [support.id for support in machine.supports], forces.tolist())
        around = np.linalg.norm(stresses(machine, plate, shape) @ move.travels, axis=1)
        stress, worst = float(around.max()), machine.supports[int(np.argmax(around))].id
        return (
            Effect("largest force", float(np.abs(forces).max()), "N", told),
            Effect("bending stress", stress, "MPa", sentences.bending_stress(worst)),
            *self.share_of_yield(machine, stress),
        )

    def cautions(self, machine: Machine) -> tuple[str, ...]:
        """Cautions: many screws can bend the plate they carry."""
        if self.plate == "rigid":
            return (sentences.MANY_SCREWS_CAN_BEND_A_PLATE, sentences.BACKED_OFF_IT_MAY_TIP)
        bending = (sentences.MANY_SCREWS_CAN_BEND_A_PLATE, sentences.PLAN_BENDS_THE_PLATE)
        return bending if machine.bed.yield_strength is not None else (*bending, sentences.NOTHING_LIMITS_THE_TWIST)


def bent(machine: Machine) -> FreePlate:
    """Return the machine's bed as a free plate on its supports; where one stands outside the bed, it reaches there."""
    places = [(support.x, support.y) for support in machine.supports]
    sides = (
        (min(side[0], *(place[axis] for place in places)), max(side[1], *(place[axis] for place in places)))
        for axis, side in enumerate((machine.bed.x, machine.bed.y))
    )
    return free_plate((next(sides), next(sides)), tuple(places), plate_of(machine).poissons_ratio)


def stresses(machine: Machine, plate: Plate, shape: FreePlate) -> Floats:
    """Return the stress around each support for unit travel of each, in MPa, shape (supports, 3, travels).

    It is the mean over a ring one thickness from the support. Its three components ``(x + y)/2, √3 (x - y)/2, √3 xy``
    of the stresses at the plate's faces are such that their length is the von Mises stress. A polynomial does not
    follow the curvature that close to a force, so it is taken on a wider ring where it does, :data:`RING` of the way to
    the next support; from there to the narrow one, the mean sum of the curvatures grows by
    ``force · ln(wide / narrow) / 2πD`` exactly, as it is harmonic but for the force. Points beyond the plate are left
    out of a ring, and no ring that lacks some is narrowed.
    """
    at, narrow = positions(machine.supports), plate.thickness / mm_per_unit(machine)
    apart = distances(at).min(axis=0)
    angles = np.arange(16) * np.pi / 8.0
    circle = np.column_stack([np.cos(angles), np.sin(angles)])
    ratio, bending = plate.poissons_ratio, []
    for place, force, wide in zip(at, shape.forces, np.maximum(narrow, RING * apart), strict=True):
        ring = place + wide * circle
        ring = ring[(np.abs(ring - shape.middle) <= shape.half * (1.0 + 1e-9)).all(axis=1)]
        xx, yy, xy = (shape.derivatives(ring, *order).mean(axis=0) for order in ((2, 0), (0, 2), (1, 1)))
        grows = force * np.log(narrow / wide) / (2.0 * np.pi) if len(ring) == len(circle) else 0.0
        both, between = (1.0 + ratio) / 2.0 * (xx + yy + grows), (1.0 - ratio) * np.sqrt(3.0)
        bending.append([both, between / 2.0 * (xx - yy), between * xy])
    found: Floats = 6.0 * plate.bending_rigidity / plate.thickness**2 / mm_per_unit(machine) * np.array(bending)
    return found


def distances(at: Floats) -> Floats:
    """Return how far each place is from each other, infinite from itself."""
    found: Floats = np.hypot(*(at[:, None] - at).T) + np.diag(np.full(len(at), np.inf))
    return found
