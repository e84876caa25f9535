"""A rail is a beam on its seats: published and independently derived shapes."""

from __future__ import annotations

import msgspec
import numpy as np
import pytest
from msgspec.structs import replace
from scipy.interpolate import CubicSpline

from tramwright_service.catalogue import examples
from tramwright_solvers.mechanisms.beam import cardinal_curvatures, carriage_height, rail_shape
from tramwright_solvers.mechanisms.rail_shim import RailShim
from tramwright_solvers.mechanisms.together import influences
from tramwright_solvers.model.contract import Site
from tramwright_solvers.model.errors import Refused
from tramwright_solvers.model.machine import Bed, Machine, Rails, Seat

SUPPORTS = np.array([0.0, 200.0, 450.0, 600.0])
SETTLED = np.array([0.0, 0.05, -0.02, 0.03])
UNEVEN = np.array([-30.0, 85.0, 90.0, 310.0, 725.0])
AT = np.array([-200.0, -30.0, 0.0, 60.0, 87.5, 90.0, 200.0, 310.0, 500.0, 725.0, 900.0])


def test_beam_with_settled_supports() -> None:
    # Recomputed independently with Hermite finite elements, which agree with the natural spline to 4e-15.
    height, _ = rail_shape(SUPPORTS, np.array([100.0, 325.0, 525.0]))
    np.testing.assert_allclose(height @ SETTLED, [0.0381711, 0.0111799, -0.00378398], rtol=2e-6)
    curvature = cardinal_curvatures(SUPPORTS) @ SETTLED
    np.testing.assert_allclose(curvature, [0.0, -5.26844106e-6, 6.24638783e-6, 0.0], rtol=2e-9, atol=1e-20)


@pytest.mark.parametrize("knots", [SUPPORTS, UNEVEN, UNEVEN[:3], UNEVEN[:2]], ids=lambda knots: f"{len(knots)} seats")
def test_is_the_natural_spline_between_and_straight_beyond(knots: np.ndarray) -> None:
    # Derived: scipy's natural spline, continued by its end slopes.
    spline = CubicSpline(knots, np.eye(len(knots)), bc_type="natural")
    inside = np.clip(AT, knots[0], knots[-1])
    height, slope = rail_shape(knots, AT)
    np.testing.assert_allclose(height, spline(inside) + spline(inside, 1) * (AT - inside)[:, None], atol=1e-12)
    np.testing.assert_allclose(slope, spline(inside, 1), atol=1e-14)


def test_three_equal_spans_stiffness() -> None:
    # Derived from the three-moment equation for spans h: lifting an inner seat by 1 gives w'' = -3.6 / h² there and
    # 2.4 / h² at the other inner seat.
    curvature = cardinal_curvatures(np.array([0.0, 10.0, 20.0, 30.0]))
    np.testing.assert_allclose(curvature[1:3, 1] * 100.0, [-3.6, 2.4], rtol=1e-14)


def test_two_seats_are_exactly_straight() -> None:
    height, slope = rail_shape(np.array([100.0, 600.0]), AT)
    share = (AT - 100.0) / 500.0
    np.testing.assert_allclose(height, np.column_stack([1.0 - share, share]), rtol=0, atol=1e-15)
    np.testing.assert_allclose(slope, np.tile([-0.002, 0.002], (len(AT), 1)), rtol=1e-15)


def test_linear_beyond_the_outermost_seats() -> None:
    beyond = UNEVEN[-1] + np.array([0.0, 50.0, 100.0, 150.0])
    height, slope = rail_shape(UNEVEN, beyond)
    np.testing.assert_allclose(np.diff(height, n=2, axis=0), 0.0, atol=1e-13)
    np.testing.assert_allclose(slope, np.tile(slope[0], (4, 1)), rtol=0)


def test_seats_may_come_in_any_order() -> None:
    order = np.array([3, 0, 4, 1, 2])
    for sorted_, mixed in zip(rail_shape(UNEVEN, AT), rail_shape(UNEVEN[order], AT), strict=True):
        np.testing.assert_array_equal(mixed, sorted_[:, order])


@pytest.mark.parametrize("spacing", [0.0, 60.0, 240.0])
@pytest.mark.parametrize("ahead", [-35.0, 0.0, 80.0])
def test_partition_of_unity_and_rigid_tilt(spacing: float, ahead: float) -> None:
    # Seats all raised alike raise the tool as much; seats along one slope carry the tool along that slope, wherever
    # the blocks are and however far ahead the tool stands.
    height = carriage_height(UNEVEN, AT, spacing, ahead)
    np.testing.assert_allclose(height.sum(axis=1), 1.0, atol=1e-12)
    np.testing.assert_allclose(height @ UNEVEN, AT, atol=1e-9)


