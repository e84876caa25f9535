"""The hung bed: an eccentric bush whose lift is not proportional to its angle, with degrees of its own."""

from __future__ import annotations

from typing import Any

import msgspec
import numpy as np
import pytest
from scipy.optimize import linprog, minimize

from example_plug_ins import (
    HUNG,
    POINTS,
    REGISTRY,
    SEATS,
    answer,
    entry,
    gaps_after,
    machine,
    plane,
    rail_influence,
    survey,
    travels,
)
from tramwright_solvers.comparison.compare import compare
from tramwright_solvers.conformance import check
from tramwright_solvers.contract import Floats, Move
from tramwright_solvers.correction.api import correct
from tramwright_solvers.lead_error.check import SurveyAtHeight, check_heights
from tramwright_solvers.mechanisms import BUILT_IN
from tramwright_solvers.mechanisms.registry import build
from tramwright_solvers.model.errors import PlugInFault, Refused
from tramwright_solvers.model.options import Criterion, Solve
from tramwright_solvers.planning import Area, PlanSolve, plan_survey
from tramwright_solvers.views.correction import as_text

BOTH: tuple[Criterion, ...] = ("least-squares", "minimum-zone")
MACHINE = machine("hung-bed")
IDS = ["front-left", "front-right", "rear"]
CORNERS = np.array([(30, 40), (470, 45), (250, 370)], dtype=float)
THROW, STANDS = 2.0, np.radians(25.0)
DEGREE = THROW * np.cos(STANDS) * np.pi / 180.0
HELD = {"solver": "hung-bed", "hold": ["front-left"]}
RANDOM = np.random.default_rng(20)
FORM = 0.03 * np.sin(POINTS[:, 0] / 90.0) * np.cos(POINTS[:, 1] / 110.0) + RANDOM.normal(0.0, 0.002, len(POINTS))


def lift(angle: float) -> float:
    """How far the bush lifts, by trigonometry alone."""
    return float(THROW * (np.sin(STANDS + angle) - np.sin(STANDS)))


def heights(front_left: float, front_right: float, angle: float) -> Floats:
    """Change of gap at the stations, by numpy alone."""
    return plane(POINTS) @ np.linalg.solve(plane(CORNERS), [front_left, front_right, lift(angle)])


def by_trigonometry(gap: Floats, criterion: Criterion) -> tuple[float, float]:
    """Return the best travels of the right screw and the bush: of a plane that front-left and the offset leave free."""
    if criterion == "least-squares":
        fit = np.linalg.lstsq(plane(POINTS), gap, rcond=None)[0]
    else:
        design, wall = plane(POINTS), np.ones((len(gap), 1))
        upper = np.block([[design, -wall], [-design, -wall]])
        fit = linprog([0, 0, 0, 1], A_ub=upper, b_ub=np.concatenate([gap, -gap]), bounds=(None, None)).x[:3]
    at = plane(CORNERS) @ fit
    down = at[0] - at
    angle = np.arcsin(down[2] / THROW + np.sin(STANDS)) - STANDS
    return float(down[1]), float(np.degrees(angle) * DEGREE)


@pytest.mark.parametrize("stands", [0, 25, -60])
def test_it_conforms(stands: float) -> None:
    extras = {"hung-bed": {"support": "rear", "throw": 2.0, "stands": stands}}
    check(HUNG(), machine("hung-bed", extras=extras))


@pytest.mark.parametrize("criterion", BOTH)
@pytest.mark.parametrize("rise", [1.13, -0.9, 0.05])
def test_its_travels_are_those_of_trigonometry_and_its_predictions_exact(criterion: Criterion, rise: float) -> None:
    gap = FORM + heights(0.0, -0.3, np.arcsin(-rise / THROW + np.sin(STANDS)) - STANDS)
    found = answer(MACHINE, survey(gap), HELD, criterion=criterion, aim_for=0)
    right, bush = by_trigonometry(gap, criterion)
    assert travels(found, IDS) == pytest.approx([0.0, right, bush], abs=2e-6 if criterion == "minimum-zone" else 1e-7)
    left = gap + heights(0.0, travels(found, IDS)[1], np.radians(travels(found, IDS)[2] / DEGREE))
    assert found.predicted.total == pytest.approx(np.ptp(left), abs=1e-9)
    assert np.ptp(gaps_after(found) - left) < 1e-9
    assert found.chosen.outcome == "best"


