"""How many minimum-zone fits a second, against a loop over one linear programme each, in the same run.

``python tests/benchmarks/minimum_zone.py`` prints rates and their ratio; it judges nothing. All readings are invented.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from time import perf_counter

sys.path.insert(0, str(Path(__file__).parents[2] / "solvers"))

import numpy as np
from scipy.optimize import linprog

from tramwright_solvers.adjustment.minimum_zone import bounded, chebyshev
from tramwright_solvers.adjustment.problem import Problem

REPEATS = 5
LOOPED = 150
"""Programmes solved one by one: enough for a rate."""


def best_of(work: Callable[[], object]) -> float:
    """Return the shortest of a few times, in seconds."""
    times = []
    for _ in range(REPEATS):
        start = perf_counter()
        work()
        times.append(perf_counter() - start)
    return min(times)


def one_by_one(designs: np.ndarray, values: np.ndarray) -> np.ndarray:
    """Return half the zone of each problem by ``scipy.optimize.linprog``; ``designs`` (b, n, p), ``values`` (b, n)."""
    wall = np.ones((values.shape[1], 1))
    columns = designs.shape[2]
    cost, bounds = np.append(np.zeros(columns), 1.0), [(None, None)] * columns + [(0, None)]
    return np.array(
        [
            linprog(
                cost,
                A_ub=np.block([[design, -wall], [-design, -wall]]),
                b_ub=np.concatenate([row, -row]),
                bounds=bounds,
                method="highs",
            ).fun
            for design, row in zip(designs, values, strict=True)
        ]
    )


def terms(points: np.ndarray, count: int) -> np.ndarray:
    x, y = points.T
    return np.column_stack([np.ones_like(x), x, y, x * y, x * x, y * y][:count])


def compare(name: str, design: np.ndarray, values: np.ndarray) -> None:
    """Print one line: exchange, loop, ratio, and the largest difference between their zones."""
    designs = np.broadcast_to(design, (len(values), *design.shape[-2:]))
    few = slice(0, LOOPED)
    seconds = best_of(lambda: chebyshev(design, values)) / len(values)
    loop = best_of(lambda: one_by_one(designs[few], values[few])) / len(values[few])
    found = chebyshev(design, values)
    apart = np.max(np.abs(found.half_zone[few] / one_by_one(designs[few], values[few]) - 1.0))
    print(
        f"{name:44} {1 / seconds:9.0f}/s  loop {1 / loop:6.0f}/s  ratio {loop / seconds:6.1f}"
        f"  apart {apart:.0e}  unfinished {np.sum(~found.finished)}"
    )


def main() -> None:
    rng = np.random.default_rng(1)
    grid = np.array([(x, y) for y in np.linspace(-1, 1, 5) for x in np.linspace(-1, 1, 5)])
    scattered = rng.uniform(-1, 1, (25, 2))
    for model, count in (("plane", 3), ("bilinear", 4), ("quadratic", 6)):
        for place, points in (("5 x 5 grid, read to 0.01", grid), ("25 random stations", scattered)):
            values = 0.2 * rng.normal(size=(5000, 25))
            values = np.round(values, 2) if place.startswith("5") else values
            compare(f"{model}, {place}, 5000 surveys", terms(points, count), values)
    designs = np.stack([terms(rng.uniform(-1, 1, (25, 2)), 4) for _ in range(62)])
    compare("62 designs of 4 columns, one survey", designs, np.broadcast_to(0.2 * rng.normal(size=25), (62, 25)))
    compare("bilinear, one survey", terms(grid, 4), 0.2 * rng.normal(size=(1, 25)))
    shape = terms((grid + 1) / 2, 4) @ np.array([[1.0, 0, 0, 0], [-1, 1, 0, 0], [-1, 0, 1, 0], [1, -1, -1, 1]])
    none = np.zeros(0)
    problem = Problem(shape, np.ones(25), np.ones(4), np.full(4, -0.1), np.full(4, 0.1), np.zeros((0, 4)), none, none)
    gap = 0.2 * rng.normal(size=25)
    print(f"{'bounded, four adjusters, one survey':44} {1 / best_of(lambda: bounded(problem, gap)):9.0f}/s")


if __name__ == "__main__":
    main()
