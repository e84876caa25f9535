"""Comparisons: laws that hold for any machine and survey, and how often what they state is so. All data invented."""

from __future__ import annotations

import msgspec
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulated_machine import bump, grid
from strategies import GROUPS, jobs
from tramwright_solvers.comparison.compare import compare
from tramwright_solvers.diagnostics.reliability import ALPHA, POWER
from tramwright_solvers.model.contract import Floats, Site
from tramwright_solvers.model.machine import Bed, Indicator, Machine, Support
from tramwright_solvers.model.survey import Reading, Survey

MACHINE = Machine(
    bed=Bed((0.0, 500.0), (0.0, 500.0)),
    id="whimbrel-09",
    supports=[Support("wren", 30.0, 40.0), Support("robin", 470.0, 55.0), Support("linnet", 240.0, 460.0)],
    indicator=Indicator(division=0.005, error_limit=0.006, repeatability=0.003),
)
SIGMA = (MACHINE.indicator_variance + MACHINE.repeat_variance) ** 0.5
POINTS = np.array(grid(MACHINE, 4, 4))
OTHERS = np.array(grid(MACHINE, 5, 3, margin=0.1))


def read(points: Floats, gap: Floats) -> Survey:
    return Survey([Reading(x, y, float(value)) for (x, y), value in zip(points.tolist(), gap, strict=True)])


def noise(rng: np.random.Generator, count: int, kind: str) -> Floats:
    """Errors as the indicator states them: normal of the same variance, or each part rectangular."""
    if kind == "normal":
        return rng.normal(0.0, SIGMA, count)
    halves = (MACHINE.error_limit, MACHINE.division / 2, MACHINE.indicator.repeatability or 0.0)
    return np.sum([rng.uniform(-half, half, count) for half in halves], axis=0)


@pytest.mark.parametrize("group", GROUPS)
@given(data=st.data())
def test_identical_surveys_show_no_change(group: str, data: st.DataObject) -> None:
    machine, survey = data.draw(jobs(group))
    answer = compare(machine, survey, survey)
    assert not answer.moved
    assert answer.total.change == 0.0
    for one in answer.terms:
        assert one.change is None or abs(one.change) < 1e-8 * one.u
    for one in answer.adjusters:
        assert one.travel is None or abs(one.travel) < 1e-8 * one.u
        assert not one.explains
    assert all(one.change == pytest.approx(0.0, abs=1e-15) for one in answer.stations)


@pytest.mark.parametrize("group", GROUPS)
@given(data=st.data(), offset=st.sampled_from(["free", "keep"]), errors=st.sampled_from(["independent", "common"]))
def test_swapping_before_and_after_turns_every_sign(group: str, data: st.DataObject, offset: str, errors: str) -> None:
    machine, before = data.draw(jobs(group))
    # some stations of the first survey and some of its own
    kept = [Reading(r.x, r.y, r.value + 0.01 * k) for k, r in enumerate(before.readings[::2])]
    after = Survey([*kept, *(Reading(r.x * 0.9 + 1.0, r.y, r.value) for r in before.readings[1::2])])
    there = compare(machine, before, after, offset=offset, errors=errors)
    back = compare(machine, after, before, offset=offset, errors=errors)
    assert there.total.change == pytest.approx(-back.total.change)
    # Stations almost on one line cost digits, so changes agree to a thousandth of their u and no closer.
    for one, other in zip(there.terms, back.terms, strict=True):
        assert (one.change is None) == (other.change is None)
        if one.change is not None:
            assert one.change == pytest.approx(-other.change, abs=1e-3 * one.u)
            assert one.u == pytest.approx(other.u, rel=1e-3)
    for one, other in zip(there.adjusters, back.adjusters, strict=True):
        assert (one.known, one.explains) == (other.known, other.explains)
        if one.travel is not None:
            assert one.travel == pytest.approx(-other.travel, abs=1e-3 * one.u)
            assert one.u == pytest.approx(other.u, rel=1e-3)
    again = {(one.x, one.y): one for one in back.stations}
    for one in there.stations:
        assert one.change == pytest.approx(-again[one.x, one.y].change, abs=1e-12)


