"""Plates and beams against handbooks and against finite elements of independent libraries."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from scipy.interpolate import CubicSpline

from references import library, reference
from tramwright_solvers.mechanisms.beam import cardinal_curvatures, rail_shape
from tramwright_solvers.mechanisms.four_screw import FourScrew
from tramwright_solvers.mechanisms.rail_shim import RailShim
from tramwright_solvers.model.contract import Move, Site
from tramwright_solvers.model.machine import Bed, Machine, Rails, Seat, Support

# A plate of 70 GPa, Poisson's ratio 0.33, 8 mm, 500 mm square, held at three corners. The yield strength is invented.
PLATE = Bed(x=(0, 500), y=(0, 500), thickness=8.0, youngs_modulus=70.0, poissons_ratio=0.33, yield_strength=200.0)
SQUARE = np.array([(0.0, 0.0), (500.0, 0.0), (500.0, 500.0), (0.0, 500.0)])
TRAPEZOID = np.array([(20.0, 30.0), (480.0, 30.0), (400.0, 450.0), (120.0, 450.0)])
RIGIDITY = 70e3 * 8.0**3 / (12.0 * (1.0 - 0.33**2))  # N·mm

# A rail on four seats, one of them settled; positions and heights in mm.
SEATS, SETTLED = np.array([0.0, 200.0, 450.0, 600.0]), np.array([0.0, 0.05, -0.02, 0.03])
BETWEEN = np.array([100.0, 325.0, 525.0])


def on_corners(corners: np.ndarray) -> Machine:
    return Machine(bed=PLATE, supports=[Support(f"s{k}", float(x), float(y)) for k, (x, y) in enumerate(corners)])


def twisted(corners: np.ndarray, lift: float) -> dict[str, float]:
    """What our mechanism says of forces (N) and stress (MPa) when the third corner alone goes up by ``lift``."""
    travels = np.array([0.0, 0.0, lift, 0.0])
    move = Move(on_corners(corners), corners, travels)
    return {effect.name: effect.value for effect in FourScrew(plate="flexible").effects(move)}


def corner_force(corners: np.ndarray, lift: float) -> float:
    return twisted(corners, lift)["largest corner force"]


def morley(corners: np.ndarray, refinements: int) -> tuple[np.ndarray, np.ndarray, float]:
    """Lift of a plate by 1 N at its third corner, held at the other three: nodes (2, n), lifts (n,), that corner's."""
    skfem = library("skfem")
    helpers = library("skfem.helpers")
    mesh = skfem.MeshTri(corners.T, np.array([[0, 1, 2], [0, 2, 3]]).T).refined(refinements)
    basis = skfem.Basis(mesh, skfem.ElementTriMorley())

    @skfem.BilinearForm
    def bending(u: object, v: object, _: object) -> np.ndarray:
        curvature = helpers.dd(u)
        moment = 0.67 * curvature + 0.33 * helpers.eye(helpers.trace(curvature), 2)
        return RIGIDITY * helpers.ddot(moment, helpers.dd(v))

    deflections = basis.nodal_dofs[0]
    at = [int(deflections[np.argmin(np.hypot(*(mesh.p.T - corner).T))]) for corner in corners]
    load = np.zeros(basis.N)
    load[at[2]] = 1.0
    lifts = skfem.solve(*skfem.condense(bending.assemble(basis), load, D=np.array([at[0], at[1], at[3]])))
    return mesh.p, lifts[deflections], float(lifts[at[2]])


@reference(
    "published",
    source="S. Timoshenko & S. Woinowsky-Krieger, Theory of Plates and Shells, twist w = c x y: corner force 2 D (1 - "
    "ν) c (from memory); lift P L² / (2 D (1 - ν)) recomputed",
    proves="the corner force of a flexible plate on four screws, and the stress of its twist",
)
def test_plate_on_three_corners() -> None:
    assert pytest.approx(3351662.7, abs=0.05) == RIGIDITY
    # 10 N lift the free corner by 0.556640625 mm.
    assert corner_force(SQUARE, 0.556640625) == pytest.approx(10.0, rel=1e-9)
    # A corner force is twice the twisting moment per unit width: 5 N·mm/mm, so 6 M/t² in shear, √3 of it by von Mises.
    stress = twisted(SQUARE, 0.556640625)["twisting stress"]
    assert stress == pytest.approx(np.sqrt(3.0) * 6.0 * 5.0 / 8.0**2, rel=1e-9)


@reference(
    "library",
    packages=("scikit-fem",),
    source="Morley plate elements of triangles, exact for constant curvature",
    proves="corner force and shape of a square plate twisted by one screw",
)
def test_twisted_square_by_finite_elements() -> None:
    nodes, lifts, lift = morley(SQUARE, 3)
    assert corner_force(SQUARE, lift) == pytest.approx(1.0, rel=1e-9)
    shape = FourScrew(plate="flexible").influence(Site(on_corners(SQUARE), nodes.T))[:, 2]
    assert shape == pytest.approx(lifts / lift, abs=1e-9)


@reference(
    "library",
    packages=("scikit-fem",),
    source="Morley plate elements of triangles, refined until the force settles to 1 %",
    proves="that the corner force of a plate that is no rectangle is an estimate on the safe side, as documented",
)
def test_twisted_trapezoid_by_finite_elements() -> None:
    coarse, fine = (1.0 / morley(TRAPEZOID, times)[2] for times in (4, 5))
    assert fine == pytest.approx(coarse, rel=0.01)
    ours = corner_force(TRAPEZOID, 1.0)
    # A constant twist is a trial shape: its energy cannot be below the true one; here it is 4 % above it.
    assert fine < ours < 1.05 * fine


