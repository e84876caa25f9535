"""What the stations cannot see is named; the machine is invented."""

from typing import Any

import msgspec
import pytest

from tramwright_solvers.correction.api import correct
from tramwright_solvers.mechanisms.rail_shim import RailShim
from tramwright_solvers.mechanisms.three_screw import ThreeScrew
from tramwright_solvers.model.machine import Machine
from tramwright_solvers.model.options import Solve
from tramwright_solvers.model.survey import Reading, Survey
from tramwright_solvers.views.correction import as_text

SEATS = ["left-front", "left-rear", "right-front", "right-rear"]
MACHINE = msgspec.convert(
    {
        "bed": {"x": [0, 400], "y": [0, 400]},
        "supports": [{"id": "a", "x": 50, "y": 50}, {"id": "b", "x": 350, "y": 50}, {"id": "c", "x": 200, "y": 350}],
        "rails": {
            "along": "y",
            "seats": [
                {
                    "id": name,
                    "rail": name.split("-")[0],
                    "x": -20 if "left" in name else 420,
                    "y": 400 * ("rear" in name),
                }
                for name in SEATS
            ],
        },
    },
    Machine,
)
CROSS = [(200.0, y) for y in (20.0, 110.0, 200.0, 290.0, 380.0)] + [(x, 200.0) for x in (20.0, 110.0, 290.0, 380.0)]
GRID = [(x, y) for x in (20.0, 200.0, 380.0) for y in (20.0, 200.0, 380.0)]
SCREWS = [(50.0, 50.0), (350.0, 50.0), (200.0, 350.0)]


def blind(stations: list[tuple[float, float]], *solvers: Any) -> set[str]:
    survey = Survey([Reading(x, y, 0.001 * x) for x, y in stations])
    return {one.what for one in correct(MACHINE, survey, Solve(with_=list(solvers))).blind_to}


def test_a_cross_along_the_centre_lines_cannot_see_twist_nor_any_rail_seat():
    assert blind(CROSS, ThreeScrew(), RailShim()) == {"twist", *SEATS}


def test_three_points_at_three_screws_see_no_frame_error_at_all():
    assert blind(SCREWS, ThreeScrew(), RailShim()) == {"twist", "bow-x", "bow-y", *SEATS}


def test_a_grid_sees_everything_though_supports_and_seats_together_are_redundant():
    assert blind(GRID, ThreeScrew(), RailShim()) == set()


@pytest.mark.parametrize("stations", [CROSS, SCREWS])
def test_an_unseen_combination_of_equally_easy_adjusters_is_named_too(stations: list[tuple[float, float]]):
    assert blind(stations, RailShim()) & set(SEATS)


def test_stations_on_one_line_cannot_see_the_tilt_across_it():
    assert "tilt-x" in blind([(200.0, y) for y in (20.0, 110.0, 200.0, 290.0, 380.0)], ThreeScrew())


def test_of_one_row_it_is_not_said_whether_it_is_the_rear_nor_what_the_adjusters_could_do_with_it() -> None:
    row = Survey([Reading(x, 20.0, 0.001 * x) for x in (20.0, 200.0, 380.0)])
    told = correct(MACHINE, row, Solve(with_=[ThreeScrew()]))
    assert told.advice.do == "read-more"
    assert not any(line.lstrip().startswith(("rear ", "front ")) for line in as_text(told).splitlines())
    assert "within the adjusters' reach" not in as_text(told)
    whole = Survey([Reading(x, y, 0.001 * x) for x, y in GRID])
    told = correct(MACHINE, whole, Solve(with_=[ThreeScrew()]))
    assert "within the adjusters' reach" in as_text(told)
    assert [
        line.split()[0] for line in as_text(told).splitlines() if line.lstrip().startswith(("rear ", "front "))
    ] == [
        "rear",
        "front",
    ] * 2
