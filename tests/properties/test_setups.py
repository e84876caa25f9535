"""However a survey is split into set-ups, with whatever zeros and drifts, it says the same of the bed."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from strategies import GROUPS, machines, percent, stations
from tramwright_solvers.correction.api import correct
from tramwright_solvers.model.contract import Site
from tramwright_solvers.model.machine import Indicator, Machine
from tramwright_solvers.model.options import Solve
from tramwright_solvers.model.survey import Reading, Survey
from tramwright_solvers.reduction.readings import values, where
from tramwright_solvers.reduction.stations import layout
from tramwright_solvers.results.correction import Correction

FINEST = Indicator(division=1e-6, error_limit=1e-6, repeatability=1e-6)
ZERO = st.integers(-2000, 2000).map(lambda zero: zero / 1000)


@st.composite
def tours(draw: st.DrawFn, count: int) -> list[list[int]]:
    """Two to four set-ups that visit all stations between them, each closed and joined to an earlier one."""
    cuts = sorted(draw(st.lists(st.integers(1, count - 1), min_size=1, max_size=3, unique=True)))
    seen = draw(st.permutations(range(count)))
    parts = [list(seen[start:end]) for start, end in zip([0, *cuts], [*cuts, count], strict=True)]
    for index, part in enumerate(parts):
        if index:
            shared = draw(st.lists(st.sampled_from(seen[: cuts[index - 1]]), min_size=1, max_size=3, unique=True))
            part[:] = draw(st.permutations(part + shared))
        elif len(part) == 1:
            part.append(draw(st.sampled_from(seen[1:])))
        part.append(part[0])
    return draw(st.permutations(parts))


@st.composite
def splits(draw: st.DrawFn, points: np.ndarray, dial: np.ndarray) -> list[Reading]:
    """The survey with readings ``dial`` (n,) at ``points`` (n, 2), split; the zero at the very first reading is kept.

    A set-up drifts by up to a millimetre in all; its time is told in seconds or left to the order of its readings.
    """
    readings = []
    for index, tour in enumerate(draw(tours(len(points)))):
        timed = draw(st.booleans())
        steps = draw(st.lists(st.integers(1, 60), min_size=len(tour) - 1, max_size=len(tour) - 1))
        time = np.cumsum([0, *steps] if timed else np.ones(len(tour)) - np.eye(len(tour))[0])
        zero, drift = draw(ZERO) if index else 0.0, draw(percent(-100, 100))
        start = draw(st.integers(-100_000, 100_000))
        shown = dial[tour] + zero + drift * time / time[-1]
        for at, value, t in zip(tour, shown.tolist(), time.tolist(), strict=True):
            x, y = points[at].tolist()
            told = start + float(t) if timed else None
            several = draw(st.sampled_from(["one", "list", "rows"]))
            reading = Reading(x, y, [value] * 3 if several == "list" else value, f"set-up {index}", told)
            readings += [reading] * (2 if several == "rows" else 1)
    return readings


def travels(answer: Correction, machine: Machine) -> np.ndarray:
    made = {move.adjuster: move.travel for move in answer.moves}
    return np.array([made.get(support.id, 0.0) for support in machine.supports])


@given(data=st.data())
def test_split_survey_equals_a_perfect_one(data: st.DataObject) -> None:
    # So fine an indicator leaves no move too small to be sure of, however long the chain of set-ups.
    machine = data.draw(machines("screws", FINEST))
    points = data.draw(stations(machine))
    # The gap is one that the screws can take out: nothing is left to weigh, so it is no matter what was read how often.
    wanted = np.array(data.draw(st.lists(st.integers(-1000, 1000), min_size=3, max_size=3))) / 1000
    dial = machine.sense * (GROUPS["screws"][0].influence(Site(machine, points)) @ wanted)
    whole = Survey([Reading(x, y, value) for (x, y), value in zip(points.tolist(), dial.tolist(), strict=True)])
    split = Survey(data.draw(splits(points, dial)))
    solve = Solve(with_=list(GROUPS["screws"]), aim_for=0.0)
    one, joined = correct(machine, whole, solve), correct(machine, split, solve)
    before = {(station.x, station.y): station.before for station in one.predicted.stations}
    for station in joined.predicted.stations:
        assert station.before == pytest.approx(before[station.x, station.y], abs=1e-6)
    assume(joined.advice.do != "read-again")  # a closing error may be a jump, if that makes more than U of difference
    assert travels(joined, machine) == pytest.approx(travels(one, machine), abs=1e-6)


@given(data=st.data())
def test_any_form_is_the_same_once_set_ups_are_joined_and_all_closing_errors_are_drift(data: st.DataObject) -> None:
    machine = data.draw(machines("screws"))
    points = data.draw(stations(machine))
    dial = np.array(data.draw(st.lists(ZERO, min_size=len(points), max_size=len(points))))
    readings = data.draw(splits(points, dial))
    plan, single = layout(machine, where(readings)), np.array(values(readings))
    gaps, _ = plan.reduce(single[None], machine.sense)
    form = {(x, y): machine.sense * value for (x, y), value in zip(points.tolist(), dial.tolist(), strict=True)}
    assert gaps[0] == pytest.approx([form[x, y] for x, y in plan.points.tolist()], abs=1e-6)
    closings = plan.closing(single, machine.sense)
    assert {closing.setup for closing in closings} == {reading.setup for reading in readings}
    assert [closing.after_drift for closing in closings] == pytest.approx([0.0] * len(closings), abs=1e-6)


@given(data=st.data())
def test_covariance_is_the_inverse_of_the_full_normal_equations(data: st.DataObject) -> None:
    machine = data.draw(machines("screws"))
    points = data.draw(stations(machine))
    readings = data.draw(splits(points, np.zeros(len(points))))
    plan = layout(machine, where(readings))
    variance = 1.0 / np.bincount(plan.group_station, plan.weights)

    # Independent: one row for each station, set-up and visit; unknown heights, drifts, and zeros but the first.
    names = list(dict.fromkeys(reading.setup for reading in readings))
    places = list(dict.fromkeys((reading.x, reading.y) for reading in readings))
    rows, counts = list[np.ndarray](), list[int]()
    visit, last = 0, None
    for reading in readings:
        size = len(reading.value) if isinstance(reading.value, list) else 1
        if last is not None and last == (reading.x, reading.y, reading.setup):
            counts[-1] += size
            continue
        visit = visit + 1 if last is not None and last[2] == reading.setup else 0
        last = (reading.x, reading.y, reading.setup)
        start = next(r.time for r in readings if r.setup == reading.setup)
        setup = names.index(reading.setup)
        row = np.zeros(len(places) + 2 * len(names))
        row[places.index((reading.x, reading.y))] = 1.0
        row[len(places) + setup] = 1.0
        row[len(places) + len(names) + setup] = visit if start is None else (reading.time - start) / 100.0
        rows.append(row)
        counts.append(size)
    design = np.delete(np.array(rows), len(places), axis=1)
    weight = 1.0 / (plan.fixed + plan.default_repeat / np.array(counts))
    full = np.linalg.inv(design.T @ (design * weight[:, None]))[: len(places), : len(places)]
    assert np.diag(variance) + plan.factors @ plan.factors.T == pytest.approx(full, rel=1e-6, abs=1e-9 * full.max())
