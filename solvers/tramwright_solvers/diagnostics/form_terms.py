"""The gap split into terms with names: tilts, twist, bows and remainder.

Terms are 1, x, y, xy, x², y² in coordinates that run from -1 to 1 over the bed, fitted together by weighted least
squares; so twist means what remains of xy once tilt is taken off. Shares are those of the sequential sum of squares, in
the order of the list, and add up to one; the offset has none, since re-zeroing the indicator removes it.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property

import numpy as np
from msgspec import Struct

from ..linalg.grids import scaled_to, scaled_to_each
from ..linalg.orthogonalize import InOrder, in_order
from ..linalg.rowwise import row_dots, row_products
from ..model.contract import Floats
from ..model.machine import Bed
from ..reduction.covariance import GapCovariance
from ..results.findings import Blind, FormTerm
from . import sentences

TERMS = ("offset", "tilt-x", "tilt-y", "twist", "bow-x", "bow-y")
OVER_BED = np.array([1.0, 2.0, 2.0, 2.0, 1.0, 1.0])
"""Range of each term over the bed, where x and y run from -1 to 1."""
OVER: tuple[float, ...] = tuple(OVER_BED.tolist())
K_SIGNIFICANT = 2.0
"""A term is more than noise beyond twice its standard uncertainty (about 95 %, JCGM 100 6.3.3)."""

SEEN = 1e-6
"""A term whose new part at the stations is smaller than this share of its size is not seen."""


CLEAR = 1e-3
"""Share of the largest singular value above which all terms are seen, whatever their order; far above :data:`SEEN`."""


def term_columns(bed: Bed, points: Floats) -> Floats:
    """Return the terms' values at points (n_points, 2), shape (n_points, 6), each scaled to the bed."""
    u, v = scaled_to(bed, points)
    return np.array([np.ones_like(u), u, v, u * v, u * u, v * v]).T.copy()


def terms_of(beds: Sequence[Bed], points: Floats) -> Floats:
    """Return the terms (g, n, 6) at the stations (g, n, 2) of g geometries, each scaled to its own bed."""
    u, v = scaled_to_each(beds, points)
    return np.stack([np.ones_like(u), u, v, u * v, u * u, v * v], axis=2)


def shows_form(weighted: Floats) -> np.ndarray:
    """Say of which geometries (g,) the stations surely show all terms, weighted (g, n, 6), whatever their order."""
    squares = np.linalg.eigvalsh(weighted.swapaxes(1, 2) @ weighted)
    return np.asarray(squares[:, 0] > CLEAR**2 * squares[:, -1])


def leading_terms(weighted: Floats) -> tuple[np.ndarray, Floats]:
    """Return which of offset, tilts and twist the stations of g geometries show, and how well, (g, 4) both.

    ``weighted`` (g, n, 4) are these terms there, by the square roots of the weights. How well is the standard
    uncertainty of a coefficient, fitted together with the other three, for readings of variance one and weight one.
    """
    _, singular, across = np.linalg.svd(weighted, full_matrices=False)
    told = singular > SEEN * singular[:, :1]
    per = np.divide(1.0, singular, out=np.zeros_like(singular), where=told)
    clear = (singular[:, -1] > CLEAR * singular[:, 0]) & (singular.shape[1] == weighted.shape[2])
    seen = np.repeat(clear[:, None], weighted.shape[2], axis=1)
    for place in (~clear).nonzero()[0].tolist():
        seen[place] = in_order(weighted[place], SEEN * np.linalg.norm(weighted[place], axis=0)).kept
    return seen, np.linalg.norm(across * per[:, :, None], axis=1)


class Form(Struct, frozen=True, dict=True):
    """The terms at given stations: ``columns`` (n, 6), and the square roots of the weights ``root`` (n,)."""

    columns: Floats
    root: Floats

    @cached_property
    def ordered(self) -> InOrder:
        """The weighted terms made orthonormal one after another; those the stations cannot tell are not kept."""
        weighted = self.columns * self.root[:, None]
        return in_order(weighted, SEEN * np.linalg.norm(weighted, axis=0))

    @cached_property
    def seen(self) -> list[bool]:
        """Whether the stations can tell each term from those before."""
        return list(self.ordered.kept.tolist())

    @cached_property
    def spread(self) -> list[float]:
        """The range of each term over the stations."""
        return list(np.ptp(self.columns, axis=0).tolist())

    @cached_property
    def sequential(self) -> Floats:
        """What turns a gap into the square roots of the sequential sums of squares (6, n)."""
        return np.asarray(self.ordered.basis * self.root)

    @cached_property
    def fit(self) -> Floats:
        """Coefficients (6, n) from gaps; rows of unseen terms are zero."""
        fit = np.zeros((len(TERMS), len(self.root)))
        fit[self.seen] = np.linalg.pinv((self.columns * self.root[:, None])[:, self.seen]) * self.root
        return fit

    @cached_property
    def norms(self) -> Floats:
        """Lengths (6,) of the rows of :attr:`fit`."""
        return np.asarray(np.linalg.norm(self.fit, axis=1))

    def blind(self) -> list[Blind]:
        """Name the terms that these stations cannot tell from the ones before."""
        return [
            Blind(term, "term", sentences.blind_to_term(term))
            for term, seen in zip(TERMS, self.seen, strict=True)
            if not seen and term in sentences.STATIONS_FOR_TERM
        ]

    def split(self, gaps: Floats, noise: GapCovariance) -> list[list[FormTerm]]:
        """Split each gap of a stack (N, n) into its terms."""
        coefficients, weighted = row_products(gaps, self.fit.T), self.root * gaps
        parts = row_products(gaps, self.sequential.T) ** 2
        rest = gaps - row_products(coefficients, self.columns.T)
        whole = row_dots(weighted, weighted) - parts[:, 0]
        spare = gaps.shape[1] - sum(self.seen)
        excess = row_dots(rest, rest / noise.variance) - spare
        formed = (excess > K_SIGNIFICANT * (2.0 * spare) ** 0.5) & (spare > 0)
        remainder, u = rest.max(axis=1) - rest.min(axis=1), noise.of_totals(rest[:, :, None])[:, 0]
        columns = (coefficients, noise.of(self.fit, self.norms), parts, whole, remainder, u, formed)
        return [self.terms(*row) for row in zip(*(column.tolist() for column in columns), strict=True)]

    def terms(
        self,
        values: list[float],
        errors: list[float],
        squares: list[float],
        whole: float,
        remainder: float,
        remainder_u: float,
        formed: bool,
    ) -> list[FormTerm]:
        """Write the terms of one survey."""
        per_whole, left_over = (1.0 / whole, 1.0) if whole > 0.0 else (0.0, 0.0)
        rows = zip(TERMS, self.seen, self.spread, OVER, values, errors, squares, strict=True)
        term, _, _, _, value, error, _ = next(rows)
        terms = [FormTerm(term, abs(value), error, 0.0, abs(value) > K_SIGNIFICANT * error, value, error)]
        for term, seen, spread, over, value, error, square in rows:
            share, size = square * per_whole, abs(value)
            left_over -= share
            if seen:
                significant = size > K_SIGNIFICANT * error
                terms.append(
                    FormTerm(term, size * spread, error * spread, share, significant, value * over, error * over)
                )
            else:
                terms.append(FormTerm(term, None, None, share, False, None, None))
        terms.append(FormTerm("remainder", remainder, remainder_u, max(left_over, 0.0), formed))
        return terms


def form(bed: Bed, points: Floats, root: Floats) -> Form:
    """Prepare the terms for stations (n, 2) with square-root weights (n,)."""
    return Form(term_columns(bed, points), root)
