"""A plate on four supports: rigid, it has three freedoms for four screws; flexible, the fourth screw twists it."""

from __future__ import annotations

from typing import Annotated, ClassVar, Literal

import numpy as np
from msgspec import Meta, Struct

from ..model.contract import Adjuster, Conditions, Effect, Floats, Move, Site
from ..model.errors import Fault, Refused
from ..model.machine import Machine, Support
from . import sentences
from .plate import PlateOnScrews, mm_per_unit, plate_of
from .rigid import COLLINEAR, fitted_shares, positions, require_plane, support_adjusters

SUPPORTS = 4


class Quadrilateral(Struct, frozen=True):
    """Four supports as corners of a convex quadrilateral.

    ``miss``, shape (4,), is the affine dependency of the corners: ``miss @ heights`` is how far the two diagonals pass
    each other, vertically, where they cross in plan, and zero exactly when the four heights lie in one plane. Its
    positive entries sum to one and belong to one diagonal, its negative entries to the other; the first is positive.
    Forces at the corners that balance each other are multiples of ``miss``.

    The twist is the function u·v of axes u, v through the middle of the corners, turned so that ``miss @ (u·v)`` is as
    large as it can be; ``pull`` is the complex number ``miss @ (x + i·y)²`` about the middle, and that largest value is
    |pull| / 2. For a rectangle, u and v are its sides; for a rhombus, they stand at 45° to its diagonals, where x·y may
    vanish at every corner. The value is never zero for a convex quadrilateral, because
    ``pull = s·(1 − s)·d₁² − t·(1 − t)·d₂²`` for diagonals d₁, d₂ (complex) that cross at shares s, t, and two diagonals
    that cross are not parallel.
    """

    at: Floats
    miss: Floats
    middle: Floats
    pull: complex
    area: float

    def twist(self, points: Floats) -> Floats:
        """Return u·v at the points, shape (n_points,), in units of length squared."""
        along = points - self.middle
        squares = (along[:, 0] + 1j * along[:, 1]) ** 2
        values: Floats = (np.conj(self.pull) * squares).real / (2 * abs(self.pull))
        return values

    def twist_of(self, travels: Floats) -> float:
        """Return c of w = c·u·v, in one over length, that the travels of the four corners give the plate."""
        return float(2 * (self.miss @ travels) / abs(self.pull))


def quadrilateral(supports: list[Support]) -> Quadrilateral:
    """Return the quadrilateral of four supports, listed in any order.

    Raises:
        Refused: not four supports, three of them on one line, or one inside the triangle of the others.
    """
    if len(supports) != SUPPORTS:
        raise Refused.at("/machine/supports", sentences.four_screw_needs_four_supports(len(supports)))
    require_plane(supports)
    at = positions(supports)
    middle = at.mean(axis=0)
    plan = at - middle
    miss = np.empty(SUPPORTS)
    for left_out in range(SUPPORTS):
        others = [index for index in range(SUPPORTS) if index != left_out]
        edges = plan[others] - plan[np.roll(others, -1)]
        sides = np.hypot(*edges.T)
        double_area = edges[0, 0] * edges[1, 1] - edges[0, 1] * edges[1, 0]
        if abs(double_area) < COLLINEAR * sides.max() ** 2:
            # opposite the longest side lies the one between the two others
            between = others[(int(np.argmax(sides)) + 2) % 3]
            names = ", ".join(f"`{supports[index].id}`" for index in others)
            raise Refused.at(
                f"/machine/supports/{between}",
                sentences.three_supports_in_line(names),
            )
        miss[left_out] = (-1) ** left_out * double_area
    positive = miss > 0
    if positive.sum() != 2:
        inside = int(np.argmax(positive if positive.sum() == 1 else ~positive))
        raise Refused.at(
            f"/machine/supports/{inside}",
            sentences.support_inside_triangle(supports[inside].id),
        )
    miss *= np.sign(miss[0]) / miss[positive].sum()
    first, second = (plan[np.flatnonzero(miss * sign > 0)] for sign in (1, -1))
    along, across = first[1] - first[0], second[1] - second[0]
    return Quadrilateral(
        at=at,
        miss=miss,
        middle=middle,
        pull=complex(miss @ (plan[:, 0] + 1j * plan[:, 1]) ** 2),
        area=float(abs(along[0] * across[1] - along[1] * across[0]) / 2),
    )


