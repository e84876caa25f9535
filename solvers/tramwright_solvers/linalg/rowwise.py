"""Arithmetic on stacks of surveys whose result for one survey does not depend on how many others stand beside it.

A matrix product of a whole stack is summed in another order than that of a single row, so its last digits depend on
the size of the stack. Here every row is multiplied on its own, inside one call: the same survey gives the same bytes
alone, in a batch and on any engine.
"""

from __future__ import annotations

import numpy as np

from ..model.contract import Floats


def row_products(rows: Floats, matrix: Floats) -> Floats:
    """Return ``row @ matrix`` for each row of (N, n), the matrix being (n, k); shape (N, k)."""
    products: Floats = np.vecmat(rows, matrix)
    return products


def row_dots(left: Floats, right: Floats) -> Floats:
    """Return the inner product of each row of (N, n) with the row of the other, shape (N,)."""
    products: Floats = np.vecdot(left, right)
    return products
