"""The kit for solvers' authors: the built-in solvers pass it, and each of its checks can fail."""

from __future__ import annotations

from itertools import count
from typing import ClassVar

import msgspec
import numpy as np
import pytest
from msgspec import Struct
from msgspec.structs import replace

from tramwright_solvers.conformance import CHECKS, ConformanceError, check, findings
from tramwright_solvers.mechanisms import BUILT_IN
from tramwright_solvers.mechanisms.three_screw import ThreeScrew
from tramwright_solvers.model.contract import Adjuster, Conditions, Effect, Floats, Mechanism, Move, Part, Site
from tramwright_solvers.model.machine import Machine

BED = {"x": [0, 520], "y": [10, 430], "thickness": 8}
SCREWS = [{"id": "wren", "x": 30, "y": 40}, {"id": "robin", "x": 470, "y": 45}, {"id": "linnet", "x": 250, "y": 400}]

REAR = [{"id": "finch", "x": 35, "y": 400}, {"id": "serin", "x": 480, "y": 390}]


def machine_with(**parts: object) -> Machine:
    return msgspec.convert({"bed": BED, **parts}, Machine)


def vee(at: dict[str, object], axis: float) -> dict[str, object]:
    return {**at, "z": -30, "mount": {"kind": "vee", "axis": axis}, "screw": {"lead": 0.7}}


def seats(along: str, places: dict[str, list[float]]) -> list[dict[str, object]]:
    across = {"left": -40, "right": 560}
    return [
        {"id": f"{rail}-{at}", "rail": rail, along: at, "xy".replace(along, ""): across[rail]}
        for rail, ats in places.items()
        for at in ats
    ]


THREE = machine_with(supports=SCREWS)
MACHINES = {
    "three screws": THREE,
    "four screws": machine_with(supports=[*SCREWS[:2], *REAR]),
    "six screws": machine_with(supports=[*SCREWS, *REAR, {"id": "siskin", "x": 255, "y": 210}]),
    "three vees": machine_with(supports=[vee(at, axis) for at, axis in zip(SCREWS, (210, 330, 90), strict=True)]),
    "rails along y": machine_with(
        rails={
            "along": "y",
            "seats": seats("y", {"left": [0, 450], "right": [450, 10]}),
            "block_spacing": 60,
            "tool_offset": -35,
        }
    ),
    "rails along x, three and four seats": machine_with(
        rails={
            "along": "x",
            "seats": seats("x", {"left": [0, 200, 500], "right": [510, 0, 150, 300]}),
            "tool_offset": 20,
        }
    ),
    "inches": msgspec.convert(
        {"units": "inch", "bed": {"x": [0, 20], "y": [0, 16]}, "supports": [
            {"id": "a", "x": 1, "y": 1}, {"id": "b", "x": 19, "y": 2}, {"id": "c", "x": 9, "y": 15}]},
        Machine,
    ),
}  # fmt: skip
SUITED = [
    pytest.param(solver(), machine, id=f"{solver.name()}, {title}")
    for solver in BUILT_IN
    for title, machine in MACHINES.items()
    if solver.suits(machine)
]


@pytest.mark.parametrize(("solver", "machine"), SUITED)
def test_built_in_solvers_conform(solver: Mechanism, machine: Machine) -> None:
    check(solver, machine)


def test_every_built_in_solver_was_checked() -> None:
    assert {type(case.values[0]) for case in SUITED} == set(BUILT_IN)


class Sound(ThreeScrew, frozen=True, tag="sound"):
    """Conforms; what follows breaks it in one way each."""

    arm: float = 1.0


class OldContract(Sound, frozen=True, tag="old"):
    contract: ClassVar[int] = 0


class AcceptsAnything(Sound, frozen=True, tag="lax", forbid_unknown_fields=False):
    pass


class OneName(Sound, frozen=True, tag="one-name"):
    def adjusters(self, machine: Machine) -> tuple[Adjuster, ...]:
        return tuple(replace(one, id="same") for one in super().adjusters(machine))


class NowhereToStand(Sound, frozen=True, tag="nowhere"):
    def adjusters(self, machine: Machine) -> tuple[Adjuster, ...]:
        return tuple(replace(one, lower=0.1) for one in super().adjusters(machine))