def test_blocks_average_the_rail_and_the_tool_rides_on_their_pitch() -> None:
    # Derived from scipy's spline: mean of the two blocks, and their slope carried ahead.
    spline = CubicSpline(SUPPORTS, SETTLED, bc_type="natural")
    at, spacing, ahead = np.array([180.0, 300.0, 420.0]), 80.0, -35.0
    front, back = spline(at - ahead + 40.0), spline(at - ahead - 40.0)
    expected = (front + back) / 2.0 + (front - back) / spacing * ahead
    np.testing.assert_allclose(carriage_height(SUPPORTS, at, spacing, ahead) @ SETTLED, expected, rtol=1e-12)


def test_blocks_close_together_feel_the_slope_at_one_point() -> None:
    close = carriage_height(SUPPORTS, AT, 1e-3, 50.0)
    np.testing.assert_allclose(carriage_height(SUPPORTS, AT, 0.0, 50.0), close, atol=1e-8)


@pytest.mark.parametrize("along", ["x", "y"])
def test_gantry_on_four_seats_is_bilinear_and_lowers_the_gap(along: str) -> None:
    plan = {"a": (0.0, 0.0), "b": (400.0, 0.0), "c": (0.0, 500.0), "d": (400.0, 500.0)}
    rail_of = (lambda x, y: f"x{x}") if along == "y" else (lambda x, y: f"y{y}")
    seats = [Seat(name, rail_of(*at), *at) for name, at in plan.items()]
    machine = Machine(bed=Bed((0, 400), (0, 500)), rails=Rails(along, seats))
    points = np.array([[100.0, 400.0], [0.0, 0.0], [440.0, 250.0]])
    u, v = points[:, 0] / 400.0, points[:, 1] / 500.0
    expected = -np.column_stack([(1 - u) * (1 - v), u * (1 - v), (1 - u) * v, u * v])
    np.testing.assert_allclose(RailShim().influence(Site(machine, points)), expected, atol=1e-14)


def test_machines_at_once_are_each_as_alone() -> None:
    """Two seats a rail together, more of them or blocks at one place one by one; a class of its own is asked itself."""
    spread = [(0.0, 500.0), (10.0, 480.0), (-20.0, 530.0)]
    sites = [
        Site(machine_on(seats, spacing), np.array([[20.0, 30.0], [250.0, 470.0 - number], [480.0, 0.0]]))
        for number, (seats, spacing) in enumerate(zip(spread, (0.0, 60.0, 80.0), strict=True))
    ]
    for some in (sites, sites[1:], [Site(machine_on((0.0, 240.0, 500.0), 60.0), sites[0].points)] * 2):
        alone = np.stack([RailShim().influence(site) for site in some])
        assert influences([RailShim()] * len(some), some).tobytes() == alone.tobytes()

    class Other(RailShim, frozen=True, tag="other"):
        def influence(self, site: Site) -> np.ndarray:
            return 2.0 * super().influence(site)

    assert np.array_equal(influences([Other()], sites[:1]), 2.0 * influences([RailShim()], sites[:1]))


def machine_on(places: tuple[float, ...], spacing: float) -> Machine:
    """Two rails on seats at these places along y; invented."""
    seats = [Seat(f"{rail}-{y}", rail, x, y) for rail, x in (("left", -40.0), ("right", 540.0)) for y in places]
    return Machine(
        Bed((0.0, 500.0), (0.0, 500.0), 8.0), rails=Rails("y", seats[::-1], block_spacing=spacing, tool_offset=15.0)
    )


def test_blocks_so_close_that_their_tilt_is_a_division_by_nothing_are_refused() -> None:
    shipped = msgspec.convert(examples.corrections()["twisted-frame"]["machine"], Machine)
    assert shipped.rails is not None
    for spacing in (5e-324, 1e-6):
        machine = replace(shipped, rails=replace(shipped.rails, block_spacing=spacing))
        with pytest.raises(Refused) as refused:
            RailShim().adjusters(machine)
        assert [fault.pointer for fault in refused.value.faults] == ["/machine/rails/block_spacing"]
    assert RailShim().adjusters(replace(shipped, rails=replace(shipped.rails, block_spacing=0.0)))
