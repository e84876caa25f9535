"""Large moves go in rounds: rails are bent a little at a time, neighbours eased, and what is too much is not done."""

from __future__ import annotations

from collections import defaultdict

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec.structs import replace

from simulated_machine import SimulatedMachine, grid
from tramwright_solvers.correction.api import correct
from tramwright_solvers.mechanisms import FourScrew, ManyScrew, RailShim
from tramwright_solvers.model.contract import Move, Part
from tramwright_solvers.model.errors import Refused
from tramwright_solvers.model.machine import Bed, Indicator, Machine, Rails, Screw, Seat, Support
from tramwright_solvers.model.options import Solve
from tramwright_solvers.results.correction import Correction

NEAR = 2e-3
"""Share of a large change of the dial that products of small angles make up."""

AT = (0.0, 180.0, 400.0, 600.0)
"""Places of four seats along each rail, unevenly spaced; invented."""

BED = Bed((0.0, 600.0), (0.0, 500.0), 12.0, "aluminium", 70.0, 0.33, 250.0)


def machine(*, sense: str = "plus", **changes: object) -> Machine:
    seats = [
        replace(Seat(f"{rail}-{number}", rail, at, across), **changes)
        for rail, across in (("near", -40.0), ("far", 540.0))
        for number, at in enumerate(AT)
    ]
    rails = Rails("x", seats, block_spacing=60.0, tool_offset=-35.0)
    return Machine(bed=BED, id="redstart-09", rails=rails, indicator=Indicator(bed_high_reads=sense))


def parts(travels: dict[str, float], solver: RailShim | None = None, made: Machine | None = None) -> list[Part]:
    made = made or machine()
    names = [seat.id for seat in made.rails.seats]
    asked = np.array([travels.get(name, 0.0) for name in names])
    return list((solver or RailShim()).parts(Move(made, np.zeros((0, 2)), asked)))


def bends(travels: np.ndarray) -> np.ndarray:
    """How far each inner seat of a rail leaves the line through its neighbours, by the distance to the nearer one."""
    found = []
    for at in (1, 2):
        before, after = AT[at] - AT[at - 1], AT[at + 1] - AT[at]
        line = (travels[at - 1] * after + travels[at + 1] * before) / (before + after)
        found.append((travels[at] - line) / min(before, after))
    return np.array(found)


def most_bent(made: list[Part]) -> float:
    """Largest bend within one round, from the start of that round."""
    now, most = np.zeros(8), 0.0
    for part in made:
        if part.says.find("Round ") >= 0:
            now = np.zeros(8)
        now[part.adjuster] += part.travel
        most = max(most, *np.abs(bends(now[:4])), *np.abs(bends(now[4:])))
    return most


def test_small_moves_are_made_at_once() -> None:
    made = parts({"near-1": 0.15, "far-2": -0.1, "far-3": 0.05})
    assert [(part.travel, part.eases, part.says) for part in made] == [(0.15, (), ""), (-0.1, (), ""), (0.05, (), "")]


def test_a_large_move_goes_in_rounds_with_the_neighbours_eased() -> None:
    made = parts({"near-1": 1.0})
    assert len(made) == 6  # 180 mm to the nearer neighbour: 0.18 mm a round
    assert sum(part.travel for part in made) == pytest.approx(1.0, rel=1e-14)
    assert {part.eases for part in made} == {(0, 2)}
    assert "in 6 rounds" in made[0].says
    assert [part.says for part in made[1:]] == [f"Round {turn} of 6." for turn in range(2, 7)]


def test_all_seats_go_a_share_each_before_any_goes_further() -> None:
    made = parts({"near-1": 0.9, "near-2": 0.5, "far-0": 0.6})
    so_far = defaultdict(float)
    for part in made:
        so_far[part.adjuster] += part.travel
        shares = [so_far[1] / 0.9, so_far[2] / 0.5, so_far[4] / 0.6]
        assert max(shares) - min(shares) < 0.2 + 1e-9
    assert so_far == pytest.approx({1: 0.9, 2: 0.5, 4: 0.6})


