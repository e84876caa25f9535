"""The decision rule, and what would decide where it cannot."""

import re

import numpy as np
import pytest

from tramwright_solvers.model.contract import Floats
from tramwright_solvers.model.machine import Bed, Indicator, Limit, Machine
from tramwright_solvers.model.units import K
from tramwright_solvers.uncertainty.conformity import Known, conformance_probability, standing, verdict
from tramwright_solvers.uncertainty.range import margin_as_read


def machine(division: float = 0.01, error_limit: float = 0.012, repeatability: float = 0.003) -> Machine:
    indicator = Indicator(division=division, error_limit=error_limit, repeatability=repeatability)
    return Machine(bed=Bed((0.0, 1.0), (0.0, 1.0)), indicator=indicator, limit=Limit(0.1))


def known(total: float, u: float, setting: float = 0.0) -> Known:
    return total, u, K * u, K * u, setting


def variance(of: Machine, repeats: int = 1) -> Floats:
    return np.full(4, of.indicator_variance + of.repeat_variance / repeats)


def u_of_total(of: Machine, repeats: int = 1) -> float:
    return float(np.sqrt(2 * (of.indicator_variance + of.repeat_variance / repeats)))


@pytest.mark.parametrize(
    ("total", "expected"),
    [(0.0835, "within"), (0.0836, "undecided"), (0.1, "undecided"), (0.1164, "undecided"), (0.1165, "outside")],
)
def test_within_and_outside_are_proven_and_the_rest_is_undecided(total: float, expected: str):
    # ISO 14253-1, from memory: the limit is moved in, or out, by the expanded uncertainty, here 1.645 × 0.01
    assert standing(total, 0.01, 0.1) == expected


def test_k_is_the_one_sided_95_per_cent_quantile():
    assert conformance_probability(0.0, 1.0, K) == pytest.approx(0.95, abs=1e-12)


def test_decided_totals_need_no_advice():
    of = machine()
    assert verdict(of, known(0.3, 0.01), known(0.02, 0.01), variance(of)).decided_by == ""


def test_the_repeats_proposed_do_decide_and_one_fewer_would_not():
    of = machine(division=0.001, error_limit=0.001, repeatability=0.02)
    u = u_of_total(of)
    told = verdict(of, known(0.3, u), known(0.09, u), variance(of)).decided_by
    times = int(re.search(r"Read each station (\d+) times", told)[1])
    assert standing(0.09, u_of_total(of, times), 0.1) == "within"
    assert standing(0.09, u_of_total(of, times - 1), 0.1) == "undecided"


def test_a_finer_indicator_is_asked_for_where_repeats_cannot_decide():
    of = machine()
    u = u_of_total(of)
    told = verdict(of, known(0.3, u), known(0.09, u), variance(of)).decided_by
    limit = float(re.search(r"error limit of ([\d.]+) mm", told)[1])
    share = limit / 0.012
    finer = machine(0.01 * share, limit, 0.003 * share)
    # the advice is rounded to 0.001 mm, half of which is this much of u
    assert 0.09 + K * u_of_total(finer) == pytest.approx(0.1, abs=K * u * 0.0005 / 0.012)


def test_a_total_on_the_limit_is_not_measured_away():
    of = machine()
    assert "no measurement decides" in verdict(of, known(0.3, 0.01), known(0.1, 0.01), variance(of)).decided_by


def as_read(total: float, of: Machine) -> Known:
    u = u_of_total(of)
    return total, u, K * u, margin_as_read(u, of.division), 0.0


def test_where_only_rounding_stands_in_the_way_a_finer_division_is_asked_for_and_decides():
    of = machine(error_limit=0.0005, repeatability=1e-6)
    found = as_read(0.0955, of)
    told = verdict(of, found, known(0.02, 0.001), variance(of)).decided_by
    division = float(re.search(r"division of ([\d.]+) mm would decide", told)[1])
    finer = machine(division, 0.0005, 1e-6)
    assert standing(*found[:2], 0.1, None, found[3]) == "undecided"
    assert standing(*as_read(0.0955, finer)[:2], 0.1, None, as_read(0.0955, finer)[3]) == "within"


def test_a_total_read_onto_the_limit_is_not_said_to_be_beyond_all_measurement():
    of = machine(error_limit=0.0005, repeatability=1e-6)
    for total in (0.097, 0.0999, 0.1):
        told = verdict(of, as_read(total, of), known(0.02, 0.001), variance(of)).decided_by
        assert "no measurement" not in told
        assert "division" in told


def test_where_setting_alone_leaves_it_open_a_survey_after_the_moves_is_advised():
    of = machine()
    u = u_of_total(of)
    told = verdict(of, known(0.3, u), known(0.09, float(np.hypot(u, 0.01)), 0.01), variance(of)).decided_by
    assert "survey again after the moves" in told


def test_what_setting_adds_is_left_out_of_the_repeats_proposed():
    of = machine(division=0.001, error_limit=0.001, repeatability=0.02)
    u, setting = u_of_total(of), 0.003
    whole = float(np.hypot(u, setting))
    told = verdict(of, known(0.3, whole), known(0.09, whole, setting), variance(of)).decided_by
    times = int(re.search(r"Read each station (\d+) times", told)[1])
    assert standing(0.09, float(np.hypot(u_of_total(of, times), setting)), 0.1) == "within"
    assert standing(0.09, float(np.hypot(u_of_total(of, times - 1), setting)), 0.1) == "undecided"


def test_a_margin_on_the_outer_side_takes_the_place_of_k_u():
    assert standing(0.12, 0.01, 0.1) == "outside"
    assert standing(0.12, 0.01, 0.1, 0.021) == "undecided"
    assert standing(0.12, 0.01, 0.1, 0.019) == "outside"
