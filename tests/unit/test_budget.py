"""The budget's lines add up to what is stated, whatever was read; machines and readings are invented."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest
from msgspec.structs import replace
from scipy.special import chdtri

from tramwright_solvers.correction.api import correct, reduce_stack
from tramwright_solvers.correction.decision import decide
from tramwright_solvers.diagnostics.without_outliers import TOO_LITTLE, refit, without
from tramwright_solvers.mechanisms import RailShim, ThreeScrew
from tramwright_solvers.model.contract import Adjuster
from tramwright_solvers.model.machine import Bed, Indicator, Limit, Machine, Rails, Screw, Seat, Sheet, Support
from tramwright_solvers.model.options import Solve
from tramwright_solvers.model.survey import Reading, Survey
from tramwright_solvers.results.findings import Suspect
from tramwright_solvers.uncertainty.budget import Budget, combined, sources
from tramwright_solvers.uncertainty.range import covering_each
from tramwright_solvers.uncertainty.setting_error import SHEET_MM, half_width, quantiles, settings_of

SEATS = [Seat(f"{rail}-{y:g}", rail, x, y) for rail, x in (("left", -30.0), ("right", 430.0)) for y in (0.0, 400.0)]
MACHINE = Machine(
    bed=Bed((0.0, 400.0), (0.0, 400.0)),
    id="dunlin-03",
    supports=[
        Support(name, x, y, screw=Screw(0.7))
        for name, x, y in (("a", 30.0, 30.0), ("b", 370.0, 30.0), ("c", 200.0, 370.0))
    ],
    rails=Rails("y", SEATS),
)
POINTS = [(x, y) for y in (20.0, 140.0, 260.0, 380.0) for x in (20.0, 140.0, 260.0, 380.0)]


def gap(x: float, y: float) -> float:
    return 2e-4 * x - 1e-4 * y + 2e-6 * (x - 200.0) * (y - 200.0)


def repeated(spread: float, times: int) -> Survey:
    random = np.random.default_rng(2)
    return Survey([Reading(x, y, (gap(x, y) + spread * random.normal(size=times)).tolist()) for x, y in POINTS])


SURVEYS = {
    "one reading each": Survey([Reading(x, y, gap(x, y)) for x, y in POINTS]),
    "repeats that scatter": repeated(0.02, 3),
    "repeats that agree": repeated(1e-5, 3),
    "one station repeated": Survey([Reading(x, y, [gap(x, y)] * (1 + (x == y == 20.0))) for x, y in POINTS]),
    "two set-ups": Survey(
        [Reading(x, y, gap(x, y), "A") for x, y in POINTS if y < 300.0]
        + [Reading(x, y, gap(x, y) + 0.3, "B") for x, y in POINTS if y > 200.0]
    ),
}


def budgets(machine: Machine, survey: Survey) -> tuple[Budget, Budget, float, float]:
    """The budgets as found and as predicted, and the u of both totals."""
    done = reduce_stack(machine, [survey], Solve(with_=[ThreeScrew(), RailShim()]))
    prepared, gaps, noise = done.prepared, done.gaps, done.noise
    setting = prepared.setting
    prepared_sources = sources(machine, prepared.layout, prepared.adjusters, setting)
    decided = decide(prepared, done.solve, gaps, noise)
    index = decided.chosen.index
    left = decided.scores.left[[0], :, index]
    found = covering_each(gaps[:, None], noise)[:, 0]
    after = np.sqrt(covering_each(left[:, None], noise)[:, 0] ** 2 + setting.totals[index] ** 2)
    return (
        prepared_sources.budgets(gaps.argmax(axis=1), gaps.argmin(axis=1), found, noise, None)[0],
        prepared_sources.budgets(left.argmax(axis=1), left.argmin(axis=1), after, noise, index)[0],
        float(found[0]),
        float(after[0]),
    )


@pytest.mark.parametrize("name", SURVEYS)
def test_lines_add_up_to_the_total(name: str) -> None:
    before, after, u_before, u_after = budgets(MACHINE, SURVEYS[name])
    for budget, u in ((before, u_before), (after, u_after)):
        assert budget.u == pytest.approx(u, rel=1e-9)
        assert sum(line.share for line in budget.lines) == pytest.approx(1.0, rel=1e-12)
        assert sum((line.u * line.sensitivity) ** 2 for line in budget.lines) == pytest.approx(u * u, rel=1e-9)
        for line in budget.lines:
            half = line.value / np.sqrt(3.0) if line.distribution == "rectangular" else line.value
            assert line.u == pytest.approx(half, rel=1e-5)
            assert (line.type == "A") == (line.dof is not None)


def names(budget: Budget) -> set[str]:
    return {line.name for line in budget.lines}


def test_each_source_is_there_when_it_is_and_not_otherwise() -> None:
    usual = {"half a division", "error limit of the indicator", "repeatability"}
    before, after, *_ = budgets(MACHINE, SURVEYS["one reading each"])
    assert names(before) == usual
    set_ = names(after) - usual
    assert set_
    assert all(name.startswith("setting of ") for name in set_)
    assert names(budgets(MACHINE, SURVEYS["two set-ups"])[0]) == usual | {"zeros and drift of set-ups"}


def test_repeats_are_type_a_with_their_degrees_of_freedom_where_they_are_believed() -> None:
    (line,) = [one for one in budgets(MACHINE, SURVEYS["repeats that scatter"])[0].lines if one.name == "repeatability"]
    assert (line.type, line.distribution, line.dof) == ("A", "normal", 32)
    assert line.value == pytest.approx(0.02, rel=0.3)
    assert line.sensitivity == pytest.approx(np.sqrt(2.0 / 3.0))
    # one degree of freedom, and less scatter than the default: the default stands
    (line,) = [one for one in budgets(MACHINE, SURVEYS["one station repeated"])[0].lines if one.name == "repeatability"]
    assert (line.type, line.value, line.dof) == ("B", pytest.approx(0.003), None)


def test_effective_degrees_of_freedom_are_those_of_the_repeats_where_all_comes_from_them() -> None:
    fine = replace(MACHINE, indicator=Indicator(division=1e-5, error_limit=1e-6))
    before, *_ = budgets(fine, SURVEYS["repeats that scatter"])
    assert before.dof == pytest.approx(32.0, rel=1e-3)
    assert budgets(MACHINE, SURVEYS["one reading each"])[0].dof is None
    assert combined([("a", 1.0, "normal", "A", 1.0, 4.0, 1.0), ("b", 1.0, "normal", "A", 1.0, 4.0, 1.0)]).dof == 8.0


def test_a_budget_of_nothing_has_no_shares() -> None:
    assert combined([("a", 0.0, "normal", "B", 0.0, None, 1.0)]).lines[0].share == 0.0


def test_default_settings_are_those_stated() -> None:
    def of(**more: object) -> float:
        return half_width(MACHINE, Adjuster("x", "seat", 1.0, "", **more), 0.8)

    assert of() == pytest.approx(0.005 / 0.8)
    assert of(screw=Screw(0.25)) == pytest.approx(0.0025)
    assert of(screw=Screw(8.0)) == pytest.approx(0.005 / 0.8)
    assert of(stock=(Sheet(0.1, 3),)) == SHEET_MM
    assert of(stock=(Sheet(0.1, 3),), setting=0.02) == 0.02
    assert half_width(MACHINE, Adjuster("x", "seat", 1.0, ""), 1e-9) == pytest.approx(0.025)
    inch = replace(MACHINE, units="inch")
    assert half_width(inch, Adjuster("x", "seat", 1.0, "", stock=(Sheet(0.01, 3),)), 1.0) == pytest.approx(0.005 / 25.4)


def test_what_the_machine_states_reaches_the_adjusters() -> None:
    stated = replace(
        MACHINE,
        supports=[replace(one, setting=0.01) for one in MACHINE.supports],
        rails=Rails(
            "y",
            [replace(one, setting=0.03) for one in SEATS[:3]]
            + [replace(SEATS[3], method="shim", stock=[0.1], setting=0.04)],
        ),
    )
    assert [one.setting for one in ThreeScrew().adjusters(stated)] == [0.01] * 3
    assert [one.setting for one in RailShim().adjusters(stated)] == [0.03] * 3 + [0.04]


@pytest.mark.parametrize("seed", range(4))
def test_setting_covers_the_range_it_makes_in_95_of_100_cases(seed: int) -> None:
    # Monte Carlo (JCGM 101) of the range over the stations that errors of setting alone make, for every subset.
    random = np.random.default_rng(seed)
    machine = replace(
        MACHINE,
        supports=[
            replace(one, setting=float(half))
            for one, half in zip(MACHINE.supports, random.uniform(0.002, 0.02, 3), strict=True)
        ],
    )
    prepared = reduce_stack(machine, [SURVEYS["one reading each"]], Solve(with_=[ThreeScrew(), RailShim()])).prepared
    setting = prepared.setting
    beside = random.uniform(-1.0, 1.0, (4000, len(setting.half))) * setting.half
    for subset, u in zip(prepared.candidates.sets, setting.totals.tolist(), strict=True):
        moved = np.zeros(len(setting.half))
        moved[list(subset)] = 1.0
        made = np.ptp((beside * moved) @ prepared.influence.T, axis=1)
        covered = float(np.mean(made <= 1.6448536269514722 * u))
        # one adjuster's error is rectangular and so always covered; several come near the normal 95 of 100
        assert covered >= 0.93, subset


def test_setting_of_gaps_is_that_of_the_adjusters_moved() -> None:
    prepared = reduce_stack(MACHINE, [SURVEYS["one reading each"]], Solve(with_=[ThreeScrew()])).prepared
    setting = prepared.setting
    moved = np.array([[True, False, True], [False, False, False]])
    expected = (prepared.influence[:, [0, 2]] * setting.u[[0, 2]]) ** 2
    assert setting.of_gaps(moved)[0] == pytest.approx(expected.sum(axis=1))
    assert not setting.of_gaps(moved)[1].any()
    assert setting.totals[0] == 0.0 < setting.totals[1]


def test_without_the_suspects_is_offered_beside_the_answer() -> None:
    slipped = [
        replace(one, value=one.value + 0.3) if (one.x, one.y) == (140.0, 140.0) else one
        for one in SURVEYS["one reading each"].readings
    ]
    survey, solve = Survey(slipped), Solve(with_=[ThreeScrew()], aim_for=0.0)
    answer = correct(MACHINE, survey, solve)
    assert [(one.x, one.y) for one in answer.suspects] == [(140.0, 140.0)]
    told = refit(survey, answer.suspects, lambda rest: reduce_stack(MACHINE, [rest], solve).moves_answers()[0])
    assert told is not None
    assert told.predicted is not None
    assert [(one.x, one.y) for one in told.left_out] == [(140.0, 140.0)]
    assert told.predicted.total < answer.predicted.total
    assert len(survey.readings) == 16
    assert len(without(survey, answer.suspects).readings) == 15
    assert refit(survey, [], lambda rest: reduce_stack(MACHINE, [rest], solve).moves_answers()[0]) is None


def test_a_refit_from_too_little_says_so() -> None:
    survey = Survey([Reading(x, y, 0.0) for x, y in POINTS[:3]])
    suspect = Suspect(*POINTS[0], 0.1, 0.0, 9.0, "", "", 0.5, 0.1)
    told = refit(
        survey, [suspect], lambda rest: reduce_stack(MACHINE, [rest], Solve(with_=[ThreeScrew()])).moves_answers()[0]
    )
    assert told is not None
    assert (told.says, told.moves) == (TOO_LITTLE, None)


def test_the_limit_is_not_part_of_the_budget() -> None:
    tight = replace(MACHINE, limit=Limit(0.05))
    assert budgets(tight, SURVEYS["two set-ups"])[0] == budgets(MACHINE, SURVEYS["two set-ups"])[0]


def test_quantiles_read_off_are_right() -> None:
    freedom = np.concatenate([np.linspace(1.0, 2.0, 997), np.linspace(2.0, 81.0, 997)])
    read = np.interp(np.sqrt(freedom), *quantiles()) ** 2
    np.testing.assert_allclose(read, chdtri(freedom, 0.05), rtol=1e-7)


def test_of_pairs_as_far_apart_the_first_counts_whoever_else_is_prepared() -> None:
    """A square bed on four like screws has pairs of stations that differ alike; the other machine has more corners."""
    turns = np.arange(16) * (np.pi / 8.0)
    square = np.array([(-1.0, -1.0), (1.0, -1.0), (-1.0, 1.0), (1.0, 1.0)] * 4)
    points = np.stack([square, np.column_stack([np.cos(turns), np.sin(turns)])])
    corners = square[:4]
    influence = 0.25 * (1.0 + points @ corners.T)
    machine, adjusters = MACHINE, [Adjuster(f"s{n}", "support", 1.0, f"/machine/supports/{n}") for n in range(4)]
    sets = [subset for size in range(5) for subset in combinations(range(4), size)]
    together = settings_of([(machine, adjusters)] * 2, influence, points, sets)
    for place, found in enumerate(together):
        (alone,) = settings_of([(machine, adjusters)], influence[[place]], points[[place]], sets)
        assert found.parts.tobytes() == alone.parts.tobytes()
        assert found.gaps.tobytes() == alone.gaps.tobytes()
        assert np.all(found.totals[1:] > 0.0)
