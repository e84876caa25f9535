"""Plate or gantry: verdicts on forms that are known, and what is refused. All forms and readings are invented."""

from __future__ import annotations

from collections.abc import Callable

import msgspec
import numpy as np
import pytest

from reversed_plates import (
    ALONG_X,
    CENTRE,
    HALF,
    MACHINE,
    NOT_MOVED,
    QUARTER,
    STATIONS,
    decided_truth,
    flat,
    gantry_form,
    plate_form,
    surveys,
)
from tramwright_solvers.model.contract import Floats
from tramwright_solvers.model.errors import Refused
from tramwright_solvers.model.machine import Bed, Limit, Machine, Rails, Seat
from tramwright_solvers.model.survey import Reading
from tramwright_solvers.reversal import PlacedSurvey, reverse
from tramwright_solvers.reversal.placement import Placement
from tramwright_solvers.reversal.separation import separate
from tramwright_solvers.reversal.shapes import NAMED
from tramwright_solvers.reversal.validation import match_surveys


def twist(size: float) -> Callable[[Floats], Floats]:
    """A twist whose corners are ``size`` up and down."""
    return lambda points: np.asarray(size * np.prod((points - 250.0) / 230.0, axis=1))


def noisy(seed: int, size: float = 0.002) -> Callable[[int], Floats]:
    random = np.random.default_rng(seed)
    return lambda count: random.normal(scale=size, size=count)


def test_two_turns_and_a_shift_recover_both_to_the_noise() -> None:
    apart = separate(match_surveys(MACHINE, surveys([NOT_MOVED, QUARTER, ALONG_X], errors=noisy(1, 0.0007))))
    assert apart.null.shape[1] == 1  # the round bow, which no turn or shift tells
    off = (apart.estimate - decided_truth(apart)) / np.linalg.norm(apart.root, axis=1)
    assert np.abs(off).max() < 4.0
    assert np.linalg.norm(apart.root, axis=1).max() < 0.001
    assert not apart.contradicted


def test_signs_a_high_plate_and_a_high_gantry() -> None:
    """A bump of the plate raises the gap, a bump of the gantry lowers it; both come back up positive."""

    def bump(at: tuple[float, float]) -> Callable[[Floats], Floats]:
        return lambda points: np.asarray(0.1 * (np.hypot(*(points - np.array(at)).T) < 1.0))

    read = surveys([NOT_MOVED, QUARTER, ALONG_X], bump((365, 135)), bump((135, 365)))
    gap = {(r.x, r.y): r.value for r in read[0].readings}
    assert gap[365.0, 135.0] == 0.1
    assert gap[135.0, 365.0] == -0.1
    answer = reverse(MACHINE, read)
    for form, place in ((answer.plate, (365, 135)), (answer.gantry, (135, 365))):
        top = max(form.stations, key=lambda one: one.height)
        assert (top.x, top.y) == place
        assert top.height > 0.08
    minus = msgspec.structs.replace(
        MACHINE, indicator=msgspec.structs.replace(MACHINE.indicator, bed_high_reads="minus")
    )
    turned = [
        PlacedSurvey([Reading(r.x, r.y, -r.value) for r in one.readings], one.turned, one.shifted) for one in read
    ]
    assert reverse(minus, turned).plate == answer.plate


def test_which_way_a_turn_goes() -> None:
    """Anticlockwise from above: the front right corner of the plate comes to the rear right."""
    moved = Placement(90.0, (10.0, 0.0), CENTRE).on_bed(np.array([[480.0, 20.0]]))
    assert moved.tolist() == [[490.0, 480.0]]


@pytest.mark.parametrize(
    ("plate", "gantry", "expected"),
    [
        (twist(0.1), twist(0.02), "plate"),
        (twist(0.02), twist(0.1), "gantry"),
        (twist(0.05), twist(-0.05), "both"),
        (flat, flat, "neither"),
    ],
)
def test_whose_error_it_is(
    plate: Callable[[Floats], Floats], gantry: Callable[[Floats], Floats], expected: str
) -> None:
    answer = reverse(MACHINE, surveys([NOT_MOVED, QUARTER], plate, gantry, errors=noisy(2, 0.0007)))
    assert answer.whose == expected
    for form, true in ((answer.plate, plate), (answer.gantry, gantry)):
        term = next(one for one in form.terms if one.term == "twist")
        assert term.decidable
        assert term.range is not None
        assert term.u is not None
        assert abs(term.range - np.ptp(true(STATIONS))) < 4.0 * term.u
    assert (answer.probability is None) == (expected in {"both", "neither"})
    if answer.probability is not None:
        assert answer.probability > 0.99


