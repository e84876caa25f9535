"""Where a plan puts its stations, and the way from one to the next. Machines are invented."""

from __future__ import annotations

from itertools import pairwise, permutations

import numpy as np
import pytest

from tramwright_solvers.model.machine import Bed, Machine, Rails, Seat, Support
from tramwright_solvers.planning import Area, PlanSolve, Reach, plan_survey
from tramwright_solvers.planning.area import Circle, Rectangle, places, regular_grid
from tramwright_solvers.planning.path import reading_order

SCREWS = [Support("a", 50.0, 50.0), Support("b", 350.0, 60.0), Support("c", 190.0, 360.0)]


SEATS = [
    Seat(f"{rail}-{end}", rail, -20.0 if rail == "left" else 425.0, y)
    for rail in ("left", "right")
    for end, y in (("front", -5.0), ("rear", 410.0))
]


BED = Bed((0.0, 400.0), (0.0, 400.0))


ON_SCREWS = Machine(bed=BED, id="dunlin-03", supports=SCREWS)


BOTH = Machine(bed=BED, id="dunlin-05", supports=SCREWS, rails=Rails("y", SEATS, block_spacing=50.0))


def test_stations_keep_clear_of_what_is_kept_out() -> None:
    clip, hole = Rectangle((0.0, 60.0), (0.0, 80.0)), Circle(300.0, 300.0, 70.0)
    area = Area(margin=15.0, keep_out=(clip, hole), reach=Reach(x=(30.0, 500.0)))
    answer = plan_survey(BOTH, PlanSolve(), area, count=40)
    for stop in answer.plan.stations:
        assert 30.0 <= stop.x <= 385.0
        assert 15.0 <= stop.y <= 385.0
        assert not (stop.x < 60.0 and stop.y < 80.0)
        assert np.hypot(stop.x - 300.0, stop.y - 300.0) >= 70.0
    assert len({(stop.x, stop.y) for stop in answer.plan.stations}) == 40
    assert len({(spot.x, spot.y) for spot in answer.against_grid.grid_stations}) == 40


@pytest.mark.parametrize("shape", [Circle(40.0, 55.0, 12.0), Rectangle((30.0, 60.0), (20.0, 24.0))])
def test_ways_over_a_shape_are_found_as_by_walking_them(shape: Circle | Rectangle) -> None:
    random = np.random.default_rng(2)
    before, after = random.uniform(0.0, 100.0, (2, 300, 2))
    before[:20, 0] = after[:20, 0]  # straight along y
    before[20:40, 1] = after[20:40, 1]
    before[40], after[40] = after[41], after[41]  # no way at all
    walked = np.array(
        [
            shape.covers(a + np.linspace(0.0, 1.0, 20001)[:, None] * (b - a)).any()
            for a, b in zip(before, after, strict=True)
        ]
    )
    assert 20 < walked.sum() < 280
    assert np.array_equal(shape.crossed(before, after), walked)


def test_a_way_over_a_clip_is_told() -> None:
    area = Area(keep_out=(Rectangle((180.0, 220.0), (-10.0, 410.0)),))
    answer = plan_survey(BOTH, PlanSolve(), area)
    assert sum(stop.over_kept_out for stop in answer.plan.stations) == 2  # there and back
    assert any("raise the indicator" in caution for caution in answer.cautions)


@pytest.mark.parametrize(("count", "shape"), [(25, (5, 5)), (9, (3, 3)), (12, (4, 3)), (7, None), (23, None)])
def test_a_regular_grid_has_exactly_so_many_stations(count: int, shape: tuple[int, int] | None) -> None:
    free = places(ON_SCREWS, Area())
    grid = regular_grid(ON_SCREWS, Area(), free, count)
    assert len(np.unique(grid, axis=0)) == count
    if shape is not None:
        assert sorted(len(np.unique(at)) for at in grid.T) == sorted(shape)


def distances(points: np.ndarray) -> np.ndarray:
    return np.hypot(*(points[:, None] - points[None]).transpose(2, 0, 1))


def round_trip(way: list[int], apart: np.ndarray) -> float:
    return sum(float(apart[a, b]) for a, b in pairwise([*way, way[0]]))


def test_a_short_way_is_nearly_the_shortest_where_all_can_be_tried() -> None:
    for seed in range(6):
        points = np.random.default_rng(seed).uniform(0.0, 100.0, (7, 2))
        apart, way = distances(points), reading_order(points)
        assert way[0] == np.argmin(np.hypot(*(points - points.min(axis=0)).T))
        assert sorted(way) == list(range(7))
        best = min(round_trip([0, *rest], apart) for rest in permutations(range(1, 7)))
        assert round_trip(way, apart) <= 1.05 * best


def test_no_exchange_of_two_legs_shortens_the_way() -> None:
    points = np.random.default_rng(1).uniform(0.0, 100.0, (60, 2))
    apart, way = distances(points), reading_order(points)
    for i in range(59):
        for j in range(i + 2, 60):
            other = way[: i + 1] + way[i + 1 : j + 1][::-1] + way[j + 1 :]
            assert round_trip(other, apart) >= round_trip(way, apart) - 1e-6


def test_a_grid_of_even_rows_is_read_without_a_detour() -> None:
    points = np.array([(10.0 * x, 10.0 * y) for y in range(6) for x in range(5)])
    assert round_trip(reading_order(points), distances(points)) == pytest.approx(300.0, rel=0.05)
    assert reading_order(points) == reading_order(points / 25.4)