class FourScrew(PlateOnScrews, frozen=True, tag="four-screw"):
    """Plate on four supports at the corners of a convex quadrilateral, each raised by a screw.

    ``plate`` says what gives when four screws ask for more than a plane. A ``rigid`` plate does not: its travels are
    held coplanar. A ``flexible`` plate takes a twist u·v besides the plane, so that
    each support has its own shape, 1 there and 0 at the other three; ``most_stress`` is the share of the yield
    strength that the von Mises stress of this twist may reach; without a yield strength nothing limits it. Only the
    twist these travels add is counted; how the plate was bent before is not known.

    The corner forces take the plate to end at its supports. For a rectangle that is the handbook's formula; for other
    quadrilaterals the constant twist is a trial shape whose energy gives the force (Ritz), never too low for that
    plate. What overhangs the supports stiffens the plate and adds to the force.
    """

    plate: Annotated[
        Literal["rigid", "flexible"],
        Meta(
            description="What gives when four screws ask for more than a plane. `rigid`: nothing, travels keep the "
            "supports in one plane. `flexible`: the plate takes a twist besides."
        ),
    ] = "rigid"
    most_stress: Annotated[
        float, Meta(gt=0, le=0.5, description="Share of the yield strength that twisting a flexible plate may use.")
    ] = 0.2

    version: ClassVar[str] = "1.0"
    needs: ClassVar[str] = sentences.FOUR_SCREW_NEEDS
    example: ClassVar[str | None] = "four-screws.json"

    @classmethod
    def suits(cls, machine: Machine) -> bool:
        """Four supports without kinematic mounts."""
        return len(machine.supports) == SUPPORTS and all(support.mount is None for support in machine.supports)

    def adjusters(self, machine: Machine) -> tuple[Adjuster, ...]:
        """One adjuster for each support."""
        faults: list[Fault] = []
        try:
            quadrilateral(machine.supports)
        except Refused as refused:
            faults.extend(refused.faults)
        faults.extend(self.plate_faults(machine))
        if faults:
            raise Refused(faults)
        return support_adjusters(machine.supports)

    def influence(self, site: Site) -> Floats:
        """Shares of the plane through the supports and, for a flexible plate, of its twist; columns sum to one."""
        corners = quadrilateral(site.machine.supports)
        plane = fitted_shares(corners.at, site.points)
        if self.plate == "rigid":
            return plane
        bare = corners.twist(site.points) - plane @ corners.twist(corners.at)
        shapes: Floats = plane + np.outer(bare, 2 * corners.miss / abs(corners.pull))
        return shapes

    def conditions(self, machine: Machine) -> Conditions | None:
        """Keep the travels of a rigid plate in one plane, and the stress of a flexible one in its share of yield."""
        corners = quadrilateral(machine.supports)
        row = corners.miss[None, :]
        if self.plate == "rigid":
            why = sentences.TRAVELS_MUST_KEEP_A_PLANE
            return Conditions(row, np.zeros(1), np.zeros(1), (why,))
        plate = plate_of(machine)
        if plate.yield_strength is None:
            return None
        allowed = self.most_stress * plate.yield_strength
        # stress is proportional to the twist, and the twist in 1/mm to miss @ travels in the machine's unit
        stress_per_miss = plate.stress(2 / abs(corners.pull) / mm_per_unit(machine))
        most = np.array([allowed / stress_per_miss])
        why = sentences.stress_limits_travel(self.most_stress, allowed, most[0], machine.units)
        return Conditions(row, -most, most, (why,))

    def effects(self, move: Move) -> tuple[Effect, ...]:
        """Say what the fourth screw does: how far off one plane, and the force and stress of the twist."""
        if not np.any(move.travels):
            return ()
        machine = move.machine
        corners = quadrilateral(machine.supports)
        if self.plate == "rigid":
            return (_slack(machine, corners, move.travels),)
        plate = plate_of(machine)
        scale = mm_per_unit(machine)
        twist = corners.twist_of(move.travels) / scale
        # work done by forces F·miss equals twice the strain energy D·(1 − ν)·c²·area of the constant twist
        form = 4 * corners.area / abs(corners.pull)  # 4 for a rectangle; its miss of ±1/2 makes the handbook's 2
        forces = plate.twisting_rigidity * twist * form * corners.miss
        stress = plate.stress(twist)
        listed = sentences.forces_at("Twisting", [support.id for support in machine.supports], forces.tolist())
        return (
            Effect("largest corner force", float(np.abs(forces).max()), "N", listed),
            Effect("twisting stress", stress, "MPa", sentences.LARGEST_STRESS),
            *self.share_of_yield(machine, stress),
        )

    def cautions(self, machine: Machine) -> tuple[str, ...]:
        """Cautions: four screws can bend the plate they carry."""
        general = sentences.SCREWS_CAN_BEND_A_PLATE
        if self.plate == "rigid":
            return (general, sentences.BACKED_OFF_IT_MAY_TIP)
        bending = sentences.PLAN_TWISTS_THE_PLATE
        if machine.bed.yield_strength is None:
            return (general, bending, sentences.NOTHING_LIMITS_THE_TWIST)
        return (general, bending)


def _slack(machine: Machine, corners: Quadrilateral, travels: Floats) -> Effect:
    miss = float(corners.miss @ travels)
    if abs(miss) <= 1e-9 * np.abs(travels).max():
        says = sentences.PLANE_IS_KEPT
    else:
        high, low = (
            " and ".join(
                f"`{support.id}`"
                for support, share in zip(machine.supports, corners.miss, strict=True)
                if share * miss * sign > 0
            )
            for sign in (1, -1)
        )
        says = sentences.supports_out_of_plane(high, low)
    loose = sentences.SLACK_SUPPORT
    return Effect(sentences.OUT_OF_ONE_PLANE, abs(miss), machine.units, says + loose)
