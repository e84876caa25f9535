"""A plate on five to sixteen screws: rigid, its travels keep a plane; flexible, each screw bends it."""

from __future__ import annotations

import msgspec
import numpy as np
import pytest
from msgspec.structs import replace

from tramwright_solvers.conformance import check
from tramwright_solvers.correction.api import correct
from tramwright_solvers.mechanisms import BUILT_IN, ManyScrew
from tramwright_solvers.mechanisms.many_screw import AXES, LEAST_SEEN
from tramwright_solvers.mechanisms.registry import build
from tramwright_solvers.model.contract import Move, Site
from tramwright_solvers.model.errors import Refused
from tramwright_solvers.model.machine import Bed, Machine, Mount, Screw, Support
from tramwright_solvers.model.options import Solve
from tramwright_solvers.model.survey import Reading, Survey

BED = Bed((0.0, 1200.0), (0.0, 800.0), 15.0, "aluminium", 70.0, 0.33, 240.0)
"""Yield strength invented."""

RIGID, FLEXIBLE = ManyScrew(), ManyScrew(plate="flexible")
COUNTS = range(5, 17)


def machine(count: int, seed: int = 3) -> Machine:
    """So many supports, four to a row, each a little off its place; invented."""
    random = np.random.default_rng(seed)
    places = [(x, y) for y in np.linspace(60, 740, 4) for x in np.linspace(60, 1140, 4)]
    kept = sorted(random.permutation(16)[:count].tolist())
    off = random.uniform(-30, 30, (16, 2))
    supports = [
        Support(f"s{at}", *(round(float(one), 1) for one in places[at] + off[at]), screw=Screw(1.5)) for at in kept
    ]
    return Machine(bed=BED, id="corncrake-07", supports=supports)


def plan(made: Machine) -> np.ndarray:
    return np.array([(one.x, one.y) for one in made.supports])


@pytest.mark.parametrize("count", COUNTS)
@pytest.mark.parametrize("solver", [RIGID, FLEXIBLE], ids=["rigid", "flexible"])
def test_it_conforms(solver: ManyScrew, count: int) -> None:
    check(solver, machine(count))


@pytest.mark.parametrize("count", COUNTS)
def test_each_support_of_a_flexible_plate_has_its_own_shape(count: int) -> None:
    made = machine(count)
    assert FLEXIBLE.influence(Site(made, plan(made))) == pytest.approx(np.eye(count), abs=1e-9)


@pytest.mark.parametrize("count", COUNTS)
def test_travels_in_one_plane_tilt_either_plate_without_force(count: int) -> None:
    made, points = machine(count), np.random.default_rng(2).uniform(-50, 1250, (40, 2))

    def height(at: np.ndarray) -> np.ndarray:
        return 0.3 - 0.0011 * at[:, 0] + 0.0007 * at[:, 1]

    travels = height(plan(made))
    for solver in (RIGID, FLEXIBLE):
        assert solver.gap_change(Move(made, points, travels)) == pytest.approx(height(points), abs=1e-9)
        conditions = solver.conditions(made)
        assert conditions.matrix @ travels == pytest.approx(0.0, abs=1e-6)
    force, stress, share = (effect.value for effect in FLEXIBLE.effects(Move(made, points, travels)))
    assert [force, stress, share] == pytest.approx([0.0, 0.0, 0.0], abs=1e-5)


def test_forces_balance_and_depend_on_neither_unit_nor_order() -> None:
    made, travels = machine(9), np.random.default_rng(4).uniform(-0.3, 0.3, 9)
    told = FLEXIBLE.effects(Move(made, plan(made), travels))
    order = np.random.default_rng(5).permutation(9)
    turned = replace(made, supports=[made.supports[at] for at in order])
    again = FLEXIBLE.effects(Move(turned, plan(made), travels[order]))
    assert [one.value for one in again] == pytest.approx([one.value for one in told], rel=1e-7)
    inch = 1 / 25.4
    bed = replace(BED, x=(0.0, 1200 * inch), y=(0.0, 800 * inch), thickness=15 * inch)
    supports = [replace(one, x=one.x * inch, y=one.y * inch) for one in made.supports]
    imperial = Machine(bed=bed, units="inch", supports=supports)
    again = FLEXIBLE.effects(Move(imperial, plan(imperial), travels * inch))
    assert [one.value for one in again] == pytest.approx([one.value for one in told], rel=1e-7)


