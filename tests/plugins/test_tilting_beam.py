"""The tilting beam: a lifter that clicks and only goes up, and a sag that is known."""

from __future__ import annotations

from pathlib import Path

import msgspec
import numpy as np
import pytest
from scipy.optimize import linprog, lsq_linear

from example_plug_ins import (
    BEAM,
    POINTS,
    RAILS,
    REGISTRY,
    SEATS,
    answer,
    gaps_after,
    machine,
    rail_influence,
    survey,
    travels,
)
from farm_client import refused, serving
from tramwright_solvers.comparison.compare import compare
from tramwright_solvers.conformance import check
from tramwright_solvers.contract import Floats
from tramwright_solvers.lead_error.check import SurveyAtHeight, check_heights
from tramwright_solvers.model.errors import Refused
from tramwright_solvers.model.options import Criterion
from tramwright_solvers.planning import Area, PlanSolve, plan_survey
from tramwright_solvers.reversal import PlacedSurvey, reverse

BOTH: tuple[Criterion, ...] = ("least-squares", "minimum-zone")
MACHINE = machine("tilting-beam")
SHARE = (POINTS[:, 0] + 40.0) / 580.0
SAG = 0.06 * 16.0 / 5.0 * (SHARE - 2.0 * SHARE**3 + SHARE**4)
CLICK = 0.02
FORM = 0.01 * np.cos(POINTS[:, 0] / 60.0) + np.random.default_rng(4).normal(0.0, 0.002, len(POINTS))
READ = FORM + SAG + 0.413 * SHARE
"""The beam is 0.413 low at its lifter, and sags by 0.06."""


SEATS_AND_RAILS = {"seat", "seats", "rail", "rails"}


def told_words(found: object) -> set[str]:
    """Every word of every sentence of an answer."""

    def texts(part: object) -> list[str]:
        if isinstance(part, dict):
            return [text for below in part.values() for text in texts(below)]
        if isinstance(part, list | tuple):
            return [text for below in part for text in texts(below)]
        return [part] if isinstance(part, str) else []

    return {word.strip(".,;:`()") for text in texts(msgspec.to_builtins(found)) for word in text.lower().split()}


def reached(left: Floats, criterion: Criterion) -> float:
    return float(np.std(left) if criterion == "least-squares" else np.ptp(left) / 2)


def test_it_conforms() -> None:
    check(BEAM(), MACHINE)


@pytest.mark.parametrize("criterion", BOTH)
def test_the_clicks_are_the_best_of_all(criterion: Criterion) -> None:
    found = answer(MACHINE, survey(READ), "tilting-beam", criterion=criterion, aim_for=0)
    (move,) = found.moves
    # derived: every number of clicks tried, the sag taken off
    each = [reached(FORM + (0.413 - CLICK * clicks) * SHARE, criterion) for clicks in range(201)]
    assert move.travel == pytest.approx(CLICK * int(np.argmin(each)), abs=1e-12)
    assert move.counted is not None
    assert (move.counted.value, move.counted.unit) == (pytest.approx(np.argmin(each)), "clicks")
    assert reached(gaps_after(found), criterion) == pytest.approx(min(each), abs=1e-9)


def test_it_never_goes_down() -> None:
    assert not answer(MACHINE, survey(FORM + SAG - 0.4 * SHARE), "tilting-beam", aim_for=0).moves


@pytest.mark.parametrize("criterion", BOTH)
def test_with_the_rails_it_does_all_that_both_can(criterion: Criterion) -> None:
    seats = [{**seat, "travel": [-0.05, 0.05]} for seat in RAILS["seats"]]
    both = machine("tilting-beam", rails={**RAILS, "seats": seats})
    gap = READ + 0.04 * (POINTS[:, 0] / 250 - 1) * (POINTS[:, 1] / 200 - 1)
    found = answer(both, survey(gap), "tilting-beam", "rail-shim", criterion=criterion, aim_for=0)
    made = travels(found, ["lifter", *SEATS])
    influence = np.column_stack([-SHARE, rail_influence(POINTS)])
    assert np.ptp(gap - SAG + influence @ made - gaps_after(found)) < 1e-9

    def best_with(clicks: int) -> float:
        left = gap - SAG - CLICK * clicks * SHARE
        design, wall = np.column_stack([rail_influence(POINTS), np.ones(len(left))]), np.ones((len(left), 1))
        bounds = [*[(-0.05, 0.05)] * 4, (None, None)]
        if criterion == "minimum-zone":
            upper = np.block([[design, -wall], [-design, -wall]])
            cost = np.append(np.zeros(5), 1.0)
            return float(linprog(cost, A_ub=upper, b_ub=np.concatenate([-left, left]), bounds=[*bounds, (0, None)]).fun)
        low, high = (np.array([-np.inf if end is None else end for end in ends]) for ends in zip(*bounds, strict=True))
        high[-1] = np.inf
        fit = lsq_linear(design, -left, (low, high), tol=1e-14)
        return float(np.std(left + design @ fit.x))

    # derived: every number of clicks tried, the seats by scipy each time
    assert reached(gaps_after(found), criterion) == pytest.approx(min(map(best_with, range(10, 31))), rel=1e-6)


