"""Searches end where the work allowed is spent, not where the clock stands. Machine, stock and gaps are invented."""

from __future__ import annotations

from itertools import accumulate, pairwise

import numpy as np
import pytest

from tramwright_solvers.adjustment import work
from tramwright_solvers.adjustment.milp import SheetModel
from tramwright_solvers.adjustment.mixed_integer import Programme, Task, objective, programme
from tramwright_solvers.adjustment.problem import Problem
from tramwright_solvers.adjustment.work import SECOND, Work
from tramwright_solvers.model.contract import Adjuster
from tramwright_solvers.model.machine import Sheet
from tramwright_solvers.model.options import Criterion

STOCK = tuple(Sheet(thickness, 1000) for thickness in (0.05, 0.1, 0.15, 0.2, 0.5))
every_criterion = pytest.mark.parametrize("criterion", ["least-squares", "minimum-zone"])


def posed(seats: int = 5) -> tuple[Problem, np.ndarray, list[Adjuster]]:
    """Shimmed seats and two screws of little reach; five take more than a fiftieth of a second by either criterion."""
    random = np.random.default_rng(31)
    adjusters = [
        *(Adjuster(f"seat-{k}", "seat", 5.0, f"/seats/{k}", 0.0, stock=STOCK, largest_stack=3) for k in range(seats)),
        *(Adjuster(f"screw-{k}", "support", 1.0, f"/supports/{k}", -0.1, 0.1) for k in range(2)),
    ]
    effort, lower, upper = (np.array([getattr(one, of) for one in adjusters]) for of in ("effort", "lower", "upper"))
    influence, gap, none = random.normal(size=(16, seats + 2)), random.normal(size=16), np.zeros(0)
    return Problem(influence, np.ones(16), effort, lower, upper, np.zeros((0, seats + 2)), none, none), gap, adjusters


def search(criterion: Criterion, seconds: float, seats: int = 5) -> Programme:
    problem, gap, adjusters = posed(seats)
    return programme(problem, gap, adjusters, criterion, seconds)


@every_criterion
@pytest.mark.parametrize("seconds", [1e-9, 0.005, 0.02])
def test_a_search_that_was_stopped_has_the_same_answer_however_the_clock_runs(
    criterion: Criterion, seconds: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    found = search(criterion, seconds)
    assert found.outcome == "stopped"
    for speed in (0.0, 1e-6, 1e-4):
        ticks = accumulate(np.random.default_rng(5).uniform(0.0, 2 * speed, 10**5).tolist())
        with monkeypatch.context() as patched:
            patched.setattr(work, "monotonic", lambda ticks=ticks: next(ticks))
            again = search(criterion, seconds)
        assert again.travels.tobytes() == found.travels.tobytes()
        assert (again.objective, again.bound, again.outcome, again.stacks) == (
            found.objective,
            found.bound,
            found.outcome,
            found.stacks,
        )


@every_criterion
def test_far_beyond_the_limit_the_clock_stops_it_with_an_answer(
    criterion: Criterion, monkeypatch: pytest.MonkeyPatch
) -> None:
    problem, gap, _ = posed()
    ticks = accumulate([1e4] * 10**5)
    monkeypatch.setattr(work, "monotonic", lambda: next(ticks))
    found = search(criterion, 60.0)
    assert found.outcome == "stopped"
    assert found.gap > 0.0
    assert found.objective <= objective(problem, gap, np.zeros(7), criterion)


@every_criterion
def test_more_work_finds_nothing_worse_and_proves_no_less(criterion: Criterion) -> None:
    found = [search(criterion, seconds, seats=3) for seconds in (1e-9, 0.02, 0.5, 30.0)]
    best = found[-1]
    assert best.outcome == "optimal"
    for less, more in pairwise(found):
        assert more.objective <= less.objective * (1 + 1e-9)
    assert all(one.bound <= best.objective * (1 + 1e-9) for one in found)


def test_a_part_counts_to_the_whole() -> None:
    whole = Work.within(2.0)
    part = whole.part(0.5 * SECOND)
    part.spend(0.5 * SECOND)
    assert part.over()
    assert not whole.over()
    assert whole.over(share=0.25)
    assert whole.left == 1.5 * SECOND
    whole.spend(9 * SECOND)
    assert whole.left == 0.0
    assert whole.over()


def test_a_programme_is_not_begun_where_its_root_alone_would_take_more_than_is_left() -> None:
    problem, gap, adjusters = posed()
    allowed = Work.within(1e-3)
    task = Task(problem, gap, adjusters, allowed)
    model = SheetModel(task.problem, gap, task.adjusters, tables=task.tables, pools=task.pools, size=1.0)
    found = model.solve(1.0, allowed)
    assert (found.travels, found.bound, found.done) == (None, 0.0, False)
    assert allowed.done == 0.0
