"""Every plan over seven adjusters against one plain fit, both prepared.

Run from the repository: ``python tests/benchmarks/plans.py``. The baseline is one prepared least-squares fit of all
seven adjusters (travels, what is left, total and rms) in the same run. Prints times and ratios; it judges nothing.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from time import perf_counter

import numpy as np

from tramwright_solvers.adjustment.candidates import candidates
from tramwright_solvers.adjustment.problem import Problem


def seven_adjusters() -> Problem:
    """Three screws under four rail seats, read on a 5 × 5 grid; invented."""
    x, y = (axis.ravel() for axis in np.meshgrid(np.linspace(-1, 1, 5), np.linspace(-1, 1, 5)))
    screws = [(1 - y) / 4 - x / 2, (1 - y) / 4 + x / 2, (1 + y) / 2]
    seats = [-(1 + a * x) * (1 + b * y) / 4 for a in (-1, 1) for b in (-1, 1)]
    influence = np.column_stack([*screws, *seats])
    free = np.full(7, np.inf)
    none = np.zeros(0)
    return Problem(influence, np.ones(25), np.array([1.0] * 3 + [3.0] * 4), -free, free, np.zeros((0, 7)), none, none)


def microseconds(task: Callable[[], object]) -> float:
    """Best mean of five rounds, warm."""
    task()
    best = np.inf
    for _ in range(5):
        count, start = 0, perf_counter()
        while perf_counter() - start < 0.2:
            task()
            count += 1
        best = min(best, (perf_counter() - start) / count * 1e6)
    return float(best)


def main() -> None:
    """Measure one survey alone and a stack of a thousand."""
    problem = seven_adjusters()
    everything = tuple(range(7))
    options = candidates(problem, everything, (everything,))
    gain = options.fits.gain(options.sets.index(everything))

    def plain(gaps: np.ndarray) -> tuple[np.ndarray, ...]:
        travels = gaps @ gain.T
        left = problem.centred(gaps + travels @ problem.influence.T)
        return travels, left, left.max(axis=1) - left.min(axis=1), np.sqrt((left * left).mean(axis=1))

    print(f"{len(options.sets)} subsets of 7 adjusters, 25 stations")
    for surveys in (1, 1000):
        gaps = np.random.default_rng(0).normal(0.0, 0.1, (surveys, 25))
        one = microseconds(partial(plain, gaps))
        every = microseconds(partial(options.evaluate, gaps, "least-squares"))
        print(f"  {surveys:>5} surveys: plain fit {one:9.1f} us, every plan {every:9.1f} us, ratio {every / one:6.2f}")


if __name__ == "__main__":
    main()
