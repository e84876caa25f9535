"""Three balls in three vees: closed forms, and exact poses with the rotations of an independent library."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import root
from scipy.spatial.transform import Rotation

from references import reference
from tramwright_solvers.mechanisms.contacts import contacts_of
from tramwright_solvers.mechanisms.kinematic import Kinematic
from tramwright_solvers.model.contract import Move, Site
from tramwright_solvers.model.machine import Bed, Machine, Mount, Support

# Balls on a circle of 100 mm at 90°, 210° and 330°, flanks of 45°, grooves towards the middle.
ANGLES = (90.0, 210.0, 330.0)
BALLS = np.array([(100.0 * np.cos(np.radians(a)), 100.0 * np.sin(np.radians(a))) for a in ANGLES])


def three_vees(z: float = 0.0, turned: float = 0.0) -> Machine:
    supports = [
        Support(f"s{k}", float(x), float(y), z=z, mount=Mount("vee", axis=angle + turned))
        for k, (angle, (x, y)) in enumerate(zip(ANGLES, BALLS, strict=True))
    ]
    return Machine(bed=Bed((-150.0, 150.0), (-150.0, 150.0)), supports=supports)


@reference(
    "derived",
    source="closed form by symmetry: with rows [n, p × n], n = (±t + k)/√2, |det| = 6 750 000 and, rotations scaled by "
    "R, singular values √3, √3, √1.5 four times; recomputed by numpy",
    proves="the six contacts of three vees and the conditioning quoted",
)
def test_determinant_and_singular_values() -> None:
    machine = three_vees()
    contacts = contacts_of(machine.supports)
    assert abs(np.linalg.det(contacts.rows(np.zeros(3)))) == pytest.approx(6_750_000.0, rel=1e-12)
    values, _ = contacts.singular()
    assert values == pytest.approx(np.sqrt([3.0, 3.0, 1.5, 1.5, 1.5, 1.5]), rel=1e-12)
    # What the answer quotes as conditioning is √2.
    quoted = {effect.name: effect.value for effect in Kinematic().effects(Move(machine, BALLS, np.zeros(3)))}
    assert quoted["conditioning"] == pytest.approx(np.sqrt(2.0), rel=1e-12)


@reference(
    "derived",
    source="closed form by symmetry: ball 1 up by 0.010 gives dz = 0.00333333, rotation 0.010/(1.5 R) = 6.6666667e-5, "
    "ball heights (0.010, 0, 0)",
    proves="the small motion of a bed on three vees",
)
def test_one_ball_raised() -> None:
    machine = three_vees()
    contacts = contacts_of(machine.supports)
    motion = contacts.solve(contacts.lift(3)) @ [0.010, 0.0, 0.0]
    assert motion[2] == pytest.approx(0.00333333, abs=5e-9)
    assert np.linalg.norm(motion[3:]) == pytest.approx(6.6666667e-5, abs=5e-13)
    heights = Kinematic().influence(Site(machine, BALLS)) @ [0.010, 0.0, 0.0]
    assert heights == pytest.approx([0.010, 0.0, 0.0], abs=1e-16)
    # As a finite rotation, by way of the exact pose: what is left is of second order, R·φ² = 4e-7.
    exact = Kinematic().gap_change(Move(machine, BALLS, np.array([0.010, 0.0, 0.0])))
    assert exact == pytest.approx([0.010, 0.0, 0.0], abs=1e-6)


CONE_VEE_FLAT = [
    Support("cone", 40.0, 40.0, z=-30.0, mount=Mount("cone")),
    Support("vee", 460.0, 40.0, z=-30.0, mount=Mount("vee", axis=0.0, included_angle=100.0)),
    Support("flat", 250.0, 460.0, z=-30.0, mount=Mount("flat")),
]


@reference(
    "library",
    packages=("scipy",),
    source="scipy.spatial Rotation by rotation vector and scipy.optimize.root on the six distances; no code shared with"
    " ours",
    proves="the exact pose of a bed on its mounts, and the bed's height read at fixed x and y, for travels up to 2 mm",
)
@pytest.mark.parametrize(
    ("machine", "travels"),
    [
        pytest.param(three_vees(), (0.010, 0.0, 0.0), id="three vees, 0.01 mm"),
        pytest.param(three_vees(z=-30.0, turned=20.0), (1.3, -0.4, 2.0), id="vees turned off the middle, 2 mm"),
        pytest.param(
            Machine(bed=Bed((0.0, 500.0), (0.0, 500.0)), supports=CONE_VEE_FLAT), (-0.7, 0.5, 1.9), id="cone, vee, flat"
        ),
    ],
)
def test_exact_pose(machine: Machine, travels: tuple[float, float, float]) -> None:
    up = np.array([0.0, 0.0, 1.0])
    flanks = []
    for support, travel in zip(machine.supports, travels, strict=True):
        ball, mount = np.array([support.x, support.y, support.z]), support.mount
        if mount.kind == "vee":
            groove = Rotation.from_euler("z", mount.axis, degrees=True).apply([1.0, 0.0, 0.0])
            # The flanks' normals: up, tipped about the groove by the complement of half the angle.
            tip = 90.0 - mount.included_angle / 2.0
            normals = [Rotation.from_rotvec(sign * tip * groove, degrees=True).apply(up) for sign in (1, -1)]
        else:
            normals = list(np.eye(3)) if mount.kind == "cone" else [up]
        flanks += [(normal, ball, travel) for normal in normals]

    def off(pose: np.ndarray) -> list[float]:
        turn = Rotation.from_rotvec(pose[:3] / 100.0)
        return [normal @ (turn.apply(ball) + pose[3:] - ball - travel * up) for normal, ball, travel in flanks]

    found = root(off, np.zeros(6), tol=1e-15, options={"xtol": 1e-15})
    assert max(np.abs(off(found.x))) < 1e-12
    turn, shift = Rotation.from_rotvec(found.x[:3] / 100.0), found.x[3:]

    contacts = contacts_of(machine.supports)
    ours, moved = contacts.pose(np.array(travels))
    assert ours == pytest.approx(turn.as_matrix(), abs=1e-13)
    assert moved == pytest.approx(turn.apply(contacts.middle) + shift - contacts.middle, abs=1e-11)
    # Where a vertical line through a fixed x and y meets the displaced surface.
    points = np.array([(0.0, 0.0), (120.0, -60.0), (-90.0, 140.0)])
    normal, on = turn.apply(up), shift
    heights = [on[2] - normal[:2] @ (point - on[:2]) / normal[2] for point in points]
    change = Kinematic().gap_change(Move(machine, points, np.array(travels)))
    assert change == pytest.approx(heights, abs=1e-11)
