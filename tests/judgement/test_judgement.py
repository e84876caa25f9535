"""The judge itself: its machine is exact, every rule can be broken, and advice on a sample of awkward surveys."""

from __future__ import annotations

import copy
from collections.abc import Callable
from functools import cache
from typing import Any

import numpy as np
import pytest

from judgement.answer import Answer, ask
from judgement.case import Case
from judgement.cases import KINDS, nth
from judgement.judges import JUDGES, Trial, judge
from judgement.machines import MECHANISMS, build
from judgement.report import Report, judged
from judgement.truth import ExactMachine
from tramwright_solvers.mechanisms import FourScrew
from tramwright_solvers.model.contract import Site

SMALL = 1e-4


@pytest.mark.parametrize("name", [name for name in MECHANISMS if name != "four screws, rigid"])
def test_the_exact_machine_moves_as_the_solvers_say_where_moves_are_small(name: str) -> None:
    built = build(np.random.default_rng(7), name=name, seats=3)
    exact, machine = built.exact(0.0), built.machine
    places = exact.bed_places()
    before = exact.gaps(places)
    for solver in MECHANISMS[name]:
        influence = solver.influence(Site(machine, np.array(places)))
        for column, adjuster in zip(influence.T, solver.adjusters(machine), strict=True):
            exact.move(adjuster.id, SMALL)
            change = (exact.gaps(places) - before) / SMALL
            np.testing.assert_allclose(change, column, atol=2e-4)
            exact.move(adjuster.id, -SMALL)


def rigid() -> ExactMachine:
    return build(np.random.default_rng(3), name="four screws, rigid").exact(0.05)


def test_a_plate_on_four_screws_lies_on_three_of_them() -> None:
    exact = rigid()
    places = exact.bed_places()
    before = exact.gaps(places)
    exact.move("FL", -0.3)
    np.testing.assert_allclose(exact.gaps(places), before, atol=1e-9)  # backed off: the other three carry
    exact.move("RR", 0.1)  # it turns about the two others
    tilted = exact.gaps(places)
    at = np.array([(one.x, one.y) for one in exact.machine.supports[1:3]])
    np.testing.assert_allclose(exact.gaps(at.tolist()), rigid().gaps(at.tolist()), atol=1e-4)
    assert np.ptp(tilted - before) > 0.1
    exact.bring_up("FL")
    np.testing.assert_allclose(exact.gaps(places), tilted, atol=1e-9)
    exact.move("FL", 0.05)
    assert np.ptp(exact.gaps(places) - tilted) > 0.04


def test_a_plate_follows_each_of_three_screws_while_the_fourth_is_backed_off() -> None:
    exact = rigid()
    exact.move("FL", -0.3)
    corner = (exact.machine.supports[3].x, exact.machine.supports[3].y)
    before = exact.gap(*corner)
    exact.move("RR", -0.4)  # lower than a plate on the other three would be
    assert exact.gap(*corner) - before == pytest.approx(-0.4, abs=1e-3)
    assert exact.carrying() == [1, 2, 3]


def test_travels_in_one_plane_move_a_rigid_plate_as_the_solver_says() -> None:
    exact = rigid()
    places = exact.bed_places()
    before = exact.gaps(places)
    travels = np.array([0.001 * (one.x + 2 * one.y) / exact.machine.bed.x[1] for one in exact.machine.supports])
    for one, travel in zip(exact.machine.supports, travels.tolist(), strict=True):
        exact.move(one.id, travel)
    influence = FourScrew().influence(Site(exact.machine, np.array(places)))
    np.testing.assert_allclose(exact.gaps(places) - before, influence @ travels, atol=2e-6)


def test_a_case_is_the_same_every_time() -> None:
    assert [nth(number).request for number in range(20)] == [nth(number).request for number in range(20)]
    assert {nth(number).kind for number in range(20)} == set(KINDS)


def first(kind: str, machine: str | None = None, fits: Callable[[Case], bool] = lambda one: True) -> Case:
    """The first case of a kind, on a machine, that fits."""
    numbers = range(list(KINDS).index(kind), 10_000, len(KINDS))
    found = (nth(number) for number in numbers)
    return next(one for one in found if machine in (None, one.built.name) and fits(one))


def step_of(case_: Case, **changes: Any) -> dict[str, Any]:
    """A step that moves the first adjuster, invented, with a dial far from any adjuster's reach."""
    machine = case_.machine
    name = (machine.supports or machine.rails.seats)[0].id
    park = {"x": case_.places[0][0], "y": case_.places[0][1]}
    step = {"adjuster": name, "travel": 0.2, "park": park, "dial_before": 0.0, "dial_after": 0.2, "dial_goes": "up"}
    return step | changes


