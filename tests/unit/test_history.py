"""What surveys of one machine come to: drift, jump, neither, or too little to tell."""

from __future__ import annotations

from math import inf

import numpy as np
import pytest

from tracks import LIMIT, TILT, TWIST, U, seen, track
from tramwright_solvers.history.crossing import UNEVEN, Ahead, Line, interval, safe_until
from tramwright_solvers.history.ewma import chart
from tramwright_solvers.history.outlook import NAMES, TOTAL, Outlook, named, outlook
from tramwright_solvers.history.trends import Track, trends

DAYS = np.array([-140.0, -121.0, -100.0, -83.0, -60.0, -41.0, -19.0, 0.0])


def growing(term: int, rate: float, start: float = 0.02) -> np.ndarray:
    """Terms of which one moves evenly."""
    terms = np.zeros((len(DAYS), 5))
    terms[:, term - 1] = start + rate * (DAYS - DAYS[0])
    return terms


def states(found: Outlook) -> dict[str, str]:
    return {name: state for name, state in zip(NAMES, found.states, strict=True) if state != "steady"}


def test_an_even_drift_is_named_with_its_rate_and_the_day_of_passing() -> None:
    found = seen(track(DAYS, growing(TWIST, 3e-4)))
    assert found.warned is not None
    assert (NAMES[found.warned.term], found.trends.since[TWIST]) == ("twist", 0)
    # a later and faster drift explains nearly as much, so the rate is told a little larger
    assert found.trends.rate[TWIST] == pytest.approx(3e-4, rel=0.02)
    # the total of a twist over the whole bed is the twist
    assert found.warned.at == pytest.approx((LIMIT - 0.02 - 140.0 * 3e-4) / 3e-4, rel=0.02)
    assert 0.0 < found.warned.earliest < found.warned.at < found.warned.latest
    assert (found.why, found.check) == ("drift", found.warned.earliest)
    assert found.total_rate[0] == pytest.approx(found.trends.rate[TWIST])
    assert {"twist", "total"} == states(found).keys()


def test_a_total_that_falls_before_it_rises_is_foreseen() -> None:
    found = seen(track(DAYS, growing(TILT, 5e-4, start=-0.09)))
    assert found.warned is not None
    assert found.total_rate[0] == pytest.approx(-5e-4, rel=0.01)
    assert found.warned.at == pytest.approx((LIMIT + 0.09) / 5e-4 - 140.0, rel=0.02)


def test_a_drift_that_began_later_is_told_from_there() -> None:
    terms = np.zeros((8, 5))
    terms[:, TWIST - 1] = np.maximum(0.0, DAYS - DAYS[3]) * 6e-4
    found = seen(track(DAYS, terms, noise=0.0005))
    assert found.trends.since[TWIST] == 3
    assert found.trends.rate[TWIST] == pytest.approx(6e-4, rel=0.1)


def test_a_jump_is_named_at_once_with_its_terms_and_amounts_and_is_no_drift() -> None:
    for last in (3, 5, 8):  # surveys until now, the jump before the last of three
        terms = np.zeros((8, 5))
        terms[2:, TILT - 1], terms[2:, TWIST - 1] = 0.05, -0.03
        found = seen(track(DAYS[:last], terms[:last], noise=0.001))
        (step,) = found.trends.steps
        assert step.before == 1
        assert [NAMES[term] for term in named(step) if term != TOTAL] == ["tilt-x", "twist"]
        assert step.change[[TILT, TWIST]] == pytest.approx([0.05, -0.03], abs=0.004)
        assert found.warned is None
        assert (found.why == "changed") is (last == 3)
        assert found.states[TILT] == ("jumped" if last == 3 else "steady")


