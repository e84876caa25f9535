"""Stations of a plan can be set up by hand, and what that costs is said. All machines invented."""

from __future__ import annotations

import numpy as np
import pytest

from tramwright_solvers.model.errors import Refused
from tramwright_solvers.model.machine import Bed, Machine, Rails, Seat, Support
from tramwright_solvers.planning import Area, PlanSolve, plan_survey

SCREWS = [Support("a", 50.0, 50.0), Support("b", 350.0, 60.0), Support("c", 190.0, 360.0)]
SEATS = [
    Seat(f"{rail}-{end}", rail, -20.0 if rail == "left" else 425.0, y)
    for rail in ("left", "right")
    for end, y in (("front", -5.0), ("rear", 410.0))
]
BED = Bed((0.0, 400.0), (0.0, 400.0))
ON_SCREWS = Machine(bed=BED, id="dunlin-03", supports=SCREWS)
ON_RAILS = Machine(bed=BED, id="dunlin-04", rails=Rails("y", SEATS, block_spacing=50.0))
BOTH = Machine(bed=BED, id="dunlin-05", supports=SCREWS, rails=Rails("y", SEATS, block_spacing=50.0))


def distances(points: np.ndarray) -> np.ndarray:
    return np.hypot(*(points[:, None] - points[None]).transpose(2, 0, 1))


@pytest.mark.parametrize("machine", [ON_SCREWS, ON_RAILS, BOTH], ids=lambda machine: machine.id)
@pytest.mark.parametrize("count", [6, 9, 16, 25])
def test_stations_can_be_set_up_by_hand(machine: Machine, count: int) -> None:
    answer = plan_survey(machine, PlanSolve(), Area(), count)
    points = np.array([(stop.x, stop.y) for stop in answer.plan.stations])
    assert np.array_equal(points, 5.0 * np.round(points / 5.0))
    apart = distances(points)[~np.eye(count, dtype=bool)].min()
    assert apart == answer.rounding.apart
    assert apart >= 40.0  # a tenth of the bed
    assert answer.rounding.rows == len({stop.y for stop in answer.plan.stations})
    assert answer.rounding.costs is not None
    assert answer.rounding.costs >= 0.0
    assert "whole multiples of 5 mm" in answer.rounding.says


def test_the_step_is_that_asked_for_and_finer_on_a_small_bed() -> None:
    steps = {
        7.0: (BOTH, Area(step=7.0)),
        5.0: (BOTH, Area()),
        4.0: (BOTH, Area(spacing=4.0)),
        0.25: (Machine(bed=Bed((0.0, 16.0), (0.0, 16.0)), units="inch", supports=SCREWS), Area()),
        1.25: (Machine(bed=Bed((0.0, 40.0), (0.0, 40.0)), supports=SCREWS), Area()),
    }
    for step, (machine, area) in steps.items():
        assert area.whole_step(machine) == step
    seven = plan_survey(BOTH, PlanSolve(), Area(step=7.0)).plan.stations
    assert all(stop.x % 7.0 == stop.y % 7.0 == 0.0 for stop in seven)
    with pytest.raises(Refused):
        plan_survey(BOTH, PlanSolve(), Area(step=300.0))


def test_rows_are_taken_where_they_cost_little_and_what_they_cost_is_said() -> None:
    found = [plan_survey(machine, PlanSolve(), Area(), 25).rounding for machine in (ON_SCREWS, ON_RAILS, BOTH)]
    assert any(2 * one.rows <= 25 and f"in {one.rows} rows" in one.says for one in found)
    for one in found:
        if one.costs is not None and one.costs >= 0.0005:
            assert f"{one.costs:.1%} larger" in one.says
