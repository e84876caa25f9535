"""Invented adjusters: a seat on shims and a screw, and problems of several."""

from __future__ import annotations

import numpy as np

from tramwright_solvers.adjustment.problem import Problem
from tramwright_solvers.model.contract import Adjuster
from tramwright_solvers.model.machine import Sheet


def seat(name: str = "seat", **more: object) -> Adjuster:
    options: dict[str, object] = {"stock": (Sheet(0.1, 1000),), "lower": -sum(more.get("fitted", ()))}
    return Adjuster(name, "seat", 5.0, f"/machine/rails/seats/{name}", **(options | more))


def screw(name: str, **more: object) -> Adjuster:
    return Adjuster(name, "support", 1.0, f"/machine/supports/{name}", **more)


def problem_of(
    influence: np.ndarray,
    *,
    lower: float | np.ndarray = -np.inf,
    upper: float | np.ndarray = np.inf,
    rows: np.ndarray | None = None,
    low: np.ndarray | None = None,
    high: np.ndarray | None = None,
    effort: np.ndarray | None = None,
    weights: np.ndarray | None = None,
    offset_free: bool = True,
) -> Problem:
    n, m = influence.shape
    none = np.zeros((0, m))
    return Problem(
        influence,
        np.ones(n) if weights is None else weights / weights.mean(),
        np.ones(m) if effort is None else effort,
        np.broadcast_to(lower, m).astype(float),
        np.broadcast_to(upper, m).astype(float),
        none if rows is None else rows,
        np.zeros(0) if low is None else low,
        np.zeros(0) if high is None else high,
        offset_free,
    )
