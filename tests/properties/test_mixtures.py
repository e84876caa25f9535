"""What must hold for every built-in solver, alone and mixed, whole steps and shims included.

All machines, stocks, steps and readings are invented.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from itertools import pairwise
from typing import Any

import msgspec
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec.structs import replace

from mixtures import BEDS, MIXTURES, RAILS, changed, counts_of, jobs, mechanisms
from profiles import budget
from tramwright_solvers.correction.api import correct
from tramwright_solvers.mechanisms.transforms import LENGTHS, scaled
from tramwright_solvers.model.contract import Adjuster, Mechanism, Site
from tramwright_solvers.model.machine import Machine, Seat, Sheet, Support
from tramwright_solvers.model.options import Solve
from tramwright_solvers.model.survey import Survey
from tramwright_solvers.model.units import MM_PER_INCH
from tramwright_solvers.results.correction import Correction

ROUNDING = 1e-9
"""Share of the gap by which numbers equal in exact arithmetic may differ."""

PLANE = 1e-8
"""Distance from one plane, as a share of the travels, that four rounded travels may have."""

CRITERIA = st.sampled_from(["least-squares", "minimum-zone"])
OFFSETS = st.sampled_from(["free", "free", "keep"])
CASES = [pytest.param(*one, id=" + ".join(filter(None, one))) for one in MIXTURES]
mixture = pytest.mark.parametrize(("bed", "rails"), CASES)
any_bed = st.sampled_from(["", *BEDS])
rails_kind = pytest.mark.parametrize("rails", ["", *RAILS], ids=lambda kind: kind or "no rails")


def objective(answer: Correction, solve: Solve[Any], name: str = "gap") -> float:
    """What the criterion measures; every station was read once, so all weigh alike."""
    gap = np.array([getattr(station, name) for station in answer.predicted.stations])
    if solve.criterion == "least-squares":
        return float(np.std(gap) if solve.offset == "free" else np.sqrt(np.mean(gap**2)))
    return float(np.ptp(gap) if solve.offset == "free" else 2 * np.abs(gap).max())


def size(answer: Correction) -> float:
    return max(abs(station.before) for station in answer.predicted.stations) + 1e-3


def unproven(answer: Correction, solve: Solve[Any]) -> float:
    """By how much a better answer might undercut this one: zero unless the search was stopped."""
    return answer.chosen.gap * (1 if solve.criterion == "least-squares" else 2)


def travels_of(answer: Correction) -> dict[str, float]:
    return {move.adjuster: move.travel for move in answer.moves}


def adjusters_of(solvers: Sequence[Mechanism], machine: Machine) -> list[Adjuster]:
    return [adjuster for solver in solvers for adjuster in solver.adjusters(machine)]


def numbers(document: Any) -> list[float]:
    if isinstance(document, dict):
        return [number for value in document.values() for number in numbers(value)]
    if isinstance(document, list | tuple):
        return [number for value in document for number in numbers(value)]
    return [float(document)] if isinstance(document, int | float) else []


@st.composite
def asks(draw: st.DrawFn, solvers: list[Mechanism], machine: Machine, *, aims: Sequence[float | None]) -> Solve[Any]:
    """Any question: criterion, offset, aim, some adjusters held, moves limited or not."""
    holding = []
    for solver in solvers:
        names = [adjuster.id for adjuster in solver.adjusters(machine)]
        held = draw(st.lists(st.sampled_from(names), max_size=len(names) - 1, unique=True)) if draw(one_in(3)) else []
        holding.append(replace(solver, hold=tuple(held)))
    return Solve(
        with_=holding,
        criterion=draw(CRITERIA),
        offset=draw(OFFSETS),
        aim_for=draw(st.sampled_from(list(aims))),
        most_moves=draw(st.sampled_from([None, None, 1, 2, 3])),
    )


def one_in(count: int) -> st.SearchStrategy[bool]:
    return st.integers(1, count).map(lambda number: number == count)


def assert_allowed(machine: Machine, solve: Solve[Any], answer: Correction) -> None:
    """Travels keep bounds, whole steps, conditions, holds and the number of moves."""
    travels = travels_of(answer)
    slack = ROUNDING * size(answer)
    held = {name for solver in solve.with_ for name in solver.hold}
    assert not held & travels.keys()
    assert not held & {name for plan in answer.plans for name in plan.adjusters}
    assert solve.most_moves is None or len(travels) <= solve.most_moves
    assert travels.keys() <= set(answer.chosen.adjusters)
    for adjuster in adjusters_of(solve.with_, machine):
        travel = travels.get(adjuster.id, 0.0)
        assert adjuster.lower - slack <= travel <= adjuster.upper + slack
        if adjuster.step is not None:
            assert abs(travel / adjuster.step - round(travel / adjuster.step)) <= 1e-6
    for solver in solve.with_:
        found = solver.conditions(machine)
        if found is not None:
            along = found.matrix @ [travels.get(one.id, 0.0) for one in solver.adjusters(machine)]
            room = PLANE * (1 + max(map(abs, travels.values()), default=0.0))
            assert np.all(along >= found.lower - room)
            assert np.all(along <= found.upper + room)


def assert_stacked(machine: Machine, answer: Correction) -> None:
    """Sheets named make the travel, and there are as many as the stocks have, the shared one included."""
    if machine.rails is None:
        return
    moves = {move.adjuster: move for move in answer.moves}
    shared: Counter[float] = Counter()
    for seat in machine.rails.seats:
        move = moves.get(seat.id)
        if seat.method == "slip" or move is None:
            assert move is None or move.stack is None
            continue
        assert move.stack is not None
        added, removed, fitted = Counter(move.stack), Counter(move.remove or []), Counter(seat.fitted or [])
        assert removed <= fitted
        assert not added & removed, "a sheet is taken out and put back"
        assert sum(move.stack) - sum(move.remove or []) == pytest.approx(move.travel, abs=1e-9)
        limit = 6 if seat.largest_stack is None else seat.largest_stack
        assert (fitted + added).total() - removed.total() <= max(limit, fitted.total())
        if seat.stock is None:
            shared += added
        else:
            at_hand = dict(counts_of(seat.stock))
            assert all(count <= at_hand.get(thickness, 0) for thickness, count in added.items())
    at_hand = dict(counts_of(machine.rails.stock or []))
    assert all(count <= at_hand.get(thickness, 0) for thickness, count in shared.items())


def assert_consistent(machine: Machine, solve: Solve[Any], answer: Correction) -> None:
    """Prediction, totals, outcome, plans and ladder agree with each other and with doing nothing."""
    slack = ROUNDING * size(answer)
    stations = answer.predicted.stations
    travels = travels_of(answer)
    moved = np.zeros(len(stations))
    points = np.array([(station.x, station.y) for station in stations])
    for solver in solve.with_:
        made = [travels.get(one.id, 0.0) for one in solver.adjusters(machine)]
        moved += solver.influence(Site(machine, points)) @ made
    gap, before = (np.array([getattr(one, name) for one in stations]) for name in ("gap", "before"))
    np.testing.assert_allclose(gap, before + moved, rtol=0, atol=slack * (1 + np.abs(moved).max()))
    room = slack * (1 + np.abs(moved).max())
    assert answer.predicted.total == pytest.approx(np.ptp(gap), abs=room)
    assert answer.as_found.total == pytest.approx(np.ptp(before), abs=slack)
    assert objective(answer, solve) <= objective(answer, solve, "before") + room, "worse than doing nothing"
    assert answer.chosen.gap >= 0.0
    if answer.chosen.outcome == "reached":
        assert answer.predicted.total + answer.predicted.expanded <= answer.chosen.aim_for + slack
    if solve.criterion == "least-squares":
        ladder, plans = [rung.rms for rung in answer.ladder], [plan.rms for plan in answer.plans]
    elif solve.offset == "free":
        ladder, plans = [rung.total for rung in answer.ladder], [plan.total for plan in answer.plans]
    else:
        return  # what decides, the largest gap, is not in these tables
    assert all(after <= so_far + slack for so_far, after in pairwise(ladder))
    assert all(more < fewer for fewer, more in pairwise([ladder[0], *plans]))
    assert [plan.moves for plan in answer.plans] == sorted({plan.moves for plan in answer.plans})
    if solve.aim_for == 0.0 and solve.most_moves is None and travels:
        assert objective(answer, solve) == pytest.approx(min([ladder[0], *plans]), abs=room)
        assert objective(answer, solve) <= ladder[-1] + room


@mixture
@budget(1 / 6)
@given(data=st.data())
def test_an_answer_can_be_carried_out_and_agrees_with_itself(bed: str, rails: str, data: st.DataObject) -> None:
    machine, survey = data.draw(jobs(bed, rails))
    solve = data.draw(asks(mechanisms(bed, rails), machine, aims=[0.0, None, 0.1, 0.3]))
    answer = correct(machine, survey, solve)
    assert all(math.isfinite(number) for number in numbers(msgspec.to_builtins(answer)))
    assert_allowed(machine, solve, answer)
    assert_stacked(machine, answer)
    assert_consistent(machine, solve, answer)


@rails_kind
@budget(1 / 6)
@given(data=st.data())
def test_the_same_question_has_the_same_answer_to_the_last_byte(rails: str, data: st.DataObject) -> None:
    bed = data.draw(any_bed if rails else st.sampled_from(list(BEDS)))
    machine, survey = data.draw(jobs(bed, rails))
    solve = data.draw(asks(mechanisms(bed, rails), machine, aims=[0.0, None]))
    answer = msgspec.json.encode(correct(machine, survey, solve))
    fresh = msgspec.json.decode(msgspec.json.encode([machine, survey]), type=tuple[Machine, Survey])
    assert msgspec.json.encode(correct(*fresh, solve)) == answer


def best_of(machine: Machine, survey: Survey, solve: Solve[Any]) -> tuple[float, float, bool]:
    """Objective of the best plan, how far the search left it unproven, and whether something is to be read first."""
    answer = correct(machine, survey, solve)
    return objective(answer, solve), unproven(answer, solve), answer.advice.do in {"read-again", "read-more"}


def assert_never_more(wider: tuple[float, float, bool], narrower: tuple[float, float, bool]) -> None:
    if wider[2] == narrower[2]:  # else nothing moves yet in one of them, and the other is no match for it
        assert wider[0] <= narrower[0] + wider[1] + ROUNDING


@rails_kind
@budget(1 / 6)
@given(data=st.data())
def test_relaxing_never_hurts(rails: str, data: st.DataObject) -> None:
    """Wider bounds, more stock, taller stacks, a hold dropped, one more move: each alone, the rest as it was."""
    bed = data.draw(any_bed if rails else st.sampled_from(list(BEDS)))
    machine, survey = data.draw(jobs(bed, rails))
    solve = data.draw(asks(mechanisms(bed, rails), machine, aims=[0.0]))
    narrow = best_of(machine, survey, solve)

    def wider(one: Any) -> Any:
        return one if one.travel is None else replace(one, travel=(2 * one.travel[0] - 0.1, 2 * one.travel[1] + 0.1))

    assert_never_more(best_of(changed(machine, supports=wider, seats=wider), survey, solve), narrow)
    assert_never_more(best_of(machine, survey, replace(solve, most_moves=None)), narrow)
    free = [replace(solver, hold=()) for solver in solve.with_]
    assert_never_more(best_of(machine, survey, replace(solve, with_=free)), narrow)
    if machine.rails is None:
        return

    def more(stock: list[float | Sheet] | None) -> list[float | Sheet] | None:
        if stock is None:
            return None
        kept = [replace(entry, count=entry.count + 1) if isinstance(entry, Sheet) else entry for entry in stock]
        return [*kept, 0.3]

    def richer(seat: Seat) -> Seat:
        return replace(seat, stock=more(seat.stock))

    def taller(seat: Seat) -> Seat:
        return seat if seat.largest_stack is None else replace(seat, largest_stack=seat.largest_stack + 1)

    stocked = replace(machine, rails=replace(machine.rails, stock=more(machine.rails.stock)))
    assert_never_more(best_of(changed(stocked, seats=richer), survey, solve), narrow)
    assert_never_more(best_of(changed(machine, seats=taller), survey, solve), narrow)


def continuous(machine: Machine) -> Machine:
    """The same machine with screws that stop anywhere and, in place of shims, seats that slip as far as shims could."""

    def screw(support: Support) -> Support:
        return replace(support, step=None)

    def slip(seat: Seat) -> Seat:
        if seat.method == "slip":
            return replace(seat, step=None)
        low, high = seat.travel or (-1e3, 1e3)
        low = max(low, -sum(seat.fitted or []))
        return Seat(seat.id, seat.rail, seat.x, seat.y, travel=(low, high))

    machine = changed(machine, supports=screw, seats=slip)
    return machine if machine.rails is None else replace(machine, rails=replace(machine.rails, stock=None))


@rails_kind
@budget(1 / 4)
@given(data=st.data())
def test_whole_steps_and_shims_never_beat_what_moves_freely(rails: str, data: st.DataObject) -> None:
    bed = data.draw(any_bed if rails else st.sampled_from(list(BEDS)))
    machine, survey = data.draw(jobs(bed, rails))
    solve = data.draw(asks(mechanisms(bed, rails), machine, aims=[0.0]))
    assert_never_more(best_of(continuous(machine), survey, solve), best_of(machine, survey, solve))


@rails_kind
@budget(1 / 6)
@given(data=st.data())
def test_inches_change_nothing_but_the_unit(rails: str, data: st.DataObject) -> None:
    bed = data.draw(any_bed if rails else st.sampled_from(list(BEDS)))
    machine, survey = data.draw(jobs(bed, rails))
    solve = data.draw(asks(mechanisms(bed, rails), machine, aims=[0.0, None]))
    factor = 1 / MM_PER_INCH
    inches = msgspec.convert(scaled(msgspec.to_builtins(machine), factor, LENGTHS) | {"units": "inch"}, Machine)
    read = msgspec.convert(scaled(msgspec.to_builtins(survey), factor, frozenset(["x", "y", "value"])), Survey)
    theirs, ours = correct(machine, survey, solve), correct(inches, read, solve)
    near = {"rel": 1e-7, "abs": 1e-8}
    assert ours.chosen.outcome == theirs.chosen.outcome
    assert ours.as_found.total * MM_PER_INCH == pytest.approx(theirs.as_found.total, **near)
    assert objective(ours, solve) * MM_PER_INCH == pytest.approx(objective(theirs, solve), **near)
    assert ours.chosen.adjusters == theirs.chosen.adjusters
    in_mm = {name: travel * MM_PER_INCH for name, travel in travels_of(ours).items()}
    assert in_mm == pytest.approx(travels_of(theirs), **near)
    turned = [(move.adjuster, move.direction, move.seen_from) for move in theirs.moves]
    assert [(move.adjuster, move.direction, move.seen_from) for move in ours.moves] == turned
