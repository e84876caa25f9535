"""Orthonormal bases: of columns one after another, of a span, and what lies outside a span."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from ..model.contract import Floats
from .rowwise import row_dots, row_products


class InOrder(NamedTuple):
    """Columns made orthonormal in their order: as rows ``basis`` (p, n), before scaling ``rest`` (p, n), ``kept`` (p,).

    A column that those before it span is not kept; its row of the basis is zero.
    """

    basis: Floats
    rest: Floats
    kept: np.ndarray


def in_order(columns: Floats, least: Floats) -> InOrder:
    """Orthogonalise columns (n, p) by Gram-Schmidt; those whose own part is longer than ``least`` (p,) are kept."""
    basis, rest = np.zeros(columns.T.shape), np.zeros(columns.T.shape)
    kept = np.zeros(len(basis), dtype=bool)
    for index, column in enumerate(columns.T):
        part = rest[index] = apart(column, basis)  # rows not filled yet are zero and take nothing off
        size = float(np.sqrt(part @ part))
        if size > least[index]:
            kept[index], basis[index] = True, part / size
    return InOrder(basis, rest, kept)


def apart(column: Floats, basis: Floats) -> Floats:
    """Return the part of a column (n,) that is orthogonal to the rows of a basis (k, n), to working precision.

    Twice is enough: Giraud, Langou & Rozložník, Computers & Mathematics with Applications 50 (2005), from memory.
    """
    for _ in range(2):
        column = column - basis.T @ (basis @ column)
    return column


def less(columns: Floats, basis: Floats) -> Floats:
    """Return columns (…, n, p) or (n,) less what lies in the span of an orthonormal basis (…, n, k)."""
    return np.asarray(columns - basis @ (basis.swapaxes(-1, -2) @ columns))


RIDGE = 1e-12
"""Share of the sum of all squares that keeps dependent columns solvable."""


def _gram(columns: Floats) -> Floats:
    """Return the inner products of columns (…, n, p), a little more than positive."""
    gram = np.matmul(columns.swapaxes(-1, -2), columns)
    lent = RIDGE * np.trace(gram, axis1=-2, axis2=-1)[..., None, None] * np.eye(gram.shape[-1])
    return np.asarray(gram + lent)


def nearly_apart(columns: Floats, others: Floats) -> Floats:
    """Return columns (…, n, k) less nearly all that lies in the span of others (…, n, p), which may be dependent.

    Quick, for bounds: what is left is never shorter than what lies outside that span.
    """
    fitted = np.linalg.solve(_gram(others), np.matmul(others.swapaxes(-1, -2), columns))
    return np.asarray(columns - np.matmul(others, fitted))


def each_beside_others(columns: Floats) -> Floats:
    """Return what each column (n, p) has of its own beside all others, as quickly; very little where it has nothing."""
    inverse = np.linalg.inv(_gram(columns))
    return np.asarray(columns @ inverse / np.diag(inverse))


def each_apart(rows: Floats, basis: Floats, others: Sequence[Floats] = ()) -> Floats:
    """Return the part of each row (N, n) that is orthogonal to a basis (n, k) and to ``others``, a row (N, n) each."""
    for _ in range(2):
        rows = rows - row_products(row_products(rows, basis), basis.T)
        for other in others:
            rows = rows - other * row_dots(other, rows)[:, None]
    return rows


def span(columns: Floats, least: float, size: Floats | None = None) -> Floats:
    """Return an orthonormal basis (n, r) of what columns (n, p) span, each divided by its ``size`` (p,), if given.

    Directions with a singular value up to ``least`` are rounding errors.
    """
    if columns.shape[1] == 0:
        return columns
    left, singular, _ = np.linalg.svd(columns if size is None else columns / size, full_matrices=False)
    return np.asarray(left[:, singular > least])


def complement(columns: Floats, least: float, size: Floats) -> Floats:
    """Return an orthonormal basis (n, n - r) of what is orthogonal to the :func:`span` of the columns."""
    left, singular, _ = np.linalg.svd(columns / size, full_matrices=True)
    return np.asarray(left[:, int(np.sum(singular > least)) :])


def dominant(columns: Floats, share: float, *, absolute: bool = False) -> Floats:
    """Return the same for columns of one scale: directions above this share of the strongest, or of one."""
    left, singular, _ = np.linalg.svd(columns, full_matrices=False)
    return np.asarray(left[:, singular > share * (1.0 if absolute else np.max(singular, initial=0.0))])


def bases(columns: Floats, share: float, *, absolute: bool = False) -> Floats:
    """Return what :func:`dominant` does of columns (g, n, p) in g spaces, (g, n, r): zero where a direction is left
    out."""
    left, singular, _ = np.linalg.svd(columns, full_matrices=False)
    most = 1.0 if absolute else np.max(singular, axis=1, keepdims=True, initial=0.0)
    return np.asarray(left * (singular > share * most)[:, None, :])


def lengths(columns: Floats) -> Floats:
    """Return the lengths of columns (n, p) to divide them by, (p,), or of columns (g, n, p), (g, 1, p): one where a
    column is nothing."""
    length = np.linalg.norm(columns, axis=-2, keepdims=columns.ndim > 2)
    return np.where(length > 0.0, length, 1.0)
