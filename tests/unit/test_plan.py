"""Survey plans: what is forecast is what the correction then states. Machines and readings are invented."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import msgspec
import numpy as np
import pytest
from msgspec.structs import replace

from tramwright_solvers.correction.api import correct, reduce_stack
from tramwright_solvers.correction.decision import decide_lazily
from tramwright_solvers.mechanisms import RailShim, ThreeScrew
from tramwright_solvers.mechanisms.transforms import LENGTHS, scaled
from tramwright_solvers.model.errors import Refused
from tramwright_solvers.model.machine import Bed, Indicator, Limit, Machine, Rails, Seat, Support
from tramwright_solvers.model.options import Solve
from tramwright_solvers.model.survey import Reading, Survey
from tramwright_solvers.planning import Area, PlanSolve, Reach, Spot, plan_survey
from tramwright_solvers.planning.area import Circle, Rectangle
from tramwright_solvers.planning.results import Rating

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
HELD_BACK = [ThreeScrew(hold=("b",)), RailShim(hold=("left-front", "left-rear", "right-front"))]
"""Two screws and one seat for three directions: only one way of doing all that can be done."""

CROSS = [(200.0, y) for y in (20.0, 110.0, 200.0, 290.0, 380.0)] + [(x, 200.0) for x in (20.0, 110.0, 290.0, 380.0)]
GRID = [(x, y) for x in (20.0, 110.0, 200.0, 290.0, 380.0) for y in (20.0, 110.0, 200.0, 290.0, 380.0)]
SCREW_PLACES = [(50.0, 50.0), (350.0, 60.0), (190.0, 360.0)]


def spots(points: list[tuple[float, float]]) -> list[Spot]:
    return [Spot(x, y) for x, y in points]


def rated(machine: Machine, points: list[tuple[float, float]], step: float | None = None, **solve: Any) -> Rating:
    yours = plan_survey(machine, PlanSolve(**solve), Area(step=step), stations=spots(points)).yours
    assert yours is not None
    return yours


def survey_of(rating: Rating, values: Any, *, closing: bool) -> Survey:
    stops = [*rating.stations, rating.stations[0]] if closing else rating.stations
    return Survey([Reading(stop.x, stop.y, float(value)) for stop, value in zip(stops, values, strict=True)])


def bumpy(count: int) -> np.ndarray:
    return 0.2 * np.random.default_rng(5).standard_normal(count)


@pytest.mark.parametrize("offset", ["free", "keep"])
@pytest.mark.parametrize("closing", [True, False])
def test_the_u_forecast_is_the_u_of_the_correction(offset: str, closing: bool) -> None:
    with_ = HELD_BACK if offset == "free" else [ThreeScrew(), RailShim(hold=HELD_BACK[1].hold)]
    plan = plan_survey(BOTH, PlanSolve(with_=list(with_), offset=offset), Area()).plan
    values = bumpy(plan.count)
    answer = correct(
        BOTH,
        # a closing error larger than the indicator's would be read again, not moved by
        survey_of(plan, [*values, values[0]] if closing else values, closing=closing),
        Solve(with_=list(with_), aim_for=0.0, offset=offset),
    )
    stated = {move.adjuster: move.u for move in answer.moves}
    forecast = {one.adjuster: one.u if closing else one.steady_u for one in plan.moves if one.u is not None}
    assert len(stated) == 3 if offset == "free" else 4
    assert stated == pytest.approx(forecast, rel=1e-9)


@pytest.mark.parametrize("machine", [ON_SCREWS, ON_RAILS, BOTH], ids=lambda machine: machine.id)
def test_of_several_ways_the_forecast_is_the_most_uncertain(machine: Machine) -> None:
    plan = plan_survey(machine, PlanSolve(), Area()).plan
    forecast, seen = {one.adjuster: one.u for one in plan.moves}, dict.fromkeys((m.adjuster for m in plan.moves), 0.0)
    company = {1 + len(one.together_with) for one in plan.moves}
    random = np.random.default_rng(3)
    for _ in range(60):
        values = 0.2 * random.standard_normal(plan.count + 1)
        values[-1] = values[0]  # what does not close is read again, and nothing is moved
        moves = correct(machine, survey_of(plan, values, closing=True), Solve(aim_for=0.0)).moves
        if len(moves) not in company:
            continue  # what gains less than it can be measured is left undone: not the case that is forecast
        for move in moves:
            assert move.u <= forecast[move.adjuster] * (1.0 + 1e-9)
            seen[move.adjuster] = max(seen[move.adjuster], move.u)
    assert any(seen[name] == pytest.approx(forecast[name], rel=1e-9) for name in seen)


@pytest.mark.parametrize("seed", [5, 7, 9, 11])
def test_both_figures_of_a_move_are_those_of_a_correction_that_moves_the_company_named(seed: int) -> None:
    # stations without order, where the company of largest u with a closing reading is not that without one
    points = np.round(np.random.default_rng(seed).uniform(20.0, 380.0, (9, 2)), 3).tolist()
    rating = rated(BOTH, points)
    values = bumpy(rating.count)
    supports, seats = ([one.id for one in of] for of in (BOTH.supports, BOTH.rails.seats))
    for one in rating.moves:
        free = {one.adjuster, *one.together_with}
        with_ = [
            solver(hold=[name for name in own if name not in free])
            for solver, own in ((ThreeScrew, supports), (RailShim, seats))
            if free & set(own)
        ]
        for closing, forecast in ((True, one.u), (False, one.steady_u)):
            survey = survey_of(rating, [*values, values[0]] if closing else values, closing=closing)
            done = reduce_stack(BOTH, [survey], Solve(with_=with_))
            full = len(done.prepared.candidates.sets) - 1
            u = done.prepared.candidates.fits.u(np.array([full]), done.noise)[0]
            assert u[done.prepared.place_of[one.adjuster]] == pytest.approx(forecast, rel=1e-6)


@pytest.mark.parametrize("points", [GRID, CROSS[:5] + GRID[:3] + GRID[-4:]], ids=["grid", "lopsided"])
def test_surveys_scatter_as_forecast(points: list[tuple[float, float]]) -> None:
    rating = rated(BOTH, points, with_=list(HELD_BACK))
    machine, random, runs = BOTH, np.random.default_rng(11), 600
    x, y = np.array([(stop.x, stop.y) for stop in [*rating.stations, rating.stations[0]]]).T
    truth = 0.3 + 4e-4 * x - 2e-4 * y + 3e-6 * x * y + 0.002 * np.arange(len(x))  # tilt, twist and a steady drift
    u = np.sqrt(machine.indicator_variance + machine.repeat_variance)
    surveys = [survey_of(rating, truth + u * random.standard_normal(len(x)), closing=True) for _ in range(runs)]
    # as decided, before any survey is held back because a reading looks like a slip
    solve: Solve[Any] = Solve(with_=list(HELD_BACK), aim_for=0.0)
    done = reduce_stack(machine, surveys, solve)
    chosen = decide_lazily(done.prepared, solve, done.gaps, done.noise).chosen
    known = {one.adjuster: one.u for one in rating.moves if one.u is not None}
    travels = {name: chosen.travels[:, done.prepared.place_of[name]] for name in known}
    # chi-squared with 599 degrees of freedom: 99.99 % of all samples, shared among three adjusters
    low, high = 466.0, 753.6
    for name, forecast in known.items():
        assert np.all(travels[name] != 0.0)
        assert low < (runs - 1) * np.var(travels[name], ddof=1) / forecast**2 < high


def test_the_limits_of_that_test_are_those_of_chi_squared() -> None:
    from scipy.stats import chi2

    assert chi2.ppf([0.5e-4 / 3, 1 - 0.5e-4 / 3], 599) == pytest.approx([466.0, 753.6], abs=0.1)


def test_a_three_point_plan_sees_tilt_and_nothing_else() -> None:
    rating = rated(BOTH, SCREW_PLACES)
    assert {one.what for one in rating.blind_to} == {"twist", "bow-x", "bow-y", *(seat.id for seat in SEATS)}
    assert rating.least_redundancy == 0.0
    assert rating.sure_slip is None
    for move in rating.moves:
        assert (move.u is None) == (move.adjuster in {seat.id for seat in SEATS})
        assert (move.u is None) == bool(move.why)
    assert (rating.efficiency.d_efficiency, rating.efficiency.why != "") == (None, True)


def test_a_cross_is_blind_to_twist_and_to_every_seat() -> None:
    rating = rated(BOTH, CROSS)
    assert {one.what for one in rating.blind_to} == {"twist", *(seat.id for seat in SEATS)}
    assert (rating.efficiency.d_efficiency, rating.efficiency.i_efficiency) == (0.0, 0.0)
    assert rating.gap_u is None


def test_a_grid_sees_everything_and_checks_itself() -> None:
    rating = rated(BOTH, GRID)
    assert rating.blind_to == []
    assert rating.unchecked == []
    assert rating.sure_slip is not None
    assert all(move.u is not None for move in rating.moves)
    assert 0.0 < rating.efficiency.d_efficiency < 1.0
    assert 0.0 < rating.efficiency.i_efficiency < 1.0


def test_the_grid_of_the_comparison_is_rated_alike_when_it_is_sent() -> None:
    answer = plan_survey(BOTH, PlanSolve(), Area(), count=16)
    grid = answer.against_grid
    yours = plan_survey(BOTH, PlanSolve(), Area(), stations=grid.grid_stations).yours
    assert yours is not None
    for rating, worth in ((yours, grid.grid), (answer.plan, grid.plan)):
        assert max(move.steady_u or 0.0 for move in rating.moves) == pytest.approx(worth.largest_move_u, rel=1e-9)
        assert rating.gap_u == pytest.approx(worth.gap_u, rel=1e-9)
        assert rating.least_redundancy == pytest.approx(worth.least_redundancy, rel=1e-9)
    assert grid.chosen == "plan"


def test_in_inches_a_plan_is_worth_the_same() -> None:
    inches = msgspec.convert(scaled(msgspec.to_builtins(BOTH), 1 / 25.4, LENGTHS) | {"units": "inch"}, Machine)
    mm, inch = rated(BOTH, GRID), rated(inches, [(x / 25.4, y / 25.4) for x, y in GRID], 5.0 / 25.4)
    assert [25.4 * move.u for move in inch.moves if move.u] == pytest.approx([move.u for move in mm.moves], rel=1e-9)
    assert 25.4 * inch.path == pytest.approx(mm.path, rel=1e-9)
    assert 25.4 * inch.total.smallest_limit == pytest.approx(mm.total.smallest_limit, rel=1e-9)
    assert inch.efficiency.i_efficiency == pytest.approx(mm.efficiency.i_efficiency, rel=1e-2)


def test_held_adjusters_have_no_u_and_say_so() -> None:
    moves = plan_survey(BOTH, PlanSolve(with_=list(HELD_BACK)), Area()).plan.moves
    held = {move.adjuster: move.why for move in moves if move.u is None}
    assert held.keys() == {"b", "left-front", "left-rear", "right-front"}
    assert all("held" in why for why in held.values())


def test_a_plan_of_the_same_size_as_yours_compares_and_a_blind_one_is_not_imitated() -> None:
    assert plan_survey(BOTH, PlanSolve(), Area(), stations=spots(GRID)).plan.count == 25
    assert plan_survey(BOTH, PlanSolve(), Area(), stations=spots(SCREW_PLACES)).plan.count == 12


def test_what_can_be_declared_follows_the_decision_rule() -> None:
    total = plan_survey(ON_SCREWS, PlanSolve(), Area()).plan.total
    # what the verdict on a total as read takes: 1.675 u and half a division
    assert total.largest_within == pytest.approx(0.1 - 1.675 * total.u - 0.5 * ON_SCREWS.division, rel=1e-12)
    assert total.smallest_limit == pytest.approx(total.noise + 0.1 - total.largest_within, rel=1e-12)
    coarse = replace(ON_SCREWS, indicator=Indicator(division=0.1), limit=Limit(0.02))
    assert plan_survey(coarse, PlanSolve(), Area()).plan.total.largest_within is None


def test_more_stations_are_never_worth_less() -> None:
    sizes = plan_survey(BOTH, PlanSolve(), Area()).sizes
    assert [one.count for one in sizes] == sorted({one.count for one in sizes})
    assert sum(one.chosen for one in sizes) == 1
    assert all(later.gap_u < before.gap_u for before, later in pairwise(sizes))
    # 36 stations that keep apart cannot all stand in the corners, as a few can
    assert sizes[-1].largest_move_u < 0.62 * sizes[0].largest_move_u


def test_the_same_question_gets_the_same_answer() -> None:
    area = Area(keep_out=(Circle(100.0, 120.0, 40.0),))
    first, again = (msgspec.json.encode(plan_survey(BOTH, PlanSolve(), area, count=17)) for _ in range(2))
    assert first == again


def refusal(machine: Machine = BOTH, area: Area | None = None, **more: Any) -> dict[str, str]:
    with pytest.raises(Refused) as refused:
        plan_survey(machine, more.pop("solve", PlanSolve()), area or Area(), **more)
    return {fault.pointer: fault.detail for fault in refused.value.faults}


def test_every_fault_is_found_at_once() -> None:
    area = Area(margin=10.0, reach=Reach(x=(500.0, 600.0)), keep_out=(Rectangle((5.0, 1.0), (0.0, 1.0)),))
    solve = PlanSolve(with_=[ThreeScrew(hold=("z",))])
    found = refusal(area=area, solve=solve, stations=spots([(-5.0, 20.0), (20.0, 900.0)]))
    assert found.keys() == {
        "/solve/with/0/hold/0",
        "/reach/x",
        "/keep_out/0/x",
        "/stations",
        "/stations/0/x",
        "/stations/1/y",
    }


@pytest.mark.parametrize(
    ("area", "more", "pointers"),
    [
        (Area(margin=200.0), {}, {"/margin"}),
        (Area(reach=Reach(y=(300.0, 100.0))), {}, {"/reach/y"}),
        (Area(keep_out=(Circle(200.0, 200.0, 400.0),)), {}, {"/keep_out"}),
        (Area(spacing=1.0), {}, {"/spacing"}),
        (Area(spacing=400.0), {"count": 9}, {"/count"}),
        (Area(spacing=190.0), {"count": 10}, {"/count"}),
        (Area(), {"count": 3}, {"/count"}),
        (Area(), {"stations": spots([(20.0, 20.0), (380.0, 20.0), (380.0, 380.0), (20.0, 20.0)])}, {"/stations/3"}),
        (Area(keep_out=(Circle(20.0, 20.0, 5.0),)), {"stations": spots(GRID)}, {"/stations/0"}),
        (Area(reach=Reach(x=(100.0, 400.0))), {"stations": spots(GRID[4:9])}, {"/stations/0"}),
    ],
)
def test_what_makes_no_sense_is_refused(area: Area, more: dict[str, Any], pointers: set[str]) -> None:
    assert refusal(area=area, **more).keys() == pointers


def test_faults_of_machine_and_solvers_are_those_of_a_correction() -> None:
    backwards = replace(BOTH, bed=Bed((400.0, 0.0), (0.0, 400.0)))
    assert refusal(backwards).keys() == {"/machine/bed/x"}
    assert refusal(Machine(bed=BED)).keys() == {"/machine"}
    assert refusal(solve=PlanSolve(with_=[ThreeScrew(hold=("z",))])).keys() == {"/solve/with/0/hold/0"}
    assert refusal(solve=PlanSolve(with_=[ThreeScrew(hold=("a", "b", "c"))])).keys() == {"/solve/with"}


def test_many_seats_are_planned_for() -> None:
    rails = [Seat(f"{rail}{k}", rail, x, 200.0 * k) for rail, x in (("l", -50.0), ("r", 1050.0)) for k in range(8)]
    machine = Machine(bed=Bed((0.0, 1000.0), (0.0, 1400.0)), rails=Rails("y", rails, block_spacing=80.0))
    answer = plan_survey(machine, PlanSolve(), Area(), count=40)
    assert all(move.u is not None and 0.0 < move.u < 1.0 for move in answer.plan.moves)
