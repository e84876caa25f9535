"""The tiled bed: twelve screws under four tiles, and nothing interpolated from one tile to another."""

from __future__ import annotations

import msgspec
import numpy as np
import pytest
from scipy.optimize import linprog

from example_plug_ins import (
    POINTS,
    REGISTRY,
    SEATS,
    TILED,
    TILES,
    answer,
    gaps_after,
    machine,
    plane,
    rail_influence,
    survey,
    travels,
)
from tramwright_solvers.comparison.compare import compare
from tramwright_solvers.conformance import check
from tramwright_solvers.contract import Floats, Site
from tramwright_solvers.correction.assemble import ReducedStack
from tramwright_solvers.correction.batching import SurveyRequest, answer_many, stack_by_stack
from tramwright_solvers.lead_error.check import SurveyAtHeight, check_heights
from tramwright_solvers.model.options import Criterion, Solve
from tramwright_solvers.planning import Area, PlanSolve, plan_survey
from tramwright_solvers.reversal import PlacedSurvey, reverse

BOTH: tuple[Criterion, ...] = ("least-squares", "minimum-zone")
MACHINE = machine("tiled-bed")
IDS = [support.id for support in MACHINE.supports]
PLACES = {support.id: (support.x, support.y) for support in MACHINE.supports}


def on_tile(points: Floats) -> Floats:
    """The number of each point's tile: seams are at 250 and 200."""
    return (points[:, 0] > 250) + 2 * (points[:, 1] > 200)


def tile_influence(points: Floats) -> Floats:
    """What each screw does, by hand: barycentric on its own tile, nothing elsewhere."""
    effect = np.zeros((len(points), len(IDS)))
    for number, tile in enumerate(TILES):
        here = on_tile(points) == number
        columns = [IDS.index(name) for name in tile["supports"]]
        corners = np.array([PLACES[name] for name in tile["supports"]])
        effect[np.ix_(here, columns)] = plane(points[here]) @ np.linalg.inv(plane(corners))
    return effect


def laid(random: np.random.Generator, points: Floats, off: float = 0.08) -> Floats:
    """Tiles that each lie as they like, smooth within themselves."""
    gap = np.zeros(len(points))
    for number in range(len(TILES)):
        here = on_tile(points) == number
        tilt, bow = random.normal(0.0, off, 3), random.normal(0.0, 0.02, 2)
        u, v = points[here, 0] / 250 - 1, points[here, 1] / 200 - 1
        gap[here] = tilt[0] + tilt[1] * u + tilt[2] * v + bow[0] * np.sin(4 * u) + bow[1] * np.cos(4 * v)
    return gap


GAP = laid(np.random.default_rng(1), POINTS) + np.random.default_rng(2).normal(0.0, 0.003, len(POINTS))


def half_zone(design: Floats, gap: Floats) -> float:
    """Return half the smallest zone that any coefficients leave, by scipy's linear programme."""
    wall, size = np.ones((len(gap), 1)), np.linalg.norm(design, axis=0)
    scaled = design / np.where(size > 0, size, 1.0)
    upper = np.block([[scaled, -wall], [-scaled, -wall]])
    cost = np.append(np.zeros(design.shape[1]), 1.0)
    return float(linprog(cost, A_ub=upper, b_ub=np.concatenate([gap, -gap]), bounds=(None, None)).fun)


def left_by_best(design: Floats, gap: Floats, criterion: Criterion) -> float:
    if criterion == "minimum-zone":
        return half_zone(design, gap)
    return float(np.sqrt(np.mean((gap - design @ np.linalg.lstsq(design, gap, rcond=None)[0]) ** 2)))


def reached(left: Floats, criterion: Criterion) -> float:
    return float(np.std(left) if criterion == "least-squares" else np.ptp(left) / 2)


def test_it_conforms_and_its_influence_is_the_one_by_hand() -> None:
    check(TILED(), MACHINE)
    assert np.allclose(TILED().influence(Site(MACHINE, POINTS)), tile_influence(POINTS), atol=1e-12)


@pytest.mark.parametrize("criterion", BOTH)
def test_alone_it_levels_every_tile_by_itself(criterion: Criterion) -> None:
    found = answer(MACHINE, survey(GAP), "tiled-bed", criterion=criterion, aim_for=0)
    after = GAP + tile_influence(POINTS) @ travels(found, IDS)
    assert np.ptp(after - gaps_after(found)) < 1e-9
    # derived: a plane taken off each tile, by numpy or scipy alone
    each = [
        left_by_best(plane(POINTS[here]), GAP[here], criterion) for here in (on_tile(POINTS) == n for n in range(4))
    ]
    best = np.sqrt(np.mean(np.square(each))) if criterion == "least-squares" else max(each)
    assert reached(after, criterion) == pytest.approx(best, rel=1e-6)


@pytest.mark.parametrize("criterion", BOTH)
def test_with_the_rails_it_does_all_that_both_can(criterion: Criterion) -> None:
    twist = 0.05 * (POINTS[:, 0] / 250 - 1) * (POINTS[:, 1] / 200 - 1)
    gap = GAP + twist
    found = answer(
        machine("tiled-bed", rails=True), survey(gap), "tiled-bed", "rail-shim", criterion=criterion, aim_for=0
    )
    influence = np.column_stack([tile_influence(POINTS), rail_influence(POINTS)])
    after = gap + influence @ travels(found, [*IDS, *SEATS])
    assert np.ptp(after - gaps_after(found)) < 1e-9
    best = left_by_best(np.column_stack([influence, np.ones(len(gap))]), gap, criterion)
    assert reached(after, criterion) == pytest.approx(best, rel=1e-6)
    # derived: with a free offset the sixteen make thirteen kinds of gap less that one, so as few moves make any of them
    assert len(found.moves) <= np.linalg.matrix_rank(influence - influence.mean(axis=0))
    assert "least effort that attains it" not in found.chosen.why
    assert found.chosen.exact_up_to < len(found.moves)


