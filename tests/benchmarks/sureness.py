"""What it costs to say how sure an answer is, for one survey alone and one of a stack.

Run: python tests/benchmarks/sureness.py. Ratios within one run, against totals and verdict alone. Surveys are invented.
"""

from __future__ import annotations

from collections.abc import Callable
from time import perf_counter
from typing import Any

import numpy as np

from tramwright_solvers.correction.api import reduce_stack
from tramwright_solvers.correction.assemble import ReducedStack
from tramwright_solvers.correction.decision import decide_lazily
from tramwright_solvers.diagnostics.form_terms import TERMS
from tramwright_solvers.diagnostics.gaussian_process import Interpolation, bed_points, interpolation
from tramwright_solvers.diagnostics.weakly_observed import remedy_points, weakly_observed
from tramwright_solvers.mechanisms import RailShim, ThreeScrew
from tramwright_solvers.model.contract import Site
from tramwright_solvers.model.machine import Bed, Machine, Rails, Seat, Support
from tramwright_solvers.model.options import Solve
from tramwright_solvers.model.survey import Reading, Survey
from tramwright_solvers.reduction.covariance import GapCovariance
from tramwright_solvers.reduction.stations import a_priori
from tramwright_solvers.uncertainty.budget import sources
from tramwright_solvers.uncertainty.range import covering_each, outside_margin
from tramwright_solvers.uncertainty.setting_error import Setting, settings_of

MACHINE = Machine(
    bed=Bed((0.0, 400.0), (0.0, 400.0)),
    id="dunnock-01",
    supports=[Support("a", 30.0, 30.0), Support("b", 370.0, 30.0), Support("c", 200.0, 370.0)],
    rails=Rails(
        "y",
        [Seat(f"{rail}-{y:g}", rail, x, y) for rail, x in (("left", -30.0), ("right", 430.0)) for y in (0.0, 400.0)],
    ),
)

STACK = 500


def surveys(count: int, repeats: int) -> list[Survey]:
    """Readings of a 5 × 5 grid."""
    random, side = np.random.default_rng(3), np.linspace(20.0, 380.0, 5).tolist()
    return [
        Survey([Reading(x, y, random.normal(0.0, 0.05, repeats).tolist()) for y in side for x in side])
        for _ in range(count)
    ]


def microseconds(task: Callable[[], object], per: int) -> float:
    """Best of five runs, warm, for one survey."""
    task()
    best = np.inf
    for _ in range(5):
        start = perf_counter()
        for _ in range(max(1, 200 // per)):
            task()
        best = min(best, (perf_counter() - start) / max(1, 200 // per))
    return float(best) / per * 1e6


Tasks = dict[str, Callable[[], object]]


def prepare(of: ReducedStack) -> tuple[Tasks, Setting, Interpolation]:
    """What is prepared once for a geometry, and the tasks that prepare it."""
    prepared, points, form = of.prepared, of.prepared.layout.points, of.prepared.form
    there, cures = (
        np.concatenate([one.influence(Site(MACHINE, at)) for one in prepared.mechanisms], axis=1)
        for at in (bed_points(MACHINE.bed), remedy_points(MACHINE.bed))
    )
    before, factors, influence = a_priori(prepared.layout), prepared.layout.factors, prepared.influence
    unseen = tuple(term for term, seen in zip(TERMS, form.seen, strict=True) if not seen)
    to_set = ([(MACHINE, prepared.adjusters)], influence[None], points[None], prepared.candidates.sets)
    (setting,) = settings_of(*to_set)
    whole = (MACHINE.bed, points, influence, there, setting.u, before[0], factors, unseen)
    badly = (MACHINE, form, prepared.adjusters, influence, cures, GapCovariance(before, factors, None), prepared.blind)
    tasks: Tasks = {
        "errors of setting": lambda: settings_of(*to_set),
        "total over the whole bed": lambda: interpolation(*whole),
        "what is seen badly": lambda: weakly_observed(*badly),
    }
    return tasks, setting, interpolation(*whole)


def apply(of: ReducedStack, setting: Setting, whole: Interpolation) -> Tasks:
    """What is done for each survey."""
    prepared, noise = of.prepared, of.noise
    decided = decide_lazily(prepared, of.solve, of.gaps, noise)
    chosen, lines = decided.chosen, sources(MACHINE, prepared.layout, prepared.adjusters, setting)
    left = decided.scores.left[np.arange(len(of.gaps)), :, chosen.index]
    read, added = covering_each(left[:, None], noise)[:, 0], setting.totals[chosen.index]
    u, high, low = np.hypot(read, added), left.argmax(axis=1), left.argmin(axis=1)
    return {
        "totals and verdict": of.judged,
        "u that covers every pair": lambda: covering_each(left[:, None], noise)[:, 0],
        "margin on the outer side": lambda: outside_margin(left, read, added),
        "setting in the u of gaps": lambda: setting.of_gaps(chosen.travels != 0.0),
        "budget by lines": lambda: lines.budgets(high, low, u, noise, chosen.index),
        "total over the whole bed": lambda: whole.totals(of.gaps, noise, chosen.travels),
    }


def main() -> None:
    """Print the table."""
    solve: Solve[Any] = Solve(with_=[ThreeScrew(), RailShim()])
    for repeats in (1, 3):
        alone, stacked = (reduce_stack(MACHINE, surveys(count, repeats), solve) for count in (1, STACK))
        once, setting, whole = prepare(alone)
        print(f"{repeats} reading{'s' if repeats > 1 else ''} at each station, prepared once")
        for name, task in once.items():
            print(f"  {name:28} {microseconds(task, 1) / 1e3:8.2f} ms")
        print(f"for each survey{'alone':>20}{f'in a stack of {STACK}':>30}")
        base: tuple[float, float] | None = None
        for (name, one), many in zip(
            apply(alone, setting, whole).items(), apply(stacked, setting, whole).values(), strict=True
        ):
            cost = microseconds(one, 1), microseconds(many, STACK)
            base = base or cost
            print(f"  {name:28}", *(f"{by:9.2f} µs ×{by / per:5.2f}   " for by, per in zip(cost, base, strict=True)))


if __name__ == "__main__":
    main()
