"""Kinematic mounts: small motion against published values and against the exact pose, heat, and refusals."""

from __future__ import annotations

import re

import numpy as np
import pytest
from msgspec.structs import replace
from scipy.optimize import root
from scipy.spatial.transform import Rotation

from tramwright_solvers.mechanisms.contacts import contacts_of
from tramwright_solvers.mechanisms.kinematic import Kinematic
from tramwright_solvers.mechanisms.three_screw import ThreeScrew
from tramwright_solvers.model.contract import Floats, Move, Site
from tramwright_solvers.model.errors import Refused
from tramwright_solvers.model.machine import Bed, Machine, Mount, Support
from tramwright_solvers.model.units import MM_PER_INCH

SOLVER = Kinematic()
PLACES = {"a": (40.0, 40.0), "b": (460.0, 40.0), "c": (250.0, 460.0)}


def vee(axis: float, included_angle: float = 90.0) -> Mount:
    return Mount(kind="vee", axis=axis, included_angle=included_angle)


CONE, FLAT = Mount(kind="cone"), Mount(kind="flat")


def machine(mounts: list[Mount], z: tuple[float, ...] = (-30.0, -30.0, -30.0), material: str | None = None) -> Machine:
    return Machine(
        bed=Bed(x=(0, 500), y=(0, 500), material=material),
        supports=[
            Support(id=name, x=x, y=y, z=height, mount=mount)
            for (name, (x, y)), height, mount in zip(PLACES.items(), z, mounts, strict=True)
        ],
    )


def on_circle(radius: float, mounts: list[Mount] | None = None, middle: tuple[float, float] = (0.0, 0.0)) -> Machine:
    """Balls at 90°, 210°, 330° on a circle; grooves along the radii unless other mounts are given."""
    angles = (90.0, 210.0, 330.0)
    directions = [np.array([np.cos(np.radians(a)), np.sin(np.radians(a))]) for a in angles]
    return Machine(
        bed=Bed(x=(-150, 150), y=(-150, 150)),
        supports=[
            Support(id=f"ball-{i}", x=middle[0] + radius * d[0], y=middle[1] + radius * d[1], mount=mount)
            for i, (d, mount) in enumerate(zip(directions, mounts or [vee(a) for a in angles], strict=True))
        ],
    )


PAYLOAD = machine([vee(210), vee(330), vee(90)])
"""The three vees of the wire contract."""
UNEVEN = machine([vee(200, 70), vee(-40, 110), vee(75)], z=(-30.0, -12.0, 8.0))
CONE_VEE_FLAT = machine([CONE, vee(0), FLAT])
FLAT_CONE_VEE = machine([FLAT, CONE, vee(120, 60)], z=(-40.0, -10.0, -25.0))
MOUNTS = [PAYLOAD, UNEVEN, CONE_VEE_FLAT, FLAT_CONE_VEE]
NAMES = ["payload", "uneven vees", "cone, vee, flat", "flat, cone, vee"]
TRAVELS = np.array([1.7, -0.9, 2.6])  # far more than a correction, so that second-order terms show


def points(n: int = 12) -> Floats:
    return np.random.default_rng(8).uniform(0, 500, (n, 2))


def value(effects: object, name: str) -> float:
    (found,) = [effect.value for effect in effects if effect.name == name]
    return found


def surface_by_scipy(of: Machine, travels: Floats, at: Floats) -> tuple[Floats, Rotation, Floats]:
    """Heights of the displaced surface from an independent statement of the six contacts.

    Written from the mount's geometry and solved by scipy: a ball in a cone keeps the cone's apex above its support, in
    a vee it stays on the line of the groove raised with the support, on a flat it stays at the flat's height.
    """

    def off(unknown: Floats) -> Floats:
        turn, shift = Rotation.from_rotvec(unknown[3:] / 100), unknown[:3]
        rows = []
        for support, travel in zip(of.supports, travels, strict=True):
            ball = np.array([support.x, support.y, support.z])
            moved = turn.apply(ball) + shift - ball - [0, 0, travel]
            if support.mount.kind == "cone":
                rows += [*moved]
            elif support.mount.kind == "flat":
                rows += [moved[2]]
            else:
                axis = np.radians(support.mount.axis)
                rows += [moved[1] * np.cos(axis) - moved[0] * np.sin(axis), moved[2]]
        return np.array(rows)

    found = root(off, np.zeros(6), tol=1e-14)
    assert np.abs(off(found.x)).max() < 1e-11
    turn, shift = Rotation.from_rotvec(found.x[3:] / 100), found.x[:3]
    # the plane through three displaced points of the surface, read at the machine's own x and y
    corners = turn.apply(np.array([(0.0, 0, 0), (500, 0, 0), (0, 500, 0)])) + shift
    plane = np.linalg.solve(np.column_stack([np.ones(3), corners[:, :2]]), corners[:, 2])
    return np.column_stack([np.ones(len(at)), at]) @ plane, turn, shift