def test_influence_times_travel_would_have_promised_what_cannot_be() -> None:
    gap = FORM + heights(0.0, 0.0, np.arcsin(-1.13 / THROW + np.sin(STANDS)) - STANDS)
    found = answer(MACHINE, survey(gap), HELD, aim_for=0)
    # derived: the form is left, less the plane that fits it
    assert found.predicted.rms <= np.std(FORM)
    influence = HUNG().influence(Move(MACHINE, POINTS, np.zeros(3)))
    # derived: the slope at zero is wrong by a tenth of a millimetre at these travels, which the answer knows
    assert np.ptp(gap + influence @ travels(found, IDS) - gaps_after(found)) > 0.1


@pytest.mark.parametrize("criterion", BOTH)
def test_a_bound_that_the_user_gives_is_kept_and_the_rest_does_its_best(criterion: Criterion) -> None:
    supports = [*msgspec.to_builtins(MACHINE.supports[:2]), {"id": "rear", "x": 250, "y": 370, "travel": [-0.2, 0.6]}]
    gap = FORM + heights(0.1, -0.3, np.arcsin(-1.0 / THROW + np.sin(STANDS)) - STANDS)
    found = answer(machine("hung-bed", supports=supports), survey(gap), HELD, criterion=criterion, aim_for=0.001)
    made = travels(found, IDS)
    assert made[2] == pytest.approx(0.6, abs=1e-9)

    def objective(right: Floats) -> float:
        left = gap + heights(0.0, float(right[0]), np.radians(0.6 / DEGREE))
        return float(np.std(left) if criterion == "least-squares" else np.ptp(left))

    alone = minimize(objective, [0.0], method="Nelder-Mead", options={"xatol": 1e-10, "fatol": 1e-13})
    # derived: with the bush at its bound only the right screw is left, which scipy turns by itself
    assert objective(made[1:2]) == pytest.approx(alone.fun, rel=1e-7)
    assert found.chosen.binding[0].adjuster == "rear"


@pytest.mark.parametrize("criterion", BOTH)
def test_whole_steps_of_the_bush_are_the_best_of_all(criterion: Criterion) -> None:
    step = float(5.0 * DEGREE)
    supports = [*msgspec.to_builtins(MACHINE.supports[:2]), {"id": "rear", "x": 250, "y": 370, "step": step}]
    gap = FORM + heights(0.0, -0.3, np.arcsin(-1.0 / THROW + np.sin(STANDS)) - STANDS)
    found = answer(machine("hung-bed", supports=supports), survey(gap), HELD, criterion=criterion, aim_for=0)
    made = travels(found, IDS)
    assert made[2] / step == pytest.approx(round(made[2] / step), abs=1e-9)

    def best_with(marks: int) -> float:
        left = gap + heights(0.0, 0.0, np.radians(5.0 * marks))
        right = plane(POINTS) @ np.linalg.solve(plane(CORNERS), [0.0, 1.0, 0.0])
        if criterion == "least-squares":
            design = np.column_stack([np.ones(len(gap)), right])
            return float(np.std(left - design @ np.linalg.lstsq(design, left, rcond=None)[0]))
        design, wall = np.column_stack([np.ones(len(gap)), right]), np.ones((len(gap), 1))
        upper = np.block([[design, -wall], [-design, -wall]])
        return float(linprog([0, 0, 1], A_ub=upper, b_ub=np.concatenate([left, -left]), bounds=(None, None)).fun)

    left = gaps_after(found)
    reached = np.std(left) if criterion == "least-squares" else np.ptp(left) / 2
    # derived: every mark from -60° to 60° tried, the screw by numpy or scipy each time
    assert reached == pytest.approx(min(map(best_with, range(-12, 13))), rel=1e-7)


@pytest.mark.parametrize("criterion", BOTH)
def test_with_the_rails_it_does_as_well_as_scipy_from_many_beginnings(criterion: Criterion) -> None:
    both = machine("hung-bed", rails=True)
    twist = 0.1 * (POINTS[:, 0] / 250 - 1) * (POINTS[:, 1] / 200 - 1)
    gap = FORM + twist + heights(0.0, -0.3, np.arcsin(-1.0 / THROW + np.sin(STANDS)) - STANDS)
    found = answer(both, survey(gap), HELD, "rail-shim", criterion=criterion, aim_for=0)
    made = travels(found, [*IDS, *SEATS])

    def left_by(moves: Floats) -> Floats:
        return gap + heights(0.0, moves[0], np.radians(moves[1] / DEGREE)) + rail_influence(POINTS) @ moves[2:]

    # derived: what a plane and a twist leave, whichever adjusters make them
    design = np.column_stack([plane(POINTS), POINTS.prod(axis=1)])
    if criterion == "least-squares":
        best = np.std(gap - design @ np.linalg.lstsq(design, gap, rcond=None)[0])
        assert np.std(left_by(made[1:])) == pytest.approx(best, rel=1e-6)
    else:
        wall = np.ones((len(gap), 1))
        upper = np.block([[design, -wall], [-design, -wall]])
        best = linprog([0, 0, 0, 0, 1], A_ub=upper, b_ub=np.concatenate([gap, -gap]), bounds=(None, None)).fun
        assert np.ptp(left_by(made[1:])) / 2 == pytest.approx(best, rel=1e-6)
    assert np.ptp(left_by(made[1:]) - gaps_after(found)) < 1e-9
    order = [step.adjuster for step in found.steps]
    assert order.index("rear") < order.index("front-right") if "front-right" in order else "rear" in order


