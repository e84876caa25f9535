"""What moved between two surveys: against exact geometry and against numbers worked out beside them. Data invented."""

from __future__ import annotations

import msgspec
import numpy as np
import pytest

from simulated_machine import SimulatedMachine, bump, grid
from tramwright_solvers.comparison.compare import compare
from tramwright_solvers.comparison.results import AdjusterChange, Comparison, TermChange
from tramwright_solvers.mechanisms import FourScrew, RailShim, ThreeScrew
from tramwright_solvers.mechanisms.transforms import LENGTHS, scaled
from tramwright_solvers.model.contract import Site
from tramwright_solvers.model.errors import Refused
from tramwright_solvers.model.machine import Bed, Indicator, Machine, Rails, Seat, Support
from tramwright_solvers.model.survey import Made, Previous, Reading, Survey

SUPPORTS = [Support("wren", 30.0, 40.0), Support("robin", 470.0, 55.0), Support("linnet", 240.0, 460.0)]
SEATS = [
    Seat("near-front", "near", -40.0, 0.0),
    Seat("near-rear", "near", -40.0, 500.0),
    Seat("far-front", "far", 540.0, 10.0),
    Seat("far-rear", "far", 540.0, 490.0),
]
FINE = Indicator(division=0.002, error_limit=0.003)
MACHINE = Machine(
    bed=Bed((0.0, 500.0), (0.0, 500.0), thickness=8.0, material="aluminium"),
    id="turnstone-06",
    supports=SUPPORTS,
    rails=Rails("y", SEATS, block_spacing=60.0, tool_offset=-35.0),
    indicator=FINE,
)
SCREWS = msgspec.structs.replace(MACHINE, rails=None)
FORM = bump(0.06, 320.0, 190.0, 110.0)


def term(answer: Comparison, name: str) -> TermChange:
    return next(one for one in answer.terms if one.term == name)


def adjuster(answer: Comparison, name: str) -> AdjusterChange:
    return next(one for one in answer.adjusters if one.adjuster == name)


def with_gap(machine: Machine, points: list[tuple[float, float]], gap: np.ndarray, **more: object) -> Survey:
    sense = machine.sense
    return Survey([Reading(x, y, sense * float(g)) for (x, y), g in zip(points, gap, strict=True)], **more)


@pytest.mark.parametrize("sense", ["plus", "minus"])
@pytest.mark.parametrize("moved", ["wren", "robin", "linnet"])
def test_a_screw_that_moved_is_found_on_a_machine_of_exact_geometry(sense: str, moved: str) -> None:
    machine = msgspec.structs.replace(SCREWS, indicator=msgspec.structs.replace(FINE, bed_high_reads=sense))
    simulated = SimulatedMachine(machine, {"wren": 0.1, "linnet": -0.2}, form=FORM, zero=0.1)
    before = simulated.survey(grid(machine, 5, 5))
    simulated.move(moved, 0.07)
    simulated.zero = -0.3
    answer = compare(machine, before, simulated.survey(grid(machine, 5, 5)))
    assert answer.moved
    assert [one.adjuster for one in answer.adjusters if one.explains] == [moved]
    assert adjuster(answer, moved).if_alone == pytest.approx(0.07, abs=1e-4)
    assert f"{moved} 0.070 mm up" in answer.says
    # The zero is free, so the travels of all three sum to nothing: the mean is known to nobody.
    assert {one.known for one in answer.adjusters} == {"together"}
    travels = {one.adjuster: one.travel for one in answer.adjusters}
    assert travels[moved] == pytest.approx(0.07 * 2 / 3, abs=1e-4)
    assert sum(travels.values()) == pytest.approx(0.0, abs=1e-12)


def test_with_the_zero_kept_every_screw_is_known_alone() -> None:
    simulated = SimulatedMachine(SCREWS, {}, form=FORM, zero=0.1)
    before = simulated.survey(grid(SCREWS, 5, 5))
    for name, travel in (("wren", 0.05), ("robin", 0.09), ("linnet", 0.06)):
        simulated.move(name, travel)
    answer = compare(SCREWS, before, simulated.survey(grid(SCREWS, 5, 5)), offset="keep")
    assert [one.travel for one in answer.adjusters] == pytest.approx([0.05, 0.09, 0.06], abs=1e-4)
    assert {one.known for one in answer.adjusters} == {"alone"}
    assert term(answer, "offset").significant
    # one screw alone does not explain three that moved
    assert not any(one.explains for one in answer.adjusters)


