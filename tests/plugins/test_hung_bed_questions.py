"""The hung bed in the questions beside the correction: a bush whose lift is not proportional to its angle."""

from __future__ import annotations

from typing import Any

import msgspec
import numpy as np
import pytest
from scipy.optimize import linprog

from example_plug_ins import HUNG, POINTS, REGISTRY, machine, plane, rail_influence, survey
from tramwright_solvers.comparison.compare import compare
from tramwright_solvers.contract import Floats
from tramwright_solvers.lead_error.check import SurveyAtHeight, check_heights
from tramwright_solvers.mechanisms.rail_shim import RailShim
from tramwright_solvers.model.options import Criterion
from tramwright_solvers.planning import Area, PlanSolve, plan_survey
from tramwright_solvers.reversal import PlacedSurvey, reverse

MACHINE = machine("hung-bed")
CORNERS = np.array([(30, 40), (470, 45), (250, 370)], dtype=float)
THROW, STANDS = 2.0, np.radians(25.0)
FORM = 0.03 * np.sin(POINTS[:, 0] / 90.0) * np.cos(POINTS[:, 1] / 110.0)


def lift(angle: float) -> float:
    """How far the bush lifts, by trigonometry alone."""
    return float(THROW * (np.sin(STANDS + angle) - np.sin(STANDS)))


def raised(height: float) -> Floats:
    """Change of gap at the stations with the rear so much higher, by numpy alone."""
    return plane(POINTS) @ np.linalg.solve(plane(CORNERS), [0.0, 0.0, height])


def turned_by_a_quarter(gap: Floats, grid: Floats) -> list[PlacedSurvey]:
    """Two surveys that read the same, the plate turned in between."""
    readings = msgspec.to_builtins(survey(gap, grid).readings)
    return [msgspec.convert({"readings": readings, "turned": turned}, PlacedSurvey) for turned in (0.0, 90.0)]


def test_a_comparison_finds_the_travel_of_a_bush_that_was_turned_far() -> None:
    angle = 0.4
    later = survey(FORM + raised(lift(angle)))
    held = (HUNG(hold=("front-left", "front-right")),)
    seen = compare(MACHINE, survey(FORM), later, held, registry=REGISTRY)
    rear = {one.adjuster: one for one in seen.adjusters}["rear"]
    travel = angle * THROW * np.cos(STANDS)
    assert rear.travel == pytest.approx(travel, abs=1e-6)
    assert rear.if_alone == pytest.approx(travel, abs=1e-6)
    assert rear.explains
    assert not seen.beyond_adjusters
    assert abs(lift(angle) - travel) > 0.08  # by the slope at zero it would have been this
    # the slope there is less, so the travel is known worse in the same measure
    small = {
        one.adjuster: one for one in compare(MACHINE, survey(FORM), survey(FORM), held, registry=REGISTRY).adjusters
    }
    assert rear.u / small["rear"].u == pytest.approx(np.cos(STANDS) / np.cos(STANDS + angle), rel=1e-4)
    assert any("not proportional" in said for said in seen.assumptions)


def test_what_no_turn_of_the_bush_explains_is_told_as_beyond_it() -> None:
    """Twice the throw, which no angle lifts."""
    later = survey(FORM + raised(4.0))
    seen = compare(MACHINE, survey(FORM), later, (HUNG(hold=("front-left", "front-right")),), registry=REGISTRY)
    assert any("did not settle" in said for said in seen.cautions) or seen.beyond_adjusters


def test_plans_and_heights_say_that_their_numbers_are_by_the_slope_where_it_stands() -> None:
    plan = plan_survey(MACHINE, PlanSolve(), Area(), registry=REGISTRY)
    assert any("not proportional" in said for said in plan.cautions)

    def checked(rise: float) -> Any:
        high = [
            msgspec.convert({**msgspec.to_builtins(survey(FORM + gap)), "height": height}, SurveyAtHeight)
            for gap, height in ((0.0, 0.0), (raised(lift(rise)), 100.0))
        ]
        return check_heights(MACHINE, high, registry=REGISTRY)

    assert not any("not proportional" in said for said in checked(0.005).doubts)
    assert any("not proportional" in said for said in checked(0.4).doubts)


@pytest.mark.parametrize("criterion", ["least-squares", "minimum-zone"])
def test_a_reversal_on_it_asks_the_rails_alone_and_leaves_the_bush_out(criterion: Criterion) -> None:
    """Plate turned by a quarter: what the rails would leave, against numpy and scipy; the bush lies under the plate."""
    made = machine("hung-bed", rails=True, bed={"x": [0, 400], "y": [0, 400]})
    grid = np.array([(x, y) for x in range(20, 400, 60) for y in range(20, 400, 60)], dtype=float)
    form = 0.05 * (grid[:, 0] - 200.0) * (grid[:, 1] - 200.0) / 4e4 + 0.01 * np.cos(grid[:, 0] / 50.0)
    surveys = turned_by_a_quarter(-form, grid)
    told = reverse(made, surveys, (HUNG(), RailShim()), REGISTRY, criterion)
    assert told.solver_versions == {"rail-shim": RailShim.version}
    assert not any("not proportional" in said for said in told.doubts)
    height = np.array([one.height for one in told.gantry.stations])
    points = np.array([(one.x, one.y) for one in told.gantry.stations])
    design = np.column_stack([plane(points), rail_influence(points)])
    if criterion == "least-squares":
        left = float(np.ptp(height - design @ np.linalg.lstsq(design, height, rcond=None)[0]))
    else:
        count, size = design.shape
        ends = np.vstack([np.hstack([sign * design, -np.ones((count, 1))]) for sign in (1.0, -1.0)])
        target = np.concatenate([height, -height])
        left = 2.0 * float(linprog([0.0] * size + [1.0], ends, target, bounds=[(None, None)] * (size + 1)).fun)
    assert told.better_plate.after_rails == pytest.approx(left, rel=1e-6)
    assert left < 0.5 * told.gantry.range


def test_a_reversal_that_moves_rails_by_what_is_not_linear_says_so() -> None:
    class Lifted(RailShim, frozen=True, tag="lifted"):
        contract = 2
        linear = False

    made = machine("hung-bed", rails=True, bed={"x": [0, 400], "y": [0, 400]})
    grid = np.array([(x, y) for x in range(20, 400, 60) for y in range(20, 400, 60)], dtype=float)
    surveys = turned_by_a_quarter(1e-4 * grid[:, 0], grid)
    told = reverse(made, surveys, (Lifted(),), REGISTRY)
    assert any("`lifted` is not proportional" in said for said in told.doubts)
