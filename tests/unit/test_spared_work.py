"""What spares work changes no answer: a survey that need not be checked has no suspects, and what stations show is the
same told for many machines at once as for each alone; what is prepared once is found again. All stations and readings
are invented."""

from __future__ import annotations

import msgspec
import numpy as np
import pytest

from geometries import prepare
from tramwright_solvers.correction import judgement
from tramwright_solvers.correction.api import correct, reduce_stack
from tramwright_solvers.correction.cache import GeometryCache
from tramwright_solvers.correction.decision import decide
from tramwright_solvers.correction.judgement import Judged
from tramwright_solvers.diagnostics.form_terms import SEEN, form, leading_terms, shows_form, term_columns, terms_of
from tramwright_solvers.diagnostics.quiet import may_hold_slips, may_stand_out
from tramwright_solvers.diagnostics.unobservable import shows_all
from tramwright_solvers.linalg.grids import scaled_to
from tramwright_solvers.linalg.orthogonalize import in_order
from tramwright_solvers.mechanisms import RailShim, ThreeScrew
from tramwright_solvers.model.contract import Mechanism
from tramwright_solvers.model.machine import Bed, Machine, Rails, Seat, Support
from tramwright_solvers.model.options import Solve
from tramwright_solvers.model.survey import Reading, Survey
from tramwright_solvers.reduction.readings import where

SIDE = 400.0
GRID = [(x, y) for y in (20.0, 110.0, 200.0, 290.0, 380.0) for x in (20.0, 110.0, 200.0, 290.0, 380.0)]
STATIONS = {
    "grid": GRID[:9],
    "cross": [(x, y) for x, y in GRID if 200.0 in (x, y)],
    "line": [(20.0 + 40.0 * k, 20.0 + 40.0 * k) for k in range(9)],
    "nearly a cross": [(20.0 + 45.0 * k, 200.0 + (1e-5 if k else 0.0)) for k in range(9)],
    "three": [(20.0, 20.0), (380.0, 20.0), (200.0, 380.0)],
}


def machine() -> Machine:
    places = (("front-left", 30.0, 30.0), ("front-right", 370.0, 30.0), ("rear", 200.0, 370.0))
    return Machine(bed=Bed((0.0, SIDE), (0.0, SIDE)), id="dipper-01", supports=[Support(*one) for one in places])


@pytest.mark.parametrize("scatter", [0.002, 0.006, 0.01])
def test_a_survey_that_need_not_be_checked_has_no_suspects(scatter: float) -> None:
    readings = [Reading(x, y, 0.0) for x, y in GRID]
    prepared = prepare(machine(), where(readings), Solve(with_=[ThreeScrew()]), ())
    random = np.random.default_rng(7)
    values = random.normal(0.0, scatter, (400, len(GRID)))
    values[::2, 7] += random.normal(0.0, 0.03, 200)  # some with a slip
    gaps, variance = prepared.layout.reduce(values, prepared.machine.sense)
    table = prepared.candidates.evaluate(gaps, "least-squares")
    may = may_hold_slips(table.rms, variance, prepared.weights)
    suspected = np.array([bool(own) for own in prepared.slips.suspects(gaps, variance)])
    assert not np.any(suspected & ~may)
    assert suspected.any()
    assert scatter > 0.002 or not may.all()