@pytest.mark.parametrize("of", MOUNTS, ids=NAMES)
class TestEveryMount:
    def test_influence_is_the_slope_of_the_exact_change(self, of: Machine) -> None:
        influence = SOLVER.influence(Site(of, points()))
        h = 1e-3
        for j, unit in enumerate(np.eye(3)):
            up, down = (SOLVER.gap_change(Move(of, points(), sign * h * unit)) for sign in (1, -1))
            assert (up - down) / (2 * h) == pytest.approx(influence[:, j], abs=1e-6)

    def test_exact_change_agrees_with_scipy(self, of: Machine) -> None:
        change = SOLVER.gap_change(Move(of, points(), TRAVELS))
        expected, _, _ = surface_by_scipy(of, TRAVELS, points())
        assert change == pytest.approx(expected, abs=1e-9)

    def test_exact_pose_differs_from_first_order_by_second_order(self, of: Machine) -> None:
        """Halving the travels quarters the difference: it is there, and it is no first-order mistake."""
        influence = SOLVER.influence(Site(of, points()))
        gaps = [
            np.abs(SOLVER.gap_change(Move(of, points(), s * TRAVELS)) - influence @ (s * TRAVELS)).max() for s in (4, 2)
        ]
        assert gaps[1] > 1e-6
        assert 3 < gaps[0] / gaps[1] < 5

    def test_columns_sum_to_one(self, of: Machine) -> None:
        assert SOLVER.influence(Site(of, points())).sum(axis=1) == pytest.approx(np.ones(12), abs=1e-12)

    def test_to_first_order_each_ball_rises_with_its_own_support(self, of: Machine) -> None:
        """Derived: adding the flanks of a vee leaves v_z = a, whatever the groove's direction, angle and height."""
        at = np.array(list(PLACES.values()))
        assert SOLVER.influence(Site(of, at)) == pytest.approx(np.eye(3), abs=1e-12)
        screws = ThreeScrew().influence(Site(of, points()))
        assert SOLVER.influence(Site(of, points())) == pytest.approx(screws, abs=1e-12)

    def test_side_shift_and_turn_agree_with_scipy(self, of: Machine) -> None:
        effects = SOLVER.effects(Move(of, points(), TRAVELS))
        _, turn, shift = surface_by_scipy(of, TRAVELS, points())
        middle = np.array([250.0, 250.0, 0.0])
        expected = turn.apply(middle) + shift - middle
        assert value(effects, "side shift in x") == pytest.approx(expected[0], abs=1e-9)
        assert value(effects, "side shift in y") == pytest.approx(expected[1], abs=1e-9)
        spin = np.degrees(turn.as_euler("xyz")[2])
        assert value(effects, "turn about the vertical") == pytest.approx(spin, abs=1e-3)

    def test_each_supports_shift_per_travel_is_the_limit_of_the_exact_shift(self, of: Machine) -> None:
        h = 1e-4
        for support, unit in zip(of.supports, np.eye(3), strict=True):
            effects = SOLVER.effects(Move(of, points(), h * unit))
            exact = np.hypot(value(effects, "side shift in x"), value(effects, "side shift in y")) / h
            assert value(effects, f"side shift for each mm of `{support.id}`") == pytest.approx(exact, abs=1e-4)

    def test_inches_change_nothing_but_the_unit(self, of: Machine) -> None:
        inch = replace(
            of,
            units="inch",
            bed=replace(of.bed, x=(0, 500 / MM_PER_INCH), y=(0, 500 / MM_PER_INCH)),
            supports=[replace(s, x=s.x / MM_PER_INCH, y=s.y / MM_PER_INCH, z=s.z / MM_PER_INCH) for s in of.supports],
        )
        mm_move, inch_move = Move(of, points(), TRAVELS), Move(inch, points() / MM_PER_INCH, TRAVELS / MM_PER_INCH)
        assert SOLVER.influence(inch_move) == pytest.approx(SOLVER.influence(mm_move), abs=1e-12)
        assert SOLVER.gap_change(inch_move) * MM_PER_INCH == pytest.approx(SOLVER.gap_change(mm_move), abs=1e-10)
        ratios = [value(SOLVER.effects(move), "conditioning") for move in (mm_move, inch_move)]
        assert ratios[1] == pytest.approx(ratios[0], rel=1e-12)


