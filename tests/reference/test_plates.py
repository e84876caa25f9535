"""A plate on many screws against the handbook and against finite elements of an independent library."""

from __future__ import annotations

import numpy as np
import pytest

from references import library, reference
from tramwright_solvers.mechanisms.four_screw import FourScrew
from tramwright_solvers.mechanisms.free_plate import free_plate
from tramwright_solvers.mechanisms.many_screw import ManyScrew
from tramwright_solvers.model.contract import Move, Site
from tramwright_solvers.model.machine import Bed, Machine, Support

RATIO = 0.33
EXTENT = ((0.0, 500.0), (0.0, 400.0))
THICK = 15.0
"""mm, invented; the mesh has nodes as far from the supports as the plate is thick."""

LAYOUTS = {
    "five, one in the middle": ((20.0, 20.0), (480.0, 20.0), (20.0, 380.0), (480.0, 380.0), (250.0, 200.0)),
    "six in two rows": ((20.0, 20.0), (250.0, 20.0), (480.0, 20.0), (20.0, 380.0), (250.0, 380.0), (480.0, 380.0)),
    "seven, two at corners": (
        (0.0, 0.0), (500.0, 0.0), (60.0, 200.0), (250.0, 120.0), (430.0, 220.0), (100.0, 370.0), (400.0, 380.0),
    ),
    "sixteen in rows": tuple((x, y) for y in (20.0, 140.0, 260.0, 380.0) for x in (20.0, 170.0, 330.0, 480.0)),
}  # fmt: skip
"""Invented."""

# The plate of the other reference tests: 70 GPa, Poisson's ratio 0.33, 8 mm, 500 mm square; yield strength invented.
PLATE = Bed(x=(0, 500), y=(0, 500), thickness=8.0, youngs_modulus=70.0, poissons_ratio=0.33, yield_strength=200.0)
RIGIDITY = 70e3 * 8.0**3 / (12.0 * (1.0 - 0.33**2))  # N·mm


def argyris(supports: tuple[tuple[float, float], ...], refinements: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Unit lifts of each support in turn, by a plate of unit stiffness.

    Return the nodes (n, 2), value and derivatives (6, n, supports) in the order w, x, y, xx, xy, yy, and forces.
    """
    skfem = library("skfem")
    helpers = library("skfem.helpers")
    places = np.array(supports)
    ring = np.concatenate([places - THICK, places, places + THICK])
    sides = (
        np.unique(np.clip(np.concatenate([np.linspace(low, high, 6), ring[:, axis]]), low, high))
        for axis, (low, high) in enumerate(EXTENT)
    )
    mesh = skfem.MeshTri.init_tensor(*sides).refined(refinements)
    basis = skfem.Basis(mesh, skfem.ElementTriArgyris())

    @skfem.BilinearForm
    def bending(u: object, v: object, _: object) -> np.ndarray:
        curvature = helpers.dd(u)
        moment = (1.0 - RATIO) * curvature + RATIO * helpers.eye(helpers.trace(curvature), 2)
        return helpers.ddot(moment, helpers.dd(v))

    stiffness = bending.assemble(basis)
    at = np.array([int(basis.nodal_dofs[0][np.argmin(np.hypot(*(mesh.p.T - place).T))]) for place in places])
    lifts, forces = [], []
    for lifted in at:
        asked = np.zeros(basis.N)
        asked[lifted] = 1.0
        solved = skfem.solve(*skfem.condense(stiffness, x=asked, D=at))
        lifts.append(solved[basis.nodal_dofs])
        forces.append((stiffness @ solved)[at])
    return mesh.p.T, np.stack(lifts, axis=2), np.array(forces).T


@reference(
    "library",
    packages=("scikit-fem",),
    source="Argyris plate elements of triangles (degree 5, continuous slopes), the mesh fine around the supports",
    proves="shapes, forces and stress of a free plate on five to sixteen screws, to the accuracy stated",
)
@pytest.mark.parametrize("layout", LAYOUTS)
def test_free_plate_by_finite_elements(layout: str) -> None:
    supports = LAYOUTS[layout]
    shape, force = (0.003, 0.003) if len(supports) < 10 else (0.015, 0.02)
    nodes, lifts, forces = argyris(supports, 0)
    ours = free_plate(EXTENT, supports, RATIO)
    assert ours.heights(nodes) == pytest.approx(lifts[0], abs=shape)
    assert ours.forces == pytest.approx(forces, abs=force * np.abs(forces).max())
    # the largest stress of any travels, the mean over the nodes one thickness from a support
    bed = Bed(*EXTENT, thickness=THICK, youngs_modulus=70.0, poissons_ratio=RATIO, yield_strength=200.0)
    machine = Machine(bed=bed, supports=[Support(f"s{at}", *place) for at, place in enumerate(supports)])
    theirs = []
    for place in supports:
        around = np.abs(np.hypot(*(nodes - place).T) - THICK) < 1e-6
        assert around.sum() >= 2
        xx, xy, yy = (one[around].mean(axis=0) for one in lifts[3:])
        theirs.append(von_mises_components(xx, yy, xy))
    for travels in np.random.default_rng(8).standard_normal((50, len(supports))):
        worst = np.linalg.norm(np.array(theirs) @ travels, axis=1).max()
        told = {one.name: one.value for one in ManyScrew(plate="flexible").effects(Move(machine, nodes, travels))}
        assert told["bending stress"] == pytest.approx(worst, rel=0.1)


def von_mises_components(xx: np.ndarray, yy: np.ndarray, xy: np.ndarray) -> np.ndarray:
    """Stress at the faces from curvatures: (x + y)/2, √3 (x - y)/2 and √3 xy, whose length is von Mises' stress."""
    per = 70e3 * THICK / 2.0
    x, y = (per * (one + RATIO * other) / (1.0 - RATIO**2) for one, other in ((xx, yy), (yy, xx)))
    shear = per / (1.0 + RATIO) * xy
    return np.array([(x + y) / 2.0, np.sqrt(3.0) * (x - y) / 2.0, np.sqrt(3.0) * shear])


@reference(
    "published",
    source="S. Timoshenko & S. Woinowsky-Krieger, Theory of Plates and Shells, twist w = c x y: corner force 2 D (1 - "
    "ν) c (from memory)",
    proves="forces and stress of a flexible plate on many screws, where the solution is a polynomial and so exact",
)
def test_twist_by_five_screws() -> None:
    corners = [(0.0, 0.0), (500.0, 0.0), (500.0, 500.0), (0.0, 500.0)]
    supports = [Support(f"s{at}", *place) for at, place in enumerate([*corners, (250.0, 250.0)])]
    five, four = Machine(bed=PLATE, supports=supports), Machine(bed=PLATE, supports=supports[:4])
    twist = 2e-6
    travels = np.array([twist * (one.x - 250) * (one.y - 250) for one in supports])
    effects = {
        effect.name: effect for effect in ManyScrew(plate="flexible").effects(Move(five, np.zeros((0, 2)), travels))
    }
    assert effects["largest force"].value == pytest.approx(2 * RIGIDITY * (1 - 0.33) * twist, rel=1e-9)
    assert "`s4` pushes up 0 N" not in effects["largest force"].says
    theirs = FourScrew(plate="flexible").effects(Move(four, np.zeros((0, 2)), travels[:4]))
    assert effects["bending stress"].value == pytest.approx(theirs[1].value, rel=1e-9)
    points = np.random.default_rng(5).uniform(0, 500, (40, 2))
    change = ManyScrew(plate="flexible").influence(Site(five, points)) @ travels
    assert change == pytest.approx(twist * np.prod(points - 250, axis=1), abs=1e-12)