def test_a_seat_that_moves_little_goes_in_shares_that_can_be_seen() -> None:
    made = parts({"near-1": 1.0, "near-3": 0.03})
    assert [part.travel for part in made if part.adjuster == 3] == [0.03]
    fine = parts({"near-1": 1.0, "near-3": 0.5}, made=machine(setting=0.1))
    assert len([part for part in fine if part.adjuster == 3]) == 2


def test_whole_steps_stay_whole() -> None:
    made = parts({"near-1": 1.2, "near-2": 0.5}, made=machine(step=0.1))
    assert sum(part.travel for part in made) == pytest.approx(1.7)
    for part in made:
        assert part.travel / 0.1 == pytest.approx(round(part.travel / 0.1), abs=1e-9)


def test_a_rail_on_two_seats_is_not_bent() -> None:
    made = machine()
    two = replace(made, rails=replace(made.rails, seats=[seat for seat in made.rails.seats if seat.id[-1] in "03"]))
    assert [part.travel for part in parts({"near-0": 5.0}, made=two)] == [5.0]


def test_what_a_rail_bears_can_be_given() -> None:
    assert len(parts({"near-1": 1.0}, RailShim(most_bend=0.003))) == 2
    assert len(parts({"near-1": 1.0}, RailShim(most_bend=0.01))) == 1


def test_a_rail_is_not_bent_over_a_seat_that_is_held() -> None:
    held = RailShim(hold=("near-1",))
    assert parts({"near-0": 0.3}, held)
    with pytest.raises(Refused, match="which is held") as caught:
        parts({"near-0": 3.452}, held)
    assert caught.value.faults[0].pointer == "/machine/rails/seats/1"
    assert all(1 not in part.eases for part in parts({"near-0": 0.3, "near-3": 1.5}, held))


def test_what_would_take_too_many_rounds_is_not_done() -> None:
    with pytest.raises(Refused, match="more than 20"):
        parts({"near-1": 3.7})
    assert parts({"near-1": 3.5})


def test_sheets_go_in_at_once_and_are_counted_in_what_is_said() -> None:
    made = machine()
    seats = [
        replace(seat, method="shim", stock=[0.1, 0.5]) if seat.id == "near-2" else seat for seat in made.rails.seats
    ]
    mixed = parts({"near-1": 0.9, "near-2": 0.5}, made=replace(made, rails=replace(made.rails, seats=seats)))
    assert [part.travel for part in mixed if part.adjuster == 2] == [0.5]
    assert int(mixed[0].says.split("1/")[1].split(" ")[0]) <= 1 / most_bent(mixed)


TRAVELS = st.lists(st.integers(-150, 150).map(lambda hundredths: hundredths / 100), min_size=8, max_size=8)