def test_no_change_is_told_better_than_one_reading_is() -> None:
    terms = np.zeros((8, 5))
    terms[4:, TILT - 1] = 0.05
    fine, coarse = (seen(track(DAYS, terms, noise=0.0005)._replace(reading=reading)) for reading in (0.0, 0.004))
    (one,), (other,) = fine.trends.steps, coarse.trends.steps
    assert (other.before, other.change.tolist()) == (one.before, one.change.tolist())
    assert other.u == pytest.approx(np.hypot(one.u, 0.004))
    terms = growing(TWIST, 3e-4)
    fine, coarse = (seen(track(DAYS, terms, noise=0.0005)._replace(reading=reading)) for reading in (0.0, 0.004))
    assert coarse.trends.since.tolist() == fine.trends.since.tolist()
    more = np.sqrt(coarse.trends.rate_u[TWIST] ** 2 - fine.trends.rate_u[TWIST] ** 2)
    assert 0.004 / 140.0 <= more <= 0.004 / 121.0  # it began at the first survey, or a little later


def test_a_jump_names_a_term_even_where_none_stands_out_of_what_a_reading_may_be_off_by() -> None:
    terms = np.zeros((8, 5))
    terms[4:, TILT - 1] = 0.03
    (step,) = seen(track(DAYS, terms, noise=0.0005)._replace(reading=0.02)).trends.steps
    assert [NAMES[term] for term in named(step)] in (["tilt-x"], ["total"])


def test_two_surveys_are_enough_for_a_jump_and_for_nothing_else() -> None:
    terms = np.zeros((2, 5))
    assert seen(track([-30.0, 0.0], terms)).why == "too-few"
    terms[1, TWIST - 1] = 0.08
    found = seen(track([-30.0, 0.0], terms))
    assert (found.why, found.check, states(found)["twist"]) == ("changed", 0.0, "jumped")


def test_what_people_moved_is_neither_drift_nor_jump() -> None:
    terms = np.zeros((8, 5))
    terms[4:, TILT - 1] = 0.06
    found = seen(track(DAYS, terms, begins=[4], noise=0.001))
    assert (found.trends.steps, states(found), found.why) == ([], {}, "no-drift")
    # each visit takes out what has crept since the last one: a rate that all runs share
    days = np.repeat(np.arange(-4.0, 0.0) * 30.0, 2) + np.tile([0.0, 29.0], 4)
    terms = np.zeros((8, 5))
    terms[1::2, TWIST - 1] = 0.03
    found = seen(track(days - days[-1], terms, begins=[2, 4, 6], noise=0.0005))
    assert found.trends.rate[TWIST] == pytest.approx(0.03 / 29.0, rel=0.05)
    assert found.warned is not None
    assert found.trends.steps == []


def test_what_was_moved_since_or_is_outside_is_to_be_seen_to_and_not_warned_of() -> None:
    one = track(DAYS, growing(TWIST, 3e-4))
    for found, why in ((seen(one, moved=True), "moved-since"), (seen(one, outside=True), "outside")):
        assert (found.warned, found.why, found.check) == (None, why, 0.0)


def test_the_next_check_of_a_steady_machine_is_before_an_unseen_drift_could_pass_the_limit() -> None:
    steady = seen(track(DAYS, np.zeros((8, 5)), noise=0.001))
    assert (steady.why, steady.check) == ("no-drift", 140.0)  # trusted for no longer than it was watched
    near = np.zeros((8, 5))
    near[:, TWIST - 1] = 0.092
    found = seen(track(DAYS, near, noise=0.001))
    assert found.check is not None
    assert 0.0 < found.check < 140.0
    near[:, TWIST - 1] = 0.0995
    assert (seen(track(DAYS, near)).why, seen(track(DAYS, near)).check) == ("close", 0.0)
    soon = seen(track(DAYS / 100.0, np.zeros((8, 5)), noise=0.001))
    assert (soon.why, soon.check) == ("too-few", None)


def test_a_slow_drift_is_told_and_is_no_warning_within_a_year() -> None:
    found = seen(track(DAYS, growing(TWIST, 1e-4, start=-0.01)))
    assert states(found)["twist"] == "drifting"
    assert (found.warned, found.why) == (None, "drift")