@pytest.mark.parametrize("group", GROUPS)
@given(data=st.data(), travel=st.integers(-30, 30).filter(bool).map(lambda tenth: tenth / 10))
def test_an_adjusters_own_influence_comes_back_as_its_travel(group: str, data: st.DataObject, travel: float) -> None:
    machine, before = data.draw(jobs(group))
    points = np.array([(r.x, r.y) for r in before.readings])
    influence = np.concatenate([one.influence(Site(machine, points)) for one in GROUPS[group]], axis=1)
    chosen = data.draw(st.integers(0, influence.shape[1] - 1))
    change = machine.sense * travel * influence[:, chosen]
    after = Survey(
        [Reading(r.x, r.y, r.value + float(by) + 0.4) for r, by in zip(before.readings, change, strict=True)]
    )
    answer = compare(machine, before, after, list(GROUPS[group]))
    own = answer.adjusters[chosen]
    assert own.if_alone == pytest.approx(travel, abs=1e-6)
    # and the least effort of all together makes the same gap, up to the free zero
    if all(one.travel is not None for one in answer.adjusters):
        made = influence @ [one.travel for one in answer.adjusters] - travel * influence[:, chosen]
        assert np.ptp(made) < 1e-6


@pytest.mark.parametrize("kind", ["normal", "rectangular"])
def test_intervals_hold_and_unmoved_machines_are_called_moved_as_seldom_as_stated(kind: str) -> None:
    rng, runs, form = np.random.default_rng(11), 1500, bump(0.08, 300.0, 180.0, 120.0)
    true = np.array([form(x, y) for x, y in POINTS.tolist()])
    inside, called, risk = [], 0, 0.0
    for _ in range(runs):
        before, after = (read(POINTS, true + noise(rng, 16, kind)) for _ in range(2))
        answer = compare(MACHINE, before, after)
        measures = [*answer.terms[1:], *answer.stations]
        inside.append([abs(one.change) <= 1.96 * one.u for one in measures])
        inside[-1] += [abs(one.travel) <= 1.96 * one.u for one in answer.adjusters]
        called, risk = called + answer.moved, answer.risk
    assert 0.93 < np.min(np.mean(inside, axis=0)) <= np.max(np.mean(inside, axis=0)) < 0.97
    assert risk == pytest.approx(1.0 - (1.0 - ALPHA) ** 6)
    # Normal errors reach the stated rate; the sum of rectangular ones has shorter tails and stays below it.
    expected = risk * runs
    assert called <= expected + 3.3 * expected**0.5
    assert kind != "normal" or called >= expected - 3.0 * expected**0.5


def test_the_smallest_detectable_change_is_seen_with_the_stated_power() -> None:
    rng, runs = np.random.default_rng(12), 700
    flat = read(POINTS, np.zeros(16))
    least = {one.term: one.smallest_detectable for one in compare(MACHINE, flat, flat).terms}
    plan = POINTS / 250.0 - 1.0
    changes = {"tilt-x": 0.5 * plan[:, 0], "twist": 0.5 * plan[:, 0] * plan[:, 1], "bow-y": plan[:, 1] ** 2}
    for name, shape in changes.items():
        seen = 0
        for _ in range(runs):
            before, after = noise(rng, 16, "normal"), noise(rng, 16, "normal")
            answer = compare(MACHINE, read(POINTS, before), read(POINTS, after + least[name] * shape))
            seen += next(one for one in answer.terms if one.term == name).significant
        # three standard deviations of the count
        assert seen / runs == pytest.approx(POWER, abs=3.0 * (POWER * (1 - POWER) / runs) ** 0.5)