def test_different_stations_do_not_make_form_look_like_movement() -> None:
    simulated = SimulatedMachine(SCREWS, {}, form=FORM)
    before, after = simulated.survey(grid(SCREWS, 5, 5)), simulated.survey(grid(SCREWS, 4, 7, margin=0.09))
    answer = compare(SCREWS, before, after)
    assert not answer.moved
    # the hill is 0.06 high and read at other places: what lies in that and what moved cannot be told apart
    assert answer.says.startswith("Whether it moved cannot be told")
    assert [one.change for one in answer.terms] == [None] * 6
    assert not answer.total.significant
    assert answer.total.smallest_detectable is None
    assert answer.risk == 0.0
    assert answer.remainder is None
    assert "0 of 53 stations" in " ".join(answer.assumptions)
    assert any("different stations" in caution for caution in answer.cautions)
    simulated.move("robin", 0.1)
    again = grid(SCREWS, 5, 5)[::3]
    moved = compare(SCREWS, before, simulated.survey([*again, *grid(SCREWS, 4, 7, margin=0.09)]))
    assert moved.moved
    assert f"{len(again)} of 53 stations" in " ".join(moved.assumptions)
    robin = adjuster(moved, "robin")
    assert abs(robin.if_alone - 0.1) < 3.0 * robin.if_alone_u


def test_three_stations_show_tilt_and_nothing_else() -> None:
    points = [(20.0, 20.0), (480.0, 20.0), (250.0, 480.0)]
    tilt = np.array([1e-4 * x for x, _ in points])
    answer = compare(SCREWS, with_gap(SCREWS, points, 0 * tilt), with_gap(SCREWS, points, tilt))
    told = {one.term: one.change for one in answer.terms}
    assert (told["tilt-x"], told["tilt-y"]) == pytest.approx((0.05, 0.0), abs=1e-12)
    assert (told["offset"], told["twist"], told["bow-x"], told["bow-y"]) == (None, None, None, None)
    assert answer.remainder is None
    assert any(said.startswith("remainder") for said in answer.undetermined)


def test_the_smallest_detectable_change_is_baardas() -> None:
    # published: non-centrality 4.1321 for alpha 0.001 and power 0.8 (Baarda, 1968; from memory)
    points = grid(SCREWS, 3, 3)
    answer = compare(SCREWS, with_gap(SCREWS, points, np.zeros(9)), with_gap(SCREWS, points, np.zeros(9)))
    for one in [*answer.terms[1:], *answer.adjusters, *answer.stations, answer.total]:
        assert one.smallest_detectable / one.u == pytest.approx(4.1321, abs=5e-5)


def test_repeated_readings_lower_u_and_are_mentioned() -> None:
    points = grid(SCREWS, 3, 3)
    once = with_gap(SCREWS, points, np.zeros(9))
    often = Survey([Reading(r.x, r.y, [0.0, 0.0001, -0.0001]) for r in once.readings])
    single, pooled = compare(SCREWS, once, once), compare(SCREWS, once, often)
    assert term(pooled, "tilt-x").u < term(single, "tilt-x").u
    assert len(pooled.assumptions) == len(single.assumptions) + 1


def test_local_damage_is_remainder_and_shows_at_its_station() -> None:
    points = grid(SCREWS, 5, 5)
    before = np.array([FORM(x, y) for x, y in points])
    after = before + 0.2
    after[7] -= 0.05
    answer = compare(SCREWS, with_gap(SCREWS, points, before), with_gap(SCREWS, points, after))
    assert answer.moved
    assert answer.remainder is not None
    assert answer.remainder.significant
    assert "local form" in answer.says
    worst = min(answer.stations, key=lambda one: one.change)
    assert (worst.x, worst.y) == points[7]
    assert worst.change == pytest.approx(-0.05 * 24 / 25)
    assert [one.significant for one in answer.stations].count(True) == 1