def test_half_a_turn_leaves_the_twist_undecided_and_asks_for_a_quarter() -> None:
    answer = reverse(MACHINE, surveys([NOT_MOVED, HALF], twist(0.1), flat, errors=noisy(3, 0.0007)))
    assert answer.whose == "undecided"
    assert [shape.name for shape in answer.undecided.shapes[:3]] == list(NAMED)
    assert len(answer.undecided.shapes) == answer.undecided.dimension == 12
    size, u = answer.undecided.shapes[0].range, answer.undecided.shapes[0].u
    assert size == pytest.approx(0.2, abs=0.005)
    assert u is not None
    assert 0 < u < 0.002
    assert not any(term.decidable for form in (answer.plate, answer.gantry) for term in form.terms)
    best = answer.further.tried[0]
    assert (best.turned, best.removes, best.leaves) == (90.0, 6, 6)
    assert "turned by 90°" in answer.further.says
    assert answer.better_plate.helps == "undecided"
    # if all of it were its own, either of them would have the whole twist
    for form, sign in ((answer.plate, 1.0), (answer.gantry, -1.0)):
        corner = next(one for one in form.stations if (one.x, one.y) == (480, 480))
        assert corner.if_all_its_own == pytest.approx(sign * 0.1, abs=0.005)
        assert abs(corner.height) < 0.005


def test_after_turns_a_shift_is_what_tells_more() -> None:
    answer = reverse(MACHINE, surveys([NOT_MOVED, QUARTER, HALF]))
    best = answer.further.tried[0]
    assert best.shifted != (0.0, 0.0)
    assert (best.removes, best.leaves, answer.undecided.beyond) == (5, 1, 1)
    assert "straight edge" in answer.further.says


def test_what_a_perfect_plate_would_leave() -> None:
    machine = msgspec.structs.replace(MACHINE, limit=Limit(0.1))
    answer = reverse(machine, surveys([NOT_MOVED, QUARTER, ALONG_X], twist(0.1), twist(0.02), errors=noisy(4, 0.0007)))
    better = answer.better_plate
    assert better.helps == "yes"
    assert better.standing == "within"
    assert better.least == pytest.approx(0.04, abs=0.005)
    assert better.total_now == pytest.approx(0.16, abs=0.006)
    # turned by 90° the plate's twist adds to the gantry's, so that it is best left
    assert [one.total for one in answer.laid[:2]] == pytest.approx([0.16, 0.24], abs=0.006)
    assert (better.best_laid.turned, better.best_laid.shifted) == NOT_MOVED
    worse = reverse(machine, surveys([NOT_MOVED, QUARTER], twist(0.02), twist(0.1), errors=noisy(5, 0.0007)))
    assert worse.better_plate.helps == "no"
    assert worse.better_plate.standing == "outside"


def test_rails_that_take_the_gantrys_twist_out() -> None:
    seats = [
        Seat(f"{a}{b}", a, x, y) for a, x in (("left", -40.0), ("right", 540.0)) for b, y in (("f", 0.0), ("r", 500.0))
    ]
    machine = msgspec.structs.replace(MACHINE, rails=Rails("y", seats))
    answer = reverse(machine, surveys([NOT_MOVED, QUARTER, ALONG_X], flat, twist(0.1)))
    assert answer.better_plate.after_rails == pytest.approx(0.0, abs=1e-9)
    assert reverse(MACHINE, surveys([NOT_MOVED, QUARTER])).better_plate.after_rails is None