def test_no_direction_escapes_the_axes_of_the_stress_limits() -> None:
    random = np.random.default_rng(6).standard_normal((20_000, 3))
    lengths = np.linalg.norm(random, axis=1)
    seen = np.abs(random @ AXES.T).max(axis=1) / lengths
    assert np.linalg.norm(AXES, axis=1) == pytest.approx(np.ones(6))
    assert LEAST_SEEN <= seen.min() < LEAST_SEEN + 0.005


@pytest.mark.parametrize("count", [5, 8, 16])
def test_what_the_conditions_allow_keeps_the_stress(count: int) -> None:
    made, random = machine(count), np.random.default_rng(7)
    conditions, shares = FLEXIBLE.conditions(made), []
    for _ in range(200):
        travels = random.standard_normal(count)
        travels /= np.abs(conditions.matrix @ travels / conditions.upper).max()  # just allowed
        shares.append(FLEXIBLE.effects(Move(made, plan(made), travels))[2].value)
    assert max(shares) <= FLEXIBLE.most_stress * (1 + 1e-9)
    assert min(shares) >= LEAST_SEEN * FLEXIBLE.most_stress * (1 - 1e-9)


def test_a_dent_is_taken_out_by_a_flexible_plate_and_left_by_a_rigid_one() -> None:
    made = machine(9)
    stations = np.array([(x, y) for x in np.linspace(60, 1140, 6) for y in np.linspace(60, 740, 5)])
    travels = np.zeros(9)
    travels[4] = 0.3
    gaps = FLEXIBLE.influence(Site(made, stations)) @ travels
    survey = Survey([Reading(*place, gap) for place, gap in zip(stations.tolist(), gaps.tolist(), strict=True)])
    bent = correct(made, survey, Solve(with_=[FLEXIBLE], aim_for=0.0))
    assert bent.predicted.total < 0.02
    assert {move.adjuster for move in bent.moves} == {made.supports[4].id}
    assert bent.moves[0].travel == pytest.approx(-0.3, abs=0.02)
    assert any("bends the plate on purpose" in caution for caution in bent.cautions)
    stiff = correct(made, survey, Solve(with_=[RIGID], aim_for=0.0))
    assert stiff.predicted.total > 0.2


def test_it_is_picked_for_five_supports_or_more_and_nothing_else() -> None:
    registry = build(BUILT_IN)
    for count in COUNTS:
        assert [one.name() for one in registry.suited(machine(count))] == ["many-screw"]
    four = replace(machine(8), supports=machine(8).supports[:4])
    assert not ManyScrew.suits(four)
    with pytest.raises(Refused, match="at least 5"):
        RIGID.adjusters(four)
    mounted = [replace(one, mount=Mount("flat")) for one in machine(5).supports]
    assert not ManyScrew.suits(replace(four, supports=mounted))


def test_what_the_machine_lacks_is_pointed_at() -> None:
    made = machine(6)
    close = [*made.supports[:5], replace(made.supports[0], id="twin", x=made.supports[0].x + 20)]
    with pytest.raises(Refused) as caught:
        RIGID.adjusters(replace(made, supports=close))
    assert [fault.pointer for fault in caught.value.faults] == ["/machine/supports/5"]
    in_line = [replace(one, y=100.0) for one in made.supports]
    with pytest.raises(Refused, match="one line"):
        RIGID.adjusters(replace(made, supports=in_line))
    with pytest.raises(Refused) as caught:
        FLEXIBLE.adjusters(replace(made, bed=Bed((0.0, 1200.0), (0.0, 800.0))))
    names = ["thickness", "youngs_modulus", "poissons_ratio"]
    assert [fault.pointer for fault in caught.value.faults] == [f"/machine/bed/{name}" for name in names]
    assert msgspec.convert({"solver": "many-screw", "plate": "flexible"}, ManyScrew) == FLEXIBLE


def test_a_support_outside_the_bed_carries_a_plate_that_reaches_it() -> None:
    made = machine(6)
    moved = replace(made, supports=[replace(made.supports[0], x=-40.0), *made.supports[1:]])
    assert FLEXIBLE.influence(Site(moved, plan(moved))) == pytest.approx(np.eye(6), abs=1e-9)