def test_an_answer_says_which_stations_lie_on_which_tile() -> None:
    found = answer(MACHINE, survey(GAP), "tiled-bed")
    tiles = [sorted(np.flatnonzero(on_tile(POINTS) == number).tolist()) for number in range(len(TILES))]
    assert sorted(found.patches) == sorted(tiles)
    assert [(one.x, one.y) for one in found.predicted.stations] == list(map(tuple, POINTS.tolist()))


def test_left_out_it_is_taken_before_the_solver_of_many_screws() -> None:
    assert answer(MACHINE, survey(GAP), aim_for=0).solver_versions == {"tiled-bed": "1.0"}


def test_what_the_user_says_of_a_screw_is_kept_and_the_rest_does_its_best() -> None:
    supports = msgspec.to_builtins(MACHINE.supports)
    supports[0] |= {"travel": [-0.01, 0.01]}
    supports[5] |= {"effort": 9.0, "setting": 0.02}
    bound = machine("tiled-bed", supports=supports)
    made = travels(answer(bound, survey(GAP), "tiled-bed", aim_for=0), IDS)
    free = travels(answer(MACHINE, survey(GAP), "tiled-bed", aim_for=0), IDS)
    assert abs(free[0]) > 0.02
    assert abs(made[0]) <= 0.01 + 1e-12


def test_the_total_over_the_bed_is_within_its_interval_as_often_as_it_says() -> None:
    held, fine = 0, np.array([(x, y) for x in np.linspace(0, 500, 61) for y in np.linspace(0, 400, 49)])
    # a simulated bed, read like ours; the truth is known at every place
    for seed in range(40):
        truth = laid(np.random.default_rng(seed), np.concatenate([POINTS, fine]))
        read = truth[: len(POINTS)] + np.random.default_rng(1000 + seed).normal(0.0, 0.004, len(POINTS))
        over = answer(MACHINE, survey(read), "tiled-bed").over_bed.as_found
        assert over.low is not None
        assert over.high is not None
        held += over.low <= np.ptp(truth[len(POINTS) :]) <= over.high
    # derived: of 40 at 95 %, fewer than 34 have a chance of 1 in 130 (binomial)
    assert held >= 34


def test_a_tile_that_was_not_read_is_not_guessed() -> None:
    here = on_tile(POINTS) < 3
    some = np.concatenate([np.flatnonzero(here), np.flatnonzero(~here)[:2]])
    over = answer(MACHINE, survey(GAP[some], POINTS[some]), "tiled-bed", aim_for=0).over_bed
    assert over.as_found.total is None


def test_a_step_at_a_seam_is_no_slip_of_reading() -> None:
    step = np.where(on_tile(POINTS) == 2, 0.4, 0.0)
    assert not answer(MACHINE, survey(GAP + step), "tiled-bed", aim_for=0).suspects


def test_a_batch_answers_as_one_survey_after_another() -> None:
    solve = msgspec.convert({"with": [{"solver": "tiled-bed"}], "aim_for": 0}, Solve[REGISTRY.union()])
    reads = [survey(GAP), survey(0.5 * GAP), survey(GAP[::-1].copy())]
    together = answer_many(
        [SurveyRequest(MACHINE, read, solve) for read in reads],
        REGISTRY,
        stack_by_stack(ReducedStack.corrections),
    )
    alone = [answer(MACHINE, read, "tiled-bed", aim_for=0) for read in reads]
    assert [msgspec.json.encode(one) for one in together] == [msgspec.json.encode(one) for one in alone]


def test_a_plan_reads_every_tile_often_enough_to_level_it() -> None:
    plan = plan_survey(MACHINE, PlanSolve(), Area(), registry=REGISTRY)
    at = np.array([(one.x, one.y) for one in plan.plan.stations])
    for number in range(4):
        here = at[on_tile(at) == number]
        assert np.linalg.matrix_rank(plane(here)) == 3


def test_a_tile_that_moved_is_found_by_comparison_and_by_heights() -> None:
    moved = 0.1 * tile_influence(POINTS)[:, IDS.index("tile-2-b")]
    seen = compare(MACHINE, survey(GAP), survey(GAP + moved), registry=REGISTRY)
    told = {one.adjuster: one.travel for one in seen.adjusters}
    predicted = tile_influence(POINTS) @ [told[name] or 0.0 for name in IDS]
    assert np.ptp(predicted - moved) < 1e-6
    high = [
        msgspec.convert({**msgspec.to_builtins(survey(GAP + share * moved)), "height": height}, SurveyAtHeight)
        for share, height in ((0.0, 0.0), (1.0, 100.0))
    ]
    assert check_heights(MACHINE, high, registry=REGISTRY).solver_versions == {"tiled-bed": "1.0"}


def test_a_reversal_of_its_plate_is_answered() -> None:
    square = machine("tiled-bed", bed={"x": [0, 500], "y": [0, 500]})
    at = np.array([(x, y) for x in (50, 150, 250, 350, 450) for y in (50, 150, 250, 350, 450)], dtype=float)
    readings = msgspec.to_builtins(survey(1e-4 * at[:, 0], at).readings)
    placed = [msgspec.convert({"readings": readings, "turned": turned}, PlacedSurvey) for turned in (0, 90)]
    told = reverse(square, placed, registry=REGISTRY)
    assert told.better_plate.after_rails is None
    assert "seat" not in told.better_plate.says
