"""What is learnt from the last pass: true where it can be, nothing where it cannot, and passes are saved by it.

Machines, responses and noise are invented. Gaps are made from the solvers' own linear influence where the estimate is
tested, and from the simulated machine of exact geometry where it is put to use.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec.structs import replace

from repeated_passes import INSIDE, JOBS, machine_for, tram
from simulated_machine import grid
from tramwright_solvers.learning.forecast import Goal, forecast
from tramwright_solvers.learning.response_lsq import PRIOR, ReducedPass
from tramwright_solvers.learning.responses import LEAST, MOST, Responses, Slack, learn, travels_to_ask
from tramwright_solvers.mechanisms import RailShim, ThreeScrew
from tramwright_solvers.model.contract import Adjuster, Floats, Site
from tramwright_solvers.model.machine import Screw

MACHINE = machine_for("three screws, four seats")
ADJUSTERS: tuple[Adjuster, ...] = (*ThreeScrew().adjusters(MACHINE), *RailShim().adjusters(MACHINE))
IDS = [adjuster.id for adjuster in ADJUSTERS]
POINTS = np.array(grid(MACHINE, 5, 5))
EXACT = Slack(0.0, 0.0)
TWO_SCREWS_A_SEAT = [0, 1, 4]
"""Adjusters that the readings can tell apart: tilt both ways and twist."""


def influence(points: Floats) -> Floats:
    site = Site(MACHINE, points)
    return np.hstack([ThreeScrew().influence(site), RailShim().influence(site)])


def seen(gaps: Floats, sd: float, points: Floats = POINTS, factors: Floats | None = None) -> ReducedPass:
    none = np.zeros((len(points), 0))
    return ReducedPass(
        points, gaps, np.full(len(points), sd**2), none if factors is None else factors, influence(points)
    )


def surveys(responses: Floats, travels: Floats, sd: float, seed: int = 0, noise: float = 0.0) -> list[ReducedPass]:
    """Surveys before, between and after passes, each with a zero of its own."""
    random = np.random.default_rng(seed)
    start = random.normal(0.0, 0.2, len(POINTS))
    made = np.vstack([np.zeros((1, len(IDS))), np.cumsum(travels * responses, axis=0)])
    return [
        seen(start + influence(POINTS) @ one + random.normal() + noise * random.standard_normal(len(POINTS)), sd)
        for one in made
    ]


def row(columns: Sequence[int], values: Sequence[float]) -> Floats:
    """Travels of all adjusters in which these move."""
    travels = np.zeros(len(IDS))
    travels[list(columns)] = values
    return travels


TRAVELS = st.lists(st.integers(20, 300).map(lambda n: n / 100), min_size=3, max_size=3)
RESPONSES = st.lists(st.integers(-150, 250).map(lambda n: n / 100), min_size=3, max_size=3)
SIGNS = st.lists(st.sampled_from([-1.0, 1.0]), min_size=3, max_size=3)


@given(travels=TRAVELS, signs=SIGNS, responses=RESPONSES, passes=st.integers(1, 3))
def test_without_noise_the_responses_come_back(
    travels: list[float], signs: list[float], responses: list[float], passes: int
) -> None:
    moves = np.array([row(TWO_SCREWS_A_SEAT, np.multiply(travels, signs) / (1 + 2 * p)) for p in range(passes)])
    true = row(TWO_SCREWS_A_SEAT, responses)
    learnt = learn(ADJUSTERS, surveys(true, moves, sd=1e-9), moves, EXACT)
    assert [one.determined for one in learnt.followed] == [True] * 3
    np.testing.assert_allclose([one.response for one in learnt.followed], responses, atol=1e-9)
    assert learnt.did.response[[2, 3, 5, 6]].tolist() == [1.0] * 4
    np.testing.assert_allclose(learnt.did.u[[2, 3, 5, 6]], PRIOR)


@given(travels=TRAVELS, signs=SIGNS, seed=st.integers(0, 1000))
def test_adjusters_that_obey_change_nothing(travels: list[float], signs: list[float], seed: int) -> None:
    moves = row(TWO_SCREWS_A_SEAT, np.multiply(travels, signs))[None]
    learnt = learn(ADJUSTERS, surveys(np.ones(len(IDS)), moves, sd=0.003, seed=seed), moves, Slack())
    next_ = np.random.default_rng(seed).normal(0.0, 0.1, len(IDS))
    assert travels_to_ask(next_, learnt).tolist() == next_.tolist()
    assert not learnt.named
    assert not learnt.stop
    assert not learnt.doubts


def test_what_was_not_measured_is_not_learnt() -> None:
    # All three screws and all four seats at once: a constant, two tilts and a twist are all the readings could see,
    # and the constant is the dial's own zero.
    moves = np.array([0.3, 0.2, 0.25, 0.1, -0.2, 0.15, 0.3])[None]
    true = np.array([0.8, 1.2, 0.9, 1.1, 1.0, 0.75, 1.3])
    before, after = surveys(true, moves, sd=1e-6)
    learnt = learn(ADJUSTERS, [before, after], moves, EXACT)
    assert not learnt.did.determined.any()
    assert not learnt.named
    assert [name for name in IDS if name not in learnt.doubts[0]] == []
    # what can be seen is fitted, and the rest is the least departure from obeying that does so
    told = influence(POINTS) @ (moves[0] * learnt.did.response) - (after.gaps - before.gaps)
    assert np.ptp(told) < 1e-6
    assert np.linalg.norm(learnt.did.response - 1) < np.linalg.norm(true - 1)
    assert np.all(learnt.did.u <= PRIOR + 1e-12)


def test_screws_raised_together_show_nothing_unless_the_zero_is_kept() -> None:
    moves = row([0, 1, 2], [0.2, 0.2, 0.2])[None]
    start = np.random.default_rng(1).normal(0.0, 0.1, len(POINTS))
    before, after = seen(start, 1e-6), seen(start + influence(POINTS) @ (0.7 * moves[0]), 1e-6)
    free, kept = (learn(ADJUSTERS, [before, after], moves, EXACT, offset) for offset in ("free", "keep"))
    np.testing.assert_allclose(free.did.response, 1.0, atol=1e-9)
    assert not free.did.determined[:3].any()
    assert kept.did.determined[:3].all()
    np.testing.assert_allclose(kept.did.response[:3], 0.7, atol=1e-6)


def test_u_is_the_spread_that_noise_makes() -> None:
    # Two passes that share the survey between them, read in two set-ups whose zeros are known only to 0.004 mm.
    sd, common, draws = 0.003, 0.004, 600
    moves = np.array([row(TWO_SCREWS_A_SEAT, [0.2, -0.3, 0.15]), row(TWO_SCREWS_A_SEAT, [-0.04, 0.1, 0.05])])
    true = row(TWO_SCREWS_A_SEAT, [0.9, 1.2, 0.8])
    factors = common * (np.arange(len(POINTS)) >= 12)[:, None].astype(float)
    random = np.random.default_rng(5)
    clean = surveys(true, moves, sd)
    found = []
    for _ in range(draws):
        noisy = [
            replace(
                one,
                gaps=one.gaps + sd * random.standard_normal(25) + factors[:, 0] * random.standard_normal(),
                factors=factors,
            )
            for one in clean
        ]
        found.append(learn(ADJUSTERS, noisy, moves, EXACT).did)
    responses = np.array([one.response[TWO_SCREWS_A_SEAT] for one in found])
    u = np.array([one.u[TWO_SCREWS_A_SEAT] for one in found])
    np.testing.assert_allclose(np.sqrt(np.mean(u**2, axis=0)), responses.std(axis=0), rtol=0.1)
    assert np.mean([one.doubted for one in found]) < 0.01
    assert np.all(
        np.abs(responses.mean(axis=0) - true[TWO_SCREWS_A_SEAT]) < 4 * u[0] / np.sqrt(draws) + u[0] ** 2 / PRIOR
    )


def test_u_counts_how_closely_adjusters_are_set() -> None:
    # Each setting is off by the stated 0.01 mm and the readings are perfect.
    moves, true = row(TWO_SCREWS_A_SEAT, [0.2, -0.3, 0.15])[None], row(TWO_SCREWS_A_SEAT, [0.9, 1.2, 0.8])
    random, found = np.random.default_rng(6), []
    for _ in range(400):
        beside = row(TWO_SCREWS_A_SEAT, 0.01 * random.standard_normal(3))
        before, after = surveys(true, moves, 1e-6)
        off = replace(after, gaps=after.gaps + influence(POINTS) @ beside)
        found.append(learn(ADJUSTERS, [before, off], moves, Slack(0.01, 0.0)).did)
    spread = np.std([one.response[TWO_SCREWS_A_SEAT] for one in found], axis=0)
    np.testing.assert_allclose(found[0].u[TWO_SCREWS_A_SEAT], spread, rtol=0.12)


@pytest.mark.parametrize(
    ("response", "words", "stops"),
    [
        (-1.0, "wrong way", True),
        (0.0, "hardly moved", True),
        (0.5, "lead of 2 mm", False),
        (2.0, "lead of 8 mm", False),
        (0.83, "play (backlash)", False),
        (1.31, "too far", False),
    ],
)
def test_an_adjuster_that_does_not_follow_is_named(response: float, words: str, stops: bool) -> None:
    moves = row(TWO_SCREWS_A_SEAT, [0.5, 0.4, 0.3])[None]
    true = row(TWO_SCREWS_A_SEAT, [response, 1.0, 1.0])
    learnt = learn(ADJUSTERS, surveys(true, moves, 0.003, noise=0.003), moves, Slack())
    assert [one.adjuster for one in learnt.named] == [IDS[0]]
    assert words in learnt.named[0].says
    assert learnt.stop == ((IDS[0],) if stops else ())
    next_ = row([0, 1, 4], [0.1, 0.1, 0.1])
    asks = travels_to_ask(next_, learnt)
    assert asks[[1, 4]].tolist() == [0.1, 0.1]
    if stops:
        assert asks[0] == 0.1
    assert 0.1 / MOST <= asks[0] <= 0.1 / LEAST


def test_a_wrong_pitch_in_a_coarse_thread_is_recognized() -> None:
    # M5 described, M4 fitted: 0.7 mm of lead instead of 0.8 mm (ISO coarse series).
    adjusters = (replace(ADJUSTERS[0], screw=Screw(0.8)), *ADJUSTERS[1:])
    moves, true = row(TWO_SCREWS_A_SEAT, [1.5, 0.4, 0.3])[None], row(TWO_SCREWS_A_SEAT, [0.875, 1.0, 1.0])
    learnt = learn(adjusters, surveys(true, moves, 0.003, noise=0.003), moves, Slack())
    assert "lead of 0.7 mm" in learnt.named[0].says


def test_sheets_and_whole_steps_are_reported_but_not_scaled() -> None:
    shimmed = replace(ADJUSTERS[0], stock=(), screw=None)
    stepped = replace(ADJUSTERS[1], step=0.05)
    moves = row(TWO_SCREWS_A_SEAT, [1.0, 1.0, 1.0])[None]
    true = row(TWO_SCREWS_A_SEAT, [0.75, 0.75, 0.75])
    learnt = learn((shimmed, stepped, *ADJUSTERS[2:]), surveys(true, moves, 0.001), moves, Slack(0.001, 0.0))
    assert [one.follows for one in learnt.followed] == [False] * 3
    asks = travels_to_ask(np.full(len(IDS), 0.1), learnt)
    assert asks[[0, 1]].tolist() == [0.1, 0.1]
    assert asks[4] == pytest.approx(0.1 / 0.75, rel=0.01)


def test_what_is_asked_stays_within_the_travel_there_is() -> None:
    short = replace(ADJUSTERS[0], lower=-0.2, upper=0.11)
    moves = row(TWO_SCREWS_A_SEAT, [1.0, 1.0, 1.0])[None]
    learnt = learn((short, *ADJUSTERS[1:]), surveys(row([0, 1, 4], [0.75] * 3), moves, 0.001), moves, Slack())
    assert travels_to_ask(row([0], [0.1]), learnt)[0] == 0.11


@given(share=st.integers(30, 200).map(lambda n: n / 100), travel=st.integers(1, 100).map(lambda n: n / 100))
def test_asking_is_never_wilder_than_the_bounds(share: float, travel: float) -> None:
    moves = row(TWO_SCREWS_A_SEAT, [travel] * 3)[None]
    learnt = learn(ADJUSTERS, surveys(row([0, 1, 4], [share] * 3), moves, 0.003, noise=0.003), moves, Slack())
    wanted = np.full(len(IDS), 0.1)
    asks = travels_to_ask(wanted, learnt)
    assert np.all((wanted / MOST <= asks) & (asks <= wanted / LEAST))
    if share < 0.9:
        assert np.all(asks >= wanted)
    if share > 1.1:
        assert np.all(asks <= wanted)


def test_only_stations_read_both_before_and_after_count() -> None:
    moves, true = row([0], [0.5])[None], row([0], [0.8])
    before, after = surveys(true, moves, 1e-6)
    elsewhere = np.array([[100.0, 100.0], [111.0, 300.0]])
    some = [3, 7, 20]
    points = np.vstack([POINTS[some], elsewhere])
    gaps = np.concatenate([after.gaps[some], [9.0, -9.0]])
    learnt = learn(ADJUSTERS, [before, seen(gaps, 1e-6, points)], moves, EXACT)
    assert learnt.followed[0].response == pytest.approx(0.8, abs=1e-6)
    one = np.vstack([POINTS[:1], elsewhere])
    learnt = learn(ADJUSTERS, [before, seen(gaps[:3], 1e-6, one)], moves, EXACT)
    assert not learnt.followed[0].determined
    assert learnt.followed[0].response == pytest.approx(1.0, abs=1e-9)
    assert "too few stations" in learnt.doubts[0]


def test_a_move_left_out_of_the_list_is_noticed() -> None:
    moves = row([0, 1], [0.3, 0.2])[None]
    before, after = surveys(np.ones(len(IDS)), moves, 0.003, noise=0.003)
    twisted = replace(after, gaps=after.gaps + influence(POINTS)[:, 4] * 0.1)
    sound, doubtful = (learn(ADJUSTERS, [before, one], moves, Slack()) for one in (after, twisted))
    assert not sound.did.doubted
    assert doubtful.did.doubted
    assert np.all(doubtful.did.u[:2] > sound.did.u[:2])


def test_learning_is_the_same_in_inches() -> None:
    moves, true = row(TWO_SCREWS_A_SEAT, [0.5, 0.4, -0.3])[None], row(TWO_SCREWS_A_SEAT, [0.8, 1.2, 1.1])
    in_mm = surveys(true, moves, 0.003, noise=0.003)
    in_inches = [
        replace(one, points=one.points / 25.4, gaps=one.gaps / 25.4, variance=one.variance / 25.4**2) for one in in_mm
    ]
    mm = learn(ADJUSTERS, in_mm, moves, Slack())
    inch = learn(ADJUSTERS, in_inches, moves / 25.4, Slack.usual(lambda length: length / 25.4), unit="inch")
    np.testing.assert_allclose(inch.did.response, mm.did.response, rtol=1e-9)
    np.testing.assert_allclose(inch.will.u, mm.will.u, rtol=1e-9)


GOAL = Goal(INSIDE, INSIDE, np.zeros(len(IDS)), np.zeros(len(IDS)))


def prior_only() -> Responses:
    return learn(ADJUSTERS, surveys(np.ones(len(IDS)), np.zeros((0, len(IDS))), 0.003), np.zeros((0, len(IDS))), EXACT)


def test_forecasts_shorten_as_more_is_known() -> None:
    wanted = row(TWO_SCREWS_A_SEAT, [0.8, -0.6, 0.7])
    flat = seen(-influence(POINTS) @ wanted, 0.003)
    unknown = forecast(prior_only(), flat, wanted, wanted, GOAL)
    moves = row(TWO_SCREWS_A_SEAT, [2.0, 2.0, 2.0])[None]
    learnt = learn(ADJUSTERS, surveys(row([0, 1, 4], [0.8] * 3), moves, 0.003), moves, Slack(0.001, 0.0))
    known = forecast(learnt, flat, wanted, travels_to_ask(wanted, learnt), GOAL)
    assert known.passes == 1
    assert unknown.passes > known.passes
    assert unknown.at_most > known.at_most
    assert forecast(learnt, flat, np.zeros(len(IDS)), np.zeros(len(IDS)), GOAL).passes == 0


@pytest.mark.parametrize("job", JOBS)
def test_passes_fall_on_machines_that_move_70_to_130_per_cent(job: str) -> None:
    # 100 machines with fixed seeds; tests/benchmarks/learning.py prints the distributions over 500.
    machines = range(100)
    kept = {learning: [tram(job, seed, learning=learning) for seed in machines] for learning in (False, True)}
    without, with_ = (np.array([run.passes for run in kept[learning]]) for learning in (False, True))
    assert np.median(with_) < np.median(without)
    assert with_.mean() < without.mean() - 0.3
    assert np.all(with_ <= without + 1)
    assert with_.max() <= without.max()
    told = [(run.passes - index, one.at_most) for run in kept[True] for index, one in enumerate(run.forecasts)]
    assert np.mean([left <= at_most for left, at_most in told]) >= 0.95


def test_play_does_not_make_learning_worse() -> None:
    # A tenth of a millimetre lost at every reversal is no lasting share: nothing is gained, and little may be lost.
    machines = range(60)
    without, with_ = (
        np.array([tram("three screws", seed, learning=learning, play=0.1).passes for seed in machines])
        for learning in (False, True)
    )
    assert with_.mean() <= without.mean() + 0.1
    assert with_.max() <= without.max() + 1
