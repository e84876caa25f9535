"""Time and proven gap of the shim programme: eight seats, five thicknesses, three screws, invented gaps.

Run from the repository: ``python tests/benchmarks/shim_programme.py [--cases 50] [--seconds 5]``. The baseline is the
continuous relaxation: every adjuster free within its range, which no stack of shims can undercut; beside it stands the
plain rounding of that relaxation, which is what one does without a search.
"""

from __future__ import annotations

import argparse
from time import perf_counter

import numpy as np

from tramwright_solvers.adjustment.mixed_integer import Task, objective, programme
from tramwright_solvers.adjustment.problem import Problem
from tramwright_solvers.adjustment.work import Work
from tramwright_solvers.mechanisms.rail_shim import RailShim
from tramwright_solvers.mechanisms.three_screw import ThreeScrew
from tramwright_solvers.model.contract import Adjuster, Floats, Site
from tramwright_solvers.model.machine import Bed, Machine, Rails, Seat, Support
from tramwright_solvers.model.options import Criterion

STOCK = [0.05, 0.1, 0.15, 0.2, 0.5]
CRITERIA: tuple[Criterion, ...] = ("least-squares", "minimum-zone")


def machine() -> Machine:
    """A bed on three screws under a gantry whose rails have four shimmed seats each; all sizes invented."""
    places = [(side, x, y) for side, x in (("left", -40.0), ("right", 540.0)) for y in (0.0, 170.0, 330.0, 500.0)]
    return Machine(
        bed=Bed((0.0, 500.0), (0.0, 500.0)),
        supports=[Support("a", 30.0, 40.0), Support("b", 470.0, 40.0), Support("c", 250.0, 460.0)],
        rails=Rails(
            "y",
            [Seat(f"{side}-{y:.0f}", side, x, y, method="shim") for side, x, y in places],
            block_spacing=60.0,
            tool_offset=-35.0,
            stock=list(STOCK),
        ),
    )


def posed() -> tuple[Problem, list[Adjuster], Floats]:
    """Return problem, adjusters and the 25 stations of the machine above."""
    axis = np.linspace(20.0, 480.0, 5)
    points = np.array([(x, y) for x in axis for y in axis])
    made = machine()
    mechanisms = (ThreeScrew(), RailShim())
    adjusters = [adjuster for mechanism in mechanisms for adjuster in mechanism.adjusters(made)]
    influence = np.hstack([mechanism.influence(Site(made, points)) for mechanism in mechanisms])
    none = np.zeros(0)
    problem = Problem(
        influence,
        np.ones(len(points)),
        np.array([adjuster.effort for adjuster in adjusters]),
        np.array([adjuster.lower for adjuster in adjusters]),
        np.array([adjuster.upper for adjuster in adjusters]),
        np.zeros((0, len(adjusters))),
        none,
        none,
    )
    return problem, adjusters, points


def gaps(count: int, problem: Problem) -> Floats:
    """Seats and screws out by up to half a millimetre, and a dial's noise of 5 µm; fixed seed."""
    rng = np.random.default_rng(20_260_504)
    return np.array(
        [
            problem.influence @ rng.uniform(-0.5, 0.5, problem.influence.shape[1])
            + rng.normal(0.0, 0.005, len(problem.weights))
            for _ in range(count)
        ]
    )


def main() -> None:
    """Print one table for each criterion."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=50)
    parser.add_argument("--seconds", type=float, default=5.0)
    options = parser.parse_args()
    problem, adjusters, _ = posed()
    for criterion in CRITERIA:
        times, shares, gained, rounded, stopped = [], [], [], [], 0
        for gap in gaps(options.cases, problem):
            start = perf_counter()
            answer = programme(problem, gap, adjusters, criterion, options.seconds)
            times.append(perf_counter() - start)
            alone = objective(problem, gap, np.zeros(len(adjusters)), criterion)
            task = Task(problem, gap, adjusters, Work.within(options.seconds))
            free = task.relaxed(criterion)
            simple = task.rounded(free, criterion)
            relaxed = objective(problem, gap, free, criterion)
            shares.append(answer.gap / alone)
            gained.append(answer.objective / relaxed)
            rounded.append((alone if simple is None else objective(problem, gap, simple, criterion)) / relaxed)
            stopped += answer.outcome == "stopped"
        print(f"{criterion}: 8 seats x {len(STOCK)} thicknesses, {options.cases} cases, limit {options.seconds} s")
        print(f"  seconds             median {np.median(times):.3f}  worst {max(times):.3f}  stopped {stopped}")
        print(f"  gap / gap as found  median {np.median(shares):.2e}  worst {max(shares):.2e}")
        print(f"  answer / baseline   median {np.median(gained):.4f}  worst {max(gained):.4f}")
        print(f"  rounding / baseline median {np.median(rounded):.4f}  worst {max(rounded):.4f}")


if __name__ == "__main__":
    main()
