"""Suspect readings: which station is named, with which slip, and where no slip could be told. All data invented."""

from __future__ import annotations

import numpy as np
import pytest

from geometries import prepare
from tramwright_solvers.diagnostics.detection import deviations
from tramwright_solvers.diagnostics.outliers import SlipCheck
from tramwright_solvers.diagnostics.reliability import reliability, smallest_detectable
from tramwright_solvers.mechanisms import ThreeScrew
from tramwright_solvers.model.machine import Bed, Indicator, Machine, Screw, Support
from tramwright_solvers.model.options import Solve
from tramwright_solvers.model.survey import Reading
from tramwright_solvers.reduction.readings import where
from tramwright_solvers.results.findings import Suspect

SIDE = np.linspace(20.0, 380.0, 5)
GRID = np.array([(x, y) for y in SIDE for x in SIDE])


def machine(**indicator: object) -> Machine:
    screw = Screw(0.7)
    return Machine(
        bed=Bed((0.0, 400.0), (0.0, 400.0)),
        id="dunnock-01",
        supports=[
            Support("front", 200.0, 20.0, screw=screw),
            Support("left", 20.0, 380.0, screw=screw),
            Support("right", 380.0, 380.0, screw=screw),
        ],
        indicator=Indicator(**indicator),
    )


def check(points: np.ndarray = GRID, of: Machine | None = None, setups: tuple[str, ...] = ()) -> SlipCheck:
    names = setups or ("",) * len(points)
    readings = [Reading(x, y, 0.0, name) for (x, y), name in zip(points.tolist(), names, strict=True)]
    return prepare(of or machine(), where(readings), Solve(with_=[ThreeScrew()]), ()).slips


def sound(points: np.ndarray = GRID, noise: float = 0.003, seed: int = 7) -> np.ndarray:
    """A tilted, twisted, bowed bed read to a division of 0.01 mm."""
    u, v = (points / 200.0 - 1.0).T
    form = 0.21 * u - 0.13 * v + 0.08 * u * v + 0.05 * u * u + 0.04
    return np.asarray(np.round(form + noise * np.random.default_rng(seed).normal(size=len(points)), 2))


def suspects(values: np.ndarray, of: SlipCheck | None = None) -> list[Suspect]:
    of = of or check()
    return of.suspects(of.read.sense * values[None], np.full((1, len(values)), of.unit**2))[0]


def places(found: list[Suspect]) -> list[tuple[float, float]]:
    return [(one.x, one.y) for one in found]


def test_sound_readings_raise_no_suspect() -> None:
    assert suspects(sound()) == []
    assert suspects(np.zeros(25)) == []


@pytest.mark.parametrize(
    ("slip", "likely"),
    [
        (lambda value: -value, "sign turned"),
        (lambda value: value * 10.0, "decimal place: ten times too large"),
        (lambda value: value / 10.0, "decimal place: ten times too small"),
        (lambda value: value + 1.0, "one revolution (1 mm) too high"),
        (lambda value: value - 1.0, "one revolution (1 mm) too low"),
        (lambda value: value + 0.37, "unknown: reading or form, read this station again"),
    ],
)
@pytest.mark.parametrize("reads", ["plus", "minus"])
def test_each_slip_is_named_in_the_users_own_sense(slip: object, likely: str, reads: str) -> None:
    values = sound()
    read = values.copy()
    read[9] = slip(values[9])
    (found,) = suspects(read, check(of=machine(bed_high_reads=reads)))
    assert (found.x, found.y) == tuple(GRID[9])
    assert found.likely == likely
    assert found.value == pytest.approx(read[9], abs=1e-12)
    assert found.expected == pytest.approx(values[9], abs=0.03)
    assert np.sign(found.standardized) == np.sign(read[9] - values[9])
    assert found.says.startswith("Read the station at x 380, y 110 again")


def test_a_dial_of_another_division_turns_over_elsewhere() -> None:
    values = sound()
    values[12] += 0.2
    (found,) = suspects(values, check(of=machine(division=0.002)))
    assert found.likely == "one revolution (0.2 mm) too high"