class TestPublishedThreeVees:
    """R = 100, balls at 90°, 210°, 330°, flanks at 45°: recomputed reference, agreeing with two dynamics packages."""

    def test_determinant(self) -> None:
        rows = contacts_of(on_circle(100).supports).rows(np.zeros(3))
        assert abs(np.linalg.det(rows)) == pytest.approx(6_750_000, rel=1e-12)

    def test_singular_values_and_condition(self) -> None:
        values, _ = contacts_of(on_circle(100).supports).singular()
        assert values == pytest.approx(np.sqrt([3, 3, 1.5, 1.5, 1.5, 1.5]), rel=1e-12)
        effects = SOLVER.effects(Move(on_circle(100), np.zeros((1, 2)), np.zeros(3)))
        assert value(effects, "conditioning") == pytest.approx(np.sqrt(2), rel=1e-12)

    def test_raising_one_ball(self) -> None:
        contacts = contacts_of(on_circle(100).supports)
        motion = contacts.solve(contacts.lift(3) @ [0.010, 0, 0])
        assert motion[2] == pytest.approx(0.00333333, abs=5e-9)
        assert np.linalg.norm(motion[3:]) == pytest.approx(6.6666667e-5, abs=5e-13)
        heights = motion[2] + np.cross(motion[3:], contacts.balls[[0, 2, 4]])[:, 2]
        assert heights == pytest.approx([0.010, 0, 0], abs=1e-15)


class TestHeat:
    def rest(self, of: Machine) -> tuple[float, float]:
        effects = SOLVER.effects(Move(of, np.zeros((1, 2)), np.zeros(3)))
        return tuple(value(effects, f"point at rest when the bed warms, {axis}") for axis in "xy")

    @pytest.mark.parametrize("middle", [(0.0, 0.0), (180.0, -35.0)])
    def test_three_even_vees_keep_their_centre(self, middle: tuple[float, float]) -> None:
        assert self.rest(on_circle(100, middle=middle)) == pytest.approx(middle, abs=1e-10)

    def test_a_cone_stays_put_when_the_groove_points_at_it(self) -> None:
        assert self.rest(CONE_VEE_FLAT) == pytest.approx(PLACES["a"], abs=1e-10)

    def test_a_cone_stays_put_though_the_groove_turns_the_bed(self) -> None:
        """The cone's own height must not count either: heat tilts the bed about it, and the cone stays put in plan."""
        of = machine([CONE, vee(30), FLAT], z=(0.0, 0.0, 0.0))
        assert self.rest(of) == pytest.approx(PLACES["a"], abs=1e-10)
        says = SOLVER.effects(Move(of, np.zeros((1, 2)), np.zeros(3)))[0].says
        assert "turns a little" in says

    def test_three_grooves_through_one_point_keep_that_point(self) -> None:
        """Derived: every ball then slides along its groove and the bed does not turn."""
        point = np.array([201.0, 177.0])
        axes = [float(np.degrees(np.arctan2(*(np.array(place) - point)[::-1]))) for place in PLACES.values()]
        assert self.rest(machine([vee(axis) for axis in axes])) == pytest.approx(point, abs=1e-9)

    def test_the_point_at_rest_agrees_with_a_bed_that_has_grown(self) -> None:
        """Independent: scipy finds the pose of a bed grown by 1e-6 in its old mounts; the point must not have moved."""
        growth = 1e-6

        def off(unknown: Floats) -> Floats:
            turn, rows = Rotation.from_rotvec(unknown[3:] / 100), []
            for support in UNEVEN.supports:
                ball = np.array([support.x, support.y, support.z])
                moved = turn.apply(ball * (1 + growth)) + unknown[:3] - ball
                axis = np.radians(support.mount.axis)
                rows += [moved[1] * np.cos(axis) - moved[0] * np.sin(axis), moved[2]]
            return np.array(rows)

        found = root(off, np.zeros(6), tol=1e-14).x
        place = np.array([*self.rest(UNEVEN), 0.0])
        moved = Rotation.from_rotvec(found[3:] / 100).apply(place * (1 + growth)) + found[:3] - place
        assert moved[:2] / growth == pytest.approx(np.zeros(2), abs=1e-2)  # mm per unit growth; second order in growth

    def test_slide_along_the_grooves(self) -> None:
        """Growth of the radius: 23.6e-6 · 100 mm · 10 °C (6061: Callister, Table B.6)."""
        of = on_circle(100)
        of = replace(of, bed=replace(of.bed, material="Aluminium"))
        effects = SOLVER.effects(Move(of, np.zeros((1, 2)), np.zeros(3)))
        assert value(effects, "slide of a contact for 10 °C") == pytest.approx(23.6e-6 * 100 * 10, rel=1e-12)

    @pytest.mark.parametrize("material", [None, "a secret alloy"])
    def test_unknown_expansion_says_nothing_of_slide(self, material: str | None) -> None:
        of = machine([CONE, vee(0), FLAT], material=material)
        names = [effect.name for effect in SOLVER.effects(Move(of, np.zeros((1, 2)), np.zeros(3)))]
        assert not [name for name in names if "slide" in name]


