"""What must hold of a history whatever the surveys: units, origins, signs, speeds."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tracks import seen, track
from tramwright_solvers.history.ewma import chart
from tramwright_solvers.history.outlook import SHAPES, Outlook
from tramwright_solvers.history.trends import Track, trends, trends_of

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
def test_rates_are_those_of_least_squares(one: Track) -> None:
    found = trends(one)
    runs = np.cumsum(found.begins)[:, None] == np.unique(np.cumsum(found.begins))
    for term in np.isfinite(found.rate).nonzero()[0]:
        known = np.isfinite(one.values[:, term])
        began = max(int(found.since[term]), 0)
        if found.since[term] < 0 and (found.since >= 0).any():
            continue  # from where the clearest drift begins
        slope = np.maximum(0.0, one.days - one.days[began])
        root = 1.0 / one.u[known, term]
        columns = np.column_stack([slope, runs])[known]
        columns = columns[:, np.abs(columns).max(axis=0) > 0.0] * root[:, None]
        told = np.linalg.lstsq(columns, one.values[known, term] * root, rcond=None)[0]
        assert found.rate[term] == pytest.approx(told[0], rel=1e-6, abs=1e-9)
        cofactor = np.linalg.pinv(columns.T @ columns)[0, 0] ** 0.5
        # the error of one reading stays in what a drift has come to
        reading = one.reading / slope[-1] if found.since[term] >= 0 else 0.0
        assert found.rate_u[term] == pytest.approx(np.hypot(found.factor[term] * cofactor, reading), rel=1e-5)


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