def test_swapped_stations_point_at_each_other() -> None:
    values = sound()
    values[[5, 13]] = values[[13, 5]]
    found = suspects(values)
    assert sorted(places(found)) == sorted(tuple(GRID[index]) for index in (5, 13))
    for one, other in zip(found, reversed(found), strict=True):
        assert one.likely == f"swapped with the reading at x {other.x:g}, y {other.y:g}"


def test_two_slips_that_explain_it_equally_are_both_named() -> None:
    values = sound()
    values += 0.5 - values[17]
    values[17] = -0.5  # the rest expects +0.5: a turned sign, or one revolution of a hundred divisions off
    (found,) = suspects(values)
    assert set(found.likely.split(" or ")) == {"sign turned", "one revolution (1 mm) too low"}
    assert "(sign turned)" in found.says
    assert "too low)" in found.says


@pytest.mark.parametrize(("axis", "kind"), [(1, "row at y = 200"), (0, "column at x = 200")])
def test_a_row_off_as_a_whole(axis: int, kind: str) -> None:
    values = sound()
    own = GRID[:, axis] == 200.0
    values[own] += 0.1
    found = suspects(values)
    assert sorted(places(found)) == sorted(map(tuple, GRID[own].tolist()))
    assert all(one.likely.startswith(f"the whole {kind} is off by +0.") for one in found)
    assert [one.value - one.expected for one in found] == pytest.approx([0.1] * 5, abs=0.02)


def test_a_cubic_bed_is_no_row_off_and_no_slip() -> None:
    u, v = (GRID / 200.0 - 1.0).T
    assert suspects(np.round(sound() + 0.2 * u**3 - 0.1 * u * v * v, 2)) == []


def test_several_slips_do_not_hide_each_other() -> None:
    values, index = sound(), [2, 9, 21]
    values[index] *= -1.0
    found = suspects(values)
    assert sorted(places(found)) == sorted(map(tuple, GRID[index].tolist()))
    assert {one.likely for one in found} == {"sign turned"}


def test_a_turned_sign_is_not_claimed_where_the_set_ups_zero_is_unknown() -> None:
    points = np.concatenate([GRID, GRID[:5]])
    of = check(points, setups=("a",) * 5 + ("b",) * 25)
    values = sound()
    assert abs(values[24]) >= 0.05
    values[24] *= -1.0
    found = suspects(values, of)
    assert places(found) == [tuple(GRID[24])]
    assert found[0].likely == "unknown: reading or form, read this station again"


def test_a_wave_on_a_dense_grid_is_no_slip_and_hides_none() -> None:
    side = np.linspace(20.0, 380.0, 8)
    points = np.array([(x, y) for y in side for x in side])
    u, v = (points / 200.0 - 1.0).T
    values = np.round(sound(points) + 0.03 * np.sin(2.0 * u + 0.4) * np.sin(1.5 * v), 2)
    of = check(points)
    assert suspects(values, of) == []
    assert abs(values[30]) >= 0.05
    values[30] *= -1.0
    (found,) = suspects(values, of)
    assert ((found.x, found.y), found.likely) == (tuple(points[30]), "sign turned")


def test_too_few_stations_to_tell() -> None:
    of = check(GRID[[0, 4, 20, 24]])
    assert suspects(np.array([0.1, -0.3, 0.2, 5.0]), of) == []
    assert [one.smallest_detectable for one in of.unchecked()] == [None] * 4
    assert "too few stations" in of.unchecked_says()[0]


def test_a_lone_station_far_out_is_unchecked() -> None:
    # Only one station tells the bow along x; a slip there looks like a bow.
    points = np.array([(x, y) for x in (20.0, 110.0) for y in SIDE] + [(380.0, 200.0)])
    of = check(points)
    (one,) = of.unchecked()
    assert (one.x, one.y, one.smallest_detectable) == (380.0, 200.0, None)
    assert one.redundancy == pytest.approx(0.0, abs=1e-9)
    assert "(380, 200)" in of.unchecked_says()[0]
    assert check().unchecked() == []
    assert check().unchecked_says() == ()