def test_totals_alone_tell_where_terms_were_not_kept() -> None:
    whole = track(DAYS, growing(TWIST, 3e-4))
    values = whole.values.copy()
    values[:, 1:] = np.nan
    found = outlook(Track(whole.days, values, whole.u, whole.begins), None, LIMIT, outside=False, moved=False)
    assert found.warned is not None
    assert (NAMES[found.warned.term], found.states[TWIST]) == ("total", "cannot-be-told")
    assert found.warned.at == pytest.approx((LIMIT - 0.062) / 3e-4, rel=0.02)
    assert np.isnan(found.trends.rate[TWIST])


def test_scatter_beyond_the_stated_uncertainties_is_believed() -> None:
    terms = np.zeros((8, 5))
    terms[:, TWIST - 1] = 4.0 * U * np.array([1, -1, 1, -1, 1, -1, 1, 1.2])
    found = seen(track(DAYS, terms))
    assert (found.warned, found.trends.steps) == (None, [])
    even = seen(track(DAYS, np.zeros((8, 5))))
    assert found.trends.rate_u[TWIST] > 3.0 * even.trends.rate_u[TWIST]


def test_a_drift_may_begin_where_two_surveys_were_taken_at_one_time() -> None:
    days = np.append(10.0 * np.arange(-49.0, 0.0), 0.0)
    days[-3] = days[-2]
    values = np.zeros((50, len(NAMES)))
    values[-1] = 10.0  # ten million times what it is known to
    found = trends(Track(days, values, np.full(values.shape, 1e-6), np.arange(50) == 0))
    assert found.since.tolist() == [47] * len(NAMES)
    assert found.rate == pytest.approx(np.ones(len(NAMES)), rel=0.01)
    assert np.isfinite(found.now_variance).all()


@pytest.mark.parametrize(
    ("line", "first", "last"),
    [
        (Line(0.0, 1e-3, 0.0, 0.0, 0.0), 100.0 / (1.0 + 2.0 * UNEVEN), 100.0 / (1.0 - 2.0 * UNEVEN)),
        (Line(0.0, 1e-3, 0.0, 1e-5, 0.0), None, inf),
        (Line(0.11, 1e-3, 1e-4, 0.0, 0.0), 0.0, None),
        (Line(0.05, 0.0, 1e-6, 0.0, 0.0), inf, inf),
        (Line(0.2, 1e-5, 1e-6, 1e-5, 0.0), 0.0, inf),
        (Line(0.099, 0.0, 1e-6, 0.0, 0.0), 0.0, inf),
    ],
)
def test_intervals(line: Line, first: float | None, last: float | None) -> None:
    found = interval(line, 0.1, 2.0)
    assert 0.0 <= found[0] <= found[1]
    for end, expected in zip(found, (first, last), strict=True):
        assert expected is None or end == pytest.approx(expected)


def test_a_limit_that_is_never_passed_and_one_that_is_passed_already() -> None:
    none = np.zeros(1)
    ahead = Ahead(np.array([0.05, 0.0]), np.array([[1.0], [0.0]]), none, np.array([-1e-9]), none, none, 0.0)
    assert ahead.passes(0.1) is None
    assert ahead.passes(0.04) == 0.0
    assert safe_until(ahead, 0.1, 2.0, 50.0) == 50.0
    assert safe_until(ahead, 0.04, 2.0, 50.0) == 0.0


def test_control_limits_hold_what_the_target_is_unsure_by() -> None:
    sure, unsure = (chart(np.zeros(40), np.full(40, 0.1), 0.0, u) for u in (0.0, 0.1))
    assert unsure.upper[-1] == pytest.approx(np.hypot(sure.upper[-1], 3.0 * 0.1), rel=1e-6)
    assert unsure.upper == pytest.approx(-unsure.lower)
