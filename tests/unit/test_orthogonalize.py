"""Bases made one column after another, against factorisations of numpy."""

from __future__ import annotations

import numpy as np
import pytest

from tramwright_solvers.linalg.orthogonalize import apart, complement, each_apart, in_order, lengths, less, span


def columns(seed: int = 0) -> np.ndarray:
    """Invented: six columns, of which the fourth is the sum of two before it and the last nearly the first."""
    drawn = np.random.default_rng(seed).normal(size=(20, 6))
    drawn[:, 3] = drawn[:, 0] - 2.0 * drawn[:, 2]
    drawn[:, 5] = drawn[:, 0] + 1e-8 * drawn[:, 5]
    return drawn


def test_columns_in_order_are_those_of_a_qr_factorisation() -> None:
    given = columns()[:, :3]
    ordered = in_order(given, np.zeros(3))
    left, upper = np.linalg.qr(given)
    assert pytest.approx(left * np.sign(np.diag(upper)), abs=1e-14) == ordered.basis.T
    assert np.linalg.norm(ordered.rest, axis=1) == pytest.approx(np.abs(np.diag(upper)), rel=1e-14)


@pytest.mark.parametrize(("least", "kept"), [(1e-12, [1, 1, 1, 0, 1, 1]), (1e-6, [1, 1, 1, 0, 1, 0])])
def test_a_column_that_others_span_is_left_out(least: float, kept: list[int]) -> None:
    ordered = in_order(columns(), np.full(6, least))
    assert ordered.kept.tolist() == [bool(one) for one in kept]
    # Orthogonal although the last column is all but the first: that is what the second pass is for.
    assert ordered.basis @ ordered.basis.T == pytest.approx(np.diag(ordered.kept).astype(float), abs=1e-15)


def test_spans_and_what_lies_outside() -> None:
    given = columns()[:, :5]
    basis, rest = span(given, 1e-9, lengths(given)), complement(given, 1e-9, lengths(given))
    assert (basis.shape, rest.shape) == ((20, 4), (20, 16))
    assert less(given, basis) == pytest.approx(np.zeros((20, 5)), abs=1e-13)
    assert less(given, rest) == pytest.approx(given, abs=1e-13)


def test_rows_are_taken_apart_each_on_its_own() -> None:
    rng = np.random.default_rng(1)
    basis, rows = span(columns()[:, :3], 1e-9), rng.normal(size=(4, 20))
    other = each_apart(rng.normal(size=(4, 20)), basis)
    other /= np.linalg.norm(other, axis=1, keepdims=True)
    found = each_apart(rows, basis, [other])
    for row, own, left in zip(rows, other, found, strict=True):
        assert left == pytest.approx(apart(row, np.vstack([basis.T, own])), abs=1e-14)
