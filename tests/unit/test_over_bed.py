"""The total over the whole bed: coverage on simulated plates of many kinds, all invented, with fixed seeds."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from scipy.spatial.distance import cdist
from scipy.stats import studentized_range

from tramwright_solvers.diagnostics.form_terms import term_columns
from tramwright_solvers.diagnostics.gaussian_process import (
    PER_U,
    Interpolation,
    OverBed,
    bed_points,
    interpolation,
)
from tramwright_solvers.diagnostics.likeness import matern
from tramwright_solvers.model.machine import Bed
from tramwright_solvers.reduction.covariance import GapCovariance

BED = Bed((0.0, 400.0), (0.0, 300.0))
U = 0.0093
FINE = np.column_stack([axis.ravel() for axis in np.meshgrid(np.linspace(0.0, 400.0, 25), np.linspace(0.0, 300.0, 25))])
Field = Callable[[np.ndarray, np.random.Generator], np.ndarray]


def grid(count: int, inset: float = 0.05) -> np.ndarray:
    side = np.linspace(inset, 1.0 - inset, count)
    return np.column_stack([axis.ravel() for axis in np.meshgrid(400.0 * side, 300.0 * side)])


def none(at: np.ndarray, random: np.random.Generator) -> np.ndarray:
    return np.zeros(len(at))


def gaussian(size: float, length: float) -> Field:
    roots: dict[int, np.ndarray] = {}

    def field(at: np.ndarray, random: np.random.Generator) -> np.ndarray:
        if len(at) not in roots:
            roots[len(at)] = np.linalg.cholesky(
                matern(cdist(at, at) * (np.sqrt(5.0) / (length * 350.0))) + 1e-8 * np.eye(len(at))
            )
        return size * (roots[len(at)] @ random.normal(size=len(at)))

    return field


def cubic(at: np.ndarray, random: np.random.Generator) -> np.ndarray:
    u, v = at[:, 0] / 200.0 - 1.0, at[:, 1] / 150.0 - 1.0
    return np.column_stack([u**3, u * u * v, u * v * v, v**3]) @ (0.02 * random.normal(size=4))


def wave(at: np.ndarray, random: np.random.Generator) -> np.ndarray:
    turn, length = random.uniform(0.0, 2.0 * np.pi), random.uniform(150.0, 400.0)
    along = at @ np.array([np.cos(turn), np.sin(turn)])
    return 0.02 * np.sin(2.0 * np.pi * along / length + random.uniform(0.0, 2.0 * np.pi))


def hill(at: np.ndarray, random: np.random.Generator) -> np.ndarray:
    away = np.sum((at - random.uniform((0.0, 0.0), (400.0, 300.0))) ** 2, axis=1)
    return 0.08 * np.exp(-0.5 * away / random.uniform(40.0, 120.0) ** 2)


FIELDS: dict[str, Field] = {
    "no remainder": none,
    "small and smooth": gaussian(0.01, 0.3),
    "larger": gaussian(0.03, 0.3),
    "short": gaussian(0.03, 0.15),
    "long": gaussian(0.05, 0.5),
    "cubic": cubic,
    "wave": wave,
    "hill": hill,
}


def prepared(points: np.ndarray, influence: np.ndarray | None = None, **more: object) -> Interpolation:
    count, grid_points = len(points), len(bed_points(BED))
    there = term_columns(BED, bed_points(BED))[:, [1]] if influence is not None else np.zeros((grid_points, 0))
    columns = np.zeros((count, 0)) if influence is None else influence
    given = {"variance": np.full(count, U * U), "factors": np.zeros((count, 0)), "unseen": ()} | more
    return interpolation(BED, points, columns, there, np.full(there.shape[1], 1e-9), **given)


def simulated(points: np.ndarray, field: Field, times: int) -> tuple[np.ndarray, np.ndarray]:
    """True totals over the bed, on a fine grid, and readings."""
    random, everywhere = np.random.default_rng(8), np.concatenate([points, FINE])
    terms = term_columns(BED, everywhere)
    form = np.array(
        [
            terms @ (random.normal(size=6) * [0.05, 0.03, 0.03, 0.04, 0.03, 0.03]) + field(everywhere, random)
            for _ in range(times)
        ]
    )
    read = form[:, : len(points)] + U * random.normal(size=(times, len(points)))
    return np.ptp(form, axis=1), read


def noise(gaps: np.ndarray) -> GapCovariance:
    return GapCovariance(np.full(gaps.shape, U * U), np.zeros((gaps.shape[1], 0)), U)


def found(of: Interpolation, gaps: np.ndarray) -> list[OverBed]:
    return [before for before, _ in of.totals(gaps, noise(gaps), np.zeros((len(gaps), 0)))]


@pytest.mark.parametrize("count", [5, 7])
def test_nineteen_of_twenty_intervals_cover_whatever_the_plate_is_like(count: int) -> None:
    points = grid(count)
    of, times, shares = prepared(points), 250, {}
    for name, field in FIELDS.items():
        true, gaps = simulated(points, field, times)
        ends = np.array([(one.low, one.high) for one in found(of, gaps)])
        shares[name] = float(np.mean((ends[:, 0] <= true) & (true <= ends[:, 1])))
    # at least 95 % is stated of each
    assert min(shares.values()) >= 0.95, shares
    assert np.mean(list(shares.values())) >= 0.97, shares


@pytest.mark.parametrize("name", ["no remainder", "small and smooth", "larger"])
def test_estimate_and_u_are_honest_where_the_reading_total_is_not(name: str) -> None:
    points = grid(5)
    true, gaps = simulated(points, FIELDS[name], 400)
    estimates = np.array([(one.total, one.u) for one in found(prepared(points), gaps)])
    off = (estimates[:, 0] - true) / estimates[:, 1]
    assert abs(off.mean()) < 0.4
    assert 0.75 < np.sqrt(np.mean(off**2)) < 1.1
    # The stations stand inside the edges, so highest minus lowest reading misses what is beyond them.
    assert np.mean(np.ptp(gaps, axis=1) - true) < -0.01


def test_a_survey_has_the_same_estimate_alone_and_in_any_stack() -> None:
    points = grid(4)
    _, gaps = simulated(points, wave, 40)
    of = prepared(points)
    assert found(of, gaps) == [found(of, gaps[[row]])[0] for row in range(len(gaps))]


def test_moves_that_the_readings_show_are_foreseen_exactly() -> None:
    points = grid(5)
    influence = term_columns(BED, points)[:, [1]]
    of = prepared(points, influence)
    _, gaps = simulated(points, wave, 5)
    travels = np.full((5, 1), 0.07)
    after = [one for _, one in of.totals(gaps, noise(gaps), travels)]
    moved = gaps + travels @ influence.T
    direct = [one for one, _ in of.totals(moved, noise(moved), np.zeros((5, 1)))]
    for one, other in zip(after, direct, strict=True):
        assert one.total == pytest.approx(other.total, abs=1e-6)
        assert (one.low, one.high) == pytest.approx((other.low, other.high), abs=1e-6)


def test_errors_of_setting_widen_what_is_foreseen_and_nothing_else() -> None:
    points = grid(5)
    influence = term_columns(BED, points)[:, [1]]
    there = term_columns(BED, bed_points(BED))[:, [1]]
    of = interpolation(BED, points, influence, there, np.array([0.05]), np.full(25, U * U), np.zeros((25, 0)), ())
    _, gaps = simulated(points, none, 1)
    (before, after), (_, still) = (of.totals(gaps, noise(gaps), np.array([[travel]]))[0] for travel in (1e-9, 0.0))
    assert after.u is not None
    assert before.u is not None
    assert after.u > 2.0 * before.u
    assert still.u == before.u


def test_the_unit_of_length_changes_nothing_but_the_numbers() -> None:
    points = grid(5)
    _, gaps = simulated(points, hill, 3)
    inch = Bed(*(tuple(end / 25.4 for end in side) for side in (BED.x, BED.y)))
    in_inches = interpolation(
        inch,
        points / 25.4,
        np.zeros((25, 0)),
        np.zeros((81, 0)),
        np.zeros(0),
        np.full(25, (U / 25.4) ** 2),
        np.zeros((25, 0)),
        (),
    )
    small = gaps / 25.4
    told = in_inches.totals(
        small, GapCovariance(np.full(small.shape, (U / 25.4) ** 2), np.zeros((25, 0)), None), np.zeros((3, 0))
    )
    for (one, _), other in zip(told, found(prepared(points), gaps), strict=True):
        assert one.total * 25.4 == pytest.approx(other.total, rel=1e-4)
        assert one.u * 25.4 == pytest.approx(other.u, rel=1e-2)


@pytest.mark.parametrize(
    ("points", "unseen", "says"),
    [
        (grid(3), (), "9 stations are too few"),
        (grid(5), ("twist",), "cannot tell twist"),
        (grid(21), (), "more than 400 stations"),
    ],
)
def test_stations_that_do_not_bear_it_are_told_so(points: np.ndarray, unseen: tuple[str, ...], says: str) -> None:
    (one,) = found(prepared(points, unseen=unseen), np.zeros((1, len(points))))
    assert says in one.says
    assert (one.total, one.u, one.low, one.high, one.highest, one.lowest) == (None,) * 6


def test_half_the_interval_over_u_is_that_of_a_studentized_range() -> None:
    assert pytest.approx(studentized_range.ppf(0.95, 6, np.inf) / np.sqrt(2.0), abs=5e-3) == PER_U


@pytest.mark.parametrize(("name", "most"), [("no remainder", 7.5), ("small and smooth", 9.0), ("larger", 14.0)])
def test_the_interval_is_no_wider_than_some_times_a_readings_u(name: str, most: float) -> None:
    # regression: it covers more than it need, yet must stay of use
    points = grid(5)
    _, gaps = simulated(points, FIELDS[name], 100)
    assert np.mean([one.high - one.low for one in found(prepared(points), gaps)]) < most * U


def test_weakly_joined_set_ups_make_the_estimate_less_certain() -> None:
    points = grid(5)
    _, gaps = simulated(points, none, 1)
    factors = np.where(points[:, :1] > 250.0, 0.06, 0.0)
    of = prepared(points, factors=factors)
    joined = of.totals(gaps, GapCovariance(np.full((1, 25), U * U), factors, None), np.zeros((1, 0)))[0][0]
    alone = found(prepared(points), gaps)[0]
    assert joined.u is not None
    assert alone.u is not None
    assert joined.u > 1.1 * alone.u


@pytest.mark.parametrize("length", [4e3, 5e4, 1e5])  # invented: a corner of a plate, read closely
def test_of_a_bed_far_larger_than_the_area_read_nothing_is_said(length: float) -> None:
    bed, points = Bed((0.0, length), (0.0, length)), 100.0 + 20.0 * grid(5) / 400.0
    places, none = bed_points(bed), np.zeros((25, 0))
    found = interpolation(
        bed, points, none, np.zeros((len(places), 0)), np.zeros(0), np.full(25, U**2), np.zeros((25, 0)), []
    )
    assert "far beyond the area read" in found.refusal
    noise = GapCovariance(np.full((1, 25), U**2), np.zeros((25, 0)), U)
    ((before, after),) = found.totals(np.zeros((1, 25)), noise, np.zeros((1, 0)))
    assert before.total is after.total is None