class TestRefusals:
    def refused(self, of: Machine) -> list[tuple[str, str]]:
        with pytest.raises(Refused) as refused:
            SOLVER.adjusters(of)
        return [(fault.pointer, fault.detail) for fault in refused.value.faults]

    def test_wrong_number_of_supports(self) -> None:
        ((pointer, detail),) = self.refused(replace(PAYLOAD, supports=PAYLOAD.supports[:2]))
        assert pointer == "/machine/supports"
        assert "there are 2" in detail

    def test_every_fault_of_the_mounts_at_once(self) -> None:
        supports = [
            replace(PAYLOAD.supports[0], mount=None),
            replace(PAYLOAD.supports[1], mount=Mount(kind="vee")),
            replace(PAYLOAD.supports[2], mount=Mount(kind="flat", axis=10)),
        ]
        pointers = [pointer for pointer, _ in self.refused(replace(PAYLOAD, supports=supports))]
        assert pointers == [
            "/machine/supports/0/mount",
            "/machine/supports/1/mount/axis",
            "/machine/supports/2/mount/axis",
        ]

    @pytest.mark.parametrize(
        ("mounts", "words"),
        [
            ([FLAT, FLAT, FLAT], "3 of the bed's six freedoms are left free"),
            ([vee(0), vee(0), FLAT], "1 of the bed's six freedoms is left free"),
            ([CONE, CONE, FLAT], "1 more than six"),
        ],
    )
    def test_mounts_that_do_not_hold_six(self, mounts: list[Mount], words: str) -> None:
        ((pointer, detail),) = self.refused(machine(mounts))
        assert pointer == "/machine/supports"
        assert words in detail
        assert "three vees" in detail

    def test_parallel_grooves_leave_a_slide(self) -> None:
        ((pointer, detail),) = self.refused(machine([vee(25), vee(205), vee(25)]))
        assert pointer == "/machine/supports"
        assert "slide along the direction 25°" in detail

    def test_grooves_round_one_point_leave_a_turn(self) -> None:
        """Grooves at right angles to the lines to one point are tangents of circles about it: the bed turns there."""
        point = np.array([201.0, 177.0])
        away = [np.array(place) - point for place in PLACES.values()]
        mounts = [vee(float(np.degrees(np.arctan2(d[0], -d[1])))) for d in away]
        ((pointer, detail),) = self.refused(machine(mounts))
        assert pointer == "/machine/supports"
        x, y = re.search(r"vertical axis near x = (\S+), y = (\S+), because", detail).groups()
        assert (float(x), float(y)) == pytest.approx((201, 177), abs=1e-6)

    def test_a_groove_across_the_line_to_the_cone_leaves_a_turn_about_the_cone(self) -> None:
        ((_, detail),) = self.refused(machine([CONE, vee(90), FLAT]))
        assert "near x = 40, y = 40" in detail

    def test_supports_in_line_carry_no_plane(self) -> None:
        supports = [replace(s, x=100.0 * i, y=50.0 * i) for i, s in enumerate(PAYLOAD.supports)]
        ((pointer, detail),) = self.refused(replace(PAYLOAD, supports=supports))
        assert pointer == "/machine/supports"
        assert "one line" in detail

    def test_travels_that_the_bed_cannot_follow(self) -> None:
        with pytest.raises(Refused, match="too large") as refused:
            SOLVER.gap_change(Move(PAYLOAD, points(), np.array([1000.0, -1000.0, 0.0])))
        assert refused.value.faults[0].pointer == "/machine/supports"


def test_it_suits_three_supports_that_all_have_mounts() -> None:
    assert Kinematic.suits(PAYLOAD)
    assert not ThreeScrew.suits(PAYLOAD)
    assert not Kinematic.suits(replace(PAYLOAD, supports=PAYLOAD.supports[:2]))
    bare = [replace(PAYLOAD.supports[0], mount=None), *PAYLOAD.supports[1:]]
    assert not Kinematic.suits(replace(PAYLOAD, supports=bare))


def test_its_adjusters_are_the_supports() -> None:
    assert [adjuster.id for adjuster in SOLVER.adjusters(PAYLOAD)] == ["a", "b", "c"]


def test_raising_every_support_shifts_nothing_sideways() -> None:
    effects = SOLVER.effects(Move(UNEVEN, points(), np.full(3, 0.7)))
    assert SOLVER.gap_change(Move(UNEVEN, points(), np.full(3, 0.7))) == pytest.approx(np.full(12, 0.7), abs=1e-12)
    assert value(effects, "side shift in x") == pytest.approx(0, abs=1e-12)
    assert value(effects, "turn about the vertical") == pytest.approx(0, abs=1e-12)


def test_no_travel_shifts_nothing_and_says_so_by_silence() -> None:
    assert not [e for e in SOLVER.effects(Move(PAYLOAD, points(), np.zeros(3))) if "shift" in e.name]