@pytest.mark.parametrize("name", [*STATIONS, "five by five", "fine grid"])
@pytest.mark.parametrize("scatter", [0.001, 0.003, 0.006])
def test_a_survey_in_which_nothing_stands_out_has_no_suspects_and_no_drift(name: str, scatter: float) -> None:
    fine = [(20.0 + 72.0 * i, 20.0 + 72.0 * k) for k in range(6) for i in range(6)]
    points = {**STATIONS, "five by five": GRID, "fine grid": fine}[name]
    prepared = prepare(machine(), where([Reading(x, y, 0.0) for x, y in points]), Solve(with_=[ThreeScrew()]), ())
    random, count = np.random.default_rng(11), 600
    values = random.normal(0.0, scatter, (count, len(points))) + random.normal(0.0, 1.0, (count, 1))
    values[::3, 1] += random.normal(0.0, 0.03, count // 3)  # some with a slip, some with a drift
    values[1::3] += random.normal(0.0, 0.002, (count // 3, 1)) * np.arange(len(points))
    gaps, variance = prepared.layout.reduce(values, prepared.machine.sense)
    x, y = scaled_to(prepared.machine.bed, prepared.layout.points)
    each = [np.repeat(one[None], count, axis=0) for one in (x, y, prepared.spanned)]
    may = may_stand_out(gaps, (each[0], each[1]), each[2], variance.mean(axis=1))
    suspected = np.array([bool(own) for own in prepared.slips.suspects(gaps, variance)])
    told = suspected | (prepared.slips.drifts(gaps, variance) != 0.0)
    assert not np.any(told & ~may)
    if name == "five by five":
        assert told.any()
        assert scatter > 0.001 or not may.all()


@pytest.mark.parametrize("name", STATIONS)
def test_leading_terms_are_seen_as_they_are_one_after_another(name: str) -> None:
    points = np.array(STATIONS[name])
    bed, root = Bed((0.0, SIDE), (0.0, SIDE)), np.linspace(0.8, 1.2, len(points))
    columns = term_columns(bed, points)[:, :4] * root[:, None]
    (seen,), (u,) = leading_terms(columns[None])
    assert seen.tolist() == in_order(columns, SEEN * np.linalg.norm(columns, axis=0)).kept.tolist()
    np.testing.assert_allclose(u, np.linalg.norm(np.linalg.pinv(columns, rcond=SEEN), axis=1), rtol=1e-9, atol=1e-12)


def test_many_geometries_are_told_as_each_alone() -> None:
    same = [np.array(STATIONS[name]) for name in ("grid", "cross", "line", "nearly a cross")]
    beds = [Bed((0.0, SIDE + k), (0.0, SIDE)) for k in range(len(same))]
    terms = terms_of(beds, np.stack(same))
    together = leading_terms(terms[:, :, :4])
    for k, points in enumerate(same):
        assert terms[k].tobytes() == term_columns(beds[k], points).tobytes()
        alone = leading_terms(terms[k : k + 1, :, :4])
        assert [row.tobytes() for row in (together[0][k], together[1][k])] == [row[0].tobytes() for row in alone]
    here = np.stack([term_columns(beds[k], points)[:, :4] for k, points in enumerate(same)])
    there = np.repeat(term_columns(beds[0], np.array(GRID))[None, :, :4], len(same), axis=0)
    told = shows_all(here, there).tolist()
    assert told == [bool(shows_all(here[k : k + 1], there[k : k + 1])[0]) for k in range(len(same))]
    assert told[:3] == [True, False, False]


RAILS = Rails(
    along="y",
    seats=[Seat(f"{rail}-{y:.0f}", rail, x, y) for rail, x in (("l", -30.0), ("r", 430.0)) for y in (0.0, 400.0)],
)


@pytest.mark.parametrize("stations", ["all over", "in the middle", "few"])
@pytest.mark.parametrize("scatter", [0.002, 0.01, 0.05, 0.4, 6.0])
@pytest.mark.parametrize("solvers", [[ThreeScrew()], [ThreeScrew(), RailShim()]])
def test_a_survey_that_is_not_questioned_would_have_raised_no_doubt(
    solvers: list[Mechanism], scatter: float, stations: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """In the middle, moves may change the corners by more than is gained; of few stations, one may make most of it."""
    of, random = msgspec.structs.replace(machine(), rails=RAILS), np.random.default_rng(3)
    middle = [(200.0 + 0.3 * (x - 200.0), 200.0 + 0.3 * (y - 200.0)) for x, y in GRID]
    points = {"all over": GRID, "in the middle": middle, "few": [*GRID[::6], GRID[4], GRID[20]]}[stations]
    values = random.normal(0.0, scatter, (300, 1)) * (np.array(points)[:, 0] / SIDE)
    values[::2] += random.normal(0.0, 0.4 * scatter, (150, len(points)))
    values[::4, 3] += 3.0 * scatter  # one that stands out
    values = np.round(values, 3)
    every = [Survey([Reading(x, y, v) for (x, y), v in zip(points, own, strict=True)]) for own in values.tolist()]

    def judged() -> list[Judged]:
        return reduce_stack(of, every, Solve(with_=solvers)).decided(decide)[1]

    spared = judged()
    assert scatter < 0.4 or stations == "few" or sum(one.doubt is not None for one in spared) > 3
    monkeypatch.setattr(judgement, "_questionable", lambda decided: list(range(len(decided.prepared))))
    assert spared == judged()


def test_what_a_survey_without_its_suspect_needs_is_prepared_once() -> None:
    cache, of = GeometryCache(), machine()
    for slip in (0.2, 0.3, 0.3):
        read = [Reading(x, y, slip if at == 7 else round(0.0003 * x, 3)) for at, (x, y) in enumerate(GRID)]
        answer = correct(of, Survey(read), cache=cache)
        assert answer.refit is not None
        assert answer == correct(of, Survey(read))
    assert (cache.prepared, len(cache)) == (2, 2)


@pytest.mark.parametrize("name", [*STATIONS, "five by five"])
def test_where_the_whole_form_is_surely_shown_each_of_its_terms_is_seen(name: str) -> None:
    points = np.array({**STATIONS, "five by five": GRID}[name])
    root, bed = np.linspace(0.8, 1.2, len(points)), Bed((0.0, SIDE), (0.0, SIDE))
    known = form(bed, points, root)
    (surely,) = shows_form((known.columns * root[:, None])[None])
    assert bool(surely) == (name == "five by five")
    assert all(known.seen) or not surely