def test_any_angle_that_lays_stations_on_stations() -> None:
    """Six stations around and the middle, turned by 60°; all but shapes with that symmetry are told."""
    around = np.radians(np.arange(0, 360, 60))
    stations = np.vstack([CENTRE, np.column_stack([250 + 200 * np.cos(around), 250 + 200 * np.sin(around)])])
    apart = separate(match_surveys(MACHINE, surveys([NOT_MOVED, (60.0, (0.0, 0.0))], stations=stations)))
    assert len(apart.laid.plate) == 7
    assert apart.null.shape[1] == 1  # the middle against the ring
    assert apart.estimate == pytest.approx(decided_truth(apart), abs=1e-9)  # positions are rounded to a millionth


def test_positions_match_within_the_stated_tolerance() -> None:
    read = surveys([NOT_MOVED, QUARTER, ALONG_X])
    random = np.random.default_rng(6)
    jitter = [
        PlacedSurvey(
            [
                Reading(r.x + float(random.uniform(-0.2, 0.2)), r.y + float(random.uniform(-0.2, 0.2)), r.value)
                for r in one.readings
            ],
            one.turned,
            one.shifted,
        )
        for one in read
    ]
    apart, exact = separate(match_surveys(MACHINE, jitter)), separate(match_surveys(MACHINE, read))
    assert len(apart.laid.plate) == len(apart.laid.gantry) == 25
    # a direction that only the mismatch makes look decidable is not believed
    assert apart.null.shape[1] == exact.null.shape[1] == 1
    for own, points, grid in (
        (apart.on_plate, apart.laid.plate, exact.laid.plate),
        (apart.on_gantry, apart.laid.gantry, exact.laid.gantry),
    ):
        nearest = np.argmin(np.hypot(*(points[:, None] - grid[None]).transpose(2, 0, 1)), axis=1)
        assert sorted(nearest) == list(range(25))
        assert apart.estimate[own] == pytest.approx(exact.estimate[own][nearest], abs=0.001)


def test_setups_and_repeats_within_a_survey() -> None:
    """The second half of a survey is read with another zero, joined by two shared stations; repeats are pooled."""
    read = surveys([NOT_MOVED, QUARTER, ALONG_X])
    first = read[0].readings
    again = [Reading(r.x, r.y, [r.value + 0.3, r.value + 0.3], "B") for r in first[10:]]
    split = [Reading(r.x, r.y, r.value, "A") for r in first[:12]] + again
    answer = reverse(MACHINE, [PlacedSurvey(split), *read[1:]])
    plain = reverse(MACHINE, read)
    for one, other in ((answer.plate, plain.plate), (answer.gantry, plain.gantry)):
        assert [s.height for s in one.stations] == pytest.approx([s.height for s in other.stations], abs=1e-10)


def test_surveys_that_contradict_each_other_widen_every_u() -> None:
    read = surveys([NOT_MOVED, QUARTER, HALF])
    bent = surveys([NOT_MOVED, QUARTER, HALF], lambda points: plate_form(points) + twist(0.05)(points))
    good, bad = reverse(MACHINE, read), reverse(MACHINE, [*read[:2], bent[2]])
    assert not good.agreement.contradicted
    assert not good.doubts
    assert bad.agreement.contradicted
    assert bad.agreement.excess is not None
    assert bad.plate.stations[0].u == pytest.approx(good.plate.stations[0].u * bad.agreement.excess**0.5)
    assert "contradict" in bad.doubts[0]


def test_doubts_and_cautions() -> None:
    read = surveys([NOT_MOVED, QUARTER, ALONG_X])
    copied = PlacedSurvey(read[0].readings, 90.0, bed_temperature=60.0)
    lone = Reading(320.0, 77.0, 0.0)
    answer = reverse(MACHINE, [PlacedSurvey([*read[0].readings, lone], bed_temperature=20.0), copied, read[2]])
    told = " ".join(answer.doubts)
    assert "between 20 and 60 °C" in told
    assert "1 station read in one survey alone" in told
    assert all((one.x, one.y) != (320.0, 77.0) for one in answer.plate.stations)
    assert "60 °C: let it cool" in answer.cautions[0]
    assert any("same values" in doubt for doubt in reverse(MACHINE, [read[0], copied, read[2]]).doubts)


def refused(read: list[PlacedSurvey], machine: Machine = MACHINE) -> list[tuple[str, str]]:
    with pytest.raises(Refused) as caught:
        reverse(machine, read)
    return [(fault.pointer, fault.detail) for fault in caught.value.faults]