def test_numbers_of_the_remainder_are_those_of_the_differences() -> None:
    rng = np.random.default_rng(2)
    points = grid(SCREWS, 4, 4)
    before, after = rng.normal(0.0, 0.002, (2, 16))
    answer = compare(SCREWS, with_gap(SCREWS, points, before), with_gap(SCREWS, points, after))
    plan = np.array(points) / 250.0 - 1.0
    design = np.column_stack([np.ones(16), plan, plan[:, 0] * plan[:, 1], plan**2])
    left = after - before - design @ np.linalg.lstsq(design, after - before, rcond=None)[0]
    variance = 2.0 * (SCREWS.indicator_variance + SCREWS.repeat_variance)
    assert answer.remainder is not None
    assert answer.remainder.rms == pytest.approx(np.sqrt(np.mean(left**2)))
    assert answer.remainder.expected == pytest.approx(np.sqrt(variance * 10 / 16))
    assert [one.u for one in answer.stations] == pytest.approx([np.sqrt(variance * 15 / 16)] * 16)
    assert answer.total.u == pytest.approx(np.sqrt(2.0 * variance))


def test_same_indicator_on_the_same_part_of_its_scale_shows_smaller_changes() -> None:
    points = grid(SCREWS, 4, 4)
    survey = with_gap(SCREWS, points, np.zeros(16))
    apart, alike = compare(SCREWS, survey, survey), compare(SCREWS, survey, survey, errors="common")
    # derived: the error of indication, e²/3 of each reading, cancels from the difference
    rest = SCREWS.indicator_variance - SCREWS.error_limit**2 / 3.0 + SCREWS.repeat_variance
    whole = SCREWS.indicator_variance + SCREWS.repeat_variance
    for one, other in zip(apart.terms[1:], alike.terms[1:], strict=True):
        assert other.u / one.u == pytest.approx(np.sqrt(rest / whole))
    assert alike.total.u == pytest.approx(np.sqrt(4.0 * rest))
    assert "taken as the same" in alike.assumptions[0]
    assert "taken as independent" in apart.assumptions[0]


def test_redundant_adjusters_share_by_least_effort_and_are_named() -> None:
    points = grid(MACHINE, 5, 5)
    site = Site(MACHINE, np.array(points))
    gap = ThreeScrew().influence(site)[:, 1] * 0.1
    answer = compare(MACHINE, with_gap(MACHINE, points, 0 * gap), with_gap(MACHINE, points, gap))
    assert {one.known for one in answer.adjusters} == {"together"}
    # the travels given explain the change, and raising seats instead is dearer than turning screws
    influence = np.concatenate([ThreeScrew().influence(site), RailShim().influence(site)], axis=1)
    travels = np.array([one.travel for one in answer.adjusters])
    assert np.ptp(influence @ travels - gap) < 1e-9
    assert np.abs(travels[3:]).max() < np.abs(travels[:3]).max() / 5
    assert any("least effort" in said and "wren" in said for said in answer.undetermined)
    assert adjuster(answer, "robin").explains


def test_adjusters_that_the_stations_do_not_tell_apart_are_named_and_have_no_travel() -> None:
    # A cross along the centre lines does not show twist, so rails seen alone cannot be told corner from corner.
    points = [(float(x), 250.0) for x in (20, 135, 250, 365, 480)] + [(250.0, float(y)) for y in (20, 135, 365, 480)]
    rails = msgspec.structs.replace(MACHINE, supports=[])
    survey = with_gap(rails, points, np.zeros(9))
    answer = compare(rails, survey, survey)
    assert {one.known for one in answer.adjusters} == {"unseen"}
    assert all(one.travel is None and one.u is None for one in answer.adjusters)
    assert term(answer, "twist").change is None
    assert any(said.startswith("twist: taken as unchanged") and "four corners" in said for said in answer.undetermined)
    full = with_gap(rails, grid(rails, 3, 3), np.zeros(9))
    # both surveys must show it: the change is not known where one of them does not
    assert term(compare(rails, survey, full), "twist").change is None
    assert term(compare(rails, full, full), "twist").change == pytest.approx(0.0, abs=1e-15)


