"""Lead errors of the screws that carry a bed, on machines of exact geometry. All data invented."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import msgspec
import numpy as np
import pytest

from simulated_machine import SimulatedMachine, bump, grid
from tramwright_solvers.lead_error.check import SurveyAtHeight, check_heights
from tramwright_solvers.lead_error.results import HeightCheck, LeadError, TermSlope
from tramwright_solvers.mechanisms import FourScrew, RailShim, ThreeScrew
from tramwright_solvers.model.errors import Refused
from tramwright_solvers.model.machine import Bed, Indicator, Limit, Machine, Mount, Rails, Screw, Seat, Support
from tramwright_solvers.model.survey import Reading

PLACES = {"wren": (30.0, 40.0), "robin": (470.0, 55.0), "linnet": (240.0, 460.0)}
MACHINE = Machine(
    bed=Bed((0.0, 500.0), (0.0, 500.0), thickness=8.0),
    id="sanderling-08",
    supports=[Support(name, *at, screw=Screw(4.0)) for name, at in PLACES.items()],
    indicator=Indicator(division=0.002, error_limit=0.003),
)
FORM = bump(0.06, 320.0, 190.0, 110.0)
LEADS = {"wren": 25.0, "robin": -10.0, "linnet": -15.0}
"""µm per 100 mm, against their mean."""


def climb(
    heights: Sequence[float],
    leads: Mapping[str, float] = LEADS,
    mean: float = 0.0,
    guide: float = 0.0,
    noise: float = 0.0,
    machine: Machine = MACHINE,
) -> list[SurveyAtHeight]:
    """Surveys at heights, the dial zeroed anew at each; ``guide`` twists the sweep, in µm per 100 mm over the bed."""
    found = []
    for number, height in enumerate(heights):
        simulated = SimulatedMachine(
            machine,
            {name: 0.1 * height / 100 + 1e-5 * (error + mean) * height for name, error in leads.items()},
            form=FORM,
            zero=0.07 * number,
            noise=noise,
            seed=number,
        )
        twist = 1e-5 * guide * height / 2
        readings = []
        for x, y in grid(machine, 5, 5):
            dial = simulated.read(x, y) + machine.sense * twist * (x / 250 - 1) * (y / 250 - 1)
            readings.append(Reading(x, y, dial))
        found.append(SurveyAtHeight(readings, height=height))
    return found


def screw(answer: HeightCheck, name: str) -> LeadError:
    return next(one for one in answer.adjusters if one.adjuster == name)


def slope(answer: HeightCheck, name: str) -> TermSlope:
    return next(one for one in answer.terms if one.term == name)


@pytest.mark.parametrize("sense", ["plus", "minus"])
@pytest.mark.parametrize("heights", [(10.0, 260.0), (260.0, 10.0), (-40.0, 60.0, 160.0, 60.0, 300.0)], ids=str)
def test_leads_come_back_from_a_machine_of_exact_geometry(heights: tuple[float, ...], sense: str) -> None:
    machine = msgspec.structs.replace(
        MACHINE, indicator=msgspec.structs.replace(MACHINE.indicator, bed_high_reads=sense)
    )
    # a common error of 30 µm per 100 mm is in the readings and belongs to nobody
    answer = check_heights(machine, climb(heights, mean=30.0, machine=machine))
    assert answer.cause == "screws"
    for name, error in LEADS.items():
        found = screw(answer, name)
        assert found.per_100_mm == pytest.approx(error, abs=0.05)
        assert found.significant
        assert found.factor == pytest.approx(1.0 / (1.0 + found.per_100_mm * 1e-5))
        assert found.lead == pytest.approx(4.0 * (1.0 + found.per_100_mm * 1e-5))
    assert answer.uneven is (False if len(set(heights)) > 2 else None)
    assert any("mean lead error" in said for said in answer.undetermined)
    assert "wren +25.0" in answer.says
    assert [level.height for level in answer.levels] == list(heights)


def test_growth_and_the_height_that_uses_up_the_limit_are_those_of_the_plane() -> None:
    answer = check_heights(MACHINE, climb((0.0, 200.0)))
    # the plane through 25, -10, -15 µm at the screws, over the corners of the bed, per 100 mm of height
    plan = np.array([[1.0, *PLACES[name]] for name in LEADS])
    plane = np.linalg.solve(plan, list(LEADS.values()))
    corners = np.array([[1.0, x, y] for x in (0.0, 500.0) for y in (0.0, 500.0)]) @ plane
    assert answer.growth == pytest.approx(np.ptp(corners), abs=0.3)
    assert answer.limit_after == pytest.approx(0.1 / (1e-5 * answer.growth))
    assert slope(answer, "tilt-x").per_100_mm == pytest.approx(500.0 * plane[1], abs=0.1)
    assert slope(answer, "tilt-y").per_100_mm == pytest.approx(500.0 * plane[2], abs=0.1)


def test_guides_are_told_from_screws_by_what_no_screw_makes() -> None:
    guides = check_heights(MACHINE, climb((0.0, 300.0), dict.fromkeys(LEADS, 0.0), guide=40.0))
    assert guides.cause == "guides"
    assert slope(guides, "twist").per_100_mm == pytest.approx(40.0, abs=0.1)
    assert slope(guides, "twist").made_by == "guides"
    assert slope(guides, "tilt-x").made_by == "screws or guides"
    assert not any(one.significant for one in guides.adjusters)
    assert any(said.startswith("Guides:") for said in guides.remedies)
    both = check_heights(MACHINE, climb((0.0, 300.0), guide=40.0))
    assert both.cause == "both"
    for name, error in LEADS.items():
        assert screw(both, name).per_100_mm == pytest.approx(error, abs=0.1)
    none = check_heights(MACHINE, climb((0.0, 300.0), dict.fromkeys(LEADS, 0.0)))
    assert (none.cause, none.limit_after) == ("none", None)
    assert "Nothing is shown" in none.says


def test_a_change_that_is_not_proportional_to_height_is_said() -> None:
    surveys = climb((0.0, 100.0)) + climb((200.0,), {"wren": 0.0, "robin": 0.0, "linnet": 0.0})
    assert check_heights(MACHINE, surveys).uneven is True
    assert "not proportional" in check_heights(MACHINE, surveys).says
    assert check_heights(MACHINE, surveys[:2]).uneven is None


def test_more_height_and_more_surveys_give_smaller_u() -> None:
    near, far, often = (
        check_heights(MACHINE, climb(at)) for at in ((0.0, 100.0), (0.0, 200.0), (0.0, 0.0, 200.0, 200.0))
    )
    assert screw(far, "wren").u == pytest.approx(screw(near, "wren").u / 2)
    assert screw(often, "wren").u == pytest.approx(screw(far, "wren").u / np.sqrt(2))


def test_u_is_that_of_a_weighted_line_through_the_travels_of_each_survey() -> None:
    # derived: at the same stations with the same noise, the lead errors are a regression on height of the travels,
    # each with variance (A' A)^-1 sigma², A the influence with the constant and the guides' terms taken off
    heights = (0.0, 50.0, 170.0)
    answer = check_heights(MACHINE, climb(heights))
    points = np.array(grid(MACHINE, 5, 5))
    plan = points / 250.0 - 1.0
    known = np.column_stack([np.ones(25), plan[:, 0] * plan[:, 1], plan**2])
    shares = np.linalg.solve(
        np.array([[1.0, *at] for at in PLACES.values()]).T, np.column_stack([np.ones(25), points]).T
    ).T
    left = shares - known @ np.linalg.lstsq(known, shares, rcond=None)[0]
    sigma2 = MACHINE.indicator_variance + MACHINE.repeat_variance
    travels = np.linalg.pinv(left.T @ left, rcond=1e-9) * sigma2
    spread = np.sum((np.array(heights) - np.mean(heights)) ** 2)
    assert [one.u for one in answer.adjusters] == pytest.approx(1e5 * np.sqrt(np.diag(travels) / spread))


def test_three_stations_at_the_screws_are_enough_for_lead_errors_where_nothing_else_changes() -> None:
    machine = msgspec.structs.replace(MACHINE, limit=Limit(0.05))
    surveys = []
    for number, height in enumerate((0.0, 200.0)):
        simulated = SimulatedMachine(machine, {n: 1e-5 * e * height for n, e in LEADS.items()}, zero=0.1 * number)
        surveys.append(SurveyAtHeight(simulated.survey(PLACES.values()).readings, height=height))
    answer = check_heights(machine, surveys)
    assert [one.per_100_mm for one in answer.adjusters] == pytest.approx(list(LEADS.values()), abs=0.05)
    assert slope(answer, "twist").per_100_mm is None
    assert any(said.startswith("twist: taken as unchanged") for said in answer.undetermined)
    # derived: travel against the mean of three has variance 2/3 sigma², its difference over 200 mm twice that
    sigma2 = machine.indicator_variance + machine.repeat_variance
    assert [one.u for one in answer.adjusters] == pytest.approx([1e5 * np.sqrt(4 / 3 * sigma2) / 200.0] * 3)


def test_surveys_that_disagree_by_more_than_their_readings_uncertainty_are_doubted() -> None:
    surveys = climb((0.0, 250.0))
    assert check_heights(MACHINE, surveys).doubts == []
    slipped = list(surveys[1].readings)
    slipped[8] = msgspec.structs.replace(slipped[8], value=slipped[8].value + 0.03)
    (doubt,) = check_heights(MACHINE, [surveys[0], msgspec.structs.replace(surveys[1], readings=slipped)]).doubts
    assert "disagree" in doubt


def test_screws_held_are_the_reference() -> None:
    answer = check_heights(MACHINE, climb((0.0, 250.0)), [ThreeScrew(hold=("linnet",))])
    assert [one.per_100_mm for one in answer.adjusters] == pytest.approx([40.0, 5.0, 0.0], abs=0.1)
    assert not any("mean lead error" in said for said in answer.undetermined)
    assert any("`hold`" in said for said in answer.assumptions)


def test_four_screws_under_a_rigid_plate_show_what_keeps_it_plane() -> None:
    corners = {"a": (40.0, 40.0), "b": (460.0, 40.0), "c": (460.0, 460.0), "d": (40.0, 460.0)}
    machine = msgspec.structs.replace(MACHINE, supports=[Support(name, *at) for name, at in corners.items()])
    leads = {"a": -20.0, "b": 20.0, "c": 20.0, "d": -20.0}
    # the simulated plate rests on three of them, which is enough for a plane
    answer = check_heights(machine, climb((0.0, 250.0), leads, machine=machine), [FourScrew()])
    assert [one.per_100_mm for one in answer.adjusters] == pytest.approx(list(leads.values()), abs=0.1)
    assert all(one.lead is None for one in answer.adjusters)
    assert slope(answer, "twist").made_by == "guides"


def test_an_error_that_no_screw_has_gives_no_factor_but_a_doubt() -> None:
    surveys = [
        SurveyAtHeight(s.readings, height=1e-4 * s.height)
        for s in climb((0.0, 250.0), {n: 100 * e for n, e in LEADS.items()})
    ]
    answer = check_heights(MACHINE, surveys)
    assert {one.factor for one in answer.adjusters} == {None}
    assert "check the heights" in answer.remedies[0]


@pytest.mark.parametrize("heights", [(), (100.0,), (100.0, 100.0)], ids=str)
def test_one_height_is_refused_with_the_reason(heights: tuple[float, ...]) -> None:
    with pytest.raises(Refused) as refused:
        check_heights(MACHINE, climb(heights))
    (fault,) = refused.value.faults
    assert fault.pointer == "/surveys"
    assert "another height" in fault.detail


def test_every_fault_of_every_survey_is_listed_where_it_stands() -> None:
    good, bad = climb((0.0, 0.0))
    bad = msgspec.structs.replace(bad, readings=[*bad.readings, Reading(900.0, 20.0, 0.0)], taken_at="noon")
    rails = Rails(
        "y", [Seat(f"{rail}-{y}", rail, x, y) for rail, x in (("l", -40.0), ("r", 540.0)) for y in (0.0, 500.0)]
    )
    machine = msgspec.structs.replace(MACHINE, rails=rails)
    with pytest.raises(Refused) as refused:
        check_heights(machine, [good, bad], [ThreeScrew(), RailShim()])
    assert {fault.pointer for fault in refused.value.faults} == {
        "/surveys", "/surveys/1/readings/25/x", "/surveys/1/taken_at", "/solve/with/1/solver",
    }  # fmt: skip
    with pytest.raises(Refused) as refused:
        check_heights(MACHINE, [SurveyAtHeight([], height=0.0), SurveyAtHeight(good.readings[:2], height=9.0)])
    assert [fault.pointer for fault in refused.value.faults] == ["/surveys/0/readings", "/surveys/1/readings"]


def test_a_machine_without_supports_has_no_screws_to_ask_about() -> None:
    with pytest.raises(Refused) as refused:
        check_heights(msgspec.structs.replace(MACHINE, supports=[]), climb((0.0, 100.0)))
    assert [fault.pointer for fault in refused.value.faults] == ["/machine/supports"]


def test_a_kinematic_mount_is_carried_by_its_screws_too() -> None:
    places = [
        (250.0 + 200.0 * np.cos(t), 250.0 + 200.0 * np.sin(t), np.degrees(t)) for t in np.radians([90.0, 210.0, 330.0])
    ]
    machine = msgspec.structs.replace(
        MACHINE,
        supports=[
            Support(name, x, y, mount=Mount("vee", axis=axis)) for name, (x, y, axis) in zip(LEADS, places, strict=True)
        ],
    )
    answer = check_heights(machine, climb((0.0, 250.0), machine=machine))
    assert list(answer.solver_versions) == ["kinematic"]
    assert [one.per_100_mm for one in answer.adjusters] == pytest.approx(list(LEADS.values()), abs=0.2)
