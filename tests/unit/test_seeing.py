"""What stations see badly is named with stations that cure it; the machine is invented."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from msgspec.structs import replace

from tramwright_solvers.correction.api import reduce_stack
from tramwright_solvers.diagnostics.weakly_observed import good_plan, remedy_points, weakly_observed
from tramwright_solvers.mechanisms import RailShim, ThreeScrew
from tramwright_solvers.model.contract import Site
from tramwright_solvers.model.machine import Bed, Limit, Machine, Rails, Seat, Support
from tramwright_solvers.model.options import Solve
from tramwright_solvers.model.survey import Reading, Survey
from tramwright_solvers.reduction.covariance import GapCovariance
from tramwright_solvers.reduction.stations import a_priori
from tramwright_solvers.results.findings import Blind

MACHINE = Machine(
    bed=Bed((0.0, 400.0), (0.0, 400.0)),
    id="plover-02",
    supports=[Support("a", 50.0, 50.0), Support("b", 350.0, 50.0), Support("c", 200.0, 350.0)],
    rails=Rails(
        "y",
        [Seat(f"{rail}-{y:g}", rail, x, y) for rail, x in (("left", -20.0), ("right", 420.0)) for y in (0.0, 400.0)],
    ),
)
SEATS = [seat.id for seat in MACHINE.rails.seats] if MACHINE.rails else []
Stations = list[tuple[float, float]]
CROSS: Stations = [(200.0, y) for y in (20.0, 110.0, 200.0, 290.0, 380.0)] + [
    (x, 200.0) for x in (20.0, 110.0, 290.0, 380.0)
]
LEFT: Stations = [(x, y) for x in (20.0, 70.0, 120.0, 170.0) for y in (20.0, 140.0, 260.0, 380.0)]
MIDDLE: Stations = [(x, y) for x in (150.0, 200.0, 250.0) for y in (150.0, 200.0, 250.0)]


def grid(count: int, inset: float = 20.0) -> Stations:
    side = np.linspace(inset, 400.0 - inset, count).tolist()
    return [(x, y) for x in side for y in side]


def badly(
    stations: Stations, setup: Callable[[float, float], str] = lambda x, y: "", machine: Machine = MACHINE
) -> dict[str, Blind]:
    survey = Survey([Reading(x, y, 0.0, setup(x, y)) for x, y in stations])
    prepared = reduce_stack(machine, [survey], Solve(with_=[ThreeScrew(), RailShim()])).prepared
    site = Site(machine, remedy_points(machine.bed))
    there = np.concatenate([mechanism.influence(site) for mechanism in prepared.mechanisms], axis=1)
    noise = GapCovariance(a_priori(prepared.layout), prepared.layout.factors, None)
    found = weakly_observed(
        machine, prepared.form, prepared.adjusters, prepared.influence, there, noise, prepared.blind
    )
    return {one.what: one for one in found}


@pytest.mark.parametrize("stations", [grid(3), grid(4), grid(5), grid(3, 60.0), grid(20)])
def test_a_grid_over_the_bed_sees_everything_well(stations: Stations) -> None:
    assert badly(stations) == {}


def test_what_is_not_seen_at_all_is_not_named_again() -> None:
    assert badly(CROSS) == {}


def test_a_cross_that_nearly_lies_on_its_lines_sees_twist_and_seats_badly() -> None:
    near = [(x + 0.02 * (y - 200.0), y) for x, y in CROSS] + [(230.0, 230.0)]
    assert badly(near).keys() == {"twist", *SEATS}


def test_half_a_bed_sees_tilt_and_bow_across_badly() -> None:
    found = badly(LEFT)
    assert {"tilt-x", "bow-x", "twist"} <= found.keys()
    assert not {"tilt-y", "bow-y"} & found.keys()
    assert found["tilt-x"].kind == "term"
    assert found["left-0"].kind == "adjuster"


def places(detail: str) -> Stations:
    """The stations that a sentence proposes."""
    named = detail.partition("Reading also at ")[2].partition(" brings")[0]
    pairs = [pair.strip("()").split(", ") for pair in named.split("), ")]
    return [(float(x), float(y)) for x, y in pairs]


@pytest.mark.parametrize("stations", [LEFT, MIDDLE])
def test_the_stations_proposed_cure_it(stations: Stations) -> None:
    for what, one in badly(stations).items():
        added = places(one.detail)
        assert all(0.0 <= x <= 400.0 and 0.0 <= y <= 400.0 for x, y in added)
        assert what not in badly([*stations, *(place for place in added if place not in stations)])


def test_where_set_ups_hang_together_badly_that_is_what_is_said() -> None:
    # The right is read in a set-up of its own, which shares one station with the other. The limit is tight.
    tight = replace(MACHINE, limit=Limit(0.02))
    setups = iter([*("B" if x > 300.0 else "A" for x, _ in grid(5)), "B"])
    found = badly([*grid(5), (20.0, 20.0)], lambda x, y: next(setups), tight)
    assert "tilt-x" in found
    assert "read more stations in two of them" in found["tilt-x"].detail
    assert "tilt-y" not in found


def test_a_term_beyond_a_third_of_the_limit_is_named_however_well_placed_the_stations() -> None:
    tight = replace(MACHINE, limit=Limit(0.012))
    found = badly(grid(3), machine=tight)
    assert "twist" in found
    assert "Reading also at" in found["twist"].detail


def test_a_good_plan_of_a_bilinear_model_reads_the_corners() -> None:
    # The four corners are D-optimal for 1, x, y, xy on a square (derived; see the reference tests of plans).
    at = remedy_points(MACHINE.bed)
    u, v = ((at - 200.0) / 200.0).T
    chosen = good_plan(np.column_stack([np.ones_like(u), u, v, u * v]), 8)
    assert sorted(map(tuple, at[chosen].tolist())) == sorted(
        2 * [(16.0, 16.0), (16.0, 384.0), (384.0, 16.0), (384.0, 384.0)]
    )
