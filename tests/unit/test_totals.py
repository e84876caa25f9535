"""Totals of readings with errors: what is proven within and outside, by Monte Carlo (JCGM 101) with invented forms."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from tramwright_solvers.adjustment.minimum_zone import chebyshev
from tramwright_solvers.model.units import K
from tramwright_solvers.reduction.covariance import GapCovariance
from tramwright_solvers.uncertainty.range import covering_each, fitted_factor, outside_factor

SIDE = np.linspace(-0.9, 0.9, 5)
X, Y = (axis.ravel() for axis in np.meshgrid(SIDE, SIDE))
FORMS = {
    "twist": X * Y,
    "bowl": X * X + Y * Y,
    "tilt": X,
    "ridge": (np.arange(25) % 5 == 2) * 1.0,
    "half and half": np.sign(X + 0.1 * Y),
    "one hill": (np.arange(25) == 12) * 1.0,
    "uneven": np.sin(37.0 * np.arange(25)),
}
U, TIMES = 0.0093, 6000


def read(form: str, total: float) -> tuple[np.ndarray, GapCovariance]:
    shape = FORMS[form]
    gaps = total * shape / np.ptp(shape) + U * np.random.default_rng(5).normal(size=(TIMES, 25))
    return gaps, GapCovariance(np.full(gaps.shape, U * U), np.zeros((25, 0)), U)


@pytest.mark.parametrize("limit", [0.04, 0.1])
@pytest.mark.parametrize("form", FORMS)
def test_within_and_outside_are_wrong_in_one_of_twenty_at_the_most(form: str, limit: float) -> None:
    beyond, noise = read(form, limit * 1.000001)
    u = covering_each(beyond[:, None], noise)[:, 0]
    assert np.mean(np.ptp(beyond, axis=1) + K * u <= limit) <= 0.05
    inside, noise = read(form, limit)
    wrong = np.mean(np.ptp(inside, axis=1) - outside_factor(inside, u) * u > limit)
    assert wrong <= 0.05 + 3.0 * np.sqrt(0.05 * 0.95 / TIMES)


def test_the_plain_factor_would_call_sound_beds_outside() -> None:
    # The check above can fail: with K alone most of these beds, exactly on the limit, would be called outside.
    gaps, noise = read("half and half", 0.1)
    assert np.mean(np.ptp(gaps, axis=1) - K * covering_each(gaps[:, None], noise)[:, 0] > 0.1) > 0.8


@pytest.mark.parametrize("form", FORMS)
def test_u_is_not_below_the_spread_and_totals_read_high(form: str) -> None:
    gaps, noise = read(form, 0.1)
    totals = np.ptp(gaps, axis=1)
    assert totals.std() <= covering_each(gaps[:, None], noise)[:, 0][0] * 1.03
    assert totals.mean() > 0.1


def test_where_one_station_stands_out_at_either_end_the_factor_is_that_of_two() -> None:
    gaps = np.zeros((1, 25))
    gaps[0, [3, 20]] = 1.0, -1.0
    assert outside_factor(gaps, np.array([0.013])) == pytest.approx([K], abs=2e-5)
    wide = np.zeros((1, 9000))
    assert 4.0 < float(outside_factor(wide, np.array([0.013]))[0]) < 7.0


def test_a_pair_known_less_well_counts_though_it_reads_less_apart() -> None:
    # Stations of a second set-up whose zero hangs on one shared station. Invented.
    gaps = np.array([[0.00, 0.06, 0.03, 0.058]])
    factors = np.array([[0.0], [0.0], [0.0], [0.02]])
    noise = GapCovariance(np.full((1, 4), 1e-6), factors, None)
    u = float(covering_each(gaps[:, None], noise)[:, 0][0])
    assert K * u == pytest.approx(0.058 + K * np.sqrt(0.02**2 + 2e-6) - 0.06)
    assert u > noise.of_totals(gaps[:, :, None])[0, 0]


@pytest.mark.parametrize("stations", [5, 40, 41, 80])
def test_the_widest_pair_is_found_by_looking_at_every_one(stations: int) -> None:
    # Invented: two gaps each of three surveys whose stations are known very differently, with zeros in common.
    random = np.random.default_rng(stations)
    gaps = random.normal(0.0, 0.05, (3, 2, stations))
    noise = GapCovariance(
        random.uniform(0.002, 0.03, (3, stations)) ** 2, random.normal(0.0, 0.01, (stations, 2)), None
    )
    u = covering_each(gaps, noise)
    for survey, subset in np.ndindex(3, 2):
        gap, variance = gaps[survey, subset], noise.variance[survey]
        widest = 0.0
        for i, j in itertools.permutations(range(stations), 2):
            apart = variance[i] + variance[j] + np.sum((noise.factors[i] - noise.factors[j]) ** 2)
            widest = max(widest, gap[i] - gap[j] + K * np.sqrt(apart))
        assert K * u[survey, subset] + np.ptp(gap) == pytest.approx(widest, rel=1e-12)
    assert covering_each(gaps[:, [1]], noise)[:, 0].tobytes() == np.ascontiguousarray(u[:, 1]).tobytes()


def test_stations_all_alike_have_the_u_of_a_difference() -> None:
    gaps = np.random.default_rng(0).normal(size=(3, 30))
    alike = GapCovariance(np.full((3, 30), 4e-6), np.zeros((30, 0)), None)
    assert covering_each(gaps[:, None], alike)[:, 0] == pytest.approx(np.full(3, np.sqrt(8e-6)))
    flat = np.zeros((1, 30))
    assert covering_each(flat[:, None], GapCovariance(np.full((1, 30), 4e-6), np.zeros((30, 0)), None))[
        :, 0
    ] == pytest.approx([np.sqrt(8e-6)])


@pytest.mark.parametrize("criterion", ["minimum-zone", "least-squares"])
@pytest.mark.parametrize(("stations", "unknowns"), [(9, 3), (9, 7), (9, 8), (9, 9), (25, 8), (25, 22)])
@pytest.mark.parametrize("form", [0.0, 30.0])
def test_what_a_fit_leaves_is_covered_however_few_stations_it_hangs_on(
    criterion: str, stations: int, unknowns: int, form: float
) -> None:
    # form 30 times the errors, where a minimum zone hangs on its contacts alone, and none at all
    random = np.random.default_rng(31)
    columns = np.column_stack([np.ones(stations), random.normal(size=(stations, unknowns - 1))])
    off = sum(random.uniform(-half, half, (4000, stations)) for half in (0.012, 0.005, 0.003))
    u = np.sqrt(2.0 * (0.012**2 + 0.005**2 + 0.003**2) / 3.0)
    read = form * u * random.normal(size=stations) + off
    if criterion == "minimum-zone":
        made = chebyshev(columns, read).coefficients
    else:
        made = np.linalg.lstsq(columns, read.T, rcond=None)[0].T
    left = read - made @ columns.T
    (factor,) = fitted_factor(np.array([unknowns]), stations, criterion)
    beyond = np.ptp(left - off, axis=1) - np.ptp(left, axis=1)
    # 3.3 standard deviations: at 5 % itself one of 2000 such tests fails by chance, and the seed is fixed
    slack = 3.3 * np.sqrt(0.05 * 0.95 / 4000)
    assert np.mean(beyond > factor * u) <= 0.05 + slack
    if form and (criterion == "minimum-zone" or unknowns >= stations - 1):
        assert np.mean(beyond > K * u) > 0.05 + slack  # the factor for readings alone would not do