def test_the_smallest_detectable_remainder_is_seen_with_the_stated_power() -> None:
    rng, runs = np.random.default_rng(13), 1000
    flat = read(POINTS, np.zeros(16))
    least = compare(MACHINE, flat, flat).remainder
    assert least is not None
    plan = POINTS / 250.0 - 1.0
    known = np.column_stack([np.ones(16), plan, plan[:, 0] * plan[:, 1], plan**2])
    local = rng.normal(size=16)
    local -= known @ np.linalg.lstsq(known, local, rcond=None)[0]
    local *= least.smallest_detectable / np.sqrt(np.mean(local**2))
    seen = 0
    for _ in range(runs):
        before, after = noise(rng, 16, "normal"), noise(rng, 16, "normal")
        rest = compare(MACHINE, read(POINTS, before), read(POINTS, after + local)).remainder
        seen += rest is not None and rest.significant
    assert seen / runs == pytest.approx(POWER, abs=3.0 * (POWER * (1 - POWER) / runs) ** 0.5)


def test_intervals_hold_when_the_two_surveys_share_few_stations_and_the_bed_is_not_flat() -> None:
    # Form of random hills; half of the stations differ. Without the form between stations in u, fewer would hold.
    rng, runs = np.random.default_rng(14), 800
    after_points = np.concatenate([POINTS[::2], OTHERS])
    inside = []
    for _ in range(runs):
        hills = [bump(rng.normal(0.0, 0.03), *rng.uniform(0.0, 500.0, 2), rng.uniform(30.0, 90.0)) for _ in range(4)]
        tilt = rng.normal(0.0, 0.05)

        def form(points: Floats, hills: list = hills) -> Floats:
            return np.array([sum(hill(x, y) for hill in hills) for x, y in points.tolist()])

        before = form(POINTS) + noise(rng, 16, "normal")
        after = form(after_points) + tilt * after_points[:, 0] / 500.0 + noise(rng, len(after_points), "normal")
        answer = compare(MACHINE, read(POINTS, before), read(after_points, after))
        wanted = {"tilt-x": tilt, "tilt-y": 0.0, "twist": 0.0}
        inside.append(
            [abs(one.change - wanted[one.term]) <= 1.96 * one.u for one in answer.terms if one.term in wanted]
        )
    assert np.all(np.mean(inside, axis=0) > 0.93)


def test_with_a_common_indicator_error_the_finer_intervals_hold() -> None:
    rng, runs = np.random.default_rng(15), 1500
    inside = []
    for _ in range(runs):
        common = rng.uniform(-MACHINE.error_limit, MACHINE.error_limit, 16)
        rest = (SIGMA**2 - MACHINE.error_limit**2 / 3.0) ** 0.5
        before, after = (read(POINTS, common + rng.normal(0.0, rest, 16)) for _ in range(2))
        answer = compare(MACHINE, before, after, errors="common")
        inside.append([abs(one.change) <= 1.96 * one.u for one in [*answer.terms[1:], *answer.stations]])
    assert 0.93 < np.min(np.mean(inside, axis=0)) <= np.max(np.mean(inside, axis=0)) < 0.97


@pytest.mark.parametrize("offset", ["free", "keep"])
def test_a_survey_in_two_set_ups_compares_like_one(offset: str) -> None:
    # zeros of set-ups are estimated; a second one that shares stations changes u, not the change
    rng = np.random.default_rng(16)
    gap = rng.normal(0.0, 0.02, 16)
    whole = read(POINTS, gap)
    shared = [msgspec.structs.replace(r, setup="B", value=r.value + 0.3) for r in whole.readings[6:]]
    split = Survey([*(msgspec.structs.replace(r, setup="A") for r in whole.readings[:10]), *shared])
    answer = compare(MACHINE, whole, split, offset=offset)
    assert not answer.moved
    for one in answer.terms:
        # not zero: stations of the second set-up weigh less, and the form that the terms leave is taken as random
        assert one.change is None or abs(one.change) < 0.1 * one.u
