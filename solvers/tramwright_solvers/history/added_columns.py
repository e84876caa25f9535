"""Columns that could be added to a fit of many tracks: what each explains, and what scatter lets pass for it.

Sums run in the order of time, and so do not depend on how many surveys follow that tell nothing.
"""

from __future__ import annotations

import numpy as np

from ..model.contract import Floats

BELIEF = 4.0
"""How many degrees of freedom the stated uncertainties count for."""
UNTOLD = 1e-10
"""A column whose part within the runs is smaller than this share of the largest, squared, is not told."""


def summed(values: Floats) -> Floats:
    """Return sums over the surveys, whose digits do not depend on how many more follow that tell nothing."""
    total: Floats = values.cumsum(axis=-1)[..., -1]
    return total


def onward(values: Floats) -> Floats:
    """Return of each survey the sum from it on."""
    total: Floats = values[..., ::-1].cumsum(axis=-1)[..., ::-1]
    return total


def left_of(size: Floats, shared: Floats) -> Floats:
    """Return what is left of sums of squares without what is shared with another column; nothing where that is all."""
    left = size - shared
    return np.where(left > UNTOLD * size, left, 0.0)


def told_of(size: Floats) -> Floats:
    """Return sums of squares of columns (…, n), zero where they cannot be told."""
    told: Floats = np.where(size > UNTOLD * size.max(axis=-1, keepdims=True), size, 0.0)
    return told


def gains_of(product: Floats, size: Floats) -> tuple[Floats, Floats]:
    """Return the coefficients of columns, and by how much each explains what is left, from their products with it and
    their own sums of squares; zero where it cannot be told."""
    told = told_of(size)
    coefficient = np.divide(product, told, out=np.zeros_like(product), where=told > 0.0)
    return coefficient, coefficient * product


def factor_of(squares: Floats, dof: Floats) -> Floats:
    """Return the root of the variance factor."""
    root: Floats = np.sqrt((BELIEF + np.maximum(squares, 0.0)) / (BELIEF + np.maximum(dof, 0.0)))
    return root


def critical_value(dof: Floats, risk: Floats | float) -> Floats:
    """Return what Student's distribution passes with this risk, on one side."""
    from scipy.special import stdtrit

    return np.asarray(stdtrit(BELIEF + np.maximum(dof, 0.0), 1.0 - risk))
