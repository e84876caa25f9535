"""The best subset for each number of moves where some adjusters are shimmed, against every subset and every stack.

The machine, its stock and its readings are invented.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import chain, combinations, product
from typing import Any

import numpy as np
import pytest
from msgspec.structs import replace
from scipy.optimize import linprog

from strategies import twice
from tramwright_solvers.correction.api import correct
from tramwright_solvers.mechanisms import RailShim, ThreeScrew
from tramwright_solvers.model.contract import Site
from tramwright_solvers.model.machine import Bed, Machine, Rails, Screw, Seat, Support
from tramwright_solvers.model.options import Solve
from tramwright_solvers.model.survey import Reading, Survey
from tramwright_solvers.results.correction import Correction

THICKNESSES = (0.1, 0.25)
LARGEST = 2
HELD = ("front", "near-0", "far-0")
SCREWS = ("left", "right")
SHIMS = ("near-1", "far-1")
ROUNDING = 1e-9
every_criterion = pytest.mark.parametrize("criterion", ["least-squares", "minimum-zone"])
every_seed = pytest.mark.parametrize("seed", [1, 2, 3])


def machine() -> Machine:
    """Two screws and two shimmed seats are free to move; each seat takes two sheets of two thicknesses."""
    seat = Seat("near-0", "near", -30.0, 10.0, method="shim", stock=list(THICKNESSES), largest_stack=LARGEST)
    return Machine(
        bed=Bed((0.0, 400.0), (0.0, 400.0)),
        id="whimbrel-02",
        supports=[
            Support("front", 200.0, 30.0, screw=Screw(0.7)),
            Support("left", 40.0, 360.0, screw=Screw(0.7)),
            Support("right", 350.0, 380.0, screw=Screw(0.7)),
        ],
        rails=Rails(
            "y",
            [
                seat,
                replace(seat, id="near-1", y=410.0),
                replace(seat, id="far-0", rail="far", x=440.0),
                replace(seat, id="far-1", rail="far", x=440.0, y=390.0),
            ],
            block_spacing=40.0,
            tool_offset=-25.0,
        ),
    )


def solve(criterion: str, **more: Any) -> Solve[Any]:
    return Solve(with_=[ThreeScrew(hold=HELD[:1]), RailShim(hold=HELD[1:])], criterion=criterion, aim_for=0.0, **more)


def survey(seed: int) -> Survey:
    """A tilt, a twist and some roughness."""
    random = np.random.default_rng(seed)
    points = np.array(list(product((20.0, 200.0, 380.0), repeat=2)))
    u, v = (points / 200.0 - 1.0).T
    gap = np.column_stack([u, v, u * v]) @ random.uniform(-0.3, 0.3, 3) + random.uniform(-0.02, 0.02, len(points))
    return Survey([Reading(x, y, value) for (x, y), value in zip(points.tolist(), gap.tolist(), strict=True)])


def influence(of: Machine, points: np.ndarray) -> dict[str, np.ndarray]:
    """The columns of every adjuster that is free, by its id."""
    solvers = (ThreeScrew(), RailShim())
    names = [one.id for solver in solvers for one in solver.adjusters(of)]
    columns = np.hstack([solver.influence(Site(of, points)) for solver in solvers]).T
    return {name: column for name, column in zip(names, columns, strict=True) if name not in HELD}


def heights() -> set[float]:
    """Every stack that a seat can take, no sheet included."""
    stacks = product(range(LARGEST + 1), repeat=len(THICKNESSES))
    return {float(np.dot(counts, THICKNESSES)) for counts in stacks if sum(counts) <= LARGEST}


def settled(gap: np.ndarray, screws: list[np.ndarray], criterion: str) -> float:
    """The criterion once the screws have done all they can, the constant free: by numpy's and scipy's own solvers."""
    design = np.column_stack([*screws, np.ones(len(gap))])
    if criterion == "least-squares":
        left = gap - design @ np.linalg.lstsq(design, gap, rcond=None)[0]
        return float(np.sqrt(np.mean(left**2)))
    count, width = design.shape
    above = np.hstack([design, -np.ones((count, 1))])
    below = np.hstack([-design, -np.ones((count, 1))])
    cost = np.append(np.zeros(width), 1.0)
    free = [(None, None)] * width + [(0, None)]
    found = linprog(cost, np.vstack([above, below]), np.concatenate([-gap, gap]), bounds=free, method="highs")
    assert found.success
    return 2 * float(found.fun)


def by_brute_force(of: Machine, read: Survey, criterion: str) -> dict[int, float]:
    """The least that each number of moves can leave: every subset, every stack, the screws settled after."""
    points = np.array([(reading.x, reading.y) for reading in read.readings])
    gap = np.array([reading.value for reading in read.readings])
    columns = influence(of, points)
    least: dict[int, float] = {}
    for subset in subsets():
        screws = [columns[name] for name in subset if name in SCREWS]
        shims = [columns[name] for name in subset if name in SHIMS]
        for made in product(heights(), repeat=len(shims)):
            changed = gap + sum(
                (column * height for column, height in zip(shims, made, strict=True)), np.zeros(len(gap))
            )
            value = settled(changed, screws, criterion)
            least[len(subset)] = min(value, least.get(len(subset), np.inf))
    return least


def subsets() -> Iterator[tuple[str, ...]]:
    names = (*SCREWS, *SHIMS)
    return chain.from_iterable(combinations(names, size) for size in range(len(names) + 1))


def measure(answer: Correction, criterion: str) -> float:
    gap = np.array([station.gap for station in answer.predicted.stations])
    return float(np.std(gap) if criterion == "least-squares" else np.ptp(gap))


@every_criterion
@every_seed
def test_best_subset_for_each_number_of_moves_is_that_of_brute_force(criterion: str, seed: int) -> None:
    of, read = machine(), survey(seed)
    expected = by_brute_force(of, read, criterion)
    answer = correct(of, read, solve(criterion))
    found = {plan.moves: plan.rms if criterion == "least-squares" else plan.total for plan in answer.plans}
    # HiGHS, the reference for the zone, takes 1e-7 for nothing.
    near = 1e-9 if criterion == "least-squares" else 1e-6
    reached = expected[0]
    start = answer.ladder[0]
    assert (start.rms if criterion == "least-squares" else start.total) == pytest.approx(reached, abs=near)
    for moves in range(1, 5):
        if moves in found:
            assert found[moves] == pytest.approx(expected[moves], abs=near)
            reached = found[moves]
        else:
            assert expected[moves] >= reached - near, "a plan that gains is missing"
    assert measure(answer, criterion) == pytest.approx(expected[4], abs=near)
    assert answer.chosen.outcome == "best"
    assert answer.chosen.gap == 0.0


@every_criterion
@every_seed
def test_no_more_moves_than_asked_and_the_best_of_those(criterion: str, seed: int) -> None:
    of, read = machine(), twice(survey(seed))
    expected = by_brute_force(of, survey(seed), criterion)
    for most in (1, 2, 3):
        answer = correct(of, read, solve(criterion, most_moves=most))
        assert len(answer.moves) <= most
        assert measure(answer, criterion) == pytest.approx(min(expected[k] for k in range(most + 1)), abs=1e-6)


@every_criterion
@every_seed
def test_stopped_it_says_so_and_how_far_from_proven(criterion: str, seed: int) -> None:
    of, read = machine(), survey(seed)
    full = correct(of, read, solve(criterion))
    stopped = correct(of, read, solve(criterion, time_limit=1e-9))
    assert stopped.chosen.outcome == "stopped"
    assert stopped.chosen.gap > 0.0
    nothing = stopped.ladder[0].rms if criterion == "least-squares" else stopped.ladder[0].total
    value, gap = measure(stopped, criterion), stopped.chosen.gap * (1 if criterion == "least-squares" else 2)
    assert value <= nothing + ROUNDING
    assert value - gap <= measure(full, criterion) + ROUNDING <= value + 2 * ROUNDING, "the bound is no bound"
