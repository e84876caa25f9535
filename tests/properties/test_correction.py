"""What must hold for any machine and any survey."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise
from typing import Any

import msgspec
import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from msgspec.structs import replace

from strategies import FINE, GROUPS, jobs, machines, percent, stations
from tramwright_solvers.correction.api import correct
from tramwright_solvers.mechanisms.transforms import LENGTHS, scaled, shifted
from tramwright_solvers.model.contract import Mechanism, Site
from tramwright_solvers.model.machine import Machine
from tramwright_solvers.model.options import Solve
from tramwright_solvers.model.survey import Reading, Survey
from tramwright_solvers.model.units import MM_PER_INCH
from tramwright_solvers.results.correction import Correction

CRITERIA = ["least-squares", "minimum-zone"]
CASES = [pytest.param(group, criterion, id=f"{group}, {criterion}") for group in GROUPS for criterion in CRITERIA]
every_case = pytest.mark.parametrize(("group", "criterion"), CASES)
every_criterion = pytest.mark.parametrize("criterion", CRITERIA)


def best(solvers: Sequence[Mechanism], criterion: str, **more: Any) -> Solve[Mechanism]:
    return Solve(with_=list(solvers), criterion=criterion, **{"aim_for": 0.0, **more})


def travels(answer: Correction) -> dict[str, float]:
    return {move.adjuster: move.travel for move in answer.moves}


def gaps(answer: Correction, name: str = "gap") -> np.ndarray:
    return np.array([getattr(station, name) for station in answer.predicted.stations])


def residual(gap: np.ndarray, criterion: str) -> float:
    """What the criterion measures, with the offset free; every station was read once, so all weigh alike."""
    return float(np.ptp(gap) if criterion == "minimum-zone" else np.std(gap))


def influence(machine: Machine, solvers: Sequence[Mechanism], points: np.ndarray) -> tuple[list[str], np.ndarray]:
    names = [adjuster.id for solver in solvers for adjuster in solver.adjusters(machine)]
    return names, np.hstack([solver.influence(Site(machine, points)) for solver in solvers])


def readings_of(machine: Machine, points: np.ndarray, gap: np.ndarray) -> Survey:
    values = (machine.sense * gap).tolist()
    return Survey([Reading(x, y, value) for (x, y), value in zip(points.tolist(), values, strict=True)])


def again(answer: Correction) -> Survey:
    """The survey that the answer predicts."""
    return Survey([Reading(station.x, station.y, station.dial) for station in answer.predicted.stations])


def numbers(document: Any) -> list[float]:
    if isinstance(document, dict):
        return [number for value in document.values() for number in numbers(value)]
    if isinstance(document, list | tuple):
        return [number for value in document for number in numbers(value)]
    return [float(document)] if isinstance(document, int | float) else []


def assert_same(found: Correction, expected: Correction, length: float = 1.0, shift: Sequence[float] = (0, 0)) -> None:
    """The same job in another description: lengths times ``length``, places then moved by ``shift``."""
    scale = max(residual(gaps(expected, "before"), "minimum-zone"), 1e-3) * length
    assert travels(found).keys() == travels(expected).keys()
    near = {"rtol": 1e-9, "atol": 1e-9 * scale}
    for name, travel in travels(expected).items():
        np.testing.assert_allclose(travels(found)[name], length * travel, **near)

    def table(answer: Correction, factor: float, by: Sequence[float]) -> np.ndarray:
        rows = [
            [s.x * factor + by[0], s.y * factor + by[1], s.gap * factor, s.before * factor, s.u * factor]
            for s in answer.predicted.stations
        ]
        return np.array(sorted(rows, key=lambda row: (round(row[0], 5), round(row[1], 5))))

    ours, theirs = table(found, 1.0, (0, 0)), table(expected, length, shift)
    np.testing.assert_allclose(ours[:, :2], theirs[:, :2], rtol=1e-9, atol=1e-9)
    np.testing.assert_allclose(ours[:, 2:], theirs[:, 2:], **near)
    for one, other in ((found.as_found, expected.as_found), (found.predicted, expected.predicted)):
        expected_sizes = np.array([other.total, other.u, other.rms]) * length
        np.testing.assert_allclose([one.total, one.u, one.rms], expected_sizes, **near)
    assert (found.verdict.as_found, found.verdict.predicted) == (expected.verdict.as_found, expected.verdict.predicted)
    assert found.chosen.outcome == expected.chosen.outcome


@every_case
@given(data=st.data())
def test_what_the_adjusters_made_they_remove(group: str, criterion: str, data: st.DataObject) -> None:
    machine = data.draw(machines(group, FINE))
    points = data.draw(stations(machine))
    names, moved = influence(machine, GROUPS[group], points)
    made = np.array(data.draw(st.lists(percent(-50, 50), min_size=len(names), max_size=len(names))))
    answer = correct(machine, readings_of(machine, points, moved @ made + 0.3), best(GROUPS[group], criterion))
    assume(answer.advice.do == "move")  # not where the stations do not show it, or where it is too small to be sure
    assert answer.predicted.total <= 1e-9
    assert np.ptp(gaps(answer)) <= 1e-9


@every_criterion
@given(data=st.data())
def test_three_screws_go_back_where_they_came_from_when_the_offset_is_kept(criterion: str, data: st.DataObject) -> None:
    machine = data.draw(machines("screws", FINE))
    points = data.draw(stations(machine))
    names, moved = influence(machine, GROUPS["screws"], points)
    made = np.array(data.draw(st.lists(percent(-50, 50), min_size=3, max_size=3)))
    solve = best(GROUPS["screws"], criterion, offset="keep")
    found = travels(correct(machine, readings_of(machine, points, moved @ made), solve))
    sizes = np.linalg.svd(moved, compute_uv=False)
    for name, travel in zip(names, made, strict=True):
        assert found.get(name, 0.0) == pytest.approx(-travel, abs=1e-9 * sizes[0] / sizes[-1])


@every_case
@given(data=st.data())
def test_hold_holds(group: str, criterion: str, data: st.DataObject) -> None:
    machine, survey = data.draw(jobs(group))
    solvers = []
    held = set()
    for solver in GROUPS[group]:
        names = [adjuster.id for adjuster in solver.adjusters(machine)]
        hold = data.draw(st.lists(st.sampled_from(names), min_size=1, max_size=len(names) - 1, unique=True))
        solvers.append(replace(solver, hold=tuple(hold)))
        held.update(hold)
    answer = correct(machine, survey, best(solvers, criterion))
    assert not held & travels(answer).keys()
    assert not held & {step.adjuster for step in answer.steps}
    assert not held & {name for plan in answer.plans for name in plan.adjusters}


@every_case
@given(data=st.data())
def test_moves_make_the_residual_no_worse(group: str, criterion: str, data: st.DataObject) -> None:
    machine, survey = data.draw(jobs(group))
    aim = data.draw(st.sampled_from([0.0, None, 0.5]))
    answer = correct(machine, survey, best(GROUPS[group], criterion, aim_for=aim))
    before, after = residual(gaps(answer, "before"), criterion), residual(gaps(answer), criterion)
    assert after <= before * (1 + 1e-9) + 1e-12
    if criterion == "least-squares":  # projection: no direction left in which a moved adjuster could still gain
        names, moved = influence(machine, GROUPS[group], points_of(answer))
        columns = moved[:, [names.index(name) for name in travels(answer)]]
        slope = (columns - columns.mean(axis=0)).T @ (gaps(answer) - gaps(answer).mean())
        assert np.all(np.abs(slope) <= 1e-9 * len(gaps(answer)) * (1 + np.abs(columns).max(initial=0.0)) * (before + 1))


def points_of(answer: Correction) -> np.ndarray:
    return np.array([(station.x, station.y) for station in answer.predicted.stations])


@every_criterion
@given(data=st.data())
def test_more_adjusters_never_leave_more(criterion: str, data: st.DataObject) -> None:
    machine, survey = data.draw(jobs("both", indicator=FINE))
    together = correct(machine, survey, best(GROUPS["both"], criterion))
    name = "total" if criterion == "minimum-zone" else "rms"
    for part in ("screws", "rails"):  # what all of them can do, whether or not it is to be done yet
        alone = correct(machine, survey, best(GROUPS[part], criterion))
        assert getattr(together.ladder[-1], name) <= getattr(alone.ladder[-1], name) * (1 + 1e-9) + 1e-12
    plans = [getattr(plan, name) for plan in together.plans]
    assert all(more <= fewer * (1 + 1e-9) + 1e-12 for fewer, more in pairwise(plans))


@every_case
@given(data=st.data())
def test_a_trammed_machine_is_left_alone(group: str, criterion: str, data: st.DataObject) -> None:
    machine, survey = data.draw(jobs(group))
    first = correct(machine, survey, best(GROUPS[group], criterion))
    second = correct(machine, again(first), best(GROUPS[group], criterion))
    largest = max(map(abs, travels(first).values()), default=0.0)
    assert all(abs(travel) <= 1e-8 * (1 + largest) for travel in travels(second).values())


@every_case
@pytest.mark.parametrize("offset", ["free", "keep"])
@given(data=st.data())
def test_predicted_is_before_plus_influence_times_travel(
    group: str, criterion: str, offset: str, data: st.DataObject
) -> None:
    machine, survey = data.draw(jobs(group))
    answer = correct(machine, survey, best(GROUPS[group], criterion, offset=offset))
    names, moved = influence(machine, GROUPS[group], points_of(answer))
    change = moved @ np.array([travels(answer).get(name, 0.0) for name in names])
    left = gaps(answer) - gaps(answer, "before") - change
    scale = 1e-9 * (1 + np.abs(change).max())
    assert np.ptp(left) <= scale
    if offset == "keep":
        assert np.abs(left).max() <= scale
    dial = machine.sense * (gaps(answer, "dial") - gaps(answer, "dial_before"))
    assert np.abs(dial - change).max() <= scale


@every_case
@given(data=st.data())
def test_sense_of_the_dial_changes_nothing_but_the_dial(group: str, criterion: str, data: st.DataObject) -> None:
    machine, survey = data.draw(jobs(group))
    other = "minus" if machine.indicator.bed_high_reads == "plus" else "plus"
    turned = replace(machine, indicator=replace(machine.indicator, bed_high_reads=other))
    negated = replace(survey, readings=[replace(reading, value=-reading.value) for reading in survey.readings])
    ours, theirs = (correct(*job, best(GROUPS[group], criterion)) for job in ((turned, negated), (machine, survey)))
    assert_same(ours, theirs)
    np.testing.assert_allclose(gaps(ours, "dial"), -gaps(theirs, "dial"), atol=1e-9)
    other_way = {"up": "down", "down": "up", None: None}
    assert [step.dial_goes for step in ours.steps] == [other_way[step.dial_goes] for step in theirs.steps]


@every_case
@given(data=st.data())
def test_inches_change_nothing_but_the_unit(group: str, criterion: str, data: st.DataObject) -> None:
    machine, survey = data.draw(jobs(group))
    factor = 1 / MM_PER_INCH
    inches = scaled(msgspec.to_builtins(machine), factor, LENGTHS) | {"units": "inch"}
    read = scaled(msgspec.to_builtins(survey), factor, frozenset(["x", "y", "value"]))
    theirs = correct(machine, survey, best(GROUPS[group], criterion))
    ours = correct(msgspec.convert(inches, Machine), msgspec.convert(read, Survey), best(GROUPS[group], criterion))
    assert_same(ours, theirs, length=factor)
    assert [move.direction for move in ours.moves] == [move.direction for move in theirs.moves]
    np.testing.assert_allclose(
        [move.turns or 0.0 for move in ours.moves], [move.turns or 0.0 for move in theirs.moves], rtol=1e-9, atol=1e-9
    )


@every_case
@given(data=st.data())
def test_order_of_readings_is_free(group: str, criterion: str, data: st.DataObject) -> None:
    machine, survey = data.draw(jobs(group))
    mixed = replace(survey, readings=data.draw(st.permutations(survey.readings)))
    solve = best(GROUPS[group], criterion)
    found, expected = correct(machine, mixed, solve), correct(machine, survey, solve)
    # Where several sets of adjusters leave the same zone, what is sure to be gained may differ between them.
    assume(criterion == "least-squares" or found.advice.do == expected.advice.do)
    assert_same(found, expected)


@every_case
@given(data=st.data())
def test_where_the_origin_is_makes_no_difference(group: str, criterion: str, data: st.DataObject) -> None:
    machine, survey = data.draw(jobs(group))
    shift = np.array(data.draw(st.tuples(st.integers(-900, 900), st.integers(-900, 900))), dtype=float)
    moved = [replace(reading, x=reading.x + shift[0], y=reading.y + shift[1]) for reading in survey.readings]
    solve = best(GROUPS[group], criterion)
    ours = correct(shifted(machine, shift), replace(survey, readings=moved), solve)
    assert_same(ours, correct(machine, survey, solve), shift=shift.tolist())


@every_case
@given(data=st.data())
def test_answers_are_finite_and_the_same_every_time(group: str, criterion: str, data: st.DataObject) -> None:
    machine, survey = data.draw(jobs(group, least=3))
    solve = best(GROUPS[group], criterion, aim_for=data.draw(st.sampled_from([0.0, None])))
    answer = correct(machine, survey, solve)
    assert all(math.isfinite(number) for number in numbers(msgspec.to_builtins(answer)))
    fresh = msgspec.json.decode(msgspec.json.encode([machine, survey]), type=tuple[Machine, Survey])
    assert msgspec.json.encode(correct(*fresh, solve)) == msgspec.json.encode(answer)