def test_what_is_refused_and_where() -> None:
    first, quarter, along = surveys([NOT_MOVED, QUARTER, ALONG_X])

    def only(found: list[tuple[str, str]], pointer: str, says: str) -> None:
        assert [one for one, _ in found] == [pointer]
        assert says in found[0][1]

    only(refused([]), "/surveys", "One survey cannot tell")
    only(refused([first]), "/surveys", "One survey cannot tell")
    only(refused([first] * 17), "/surveys", "17 surveys are more than the 16")
    many = [Reading(r.x, r.y, [0.0] * 50) for r in first.readings]
    only(refused([PlacedSurvey(many), PlacedSurvey(many, 90.0)]), "/surveys", "2500 readings in all")
    only(refused([first, PlacedSurvey(quarter.readings)]), "/surveys/1/turned", "turn it between the surveys")
    only(refused([first, PlacedSurvey(quarter.readings, -360.0)]), "/surveys/1/turned", "lies as in the first")
    only(refused([first, quarter, first]), "/surveys/2/readings", "of survey 0, to the last digit")
    odd = PlacedSurvey(first.readings[6:9], 37.0)
    only(refused([first, odd]), "/surveys/1/turned", "90°, 180°, 270°")
    slid = PlacedSurvey(along.readings, 0.0, (40.0, 0.0))
    only(refused([first, slid]), "/surveys/1/shifted", "whole distances between stations")
    beside = PlacedSurvey(first.readings, 0.0, (9000.0, 0.0))
    only(refused([first, beside]), "/surveys/1/shifted", "Every reading lies beside")
    elsewhere = [Reading(r.x + 30, r.y, r.value) for r in first.readings if r.x < 470]
    only(refused([first, quarter, PlacedSurvey(elsewhere)]), "/surveys/2/readings", "Read the same stations")
    apart = [Reading(r.x, r.y, r.value, "A" if r.x < 200 else "B") for r in first.readings]
    only(refused([first, PlacedSurvey(apart, 90.0)]), "/surveys/1/readings", "share")
    only(
        refused([first, PlacedSurvey(quarter.readings[:2], 90.0)]), "/surveys/1/readings", "three stations at the least"
    )
    near = [*first.readings, Reading(20.3, 20.0, 0.0)]
    only(refused([PlacedSurvey(near), quarter]), "/surveys/0/readings/25", "cannot be told from")


def test_all_faults_are_collected() -> None:
    first, quarter, _ = surveys([NOT_MOVED, QUARTER, ALONG_X])
    off = PlacedSurvey([Reading(900.0, 20.0, 0.0), *quarter.readings[1:]], 90.0)
    when = PlacedSurvey(first.readings, 180.0, taken_at="yesterday")
    found = dict(refused([first, off, when, first]))
    assert set(found) == {"/surveys/1/readings/0", "/surveys/2/taken_at", "/surveys/3/readings"}
    assert "lies beside the plate turned by 90°" in found["/surveys/1/readings/0"]
    backwards = msgspec.structs.replace(MACHINE, bed=Bed((500.0, 0.0), (0.0, 500.0)))
    assert set(dict(refused([first], backwards))) == {"/machine/bed/x", "/surveys"}


def test_too_many_positions_are_refused() -> None:
    xs = np.linspace(20, 480, 23)
    stations = np.array([(x, y) for y in xs for x in xs])
    found = refused(surveys([NOT_MOVED, QUARTER], stations=stations))
    assert found[0][0] == "/surveys"
    assert "529 positions of the machine and 529 points of the plate" in found[0][1]


def test_stations_on_one_line_still_answer() -> None:
    """Along a single row half a turn tells the odd shapes; the row's tilt across is nobody's."""
    row = STATIONS[STATIONS[:, 1] == 250.0]
    apart = separate(match_surveys(MACHINE, surveys([NOT_MOVED, HALF], plate_form, gantry_form, row)))
    assert apart.null.shape[1] == 2  # three pairs less the piston
    assert reverse(MACHINE, surveys([NOT_MOVED, HALF], stations=row)).undecided.dimension == 2