def test_change_beyond_the_adjusters_is_said() -> None:
    points = grid(SCREWS, 5, 5)
    bow = np.array([0.1 * (x / 250.0 - 1.0) ** 2 for x, _ in points])
    answer = compare(SCREWS, with_gap(SCREWS, points, 0 * bow), with_gap(SCREWS, points, bow))
    assert answer.beyond_adjusters
    assert term(answer, "bow-x").change == pytest.approx(0.1)
    assert "cannot explain all of it" in answer.says
    assert not any(one.explains for one in answer.adjusters)


def test_held_adjusters_have_not_moved_and_a_rigid_plate_stays_plane() -> None:
    four = msgspec.structs.replace(
        SCREWS,
        supports=[
            Support(name, x, y)
            for name, x, y in (("a", 40.0, 40.0), ("b", 460.0, 40.0), ("c", 460.0, 460.0), ("d", 40.0, 460.0))
        ],
    )
    points = grid(four, 5, 5)
    tilt = np.array([1e-4 * x for x, _ in points])
    flat, tilted = with_gap(four, points, 0 * tilt), with_gap(four, points, tilt)
    rigid = compare(four, flat, tilted, [FourScrew()])
    assert [one.travel for one in rigid.adjusters] == pytest.approx([-0.021, 0.021, 0.021, -0.021])
    assert all(one.if_alone is None for one in rigid.adjusters)  # one alone would rock the plate
    held = compare(four, flat, tilted, [FourScrew(hold=("a", "d"))])
    assert [one.travel for one in held.adjusters] == pytest.approx([0.0, 0.042, 0.042, 0.0])
    assert any("`hold`" in said for said in held.assumptions)


def test_a_machine_without_adjusters_is_compared_all_the_same() -> None:
    bare = msgspec.structs.replace(SCREWS, supports=[])
    points = grid(bare, 3, 3)
    tilt = np.array([1e-4 * x for x, _ in points])
    answer = compare(bare, with_gap(bare, points, 0 * tilt), with_gap(bare, points, tilt))
    assert answer.moved
    assert answer.adjusters == []
    assert term(answer, "tilt-x").change == pytest.approx(0.05)


def test_heat_bows_a_plate_warmer_below_so_that_its_ends_rise() -> None:
    # derived: curvature α·ΔT/t; 23.6e-6/K (Callister, Table B.6), L 500, t 8: 0.0921875 mm for each kelvin
    points = grid(SCREWS, 5, 5)
    warmer_below = 1.5
    gap = 0.5 * 23.6e-6 * warmer_below / 8.0 * np.sum((np.array(points) - 250.0) ** 2, axis=1)
    cold = with_gap(SCREWS, points, 0 * gap, bed_temperature=20.0)
    answer = compare(SCREWS, cold, with_gap(SCREWS, points, gap, bed_temperature=60.0))
    heat = answer.heat
    assert heat is not None
    assert (heat.change, heat.growth_x) == pytest.approx((40.0, 23.6e-6 * 40.0 * 500.0))
    for bow in heat.bows:
        assert bow.per_kelvin == pytest.approx(0.0921875)
        assert bow.found == pytest.approx(1.5 * 0.0921875)
        assert bow.difference == pytest.approx(1.5)
        assert bow.difference_u == pytest.approx(bow.u / 0.0921875)
    assert "makes possible" in heat.says
    # the same bow for one kelvin of warming takes more than the whole change
    one_kelvin = compare(SCREWS, cold, with_gap(SCREWS, points, gap, bed_temperature=21.0)).heat
    assert one_kelvin is not None
    assert "more than the whole change" in one_kelvin.says
    # a free plate cannot bow one way only
    one_way = 23.6e-6 / 16.0 * (np.array(points)[:, 0] - 250.0) ** 2
    bent = compare(SCREWS, cold, with_gap(SCREWS, points, one_way, bed_temperature=60.0)).heat
    assert bent is not None
    assert "bows alike both ways" in bent.says
    # evenly warmed: nothing to explain; unknown material: no expectation
    even = compare(SCREWS, cold, with_gap(SCREWS, points, 0 * gap, bed_temperature=60.0)).heat
    assert even is not None
    assert "stays flat" in even.says
    # from four corners nothing is known of a bow
    corners = grid(SCREWS, 2, 2)
    first, warm = (with_gap(SCREWS, corners, np.zeros(4), bed_temperature=at) for at in (20.0, 60.0))
    blind = compare(SCREWS, first, warm).heat
    assert blind is not None
    assert [bow.found for bow in blind.bows] == [None, None]
    assert "do not tell" in blind.says
    assert "no change of bow was found" not in blind.says
    nameless = msgspec.structs.replace(SCREWS, bed=Bed((0.0, 500.0), (0.0, 500.0), material="mystery metal"))
    unknown = compare(nameless, cold, with_gap(SCREWS, points, gap, bed_temperature=60.0)).heat
    assert unknown is not None
    assert (unknown.expansion, unknown.growth_x, unknown.bows[0].per_kelvin) == (None, None, None)
    assert compare(SCREWS, cold, with_gap(SCREWS, points, gap)).heat is None


