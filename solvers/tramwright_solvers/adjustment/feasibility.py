"""Whether any travels satisfy bounds and conditions, and what would have to give way."""

from __future__ import annotations

import numpy as np

from .minimum_zone import programme
from .problem import Problem

ROUNDING = 1e-9
"""Relaxations below this share of the largest end of a condition are rounding."""


def smallest_relaxation(problem: Problem) -> dict[int, float]:
    """Return by how much each row of the conditions has to give way so that some travels satisfy all; empty where some
    do as it is.

    Of all such relaxations it has the smallest sum, each as a share of its row's largest entry.
    """
    rows, adjusters = problem.rows.shape
    size = np.max(np.abs(problem.rows), axis=1, initial=0.0)
    size[size == 0.0] = 1.0
    matrix, low, high = problem.rows / size[:, None], problem.rows_lower / size, problem.rows_upper / size
    scale = max(float(np.max(np.maximum(low, -high), initial=0.0)), 1e-300)
    give = np.eye(rows)
    below, above = np.isfinite(low), np.isfinite(high)
    found = programme(
        cost=np.concatenate([np.zeros(adjusters), np.ones(rows)]),
        at_most=(
            np.vstack([np.hstack([matrix, -give])[above], np.hstack([-matrix, -give])[below]]),
            np.concatenate([high[above], -low[below]]) / scale,
        ),
        equal=(np.empty((0, adjusters + rows)), np.empty(0)),
        lower=np.concatenate([problem.lower / scale, np.zeros(rows)]),
        upper=np.concatenate([problem.upper / scale, np.full(rows, np.inf)]),
    )[adjusters:]
    return {row: float(found[row] * scale * size[row]) for row in np.flatnonzero(found > ROUNDING).tolist()}