def test_the_steps_speak_its_own_language_and_lead_to_what_is_predicted() -> None:
    gap = FORM + heights(0.0, -0.3, np.arcsin(-1.13 / THROW + np.sin(STANDS)) - STANDS)
    found = answer(MACHINE, survey(gap), HELD, aim_for=0)
    first, last = found.steps
    assert (first.adjuster, last.adjuster) == ("rear", "front-right")
    move = {one.adjuster: one for one in found.moves}["rear"]
    degrees = f"{abs(move.travel) / DEGREE:.1f} degrees"
    assert first.do.startswith(
        f"Hold the bed, slacken the clamp screw of bush rear, turn it clockwise, seen from the front, by {degrees}, "
    )
    assert "so that it ends going clockwise" in first.do
    assert move.counted is not None
    assert move.counted.value == pytest.approx(abs(move.travel) / DEGREE)
    assert (move.turns, move.direction) == (None, None)
    after = {(one.x, one.y): one.dial for one in found.predicted.stations}
    assert last.dial_after == pytest.approx(after[last.park.x, last.park.y], abs=1e-9)
    at = np.flatnonzero(((first.park.x, first.park.y) == POINTS).all(axis=1))
    assert first.dial_after == pytest.approx(
        (gap + heights(0.0, 0.0, np.radians(move.travel / DEGREE)))[at].item(), abs=1e-9
    )
    assert any("hangs on its bush" in caution for caution in found.cautions)
    down = answer(MACHINE, survey(-gap), HELD, aim_for=0)
    assert "anticlockwise" in down.steps[0].do
    assert "go past the mark by more than its play of 2.0 degrees and come back clockwise" in down.steps[0].do
    text = as_text(found)
    assert degrees in text
    assert "seat" not in text


def test_the_total_over_the_bed_is_that_of_the_exact_change() -> None:
    gap = FORM + heights(0.0, -0.3, np.arcsin(-1.13 / THROW + np.sin(STANDS)) - STANDS)
    found = answer(MACHINE, survey(gap), HELD, aim_for=0)
    over = found.over_bed.predicted
    assert over.total is not None
    # derived: all of the tilt is gone, what is left over the bed is the form, which the stations show well
    assert over.total < 1.5 * np.ptp(FORM)


def test_an_uncertainty_is_that_of_the_slope_at_the_travel() -> None:
    gap = FORM + heights(0.0, 0.0, np.arcsin(-1.05 / THROW + np.sin(STANDS)) - STANDS)
    found = answer(MACHINE, survey(gap), {**HELD, "hold": ["front-left", "front-right"]}, aim_for=0)
    (move,) = found.moves
    share = plane(POINTS) @ np.linalg.solve(plane(CORNERS), [0.0, 0.0, 1.0])
    slope = np.cos(STANDS + np.radians(move.travel / DEGREE)) / np.cos(STANDS)
    u = np.sqrt(MACHINE.indicator_variance + MACHINE.repeat_variance)
    # derived: JCGM 100, 5.1.2, for a fit of one travel and the offset to equally good readings
    assert move.u == pytest.approx(u / (slope * np.sqrt(len(gap)) * np.std(share)), rel=1e-4)


def test_earlier_passes_of_a_bush_that_obeys_teach_that_it_obeys() -> None:
    turned = np.radians(30.0)
    stood = STANDS - turned
    back = THROW * (np.sin(stood) - np.sin(STANDS))
    before = FORM + plane(POINTS) @ np.linalg.solve(plane(CORNERS), [0.0, 0.0, back])
    moved = {"adjuster": "rear", "travel": float(np.degrees(turned) * DEGREE)}
    earlier = {"readings": msgspec.to_builtins(survey(before).readings), "moves": [moved]}
    found = answer(MACHINE, survey(FORM, previous=earlier), HELD, aim_for=0)
    (told,) = found.followed
    assert told.response == pytest.approx(1.0, abs=0.01)
    assert not found.doubts