@reference(
    "published",
    source="handbook tables of continuous beams, three equal spans under uniform load: reactions 0.4 1.1 1.1 0.4 wL, "
    "support moment -0.1 wL² (from memory, recomputed by two beam libraries)",
    proves="the shape of a rail on four seats: by Müller-Breslau it is the influence line of the seat's reaction",
)
def test_three_equal_spans() -> None:
    seats = np.array([0.0, 1.0, 2.0, 3.0])
    # Gauss's rule of two points is exact for cubics, so span by span the areas are exact.
    points = (np.arange(3.0)[:, None] + 0.5 + np.array([-0.5, 0.5]) / np.sqrt(3.0)).ravel()
    height, _ = rail_shape(seats, points)
    reactions = height.sum(axis=0) / 2.0
    assert reactions == pytest.approx([0.4, 1.1, 1.1, 0.4], abs=1e-14)
    # Moment over the second seat: the end reaction's lever less the load on the first span.
    assert reactions[0] * 1.0 - 0.5 == pytest.approx(-0.1, abs=1e-14)


@reference(
    "derived",
    source="Hermite beam elements and the natural spline of scipy agree to 4e-15 on these values",
    proves="heights and curvatures of a rail whose seats have settled",
)
def test_rail_on_settled_seats() -> None:
    height, slope = rail_shape(SEATS, BETWEEN)
    assert height @ SETTLED == pytest.approx([0.0381711, 0.0111799, -0.00378398], abs=5e-8)
    curvatures = cardinal_curvatures(SEATS) @ SETTLED
    assert curvatures[1:3] == pytest.approx([-5.26844106e-6, 6.24638783e-6], abs=5e-15)
    assert curvatures[[0, 3]] == pytest.approx([0.0, 0.0], abs=1e-20)
    spline = CubicSpline(SEATS, SETTLED, bc_type="natural")
    assert height @ SETTLED == pytest.approx(spline(BETWEEN), abs=1e-15)
    assert slope @ SETTLED == pytest.approx(spline(BETWEEN, 1), abs=1e-17)


def flexibility(anastruct: object, load_at: float, places: np.ndarray) -> np.ndarray:
    """Deflections at places of a beam held at the outermost seats, for a unit force at one of them."""
    system = anastruct.SystemElements(EA=1e9, EI=1e3)
    for start, end in pairwise(places.tolist()):
        system.add_element(location=[[start, 0.0], [end, 0.0]])
    nodes = [system.find_node_id([float(place), 0.0]) for place in places]
    system.add_support_hinged(nodes[0])
    system.add_support_roll(nodes[-1])
    system.point_load(nodes[list(places).index(load_at)], Fy=1.0)
    system.solve()
    return np.array([float(system.get_node_displacements(node)["uy"]) for node in nodes])


@reference(
    "library",
    packages=("anastruct",),
    source="frame elements with point forces at the inner seats, sized so that the seats take their heights (force "
    "method)",
    proves="the same rail's shape, by a beam library instead of a spline",
)
def test_rail_on_settled_seats_by_a_beam_library() -> None:
    anastruct = library("anastruct")
    places = np.sort(np.concatenate([SEATS, BETWEEN]))
    inner = SEATS[1:-1]
    lifts = np.column_stack([flexibility(anastruct, float(seat), places) for seat in inner])
    chord = np.interp(places, SEATS[[0, -1]], SETTLED[[0, -1]])
    at_inner = np.searchsorted(places, inner)
    forces = np.linalg.solve(lifts[at_inner], SETTLED[1:-1] - chord[at_inner])
    shape = chord + lifts @ forces
    height, _ = rail_shape(SEATS, places)
    assert height @ SETTLED == pytest.approx(shape, abs=1e-11)


@reference(
    "library",
    packages=("scipy",),
    source="natural CubicSpline through the seats of each rail, straight between the rails",
    proves="what one seat of a bent rail does to the gap under a gantry with block spacing and tool offset",
)
def test_gantry_on_bent_rails_by_splines() -> None:
    y_of = [0.0, 180.0, 420.0, 500.0]
    seats = [
        Seat(f"{rail}-{k}", rail, x, y) for rail, x in (("left", -40.0), ("right", 540.0)) for k, y in enumerate(y_of)
    ]
    machine = Machine(
        bed=Bed((0.0, 500.0), (0.0, 500.0)), rails=Rails("y", seats, block_spacing=60.0, tool_offset=-35.0)
    )
    rng = np.random.default_rng(3)
    heights = rng.normal(0.0, 0.05, 8)  # invented
    # Stations whose carriage stays between the seats, where the rail is the spline itself.
    points = np.column_stack([rng.uniform(0.0, 500.0, 30), rng.uniform(0.0, 430.0, 30)])
    middle = points[:, 1] + 35.0
    on_rail = []
    for own in (heights[:4], heights[4:]):
        rail = CubicSpline(y_of, own, bc_type="natural")
        front, back = rail(middle + 30.0), rail(middle - 30.0)
        on_rail.append((front + back) / 2.0 + (front - back) / 60.0 * -35.0)
    share = (points[:, 0] + 40.0) / 580.0
    tool = on_rail[0] * (1.0 - share) + on_rail[1] * share
    assert RailShim().influence(Site(machine, points)) @ heights == pytest.approx(-tool, abs=1e-14)