def saying(case_: Case, *, found: str = "outside", total: float = 1.0, steps: int = 1, **changes: Any) -> Answer:
    """An answer that says what it is told to."""
    document = {
        "verdict": {"limit": case_.machine.total_limit, "as_found": found, "predicted": "undecided", "decided_by": ""},
        "as_found": {"total": total, "expanded": 0.02},
        "predicted": {"total": 0.0, "expanded": 0.02},
        "moves": [],
        "steps": [step_of(case_, **changes)] * steps,
    }
    return Answer(document)


def better_indicator() -> tuple[Case, Answer]:
    one = first("repeats disagree")
    answer = saying(one, steps=0)
    answer.document["verdict"]["decided_by"] = "An indicator with an error limit of 0.001 mm would decide it."
    return one, answer


def wrong_answers() -> dict[str, tuple[Case, Answer]]:
    """For each rule an answer that breaks it."""
    plain, good = first("plainly out, honest", "three screws"), first("good", "three screws")
    seat = first("seat 3 mm off", "rails that slip")
    blind = first("few stations")
    return {
        "a": (good, saying(good, travel=5.0, dial_after=5.0)),
        "A": (good, saying(good, travel=5.0, dial_after=5.0)),
        "b": (good, saying(good, found="within")),
        "c": (plain, saying(plain, travel=0.001, dial_after=0.001)),
        "d": (plain, saying(plain, total=0.01)),
        "e": (good, saying(good, found="outside", steps=0)),
        "f": (one := first("slip: a revolution"), saying(one)),
        "g": (blind, saying(blind, found="within", steps=0)),
        "h": (plain, saying(plain, dial_before=3.0, dial_after=4.0)),
        "i": (seat, saying(seat, adjuster=seat.machine.rails.seats[1].id, travel=50.0)),
        "j": better_indicator(),
        "k": (plain, saying(plain, found="undecided", steps=0)),
    }


@pytest.mark.parametrize("letter", JUDGES)
def test_every_rule_can_be_broken(letter: str) -> None:
    case_, answer = wrong_answers()[letter]
    assert letter in {finding.judge for finding in JUDGES[letter](Trial(case_, answer))}


def test_honest_advice_breaks_no_rule() -> None:
    one = first("plainly out, honest", "three screws")
    answer = ask(one.request)
    assert answer.steps
    assert judge(Trial(one, answer)) == []
    turned = copy.deepcopy(answer.document)
    for move in turned["moves"]:
        move["direction"] = {"clockwise": "anticlockwise", "anticlockwise": "clockwise"}[move["direction"]]
    assert {"a", "h"} <= {finding.judge for finding in judge(Trial(one, Answer(turned)))}


@pytest.mark.parametrize("number", [68, 1649, 1689])
def test_moves_that_hang_on_one_reading_wait_until_it_is_read_again(number: int) -> None:
    one = nth(number)
    answer = ask(one.request).document
    assert "the moves hang on it alone" in answer["says"]
    assert (answer["advice"]["do"], answer["moves"], answer["verdict"]["as_found"]) == ("read-again", [], "undecided")
    (place,) = answer["advice"]["read"]
    again = copy.deepcopy(one.request)
    (reading,) = [one for one in again["survey"]["readings"] if (one["x"], one["y"]) == (place["x"], place["y"])]
    reading["value"] = [reading["value"]] * 2
    assert "hang on it alone" not in ask(again).document["says"]


@pytest.mark.parametrize("number", [32, 1312, 1652, 2232])
def test_corners_are_read_before_the_moves_reach_farther_than_the_stations(number: int) -> None:
    answer = ask(nth(number).request).document
    assert "how it lies beyond them is not known" in answer["says"]
    assert (answer["advice"]["do"], answer["moves"], answer["verdict"]["as_found"]) == ("read-more", [], "undecided")


@cache
def sample() -> Report:
    """Sixty cases, three of each kind."""
    return judged(range(60))


@pytest.mark.parametrize("letter", [one for one in JUDGES if one != "e"])
def test_advice_on_awkward_surveys_breaks_no_rule(letter: str) -> None:
    broken = {name: kind.broken[letter] for name, kind in sample().kinds.items() if kind.broken[letter]}
    assert not broken


def test_verdicts_are_wrong_no_oftener_than_they_say() -> None:
    assert not [name for name, kind in sample().kinds.items() if kind.too_many_wrong]
