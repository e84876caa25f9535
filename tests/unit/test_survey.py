"""Readings to gaps: repeats, sense, and set-ups joined as a levelling network."""

import numpy as np
import pytest

from tramwright_solvers.faults import Refused
from tramwright_solvers.machine import Bed, Indicator, Machine
from tramwright_solvers.survey import layout

PLAIN = Machine(
    bed=Bed((0.0, 10.0), (0.0, 10.0)), indicator=Indicator(division=0.01, error_limit=0.012, repeatability=0.003)
)
CORNERS = [(0.0, 0.0), (10.0, 0.0), (0.0, 10.0), (10.0, 10.0)]


def test_one_value_a_station_passes_through_in_the_users_sense():
    plan = layout(PLAIN, tuple((x, y, "", 1) for x, y in CORNERS))
    gaps, variance = plan.reduce(np.array([[1.0, 2.0, 3.0, 4.0]]), -1.0)
    assert gaps.tolist() == [[-1.0, -2.0, -3.0, -4.0]]
    # derived, JCGM 100 4.3.7: rectangular half-widths 0.012 and 0.003, rounding to 0.01
    assert variance == pytest.approx(np.full((1, 4), 0.012**2 / 3 + 0.01**2 / 12 + 0.003**2 / 3))


def test_repeats_are_averaged_in_any_order_and_their_spread_is_believed_once_there_is_enough_of_it():
    plan = layout(PLAIN, tuple((*CORNERS[k % 4], "", 1) for k in range(12)))
    values = np.array([[0.0, 1.0, 2.0, 3.0, 0.03, 1.03, 2.03, 3.03, 0.06, 1.06, 2.06, 3.06]])
    gaps, variance = plan.reduce(values, 1.0)
    assert gaps == pytest.approx(np.array([[0.03, 1.03, 2.03, 3.03]]))
    # derived: each group has variance 0.03² with two degrees of freedom, eight in all
    assert variance == pytest.approx(np.full((1, 4), 0.012**2 / 3 + 0.01**2 / 12 + 0.03**2 / 3))


def test_set_ups_with_unknown_zeros_give_the_same_form_as_one_survey():
    points = [(float(x), float(y)) for x in range(4) for y in range(4)]
    rng = np.random.default_rng(7)
    form = rng.normal(0.0, 0.1, len(points))
    readings, values = [], []
    for name, zero, members in (("A", 0.0, range(8)), ("B", 0.7, range(6, 14)), ("C", -0.4, range(12, 16))):
        for k in members:
            readings.append((*points[k], name, 1))
            values.append(form[k] + zero)
    plan = layout(PLAIN, tuple(readings))
    gaps, _ = plan.reduce(np.array([values]), 1.0)
    assert gaps[0] == pytest.approx(form, abs=1e-12)


def test_network_covariance_equals_the_inverse_of_the_full_normal_equations():
    readings = [(0.0, 0.0, "A", 1), (1.0, 0.0, "A", 2), (2.0, 0.0, "A", 1), (1.0, 0.0, "B", 1), (2.0, 0.0, "B", 3)]
    readings += [(3.0, 1.0, "B", 1), (3.0, 1.0, "C", 1), (0.0, 0.0, "C", 1)]
    plan = layout(PLAIN, tuple(readings))
    station = {p: k for k, p in enumerate(dict.fromkeys((x, y) for x, y, *_ in readings))}
    design = np.zeros((len(readings), len(station) + 2))
    weight = np.zeros(len(readings))
    for row, (x, y, setup, repeats) in enumerate(readings):
        design[row, station[x, y]] = 1.0
        if setup != "A":
            design[row, len(station) + "BC".index(setup)] = 1.0
        weight[row] = 1.0 / (plan.fixed + plan.default_repeat / repeats)
    full = np.linalg.inv(design.T @ (design * weight[:, None]))[: len(station), : len(station)]
    total = np.bincount(plan.group_station, plan.weights, len(station))
    assert np.diag(1.0 / total) + plan.factors @ plan.factors.T == pytest.approx(full, rel=1e-9)


def test_set_ups_that_hang_apart_are_refused_by_name():
    readings = [(x, y, "A", 1) for x, y in CORNERS] + [(5.0, 5.0, "loose", 1)]
    with pytest.raises(Refused, match=r"/survey/readings: Set-up loose shares no station with set-up A"):
        layout(PLAIN, tuple(readings))


def test_fewer_than_three_stations_are_refused():
    with pytest.raises(Refused, match="three stations"):
        layout(PLAIN, ((0.0, 0.0, "", 5), (1.0, 1.0, "", 5)))