def test_smallest_detectable_is_stated_with_the_suspect() -> None:
    of, values = check(), sound()
    values[9] *= -1.0
    (found,) = suspects(values, of)
    expected = smallest_detectable(of.unit / of.root, of.model, deviations(of.model, of.w, of.t[0], None))[9]
    assert found.smallest_detectable == pytest.approx(expected, rel=1e-12)
    assert found.redundancy == pytest.approx(of.model.redundancy[9])
    assert 0.0 < found.redundancy < 1.0


def test_suspects_do_not_depend_on_the_unit() -> None:
    values = sound()
    values[9] *= -1.0
    (mm,) = suspects(values)
    inch = Machine(
        bed=Bed((0.0, 400.0 / 25.4), (0.0, 400.0 / 25.4)),
        units="inch",
        supports=[Support(one.id, one.x / 25.4, one.y / 25.4, screw=Screw(0.7 / 25.4)) for one in machine().supports],
    )
    (found,) = suspects(values / 25.4, check(GRID / 25.4, inch))
    assert found.standardized == pytest.approx(mm.standardized, rel=1e-9)
    assert found.likely == mm.likely


@pytest.mark.parametrize("count", [4, 5, 8])
def test_a_slip_of_the_size_stated_is_named_four_times_in_five(count: int) -> None:
    # 600 slips at each station's own size; by chance fewer than 0.74 of them are named in one of 5000 samples
    side = np.linspace(20.0, 380.0, count)
    points = np.array([(x, y) for y in side for x in side])
    of, random, tries = check(points), np.random.default_rng(23), 600
    at, rows = random.integers(len(points), size=tries), np.arange(tries)
    values = of.unit * random.standard_normal((tries, len(points)))
    values[rows, at] += of.detectable[at] * of.unit * random.choice([-1.0, 1.0], tries)
    found = of.suspects(values, np.full(values.shape, of.unit**2))
    named = [tuple(points[index]) in places(own) for index, own in zip(at.tolist(), found, strict=True)]
    assert np.mean(named) >= 0.74
    assert np.mean(named) <= 0.92  # nor is it much too large


def test_where_two_readings_cannot_be_told_apart_no_slip_is_said_to_show() -> None:
    # two heights, each read twice: both readings of one are off by as much, whichever was misread
    model = reliability(np.kron(np.eye(2), np.ones((2, 1))), np.ones(4))
    assert model.dof == 2
    assert np.all(model.checked)
    assert np.all(np.isinf(deviations(model, 3.29, 5.0, None)))


@pytest.mark.parametrize("fall", [0.08, 0.1])
@pytest.mark.parametrize("at", [20.0, 380.0])
def test_no_slip_is_offered_for_what_a_falling_corner_may_be(fall: float, at: float) -> None:
    random = np.random.default_rng(17)
    away = np.hypot(*(GRID - at).T)
    corner = -fall * np.exp(-((away / 70.0) ** 2) / 2.0)
    values = np.array([np.round(sound(GRID, 0.002, seed) + corner, 2) for seed in random.integers(10**6, size=200)])
    of = check()
    found = of.suspects(values, np.full(values.shape, of.unit**2))
    named = [one for own in found for one in own]
    assert named
    assert {one.likely for one in named} == {"unknown: reading or form, read this station again"}
    assert all(one.says.endswith("It may be a misreading or the bed's own form.") for one in named)


def test_a_row_a_little_off_may_be_a_step_of_the_bed() -> None:
    values = sound(noise=0.001)
    values[GRID[:, 1] == 200.0] += 0.06
    found = suspects(values)
    assert len(found) == 5
    assert {one.likely for one in found} == {"unknown: reading or form, read this station again"}
    assert all("or the bed may have that form" in one.says for one in found)
