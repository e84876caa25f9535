"""Readings to gaps: repeats, sense, and set-ups joined as a levelling network."""

import numpy as np
import pytest

from tramwright_solvers.model.errors import Refused
from tramwright_solvers.model.machine import Bed, Indicator, Machine
from tramwright_solvers.model.survey import Reading, Survey
from tramwright_solvers.reduction.readings import time_faults, values, where
from tramwright_solvers.reduction.stations import StationLayout, layout
from tramwright_solvers.results.findings import ClosingError

PLAIN = Machine(
    bed=Bed((0.0, 10.0), (0.0, 10.0)), indicator=Indicator(division=0.01, error_limit=0.012, repeatability=0.003)
)
CORNERS = [(0.0, 0.0), (10.0, 0.0), (0.0, 10.0), (10.0, 10.0)]


def test_one_value_a_station_passes_through_in_the_users_sense():
    plan = layout(PLAIN, tuple((x, y, "", 1, None) for x, y in CORNERS))
    gaps, variance = plan.reduce(np.array([[1.0, 2.0, 3.0, 4.0]]), -1.0)
    assert gaps.tolist() == [[-1.0, -2.0, -3.0, -4.0]]
    # derived, JCGM 100 4.3.7: rectangular half-widths 0.012 and 0.003, rounding to 0.01
    assert variance == pytest.approx(np.full((1, 4), 0.012**2 / 3 + 0.01**2 / 12 + 0.003**2 / 3))


def test_repeats_are_averaged_in_any_order_and_their_spread_is_believed_once_there_is_enough_of_it():
    plan = layout(PLAIN, tuple((*CORNERS[k % 4], "", 1, None) for k in range(12)))
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
            readings.append((*points[k], name, 1, None))
            values.append(form[k] + zero)
    plan = layout(PLAIN, tuple(readings))
    gaps, _ = plan.reduce(np.array([values]), 1.0)
    assert gaps[0] == pytest.approx(form, abs=1e-12)


def test_network_covariance_equals_the_inverse_of_the_full_normal_equations():
    readings = [(0.0, 0.0, "A", 1), (1.0, 0.0, "A", 2), (2.0, 0.0, "A", 1), (1.0, 0.0, "B", 1), (2.0, 0.0, "B", 3)]
    readings += [(3.0, 1.0, "B", 1), (3.0, 1.0, "C", 1), (0.0, 0.0, "C", 1)]
    plan = layout(PLAIN, tuple((*reading, None) for reading in readings))
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
    readings = [(x, y, "A", 1, None) for x, y in CORNERS] + [(5.0, 6.0, "loose", 1, None), (8.0, 8.0, "loose", 1, None)]
    with pytest.raises(Refused, match=r"/survey/readings: Set-up loose shares no station with set-up A") as refusal:
        layout(PLAIN, tuple(readings))
    assert "1 shared station is needed" in str(refusal.value)
    assert "The nearest is (10, 10); read it again in set-up loose." in str(refusal.value)


def test_each_part_that_hangs_apart_is_named_with_its_own_remedy():
    apart = [("B", 4.0, 1.0), ("C", 4.0, 1.0), ("C", 5.0, 1.0), ("D", 1.0, 9.0)]
    readings = [(x, y, "A", 1, None) for x, y in CORNERS] + [(x, y, name, 1, None) for name, x, y in apart]
    with pytest.raises(Refused) as refusal:
        layout(PLAIN, tuple(readings))
    details = [fault.detail for fault in refusal.value.faults]
    assert len(details) == 2
    assert details[0].startswith("Set-ups B, C share no station with set-up A:")
    assert "(0, 0)" in details[0]
    assert details[1].startswith("Set-up D shares no station with set-up A:")
    assert "(0, 10)" in details[1]


def test_far_too_many_set_ups_are_refused():
    readings = [(x, y, str(k), 1, None) for k in range(201) for x, y in CORNERS]
    with pytest.raises(Refused, match="201 set-ups"):
        layout(PLAIN, tuple(readings))


def test_fewer_than_three_stations_are_refused():
    with pytest.raises(Refused, match="three stations"):
        layout(PLAIN, ((0.0, 0.0, "", 5, None), (1.0, 1.0, "", 5, None)))