@given(TRAVELS)
def test_no_round_bends_a_rail_further_than_is_said(travels: list[float]) -> None:
    names = [seat.id for seat in machine().rails.seats]
    try:
        made = parts(dict(zip(names, travels, strict=True)))
    except Refused:
        return
    assert most_bent(made) <= 0.001 * (1 + 1e-9)
    whole = np.zeros(8)
    for part in made:
        assert part.counts == {part.adjuster: part.travel}
        whole[part.adjuster] += part.travel
        assert all(abs(other - part.adjuster) == 1 and other // 4 == part.adjuster // 4 for other in part.eases)
    np.testing.assert_allclose(whole, travels, atol=1e-12)


def read_and_correct(exact: SimulatedMachine, solver: RailShim) -> Correction:
    return correct(exact.machine, exact.survey(grid(exact.machine, 5, 5)), Solve(with_=[solver], aim_for=0.0))


@pytest.mark.parametrize("sense", ["plus", "minus"])
@pytest.mark.parametrize("errors", [{"near-1": -2.4}, {"far-2": 1.9, "far-0": -0.4}, {"near-3": 2.6, "far-1": 0.7}])
def test_the_dial_does_what_every_round_says(sense: str, errors: dict[str, float]) -> None:
    exact = SimulatedMachine(machine(sense=sense), errors)
    answer = read_and_correct(exact, RailShim())
    assert len(answer.steps) > len(answer.moves)
    for step in answer.steps:
        before = exact.read(step.park.x, step.park.y)
        exact.move(step.adjuster, step.travel)
        after = exact.read(step.park.x, step.park.y)
        assert before == pytest.approx(step.dial_before, abs=NEAR * answer.as_found.total)
        assert after - before == pytest.approx(step.dial_after - step.dial_before, rel=0.01)
        assert step.dial_goes == ("up" if after > before else "down")
    assert np.ptp([exact.read(x, y) for x, y in grid(exact.machine, 5, 5)]) < 0.02


def test_the_steps_say_round_and_neighbours() -> None:
    answer = read_and_correct(SimulatedMachine(machine(), {"near-1": -1.0}), RailShim())
    assert answer.steps[0].do.startswith("The seats go in 6 rounds, a share each, so that none leaves the line")
    step = next(step for step in answer.steps if step.adjuster in ("near-1", "near-2"))
    before, after = {"near-1": ("near-0", "near-2"), "near-2": ("near-1", "near-3")}[step.adjuster]
    assert f"Ease the bolts of {before} and {after} a quarter turn, slacken seat {step.adjuster}" in step.do
    assert f"and tighten it, then {before} and {after}; the dial at" in step.do
    assert [step.do.count("Round ") for step in answer.steps].count(1) == 6


def test_nothing_is_moved_where_a_rail_would_be_bent_too_far() -> None:
    answer = read_and_correct(SimulatedMachine(machine(), {"near-1": -4.6}), RailShim())
    (step,) = answer.steps
    assert step.adjuster is step.travel is step.dial_after is step.dial_goes is None
    assert answer.moves == []
    assert answer.advice.do == "read-again"
    assert answer.says.startswith("Move nothing yet. The rail would leave the line")
    assert step.do.startswith(f"Read the station at x {step.park.x:g}, y {step.park.y:g} again")
    assert answer.verdict.predicted == "undecided"


CORNERS = {"a": (30.0, 30.0), "b": (570.0, 30.0), "c": (30.0, 470.0), "d": (570.0, 470.0)}


def screws(lead: float | None) -> Machine:
    made = [Support(name, *at, screw=None if lead is None else Screw(lead)) for name, at in CORNERS.items()]
    return Machine(bed=BED, id="redstart-09", supports=made)


def turned(machine: Machine, travels: list[float]) -> list[Part]:
    return list(FourScrew(plate="flexible").parts(Move(machine, np.zeros((0, 2)), np.array(travels))))


def test_a_plate_is_bent_by_a_quarter_turn_of_each_screw_at_a_time() -> None:
    made = turned(screws(1.25), [0.9, -0.2, 0.0, 0.4])
    assert len([part for part in made if part.adjuster == 0]) == 3
    assert max(abs(part.travel) for part in made) <= 1.25 / 4
    assert [part.adjuster for part in made[:3]] == [0, 1, 3]
    assert "in 3 rounds" in made[0].says
    whole = np.zeros(4)
    for part in made:
        whole[part.adjuster] += part.travel
    np.testing.assert_allclose(whole, [0.9, -0.2, 0.0, 0.4], atol=1e-14)
    assert [part.says for part in turned(screws(4.0), [0.9, -0.2, 0.0, 0.4])] == ["", "", ""]
    assert len(turned(screws(None), [0.9, -0.2, 0.0, 0.4])) == 3


def test_a_plate_that_may_bend_is_not_moved_by_many_turns() -> None:
    with pytest.raises(Refused, match="wrong unit") as caught:
        turned(screws(1.0), [0.1, 169.0, 0.0, 0.0])
    assert caught.value.faults[0].pointer == "/machine/supports/1"
    supports = [*screws(1.0).supports, Support("e", 300.0, 240.0, screw=Screw(1.0))]
    many = replace(screws(1.0), supports=supports)
    assert len(ManyScrew(plate="flexible").parts(Move(many, np.zeros((0, 2)), np.array([0, 0, 0, 0, 0.6])))) == 3
