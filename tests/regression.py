"""Any regression as an adjustment problem of ours: its columns are adjusters, its observations the gap."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from tramwright_solvers.adjustment.candidates import candidates
from tramwright_solvers.adjustment.problem import Problem
from tramwright_solvers.diagnostics.blunders import Misread, Read
from tramwright_solvers.diagnostics.outliers import SlipCheck
from tramwright_solvers.diagnostics.reliability import Reliability
from tramwright_solvers.model.options import Criterion


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


class Fit(NamedTuple):
    """The subset of all adjusters as an answer sees it: travels (p,), what they leave (n,) and what that measures.

    ``gain`` (p, n) is d travel / d gap and ``norms`` (p,) are the lengths of its rows, in weighted gaps.
    """

    travels: np.ndarray
    left: np.ndarray
    rms: float
    half_zone: float
    gain: np.ndarray
    norms: np.ndarray


def fitted(problem: Problem, gap: np.ndarray, criterion: Criterion = "least-squares", *, every: bool = False) -> Fit:
    """Fit one gap (n,) with all adjusters, through the table of subsets from which every answer is chosen.

    Raises:
        ValueError: the table holds no subset of all adjusters, one of them counting as needless; never with ``every``
            subset wanted, as where some move in whole steps.
    """
    all_of_them = tuple(range(len(problem.effort)))
    options = candidates(problem, all_of_them, (all_of_them,), every=every)
    index = options.sets.index(all_of_them)
    table = options.evaluate(gap[None], criterion)
    return Fit(
        table.travels[0, index],
        table.left[0, :, index],
        float(table.rms[0, index]),
        0.5 * float(table.spread[0, index]),
        options.fits.gain(index),
        options.fits.norms[0, index],
    )


def set_aside(model: Reliability, root: np.ndarray, gap: np.ndarray, index: int) -> Misread:
    """What the check of readings says of one observation (of gaps (n,)), called a suspect however sound it is."""
    least, count = 1e-300, len(root)
    check = SlipCheck(
        model=model,
        root=root,
        share=root**2 / count,
        normalize=model.normalized(),
        unit=1.0,
        w=least,
        t=(least,),
        scatter=0.0,
        near=None,
        bends=np.zeros((count, 0)),
        read=Read(np.zeros((count, 2)), 1.0, np.ones(count, dtype=bool), 0.0, 0.0, (), 3, "mm"),
    )
    (found,) = check.estimated(gap, model.residual(root * gap), [index], 1.0, 0.0)
    return found


def studentized(model: Reliability, root: np.ndarray, gap: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Residuals studentized internally and externally, (n,) each, from what each observation's suspicion rests on.

    Answers use the external ones alone; the internal ones are known from them: t² = (dof - 1) r² / (dof - r²).
    """
    external = np.array([set_aside(model, root, gap, index).standardized for index in range(len(gap))])
    return external * np.sqrt(model.dof / (model.dof - 1 + external**2)), external
