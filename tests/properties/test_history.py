"""What must hold of a history whatever the surveys: units, origins, signs, speeds."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tracks import seen, track
from tramwright_solvers.history.added_columns import BELIEF
from tramwright_solvers.history.beginnings import PARTS
from tramwright_solvers.history.ewma import chart
from tramwright_solvers.history.outlook import SHAPES, Outlook
from tramwright_solvers.history.trends import Track, Trends, trends, trends_of

INCH = 1.0 / 25.4


@st.composite
def tracks(draw: st.DrawFn) -> Track:
    """Surveys at irregular times: steady, drifting or jumped, moved before some, not every term told by all."""
    n, seed = draw(st.integers(2, 14)), draw(st.integers(0, 2**32 - 1))
    random = np.random.default_rng(seed)
    days = np.cumsum(random.uniform(0.2, 40.0, n))
    days -= days[-1]
    rates = random.normal(0.0, 3e-4, 5) * random.integers(0, 2, 5)
    terms = random.normal(0.0, 0.02, 5) + np.outer(days - days[0], rates)
    if draw(st.booleans()):
        terms[draw(st.integers(1, n - 1)) :] += random.normal(0.0, 0.03, 5)
    begins = sorted(draw(st.sets(st.integers(1, n - 1), max_size=3)))
    one = track(days.tolist(), terms, begins, noise=draw(st.sampled_from([0.0005, 0.003, 0.006])), seed=seed)
    if draw(st.booleans()):
        one.values[random.random(one.values.shape) < 0.1] = np.nan
        one.values[-1] = np.where(np.isnan(one.values[-1]), 0.01, one.values[-1])
    return one


def same(found: Outlook, other: Outlook, *, length: float = 1.0, time: float = 1.0, sign: float = 1.0) -> None:
    """Two outlooks say the same, lengths and times of the other in another unit, and shapes of another sign."""
    signs = np.array([1.0, *[sign] * 5, 1.0])
    assert other.states == found.states
    assert [step.before for step in other.trends.steps] == [step.before for step in found.trends.steps]
    for one, another in zip(found.trends.steps, other.trends.steps, strict=True):
        assert another.change == pytest.approx(length * signs * one.change, rel=1e-6, abs=1e-12, nan_ok=True)
        assert another.u == pytest.approx(length * one.u, rel=1e-6, nan_ok=True)
    assert other.trends.since.tolist() == found.trends.since.tolist()
    scale = length / time
    assert other.trends.rate == pytest.approx(scale * signs * found.trends.rate, rel=1e-6, abs=1e-12, nan_ok=True)
    assert other.trends.rate_u == pytest.approx(scale * found.trends.rate_u, rel=1e-6, nan_ok=True)


def whens(found: Outlook) -> list[float]:
    """All that is told in days."""
    return [*(found.warned or ())[1:], *([] if found.check is None else [found.check])]


@given(tracks())
def test_the_unit_changes_lengths_and_nothing_else(one: Track) -> None:
    found = seen(one)
    other = seen(Track(one.days, one.values * INCH, one.u * INCH, one.begins, one.reading * INCH), scale=INCH)
    same(found, other, length=INCH)
    assert (other.why, len(whens(other))) == (found.why, len(whens(found)))
    assert whens(other) == pytest.approx(whens(found), rel=1e-6, abs=1.0)


@given(tracks(), st.floats(-1e4, 1e4))
def test_the_origin_of_time_means_nothing(one: Track, shift: float) -> None:
    found, other = seen(one), seen(one._replace(days=one.days + shift))
    same(found, other)
    assert (other.why, other.warned is None) == (found.why, found.warned is None)
    assert whens(other) == pytest.approx(whens(found), rel=1e-5, abs=1.0)


@given(tracks(), st.floats(0.2, 5.0))
def test_the_same_in_another_time_is_as_much_faster(one: Track, faster: float) -> None:
    same(seen(one), seen(one._replace(days=one.days * faster)), time=faster)


@given(tracks(), st.floats(-0.1, 0.1))
def test_where_a_term_stands_says_nothing_of_how_it_moves(one: Track, shift: float) -> None:
    values = one.values.copy()
    values[:, SHAPES] += shift
    same(seen(one), seen(one._replace(values=values)))


@given(tracks())
def test_a_mirrored_machine_does_the_same_mirrored(one: Track) -> None:
    values = one.values.copy()
    values[:, SHAPES] *= -1.0
    found, other = seen(one), seen(one._replace(values=values))
    same(found, other, sign=-1.0)
    assert (other.why, len(whens(other))) == (found.why, len(whens(found)))
    assert whens(other) == pytest.approx(whens(found), rel=1e-6, abs=1.0)


@given(tracks())
def test_what_is_told_is_finite_ordered_and_the_same_again(one: Track) -> None:
    found, again = seen(one), seen(one)
    assert str(found) == str(again)
    if found.warned is not None:
        assert 0.0 <= found.warned.earliest <= found.warned.at <= found.warned.latest
        assert found.why == "drift"
        assert found.trends.since[found.warned.term] >= 0
    assert found.check is None or 0.0 <= found.check <= 365.0
    known = np.isfinite(found.trends.rate)
    assert (found.trends.rate_u[known] >= 0.0).all()
    assert (found.trends.dof > 0.0).all()
    assert all(step.before + 1 < len(one.days) for step in found.trends.steps)


@given(st.lists(tracks(), min_size=2, max_size=6))
def test_a_machine_is_told_the_same_beside_others(several: list[Track]) -> None:
    for one, found in zip(several, trends_of(several), strict=True):
        alone = trends(one)
        assert str(found) == str(alone)
        for value, another in zip(found, alone, strict=True):
            assert not isinstance(value, np.ndarray) or value.tobytes() == another.tobytes()


@given(tracks())
def test_rates_are_those_of_least_squares_over_all_beginnings(one: Track) -> None:
    found = trends(one)
    for term in np.isfinite(found.rate).nonzero()[0]:
        drifts = found.since[term] >= 0
        if not drifts and (found.since >= 0).any():
            continue  # from where the clearest drift begins
        told = np.array([least_squares(one, found, term, *began) for began in beginnings(one, found, drifts=drifts)])
        prior, left, rate, now, rate_variance, now_variance, shared = told[told[:, 0] > 0.0].T
        chance = prior * (left / left.min()) ** (-found.dof[term] / 2.0)
        chance /= chance.sum()
        mean, level = chance @ rate, chance @ now
        assert found.rate[term] == pytest.approx(mean, rel=1e-6, abs=1e-9)
        assert found.rate_u[term] ** 2 == pytest.approx(chance @ (rate_variance + (rate - mean) ** 2), rel=1e-5)
        both = chance @ (shared + (rate - mean) * (now - level))
        if np.isfinite(found.now[term]):
            assert found.now[term] == pytest.approx(level, rel=1e-6, abs=1e-9)
            assert found.now_variance[term] == pytest.approx(chance @ (now_variance + (now - level) ** 2), rel=1e-5)
            assert found.shared[term] == pytest.approx(both, rel=1e-5, abs=1e-12)


def beginnings(one: Track, found: Trends, *, drifts: bool) -> list[tuple[float, float]]:
    """When a drift may have begun, and how likely that is beforehand: as likely before the first survey as after."""
    if not drifts:
        return [(float(one.days[0]), 1.0)]
    fine = np.interp(np.arange(PARTS * len(one.days) - PARTS + 1) / PARTS, np.arange(len(one.days)), one.days)
    prior = np.diff(fine, append=fine[-1])
    prior[0] += fine[-1] - fine[0]
    # two surveys after it that a slope tells from the levels
    after = [np.count_nonzero(~found.begins[at // PARTS + 1 :]) for at in range(len(fine))]
    return [(day, share) for day, share, more in zip(fine.tolist(), prior.tolist(), after, strict=True) if more >= 2]


def least_squares(one: Track, found: Trends, term: int, began: float, prior: float) -> list[float]:
    """How likely one beginning is beforehand, 0 where its slope cannot be told from the levels; what it leaves, rate
    and level now, their variances and covariance."""
    known, run = np.isfinite(one.values[:, term]), np.cumsum(found.begins)
    slope = np.maximum(0.0, one.days - began)
    columns = np.column_stack([slope, run[:, None] == np.unique(run[known])])
    root = 1.0 / one.u[known, term]
    fitted, values = columns[known] * root[:, None], one.values[known, term] * root
    if np.linalg.matrix_rank(fitted / np.linalg.norm(fitted, axis=0).clip(1e-300), tol=1e-5) < fitted.shape[1]:
        return [0.0] * 7
    told = np.linalg.lstsq(fitted, values, rcond=None)[0]
    left = BELIEF + float(np.sum((values - fitted @ told) ** 2))
    cofactor = np.linalg.inv(fitted.T @ fitted)
    rate, now = np.eye(len(told))[0], columns[-1]
    # the error of one reading stays in what a drift has come to
    reading = one.reading / slope[-1] if found.since[term] >= 0 else 0.0
    over = float(now @ cofactor @ rate / cofactor[0, 0])
    variances = [left / found.dof[term] * float(a @ cofactor @ b) for a, b in ((rate, rate), (now, now), (now, rate))]
    of_reading = [reading**2 * by for by in (1.0, over**2, over)]
    return [prior, left, told[0], now @ told, *(a + b for a, b in zip(variances, of_reading, strict=True))]


@given(st.lists(st.floats(-1.0, 1.0), min_size=1, max_size=30), st.floats(-1.0, 1.0), st.floats(-3.0, 3.0))
def test_a_control_chart_moves_with_its_values_and_scales_with_them(
    values: list[float], target: float, by: float
) -> None:
    row, u = np.array(values), np.linspace(0.1, 0.3, len(values))
    here = chart(row, u, target, 0.05)
    moved = chart(row + by, u, target + by, 0.05)
    scaled = chart(row * 25.4, u * 25.4, target * 25.4, 0.05 * 25.4)
    for one, shifted, larger in zip(here, moved, scaled, strict=True):
        assert shifted == pytest.approx(one + by, abs=1e-12)
        assert larger == pytest.approx(one * 25.4, abs=1e-10)
    assert min(*values, target) - 1e-12 <= here.level.min()
    assert here.level.max() <= max(*values, target) + 1e-12