def read(*readings: tuple[object, ...]) -> list[Reading]:
    """Readings of (station, value, set-up, time), stations in a row, the fourth to the side."""
    row = [(0.0, 0.0), (1.0, 0.0), (2.0, 0.0), (3.0, 1.0), (4.0, 0.0)]
    return [Reading(*row[at], value, setup, time) for at, value, setup, time in readings]


def planned(readings: list[Reading]) -> tuple[StationLayout, np.ndarray]:
    return layout(PLAIN, where(readings)), np.array(values(readings))


def test_drift_of_a_single_set_up_is_found_from_its_closing_reading_and_refers_to_its_first():
    drift = 0.05
    readings = read(*[(at, 0.1 * at + drift * k, "", None) for k, at in enumerate([0, 1, 2, 3, 0])])
    plan, single = planned(readings)
    gaps, _ = plan.reduce(single[None], -1.0)
    assert gaps[0] == pytest.approx([0.0, -0.1, -0.2, -0.3], abs=1e-12)
    assert plan.closing(single, -1.0) == [
        ClosingError(0.0, 0.0, "", pytest.approx(-4 * drift), pytest.approx(0.0, abs=1e-12))
    ]


@pytest.mark.parametrize("origin", [0.0, -1e12, 86_400.0])
def test_times_may_have_any_origin_and_any_pace(origin):
    times = [0.0, 10.0, 70.0, 80.0, 100.0, 130.0]
    stations = [0, 1, 2, 3, 1, 0]
    readings = [(at, 0.1 * at + 0.001 * t, "", origin + t) for at, t in zip(stations, times, strict=True)]
    plan, single = planned(read(*readings))
    assert plan.reduce(single[None], 1.0)[0][0] == pytest.approx([0.0, 0.1, 0.2, 0.3], abs=1e-12)
    assert [(c.x, c.setup) for c in plan.closing(single, 1.0)] == [(1.0, ""), (0.0, "")]
    assert [c.error for c in plan.closing(single, 1.0)] == pytest.approx([0.09, 0.13])


def test_dates_and_times_count_seconds_across_offsets():
    moments = ["2026-05-04T09:30:00Z", "2026-05-04T09:30:30.5Z", "2026-05-04T11:31:00+02:00", "2026-05-04T09:35:00Z"]
    readings = read(*[(at, 0.0, "", moment) for at, moment in zip([0, 1, 2, 0], moments, strict=True)])
    assert [time for *_, time in where(readings)] == [0.0, 30.5, 60.0, 300.0]


def test_times_count_from_the_earliest_reading_in_whatever_order_the_set_up_is_listed():
    readings = read((1, 0.13, "", 30.0), (0, 0.0, "", 0.0), (2, 0.26, "", 60.0), (0, 0.09, "", 90.0))
    plan, single = planned(readings)
    assert plan.reduce(single[None], 1.0)[0][0] == pytest.approx([0.1, 0.0, 0.2], abs=1e-12)


def test_readings_without_times_are_their_own_key_unless_a_station_is_read_after_others():
    plain = read((0, 0.0, "", None), (1, 0.0, "", None), (1, 0.1, "", None), (2, [0.0, 0.1], "", None))
    assert where(plain) == (
        (0.0, 0.0, "", 1, None),
        (1.0, 0.0, "", 1, None),
        (1.0, 0.0, "", 1, None),
        (2.0, 0.0, "", 2, None),
    )
    again = read(
        (0, 0.0, "A", None), (0, 0.0, "A", None), (1, 0.0, "B", None), (1, 0.0, "A", None), (0, 0.0, "A", None)
    )
    assert [time for *_, time in where(again)] == [0.0, 0.0, None, 1.0, 2.0]


def test_a_time_alone_gives_no_drift():
    readings = read(*[(at, 0.01 * at, "", 10.0 * at) for at in range(4)])
    assert [time for *_, time in where(readings)] == [None] * 4
    plan, single = planned(readings)
    assert plan.factors.shape == (4, 0)
    assert plan.reduce(single[None], 1.0)[0][0].tolist() == single.tolist()