class Jumps(HUNG, frozen=True, tag="jumps"):  # type: ignore[misc,valid-type]  # found among what is installed
    """A bush that only moves from notch to notch, which no slope tells."""

    def described(cls, machine: Any) -> Any:  # noqa: N805  # called on the class: the bush is described once, for the bed it is made from
        return HUNG.described(machine)

    def gap_change(self, move: Move) -> Floats:
        return super().gap_change(msgspec.structs.replace(move, travels=np.round(move.travels / 0.07) * 0.07))


class NotANumber(HUNG, frozen=True, tag="no-number"):  # type: ignore[misc,valid-type]  # likewise
    def described(cls, machine: Any) -> Any:  # noqa: N805  # likewise
        return HUNG.described(machine)

    def gap_change(self, move: Move) -> Floats:
        return super().gap_change(move) * np.nan


STRANGE = build(BUILT_IN, [entry(kind) for kind in (HUNG, Jumps, NotANumber)])


def strange(name: str) -> Any:
    gap = FORM + heights(0.0, -0.3, np.arcsin(-1.0 / THROW + np.sin(STANDS)) - STANDS)
    asked = msgspec.convert({"with": [{**HELD, "solver": name}], "aim_for": 0}, Solve[STRANGE.union()])
    return correct(MACHINE, survey(gap), asked, STRANGE)


def test_travels_that_do_not_settle_are_doubted() -> None:
    found = strange("jumps")
    assert found.chosen.outcome == "stopped"
    assert "had not settled" in found.chosen.why


def test_a_change_of_gap_that_is_no_number_is_told_as_the_fault_of_the_plug_in() -> None:
    with pytest.raises(PlugInFault, match=r"`no-number`.* failed in `gap_change`"):
        strange("no-number")


def test_faults_point_into_its_own_options_and_its_own_description() -> None:
    with pytest.raises(Refused) as caught:
        answer(MACHINE, survey(FORM), {"solver": "hung-bed", "most_degrees": 1.0})
    assert caught.value.faults[0].pointer == "/solve/with/0/most_degrees"
    wrong = machine("hung-bed", extras={"hung-bed": {"support": "rear", "throw": -1}})
    with pytest.raises(Refused) as caught:
        answer(wrong, survey(FORM), "hung-bed")
    assert caught.value.faults[0].pointer == "/machine/extras/hung-bed/throw"
    mistyped = machine("hung-bed", extras={"hungbed": {}})
    with pytest.raises(Refused, match="those that read any: `hung-bed`, `tiled-bed`, `tilting-beam`") as caught:
        answer(mistyped, survey(FORM), "three-screw")
    assert caught.value.faults[0].pointer == "/machine/extras/hungbed"


def test_it_is_picked_before_built_in_solvers_where_the_machine_describes_it() -> None:
    gap = FORM + heights(0.0, -0.3, 0.2)
    assert answer(MACHINE, survey(gap), aim_for=0).solver_versions == {"hung-bed": "1.0"}
    assert [*answer(machine("hung-bed", rails=True), survey(gap), aim_for=0).solver_versions] == [
        "rail-shim",
        "hung-bed",
    ]
    plain = machine("hung-bed", extras={})
    assert answer(plain, survey(gap), aim_for=0).solver_versions == {"three-screw": "1.0"}


def test_the_other_questions_know_it() -> None:
    rise = heights(0.0, 0.0, 0.05)
    seen = compare(MACHINE, survey(FORM), survey(FORM + rise), registry=REGISTRY)
    moved = {one.adjuster: one.travel for one in seen.adjusters}
    # derived: a plane that tilts by the bush's lift, told by the least effort of three supports
    told = heights(moved["front-left"], moved["front-right"], moved["rear"] / (THROW * np.cos(STANDS)))
    assert np.ptp(told - rise) < 1e-6
    plan = plan_survey(MACHINE, PlanSolve(), Area(), registry=REGISTRY)
    assert plan.solver_versions == {"hung-bed": "1.0"}
    high = [
        msgspec.convert({**msgspec.to_builtins(survey(FORM + share * rise)), "height": height}, SurveyAtHeight)
        for share, height in ((0.0, 0.0), (1.0, 100.0))
    ]
    assert check_heights(MACHINE, high, registry=REGISTRY).solver_versions == {"hung-bed": "1.0"}
