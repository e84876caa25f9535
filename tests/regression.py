"""Any regression as an adjustment problem of ours: its columns are adjusters, its observations the gap."""

from __future__ import annotations

import numpy as np

from tramwright_solvers.adjustment.problem import Problem


def as_problem(design: np.ndarray, weights: np.ndarray | None = None, *, offset_free: bool = False) -> Problem:
    """Minus the design (n, p) is the influence, so the travels that flatten a gap are the regression coefficients.

    Nothing bounds the travels. Weights are equal unless given, and brought to a mean of one; where the offset is free,
    a constant is fitted besides.
    """
    count = design.shape[1]
    free, none = np.full(count, np.inf), np.empty(0)
    return Problem(
        influence=-design,
        weights=np.ones(len(design)) if weights is None else weights / weights.mean(),
        effort=np.ones(count),
        lower=-free,
        upper=free,
        rows=np.empty((0, count)),
        rows_lower=none,
        rows_upper=none,
        offset_free=offset_free,
    )