def test_drift_is_found_from_stations_shared_at_different_times():
    gap = [0.0, 0.1, -0.1, 0.3, 0.2]
    first = [(at, gap[at] + 0.002 * t, "A", t) for at, t in ((0, 5.0), (1, 15.0), (2, 25.0), (4, 105.0))]
    second = [
        (at, gap[at] + 0.7 - 0.004 * t, "B", t) for at, t in ((2, 0.0), (0, 10.0), (1, 60.0), (3, 70.0), (4, 80.0))
    ]
    plan, single = planned(read(*first, *second))
    # both drift, and four shared stations tell both: the zero kept is A's at its first reading, five seconds in
    assert plan.reduce(single[None], 1.0)[0][0] == pytest.approx(np.array([0.0, 0.1, -0.1, 0.2, 0.3]) + 0.01, abs=1e-12)
    assert plan.closing(single, 1.0) == []


def test_where_only_the_difference_of_drifts_shows_the_first_set_up_is_taken_to_have_none():
    gap = [0.0, 0.1, -0.1, 0.3]
    first = [(at, gap[at], "A", 10.0 * at) for at in range(3)]
    second = [(at, gap[at] + 0.7 + 0.002 * t, "B", t) for at, t in ((0, 0.0), (2, 60.0), (3, 90.0))]
    plan, single = planned(read(*first, *second))
    assert plan.factors.shape == (4, 2)
    assert plan.reduce(single[None], 1.0)[0][0] == pytest.approx(gap, abs=1e-12)


def test_a_drift_that_the_readings_hardly_hold_is_left_out_and_its_closing_error_told():
    readings = read((0, 0.0, "", 0.0), (0, 0.01, "", 1.0), (1, 0.2, "", 50.0), (2, 0.3, "", 100.0))
    plan, single = planned(readings)
    # derived: u of the drift over 100 s from two readings 1 s apart is 100 √2 readings, where 10 are allowed
    assert plan.network is None
    assert plan.reduce(single[None], 1.0)[0][0] == pytest.approx([0.005, 0.2, 0.3])
    assert plan.closing(single, 1.0) == [ClosingError(0.0, 0.0, "", 0.01, 0.01)]


def test_drift_gives_its_share_of_uncertainty():
    plan, _ = planned(read(*[(at, 0.0, "", float(k)) for k, at in enumerate([0, 1, 2, 3, 0])]))
    one = plan.fixed + plan.default_repeat
    variance = plan.reduce(np.zeros((1, 5)), 1.0)[1]
    # derived: drift d = (last - first) / 4 has variance 2 σ² / 16, station 0 is (first + last) / 2 - 2 d = first
    assert np.square(plan.noise(variance).stations()[0]) == pytest.approx(
        one * np.array([1.0, 1 + 2 / 16, 1 + 8 / 16, 1 + 18 / 16])
    )


def test_one_closing_reading_among_many_stations_needs_no_square_matrix():
    readings = [Reading(float(k % 100), float(k // 100), 1e-6 * k) for k in range(10_000)]
    readings.append(Reading(0.0, 0.0, 0.01))
    plan, single = planned(readings)
    assert plan.factors.shape == (10_000, 1)
    assert plan.reduce(single[None], 1.0)[0][0] == pytest.approx(0.0, abs=1e-9)


def faults(*readings: tuple[object, ...]) -> list[tuple[str, str]]:
    return [(fault.pointer, fault.detail) for fault in time_faults(Survey(read(*readings)))]


def test_times_of_two_kinds_are_a_fault():
    (fault,) = faults((0, 0.0, "A", 1.0), (1, 0.0, "B", "2026-05-04T09:30:00Z"), (2, 0.0, "B", "2026-05-04T09:31:00Z"))
    assert fault[0] == "/survey/readings/1/time"
    assert "mixed" in fault[1]


def test_times_of_some_readings_of_a_set_up_are_a_fault_but_not_of_some_set_ups():
    assert faults((0, 0.0, "A", 1.0), (1, 0.0, "A", 2.0), (1, 0.0, "B", None), (2, 0.0, "B", None)) == []
    (fault,) = faults((0, 0.0, "A", 1.0), (1, 0.0, "B", None), (1, 0.0, "A", None), (2, 0.0, "A", None))
    assert fault[0] == "/survey/readings/2/time"
    assert "Set-up A" in fault[1]