class LostPointer(Sound, frozen=True, tag="lost"):
    def adjusters(self, machine: Machine) -> tuple[Adjuster, ...]:
        return tuple(replace(one, pointer="/machine/supports/17") for one in super().adjusters(machine))


class NotFinite(Sound, frozen=True, tag="not-finite"):
    def influence(self, site: Site) -> Floats:
        return np.where(np.isclose(site.points[:, :1], site.machine.bed.x[0], atol=60), np.nan, super().influence(site))


class WrongShape(Sound, frozen=True, tag="wrong-shape"):
    def influence(self, site: Site) -> Floats:
        return super().influence(site).T


class MovesByItself(Sound, frozen=True, tag="restless"):
    def gap_change(self, move: Move) -> Floats:
        return super().gap_change(move) + 0.01


class WrongSign(Sound, frozen=True, tag="wrong-sign"):
    def gap_change(self, move: Move) -> Floats:
        return -(ThreeScrew.influence(self, move) @ move.travels)


class Leaks(Sound, frozen=True, tag="leaks"):
    def influence(self, site: Site) -> Floats:
        return 0.9 * super().influence(site)


class TiedToTheOrigin(Sound, frozen=True, tag="tied"):
    def influence(self, site: Site) -> Floats:
        bent = site.points[:, :1] / (site.machine.bed.x[1] - site.machine.bed.x[0])
        return super().influence(site) + bent * np.array([1.0, -1.0, 0.0])


class HiddenMillimetre(Sound, frozen=True, tag="millimetre"):
    def influence(self, site: Site) -> Floats:
        width = site.machine.bed.x[1] - site.machine.bed.x[0]
        return super().influence(site) + 10.0 / width * np.array([1.0, -1.0, 0.0])


class SortsRows(Sound, frozen=True, tag="sorts"):
    def influence(self, site: Site) -> Floats:
        return super().influence(Site(site.machine, site.points[np.lexsort(site.points.T)]))


CALLS = count()


class Forgetful(Sound, frozen=True, tag="forgetful"):
    def influence(self, site: Site) -> Floats:
        return super().influence(site) * (1.0 + 1e-15 * (next(CALLS) % 2))


class WritesPoints(Sound, frozen=True, tag="writes"):
    def gap_change(self, move: Move) -> Floats:
        change = super().gap_change(move)
        move.points[:] = 0.0
        return change


class NeverAllowed(Sound, frozen=True, tag="never"):
    def conditions(self, machine: Machine) -> Conditions | None:
        ends = np.array([0.1, -0.2])
        return Conditions(np.ones((2, 3)), ends, ends + 0.1, ("Up it goes.", "Down it goes."))


class DropsWhatIsSaid(Sound, frozen=True, tag="drops"):
    def adjusters(self, machine: Machine) -> tuple[Adjuster, ...]:
        return tuple(replace(one, pointer="/machine/supports", effort=1.0) for one in super().adjusters(machine))


class Loose(Struct):
    sag: float = 0.0


class LooseExtras(Sound, frozen=True, tag="loose"):
    extras: ClassVar[type[Struct] | None] = Loose


class SaysItIsLinear(Sound, frozen=True, tag="bent"):
    def gap_change(self, move: Move) -> Floats:
        return super().influence(move) @ (2.0 * np.sin(move.travels / 2.0))


class NoReason(Sound, frozen=True, tag="no-reason"):
    def conditions(self, machine: Machine) -> Conditions | None:
        return Conditions(np.ones((1, 3)), np.zeros(1), np.zeros(1), ())


class EndlessForce(Sound, frozen=True, tag="endless"):
    def effects(self, move: Move) -> tuple[Effect, ...]:
        return (Effect("force", np.inf, "N", "The plate carries an endless force."),)


class HalfTheWay(Sound, frozen=True, tag="half-way"):
    def parts(self, move: Move) -> tuple[Part, ...]:
        return tuple(replace(part, travel=part.travel / 2) for part in super().parts(move))


class MiscountsParts(Sound, frozen=True, tag="miscounts"):
    def parts(self, move: Move) -> tuple[Part, ...]:
        return tuple(replace(part, counts={0: part.travel}) for part in super().parts(move))


class Breaks(Sound, frozen=True, tag="breaks"):
    def influence(self, site: Site) -> Floats:
        raise ZeroDivisionError("no lever")


