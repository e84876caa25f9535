"""Four screws: a rigid plate's one equation, a flexible plate's fourth shape, and what twisting takes."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pytest
from msgspec.structs import replace

from tramwright_solvers.mechanisms.four_screw import FourScrew
from tramwright_solvers.mechanisms.plate import plate_of
from tramwright_solvers.model.contract import Move, Site
from tramwright_solvers.model.errors import Refused
from tramwright_solvers.model.machine import Bed, Machine, Mount, Support
from tramwright_solvers.model.units import MM_PER_INCH

Corners = Sequence[tuple[float, float]]

# Invented layouts, each listed in an order of its own.
RECTANGLE = [(30, 40), (470, 40), (470, 460), (30, 460)]
CROSSED_ORDER = [(30, 40), (470, 460), (470, 40), (30, 460)]
DIAMOND = [(250, 0), (500, 250), (250, 500), (0, 250)]
KITE = [(250, 10), (420, 300), (250, 480), (80, 300)]
TRAPEZOID = [(20, 30), (480, 30), (400, 450), (120, 450)]
SKEW = [(10, 20), (430, 70), (490, 410), (60, 350)]
LAYOUTS = [RECTANGLE, CROSSED_ORDER, DIAMOND, KITE, TRAPEZOID, SKEW]
NAMES = ["rectangle", "crossed-order", "diamond", "kite", "trapezoid", "skew"]

# Plate of references: E 70 GPa, ν 0.33, t 8 mm; the yield strength is invented.
PLATE = Bed(x=(0, 500), y=(0, 500), thickness=8.0, youngs_modulus=70.0, poissons_ratio=0.33, yield_strength=200.0)
SQUARE = [(0, 0), (500, 0), (500, 500), (0, 500)]
RIGID, FLEXIBLE = FourScrew(), FourScrew(plate="flexible")


def machine(corners: Corners, bed: Bed = PLATE) -> Machine:
    return Machine(bed=bed, supports=[Support(id=f"s{i}", x=x, y=y) for i, (x, y) in enumerate(corners)])


def plan(corners: Corners) -> np.ndarray:
    return np.array(corners, dtype=float)


def scattered(n: int = 40) -> np.ndarray:
    return np.random.default_rng(20).uniform(-50, 550, (n, 2))


def by_name(solver: FourScrew, move: Move) -> dict[str, float]:
    return {effect.name: effect.value for effect in solver.effects(move)}


def inches(mm: Machine) -> Machine:
    bed = mm.bed
    return replace(
        mm,
        units="inch",
        bed=replace(
            bed,
            x=tuple(v / MM_PER_INCH for v in bed.x),
            y=tuple(v / MM_PER_INCH for v in bed.y),
            thickness=bed.thickness / MM_PER_INCH,
        ),
        supports=[replace(s, x=s.x / MM_PER_INCH, y=s.y / MM_PER_INCH) for s in mm.supports],
    )


@pytest.mark.parametrize("corners", LAYOUTS, ids=NAMES)
class TestBothPlates:
    def test_columns_sum_to_one(self, corners: Corners) -> None:
        for solver in (RIGID, FLEXIBLE):
            shares = solver.influence(Site(machine(corners), scattered()))
            assert shares.shape == (40, 4)
            assert shares.sum(axis=1) == pytest.approx(np.ones(40), abs=1e-12)

    def test_coplanar_travels_give_their_plane(self, corners: Corners) -> None:
        def height(at: np.ndarray) -> np.ndarray:
            return 0.3 - 0.0011 * at[:, 0] + 0.0007 * at[:, 1]

        for solver in (RIGID, FLEXIBLE):
            change = solver.gap_change(Move(machine(corners), scattered(), height(plan(corners))))
            assert change == pytest.approx(height(scattered()), abs=1e-12)

    def test_the_condition_is_the_distance_between_the_diagonals(self, corners: Corners) -> None:
        row = RIGID.conditions(machine(corners)).matrix[0]
        at = plan(corners)
        assert row[0] > 0
        assert row[row > 0].sum() == pytest.approx(1, abs=1e-14)
        # both diagonals pass through one point in plan: a convex figure's definition
        assert row @ np.column_stack([np.ones(4), at]) == pytest.approx(np.zeros(3), abs=1e-11)
        crossing = (row[row > 0] @ at[row > 0], -row[row < 0] @ at[row < 0])
        assert crossing[0] == pytest.approx(crossing[1], abs=1e-11)

    def test_a_flexible_support_moves_its_own_corner_and_no_other(self, corners: Corners) -> None:
        at_supports = FLEXIBLE.influence(Site(machine(corners), plan(corners)))
        assert at_supports == pytest.approx(np.eye(4), abs=1e-12)

    def test_the_twist_bends_no_way_on_average(self, corners: Corners) -> None:
        """The fourth shape is u·v in turned axes: its Laplacian vanishes, its second derivatives are constant."""
        h, here = 10.0, np.array([201.0, 133.0])
        star = here + h * np.array([(0, 0), (1, 0), (-1, 0), (0, 1), (0, -1)])
        shape = FLEXIBLE.influence(Site(machine(corners), star))
        laplacian = (shape[1:].sum(axis=0) - 4 * shape[0]) / h**2
        assert laplacian == pytest.approx(np.zeros(4), abs=1e-14)

    def test_forces_balance_and_do_the_work_that_the_plate_stores(self, corners: Corners) -> None:
        """Derived: half of force times travel equals D(1 - nu) (w_xy² - w_xx w_yy) times the area."""
        travels = np.array([0.05, -0.02, 0.01, 0.04])
        move = Move(machine(corners), scattered(), travels)
        row = RIGID.conditions(machine(corners)).matrix[0]
        largest = by_name(FLEXIBLE, move)["largest corner force"]
        forces = largest * row / np.abs(row).max() * np.sign(row @ travels)
        h = 20.0
        cross = np.array([(0, 0), (h, 0), (-h, 0), (0, h), (0, -h), (h, h), (-h, -h), (h, -h), (-h, h)]) + 250
        w = FLEXIBLE.gap_change(Move(machine(corners), cross, travels))
        wxx, wyy = (w[1] - 2 * w[0] + w[2]) / h**2, (w[3] - 2 * w[0] + w[4]) / h**2
        wxy = (w[5] + w[6] - w[7] - w[8]) / (4 * h**2)
        rigidity = 70e3 * 8**3 / (12 * 1.33)  # D(1 - nu) = E t³ / (12 (1 + nu)), N mm
        around = plan(corners)[np.argsort(np.arctan2(*(plan(corners) - plan(corners).mean(axis=0)).T))]
        x, y = around.T
        area = abs(x @ np.roll(y, 1) - y @ np.roll(x, 1)) / 2
        assert forces @ travels / 2 == pytest.approx(rigidity * (wxy**2 - wxx * wyy) * area, rel=1e-7)


def test_an_aligned_rectangle_has_the_bilinear_shapes() -> None:
    """Over {1, x, y, xy}, as for a plate whose sides lie along the axes."""
    at, points = plan(RECTANGLE), scattered()

    def terms(p: np.ndarray) -> np.ndarray:
        return np.column_stack([np.ones(len(p)), p, p[:, 0] * p[:, 1]])

    expected = terms(points) @ np.linalg.inv(terms(at))
    assert FLEXIBLE.influence(Site(machine(RECTANGLE), points)) == pytest.approx(expected, abs=1e-10)


@pytest.mark.parametrize("angle", [0.0, 17.0, 45.0, 90.0, 133.0])
def test_turning_the_whole_machine_turns_the_shapes_with_it(angle: float) -> None:
    """A diamond has no x·y of its own (all corners on the axes), so the axes of the twist must follow the plate."""
    c, s = math.cos(math.radians(angle)), math.sin(math.radians(angle))
    turn = np.array([[c, -s], [s, c]])
    for corners in (RECTANGLE, KITE, SKEW):
        straight = FLEXIBLE.influence(Site(machine(corners), scattered()))
        turned = FLEXIBLE.influence(Site(machine((plan(corners) @ turn.T).tolist()), scattered() @ turn.T))
        assert turned == pytest.approx(straight, abs=1e-10)


def test_a_rigid_plate_takes_only_coplanar_travels() -> None:
    conditions = RIGID.conditions(machine(RECTANGLE))
    assert conditions.matrix[0] == pytest.approx([0.5, -0.5, 0.5, -0.5])
    assert conditions.lower[0] == conditions.upper[0] == 0
    assert "one plane" in conditions.because[0]


class TestTwisting:
    def test_lift_of_a_corner_takes_the_published_force(self) -> None:
        """Plate on three corners, load P at the fourth: lift P L² / (2 D (1 - nu)).

        E 70 GPa, nu 0.33, t 8 mm, L 500 mm, P 10 N: 0.556640625 mm (Timoshenko & Woinowsky-Krieger's formula; a
        plate-bending finite element agrees to 4e-12).
        """
        forces = by_name(FLEXIBLE, Move(machine(SQUARE), scattered(), np.array([0, 0, 0.556640625, 0])))
        assert forces["largest corner force"] == pytest.approx(10.0, rel=1e-12)

    def test_force_and_stress_of_a_rectangle_follow_the_handbook(self) -> None:
        """P = 2 D (1 - nu) c with w = c x y; tau = 6 M / h², M = D (1 - nu) c; von Mises sqrt(3) tau."""
        width, depth, lift = 440.0, 420.0, -0.3
        c = lift / (width * depth)
        D = 70e3 * 8**3 / (12 * (1 - 0.33**2))
        effects = by_name(FLEXIBLE, Move(machine(RECTANGLE), scattered(), np.array([lift, 0, 0, 0])))
        assert effects["largest corner force"] == pytest.approx(2 * D * (1 - 0.33) * abs(c), rel=1e-12)
        stress = math.sqrt(3) * 6 * D * (1 - 0.33) * abs(c) / 8**2
        assert effects["twisting stress"] == pytest.approx(stress, rel=1e-12)
        assert effects["share of yield"] == pytest.approx(stress / 200, rel=1e-12)

    @pytest.mark.parametrize("corners", LAYOUTS, ids=NAMES)
    def test_at_the_bound_the_stress_is_the_allowed_share(self, corners: Corners) -> None:
        solver = FourScrew(plate="flexible", most_stress=0.35)
        conditions = solver.conditions(machine(corners))
        row = conditions.matrix[0]
        assert conditions.lower[0] == -conditions.upper[0]
        for bound in (conditions.lower[0], conditions.upper[0]):
            travels = row * bound / (row @ row)
            assert by_name(solver, Move(machine(corners), scattered(), travels))["share of yield"] == pytest.approx(
                0.35, rel=1e-12
            )

    def test_who_pushes_up_and_who_holds_down(self) -> None:
        """Raising one corner: it and the corner opposite push up, the other two hold the plate down."""
        says = FLEXIBLE.effects(Move(machine(RECTANGLE), scattered(), np.array([0.1, 0, 0, 0])))[0].says
        for support, does in (("s0", "pushes up"), ("s1", "holds down"), ("s2", "pushes up"), ("s3", "holds down")):
            assert f"`{support}` {does}" in says

    def test_inches_change_nothing_but_the_unit(self) -> None:
        mm, travels = machine(SKEW), np.array([0.05, -0.02, 0.01, 0.04])
        before, after = (
            Move(mm, scattered(), travels),
            Move(inches(mm), scattered() / MM_PER_INCH, travels / MM_PER_INCH),
        )
        assert FLEXIBLE.influence(after) == pytest.approx(FLEXIBLE.influence(before), abs=1e-11)
        assert by_name(FLEXIBLE, after) == pytest.approx(by_name(FLEXIBLE, before), rel=1e-11)
        bounds = [FLEXIBLE.conditions(site.machine).upper[0] for site in (before, after)]
        assert bounds[1] * MM_PER_INCH == pytest.approx(bounds[0], rel=1e-11)

    def test_no_travel_has_no_effects(self) -> None:
        for solver in (RIGID, FLEXIBLE):
            assert solver.effects(Move(machine(RECTANGLE), scattered(), np.zeros(4))) == ()


class TestRigidEffects:
    def test_coplanar_travels_lift_nothing(self) -> None:
        (effect,) = RIGID.effects(Move(machine(RECTANGLE), scattered(), np.array([0.1, 0.3, 0.2, 0.0])))
        assert effect.value == pytest.approx(0, abs=1e-15)
        assert "keep one plane" in effect.says
        assert "without lifting" in effect.says

    def test_travels_off_one_plane_name_the_pair_it_rocks_on(self) -> None:
        (effect,) = RIGID.effects(Move(machine(RECTANGLE), scattered(), np.array([0.1, 0.3, 0.2, 0.1])))
        assert effect.value == pytest.approx(0.05)
        assert "line through `s1` and `s3` passes" in effect.says


class TestRefusals:
    @pytest.mark.parametrize(
        ("corners", "pointer"),
        [
            (RECTANGLE[:3], "/machine/supports"),
            ([*RECTANGLE, (250, 250)], "/machine/supports"),
            ([(0, 0), (100, 0), (200, 0), (300, 0)], "/machine/supports"),
            ([(0, 0), (200, 0), (100, 0), (100, 300)], "/machine/supports/2"),
            ([(0, 0), (500, 0), (500, 0), (0, 500)], "/machine/supports/1"),
            ([(10, 10), (10, 10), (10, 10), (10, 10)], "/machine/supports"),
            ([(200, 150), (0, 0), (500, 0), (200, 500)], "/machine/supports/0"),
            ([(0, 0), (500, 0), (200, 500), (200, 150)], "/machine/supports/3"),
        ],
        ids=["three", "five", "line", "three-in-line", "two-at-one-place", "all-at-one-place", "inside", "inside-last"],
    )
    def test_supports_that_are_no_quadrilateral(self, corners: Corners, pointer: str) -> None:
        with pytest.raises(Refused) as refused:
            RIGID.adjusters(machine(corners))
        (fault,) = refused.value.faults
        assert fault.pointer == pointer
        assert "heck" in fault.detail or "needs exactly four" in fault.detail

    def test_every_missing_value_of_a_flexible_plate_is_pointed_at(self) -> None:
        bare = machine(RECTANGLE[:3], Bed(x=(0, 500), y=(0, 500), poissons_ratio=0.0))
        with pytest.raises(Refused) as refused:
            FLEXIBLE.adjusters(bare)
        assert [fault.pointer for fault in refused.value.faults] == [
            "/machine/supports",
            "/machine/bed/thickness",
            "/machine/bed/youngs_modulus",
        ]
        assert "rigid" in refused.value.faults[-1].detail

    def test_a_material_known_by_name_brings_its_elasticity_and_what_is_given_counts(self) -> None:
        # EN 1999-1-1, 3.2.5 and EN 1993-1-1, 3.2.6, both from memory
        for name, modulus, ratio in (("Aluminium", 70_000.0, 0.3), ("steel", 210_000.0, 0.3)):
            bed = Bed(x=(0, 500), y=(0, 500), thickness=8.0, material=name)
            found = plate_of(machine(RECTANGLE, bed))
            assert (found.youngs_modulus, found.poissons_ratio, found.yield_strength) == (modulus, ratio, None)
            assert len(FLEXIBLE.adjusters(machine(RECTANGLE, bed))) == 4
            softer = plate_of(machine(RECTANGLE, replace(bed, youngs_modulus=69.0)))
            assert (softer.youngs_modulus, softer.poissons_ratio) == (69_000.0, ratio)

    @pytest.mark.parametrize("name", ["glass", "cast iron", "granite", "old door"])
    def test_what_breaks_when_bent_has_to_be_given_in_numbers(self, name: str) -> None:
        with pytest.raises(Refused) as refused:
            FLEXIBLE.adjusters(machine(RECTANGLE, Bed(x=(0, 500), y=(0, 500), thickness=8.0, material=name)))
        assert [fault.pointer for fault in refused.value.faults] == [
            "/machine/bed/youngs_modulus",
            "/machine/bed/poissons_ratio",
        ]

    def test_without_a_yield_strength_the_stress_is_stated_and_the_caution_says_that_nothing_limits_it(self) -> None:
        bare = machine(RECTANGLE, Bed(x=(0, 500), y=(0, 500), thickness=8.0, material="aluminium"))
        assert FLEXIBLE.conditions(bare) is None
        move = Move(bare, np.zeros((1, 2)), np.array([0.1, 0.0, 0.0, 0.0]))
        assert [one.name for one in FLEXIBLE.effects(move)] == ["largest corner force", "twisting stress"]
        assert any("yield strength of the plate is not given" in one for one in FLEXIBLE.cautions(bare))
        assert not any("not given" in one for one in FLEXIBLE.cautions(machine(RECTANGLE, PLATE)))

    def test_a_rigid_plate_needs_none_of_them(self) -> None:
        assert len(RIGID.adjusters(machine(RECTANGLE, Bed(x=(0, 500), y=(0, 500))))) == 4


def test_it_suits_four_supports_without_mounts() -> None:
    four = machine(RECTANGLE)
    assert FourScrew.suits(four)
    assert not FourScrew.suits(machine(RECTANGLE[:3]))
    mounted = [replace(four.supports[0], mount=Mount(kind="cone")), *four.supports[1:]]
    assert not FourScrew.suits(replace(four, supports=mounted))


def test_cautions_speak_of_bending() -> None:
    assert any("bend a plate" in caution for caution in RIGID.cautions(machine(RECTANGLE)))
    assert any("glass" in caution for caution in FLEXIBLE.cautions(machine(RECTANGLE)))