def test_the_sag_is_taken_off_and_told_and_the_dial_is_told_with_it() -> None:
    found = answer(MACHINE, survey(READ), "tilting-beam", aim_for=0)
    (sag,) = [term for term in found.breakdown if term.term == "sag"]
    assert sag.range == pytest.approx(np.ptp(SAG))
    assert found.as_found.total == pytest.approx(np.ptp(READ - SAG))
    assert any("known sag" in note for note in found.notes)
    told = np.array([(one.dial_before, one.before) for one in found.predicted.stations])
    assert np.allclose(told[:, 0], READ, atol=1e-12)
    assert np.allclose(told[:, 1], READ - SAG, atol=1e-12)
    (step,) = found.steps
    at = int(np.flatnonzero(((step.park.x, step.park.y) == POINTS).all(axis=1))[0])
    assert step.dial_before == pytest.approx(READ[at])
    assert step.dial_after == pytest.approx(READ[at] - SHARE[at] * found.moves[0].travel)


def test_a_slip_is_told_as_the_dial_read_it() -> None:
    slipped = READ.copy()
    slipped[30] += 0.2
    (suspect,) = answer(MACHINE, survey(slipped), "tilting-beam", aim_for=0).suspects
    assert (suspect.x, suspect.y) == tuple(POINTS[30])
    assert suspect.value == pytest.approx(slipped[30])
    assert suspect.expected == pytest.approx(READ[30], abs=0.02)


def test_nothing_speaks_of_seats_or_rails_where_there_are_none() -> None:
    found = answer(MACHINE, survey(READ), "tilting-beam", aim_for=0)
    assert found.steps[0].do.startswith("Take the load off the beam, turn it forwards by 21 clicks; the dial at ")
    assert "it does not go back" in found.steps[0].do
    assert not told_words(found) & SEATS_AND_RAILS
    assert "would gain no more than the readings can tell" not in found.attribution
    square = machine("tilting-beam", bed={"x": [0, 500], "y": [0, 500]})
    at = np.array([(x, y) for x in (50, 150, 250, 350, 450) for y in (50, 150, 250, 350, 450)], dtype=float)
    readings = msgspec.to_builtins(survey(1e-3 * at[:, 0], at).readings)
    placed = [msgspec.convert({"readings": readings, "turned": turned}, PlacedSurvey) for turned in (0, 90)]
    turned = reverse(square, placed, registry=REGISTRY)
    assert "best moves of the gantry's adjusters" in turned.better_plate.says
    # its cautions speak of the seats of the plate, which it has
    assert not told_words(msgspec.structs.replace(turned, cautions=[])) & SEATS_AND_RAILS


def test_the_other_questions_know_it() -> None:
    seen = compare(MACHINE, survey(READ), survey(READ - 0.1 * SHARE), registry=REGISTRY)
    assert [one.travel for one in seen.adjusters] == [pytest.approx(0.1, abs=1e-9)]
    plan = plan_survey(MACHINE, PlanSolve(), Area(), registry=REGISTRY)
    assert plan.solver_versions == {"tilting-beam": "1.0"}
    high = [
        msgspec.convert({**msgspec.to_builtins(survey(READ)), "height": height}, SurveyAtHeight) for height in (0, 50)
    ]
    with pytest.raises(Refused, match="supports"):
        check_heights(MACHINE, high, registry=REGISTRY)


def test_supports_that_no_solver_picked_moves_are_said_to_be_left_alone() -> None:
    # invented: two supports, which no solver takes by itself, beside a beam that one does
    supports = [{"id": "left", "x": 0, "y": 200}, {"id": "right", "x": 500, "y": 200}]
    picked = answer(machine("tilting-beam", supports=supports), survey(READ))
    assert any("supports described are not moved: only tilting-beam suits" in note for note in picked.notes)
    rails = answer(machine("hung-bed", rails=True, supports=supports, extras={}), survey(READ))
    assert any("only rail-shim suits" in note for note in rails.notes)
    named = answer(machine("tilting-beam", supports=supports), survey(READ), "tilting-beam")
    assert not any("supports described" in note for note in named.notes)


def test_that_the_lifter_was_moved_can_be_recorded_and_is_learnt_from(tmp_path: Path) -> None:
    kestrel = "/v1/machines/kestrel"
    sent = msgspec.to_builtins({"survey": survey(READ)})
    with serving(str(tmp_path / "farm.db"), REGISTRY) as farm:
        described = {**msgspec.to_builtins(MACHINE), "id": "kestrel"}
        entry = {"machine": described, "solve": {"with": [{"solver": "tilting-beam"}]}}
        assert farm.put(kestrel, json=entry).status_code == 201
        (move,) = farm.post(f"{kestrel}/surveys", json=sent).json()["answer"]["moves"]
        made = {"moves": [{"adjuster": move["adjuster"], "travel": move["travel"]}]}
        recorded = farm.put(f"{kestrel}/surveys/1/moves", json=made)
        assert recorded.status_code == 200, recorded.text
        assert farm.post(f"{kestrel}/surveys", json=sent).json()["learnt_from"] == [1]
        unknown = {"moves": [{"adjuster": "nobody", "travel": 0.1}]}
        refused(farm.put(f"{kestrel}/surveys/1/moves", json=unknown), 422, "invalid")