BROKEN: list[tuple[type[Mechanism], set[str]]] = [
    (OldContract, {"declaration"}),
    (AcceptsAnything, {"declaration", "options"}),
    (OneName, {"adjusters"}),
    (NowhereToStand, {"adjusters"}),
    (LostPointer, {"adjusters"}),
    (DropsWhatIsSaid, {"said of places"}),
    (LooseExtras, {"extras"}),
    (SaysItIsLinear, {"linear"}),
    (NotFinite, {"shape"}),
    (WrongShape, {"shape"}),
    (MovesByItself, {"zero travel", "linear"}),
    (WrongSign, {"finite differences", "linear"}),
    (Leaks, {"partition of unity"}),
    (TiedToTheOrigin, {"origin"}),
    (HiddenMillimetre, {"unit"}),
    (SortsRows, {"order of points"}),
    (Forgetful, {"determinism"}),
    (WritesPoints, {"inputs"}),
    (NeverAllowed, {"conditions"}),
    (NoReason, {"conditions"}),
    (HalfTheWay, {"parts"}),
    (MiscountsParts, {"parts"}),
    (EndlessForce, {"remarks"}),
    (Breaks, {"shape", "finite differences", "origin", "unit", "order of points", "determinism", "inputs"}),
]
FOLLOWS = {NotFinite, WrongShape, SortsRows, Breaks}
"""Broken so badly that further checks fail with it."""


@pytest.mark.parametrize(("broken", "titles"), BROKEN, ids=[broken.name() for broken, _ in BROKEN])
def test_each_check_can_fail(broken: type[Mechanism], titles: set[str]) -> None:
    failed = {finding.check for finding in findings(broken(), THREE)}
    assert titles <= failed
    assert failed == titles or broken in FOLLOWS


def test_no_check_is_without_a_mechanism_that_fails_it() -> None:
    assert set().union(*(titles for _, titles in BROKEN)) == set(CHECKS)


def test_everything_found_is_listed_in_one_error() -> None:
    assert findings(Sound(), THREE) == []
    with pytest.raises(ConformanceError, match=r"declaration: .*contract 0.*\noptions: an unknown option") as caught:
        check(type("Worse", (AcceptsAnything,), {"contract": 0}, frozen=True, tag="worse")(), THREE)
    assert [finding.check for finding in caught.value.findings] == ["declaration", "options"]


def test_options_that_are_lengths_follow_the_unit() -> None:
    class Lever(Sound, frozen=True, tag="lever"):
        arm: float = 40.0

        def influence(self, site: Site) -> Floats:
            width = site.machine.bed.x[1] - site.machine.bed.x[0]
            return super().influence(site) + self.arm / width * np.array([1.0, -1.0, 0.0])

    check(Lever(), THREE, lengths=["arm"])
    with pytest.raises(ConformanceError, match="the other unit"):
        check(Lever(), THREE)


def test_options_that_are_places_follow_the_origin_and_the_unit() -> None:
    class Hinge(Sound, frozen=True, tag="hinge"):
        hinge_y: float = 25.0

        def influence(self, site: Site) -> Floats:
            depth = site.machine.bed.y[1] - site.machine.bed.y[0]
            return super().influence(site) + (site.points[:, 1:] - self.hinge_y) / depth * np.array([1.0, -1.0, 0.0])

    check(Hinge(), THREE, places={"hinge_y": "y"})
    assert {finding.check for finding in findings(Hinge(), THREE)} == {"origin", "unit"}


def test_an_exact_eccentric_much_smaller_than_the_bed_conforms() -> None:
    class Eccentric(Sound, frozen=True, tag="eccentric"):
        """Each support rides on an eccentric of throw 2; the travel is the arc of its centre."""

        throw: float = 2.0
        linear: ClassVar[bool] = False
        lengths: ClassVar[tuple[str, ...]] = ("throw",)

        def gap_change(self, move: Move) -> Floats:
            return super().influence(move) @ (self.throw * np.sin(move.travels / self.throw))

    class Wrong(Eccentric, frozen=True, tag="wrong-eccentric"):
        def gap_change(self, move: Move) -> Floats:
            return 1.00001 * super().gap_change(move)

    assert findings(Eccentric(), THREE) == []
    assert findings(Eccentric(throw=0.1), THREE) == []
    assert {finding.check for finding in findings(Wrong(), THREE)} == {"finite differences"}
