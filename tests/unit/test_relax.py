"""Which bound stands in the way and how much more travel helps, on machines made so that it is known by hand.

All machines, bounds and readings are invented. The bed is tilted as if `rear` stood 0.72 mm too low, and on top of that
twisted by x·y about its middle, which no plane reaches. On a symmetric grid the best plane through such a twist is flat
by either criterion, so once `rear` has risen by 0.72 mm the twist alone is left.
"""

from __future__ import annotations

from itertools import product
from typing import Any

import numpy as np
import pytest
from msgspec.structs import replace

from tramwright_solvers.correction.api import correct
from tramwright_solvers.mechanisms import ThreeScrew
from tramwright_solvers.model.contract import Site
from tramwright_solvers.model.machine import Bed, Machine, Screw, Support
from tramwright_solvers.model.options import Solve
from tramwright_solvers.model.survey import Reading, Survey
from tramwright_solvers.results.correction import Correction

LOW = 0.72
LACK = 0.42
TWIST = 0.03
GRID = np.array(list(product((50.0, 250.0, 450.0), repeat=2)))
every_criterion = pytest.mark.parametrize("criterion", ["least-squares", "minimum-zone"])
every_offset = pytest.mark.parametrize("offset", ["free", "keep"])


def machine(rear_up: float = LOW - LACK, **more: Any) -> Machine:
    """Front screws at the bottom of their travel, so that a rise of `rear` cannot be had by lowering them."""
    screw = Screw(0.7)
    return Machine(
        bed=Bed((0.0, 500.0), (0.0, 500.0)),
        id="greenshank-01",
        supports=[
            Support("front-left", 40.0, 60.0, screw=screw, travel=(0.0, 2.0)),
            Support("front-right", 460.0, 60.0, screw=screw, travel=(0.0, 2.0)),
            Support("rear", 250.0, 440.0, screw=screw, travel=(-2.0, rear_up)),
        ],
        **more,
    )


def survey(way: float = 1.0) -> Survey:
    """`rear` too low, or, with ``way`` -1, too high by as much; the twist is the same."""
    tilt = ThreeScrew().influence(Site(machine(), GRID)) @ [0.0, 0.0, -way * LOW]
    u, v = ((GRID - 250.0) / 200.0).T
    gap = tilt + TWIST * u * v
    return Survey([Reading(x, y, value) for (x, y), value in zip(GRID.tolist(), gap.tolist(), strict=True)])


def answer(of: Machine, criterion: str, offset: str = "free", read: Survey | None = None, **more: Any) -> Correction:
    solve = Solve(with_=[ThreeScrew()], criterion=criterion, offset=offset, **{"aim_for": 0.0, **more})
    return correct(of, read or survey(), solve)


@every_criterion
@every_offset
def test_the_screw_that_lacks_travel_is_named_with_what_it_lacks(criterion: str, offset: str) -> None:
    found = answer(machine(), criterion, offset)
    first = found.chosen.binding[0]
    assert (first.adjuster, first.way) == ("rear", "up")
    assert first.more == pytest.approx(LACK, abs=1e-6)
    assert first.total == pytest.approx(2 * TWIST, abs=1e-6)
    assert found.predicted.total > first.total + 0.1
    assert (
        f"`rear` is at the end of its travel: 0.420 mm more upward travel would leave 0.060 mm; "
        f"otherwise accept {found.predicted.total:.3f} mm."
    ) in found.chosen.why


@every_criterion
@every_offset
def test_the_travel_named_leaves_the_total_named(criterion: str, offset: str) -> None:
    first = answer(machine(), criterion, offset).chosen.binding[0]
    given = answer(machine(LOW - LACK + first.more), criterion, offset)
    assert given.predicted.total == pytest.approx(first.total, abs=1e-9)
    assert [move.travel for move in given.moves] == [pytest.approx(LOW, abs=1e-6)]
    short = answer(machine(LOW - LACK + 0.9 * first.more), criterion, offset)
    assert short.predicted.total > first.total + 1e-3


@every_criterion
def test_downward_travel_is_named_as_such(criterion: str) -> None:
    bounds = {"front-left": (-2.0, 0.0), "front-right": (-2.0, 0.0), "rear": (LACK - LOW, 2.0)}
    of = machine()
    of = replace(of, supports=[replace(one, travel=bounds[one.id]) for one in of.supports])
    chosen = answer(of, criterion, read=survey(-1.0)).chosen
    assert (chosen.binding[0].adjuster, chosen.binding[0].way) == ("rear", "down")
    assert chosen.binding[0].more == pytest.approx(LACK, abs=1e-6)
    assert "0.420 mm more downward travel would leave 0.060 mm" in chosen.why


@every_criterion
def test_no_bound_is_named_that_does_not_stand_in_the_way(criterion: str) -> None:
    wide = answer(machine(LOW + 0.1), criterion).chosen
    assert wide.binding == ()
    assert "end of its travel" not in wide.why
    exactly = answer(machine(LOW), criterion).chosen
    assert exactly.binding == ()


@every_criterion
def test_nothing_is_named_where_the_aim_is_reached_all_the_same(criterion: str) -> None:
    chosen = answer(machine(), criterion, aim_for=2.0).chosen
    assert chosen.outcome == "reached"
    assert chosen.binding == ()


@every_criterion
def test_several_bounds_come_with_the_smallest_total_first(criterion: str) -> None:
    binding = answer(machine(), criterion).chosen.binding
    assert len(binding) >= 2
    assert [one.total for one in binding] == sorted(one.total for one in binding)
    assert all(one.more > 0.0 for one in binding)


@every_criterion
@every_offset
def test_no_more_travel_is_named_than_is_needed(criterion: str, offset: str) -> None:
    """The front may sink by 0.30 mm here, which spares `rear` as much where the offset is free: 0.12 mm are lacking."""
    of = machine()
    of = replace(of, supports=[replace(one, travel=(-0.3, one.travel[1])) for one in of.supports[:2]] + of.supports[2:])
    first = answer(of, criterion, offset).chosen.binding[0]
    assert (first.adjuster, first.way) == ("rear", "up")
    assert first.more == pytest.approx(LACK - 0.3 if offset == "free" else LACK, abs=1e-6)
    assert first.total == pytest.approx(2 * TWIST, abs=1e-6)