def test_in_inches_the_answer_is_the_same_in_inches() -> None:
    simulated = SimulatedMachine(MACHINE, {}, form=FORM, noise=0.003, seed=3)
    before = simulated.survey(grid(MACHINE, 5, 5))
    simulated.move("robin", 0.05)
    after = simulated.survey(grid(MACHINE, 5, 5))
    inches = msgspec.convert(scaled(msgspec.to_builtins(MACHINE), 1 / 25.4, LENGTHS) | {"units": "inch"}, Machine)
    in_inches = [
        Survey([Reading(r.x / 25.4, r.y / 25.4, r.value / 25.4) for r in survey.readings]) for survey in (before, after)
    ]
    small, large = compare(inches, *in_inches), compare(MACHINE, before, after)
    for one, other in zip(small.adjusters, large.adjusters, strict=True):
        assert 25.4 * one.travel == pytest.approx(other.travel, abs=1e-9)
        assert 25.4 * one.u == pytest.approx(other.u)
    assert 25.4 * small.total.u == pytest.approx(large.total.u)


def test_every_fault_of_both_surveys_is_listed_where_it_stands() -> None:
    machine = msgspec.structs.replace(SCREWS, supports=[*SUPPORTS[:2], Support("wren", 250.0, 400.0)])
    before = Survey([Reading(20.0, 20.0, 0.0), Reading(600.0, 20.0, 0.0), Reading(20.0, 480.0, 0.0)])
    after = Survey(
        [Reading(20.0, 20.0, 0.0, time="noon"), Reading(480.0, 20.0, 0.0), Reading(20.0, 480.0, 0.0)],
        taken_at="yesterday",
        previous=Previous([Reading(20.0, 20.0, 0.0)], [Made("wren", 0.1)]),
    )
    with pytest.raises(Refused) as refused:
        compare(machine, before, after, [ThreeScrew(hold=("nobody",))])
    assert {fault.pointer for fault in refused.value.faults} == {
        "/machine/supports/2/id",
        "/before/readings/1/x",
        "/after/readings/0/time",
        "/after/readings/1/time",
        "/after/taken_at",
        "/after/previous",
        "/solve/with/0/hold/0",
    }


def test_faults_of_layout_and_solvers_are_listed_where_they_stand() -> None:
    good = with_gap(SCREWS, grid(SCREWS, 3, 3), np.zeros(9))
    with pytest.raises(Refused) as refused:
        compare(SCREWS, Survey(good.readings[:2]), Survey([]))
    assert [fault.pointer for fault in refused.value.faults] == ["/before/readings", "/after/readings"]
    with pytest.raises(Refused) as refused:
        compare(SCREWS, good, good, [ThreeScrew(), RailShim(), FourScrew()])
    assert {fault.pointer for fault in refused.value.faults} == {"/machine/rails", "/machine/supports"}
    with pytest.raises(Refused) as refused:
        compare(SCREWS, good, good, [ThreeScrew(hold=("nobody",)), ThreeScrew()])
    assert [fault.pointer for fault in refused.value.faults] == ["/solve/with/0/hold/0", "/solve/with/1/solver"]
