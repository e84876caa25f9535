"""What must hold of any survey plan: it is readable, and in nothing worse than a regular grid of as many stations."""

from __future__ import annotations

import math
from typing import Any

import msgspec
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from strategies import GROUPS, machines, percent, stations
from tramwright_solvers.correction.setup import set_up
from tramwright_solvers.linalg.grids import bed_grid
from tramwright_solvers.model.machine import Machine
from tramwright_solvers.planning import Area, KeepOut, PlanSolve, Reach, Spot, SurveyPlan, plan_survey
from tramwright_solvers.planning.area import Circle, Rectangle
from tramwright_solvers.planning.model import models
from tramwright_solvers.planning.rating import steady_u
from tramwright_solvers.planning.results import Rating

every_group = pytest.mark.parametrize("group", GROUPS)


@st.composite
def areas(draw: st.DrawFn, machine: Machine) -> Area:
    """A margin, up to three clips or holes, a reach that may spare a side."""
    size = machine.bed.x[1]
    kept: list[KeepOut] = []
    for _ in range(draw(st.integers(0, 3))):
        x, y = size * draw(percent(0, 90)), size * draw(percent(0, 90))
        if draw(st.booleans()):
            kept.append(Circle(x, y, size * draw(percent(2, 15))))
        else:
            kept.append(Rectangle((x, x + size * draw(percent(3, 25))), (y, y + size * draw(percent(3, 25)))))
    reach = Reach(x=(0.0, size * draw(percent(70, 100)))) if draw(st.booleans()) else Reach()
    return Area(margin=size * draw(percent(0, 10)), keep_out=tuple(kept), reach=reach)


def numbers(value: Any) -> list[float]:
    if isinstance(value, dict):
        return [number for item in value.values() for number in numbers(item)]
    if isinstance(value, list):
        return [number for item in value for number in numbers(item)]
    return [value] if isinstance(value, float | int) else []


def readable(answer: SurveyPlan, machine: Machine, area: Area) -> None:
    """Every station is free, none is read twice, and nothing that is not finite leaves."""
    points = np.array([(stop.x, stop.y) for stop in answer.plan.stations])
    (left, right), (front, rear) = area.box(machine)
    assert np.all((points >= [left, front]) & (points <= [right, rear]))
    assert not area.blocked(points).any()
    assert len(np.unique(points, axis=0)) == answer.plan.count
    assert answer.plan.path == pytest.approx(float(np.hypot(*(points - np.roll(points, 1, axis=0)).T).sum()), rel=1e-12)
    assert all(math.isfinite(number) for number in numbers(msgspec.to_builtins(answer)))


@every_group
@given(data=st.data())
def test_a_plan_is_in_nothing_worse_than_a_regular_grid_and_any_sent_is_rated(group: str, data: st.DataObject) -> None:
    machine = data.draw(machines(group))
    area = data.draw(st.one_of(st.just(Area()), areas(machine)))
    count = data.draw(st.integers(9, 30))
    offset = data.draw(st.sampled_from(["free", "keep"]))
    (left, right), (front, rear) = area.box(machine)
    points = data.draw(stations(machine))
    points = points[np.all((points >= [left, front]) & (points <= [right, rear]), axis=1)]
    points = points[~area.blocked(points)]
    sent = [Spot(x, y) for x, y in points.tolist()] if len(points) >= 3 else None  # fewer are refused
    answer = plan_survey(machine, PlanSolve(list(GROUPS[group]), offset), area, count, sent)
    readable(answer, machine, area)
    no_worse_than_a_grid(answer, count)
    assert (answer.yours is None) == (sent is None)
    if answer.yours is not None and sent is not None:
        rated(answer.yours, sent)


def no_worse_than_a_grid(answer: SurveyPlan, count: int) -> None:
    compared = answer.against_grid
    assert len({(spot.x, spot.y) for spot in compared.grid_stations}) == count
    if compared.grid.gap_u is not None and compared.grid.largest_move_u is not None:
        assert compared.plan.gap_u is not None
        assert compared.plan.largest_move_u is not None
        assert compared.plan.gap_u <= compared.grid.gap_u * (1.0 + 1e-9)
        assert compared.plan.largest_move_u <= compared.grid.largest_move_u * (1.0 + 1e-9)
        assert compared.plan.least_redundancy >= min(compared.grid.least_redundancy, 0.1)


def rated(yours: Rating, sent: list[Spot]) -> None:
    """None beats the best of its size, and what cannot be told is not."""
    assert {(stop.x, stop.y) for stop in yours.stations} == {(spot.x, spot.y) for spot in sent}
    for value in (yours.efficiency.d_efficiency, yours.efficiency.i_efficiency):
        assert value is None or 0.0 <= value <= 1.0 + 1e-9
    assert (yours.efficiency.d_efficiency is None) <= bool(yours.efficiency.why)
    blind = {one.what for one in yours.blind_to if one.kind == "adjuster"}
    for move in yours.moves:
        assert (move.u is None) == (move.adjuster in blind)
        assert (move.u is None) == bool(move.why)


@every_group
@given(data=st.data())
def test_one_station_more_never_makes_a_move_less_certain(group: str, data: st.DataObject) -> None:
    machine = data.draw(machines(group))
    points = data.draw(stations(machine, least=9))
    job = set_up(machine, list(GROUPS[group]), (), data.draw(st.booleans()))
    known = models(job, bed_grid(machine.bed), points)
    everywhere, without = list(range(len(points))), list(range(len(points) - 1))
    assert known.form.value(everywhere) <= known.form.value(without) * (1.0 + 1e-9)
    if math.isfinite(known.moves.value(without)):
        assert known.moves.value(everywhere) <= known.moves.value(without) * (1.0 + 1e-9)
        assert np.all(steady_u(job, points) <= steady_u(job, points[:-1]) * (1.0 + 1e-9))
