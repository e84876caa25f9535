"""Plate form and gantry form apart, by rank-revealing least squares; and what no data given can tell.

At a station p of survey s, with the plate point q lying there (:mod:`.placement`)::

    gap_s(p) = plate(q) - gantry(p) + plane_s(p) + error

Both heights are unknown at every position read, and every survey has a plane of its own (the plate was levelled anew,
the indicator zeroed anew). A plane added to the plate, or to the gantry, is absorbed by the surveys' planes, so both
forms are sought among the shapes orthogonal to planes. What then changes no gap is the undecidable part: the null space
of the design, found by singular values (Golub & Van Loan, *Matrix Computations*, 5.5, from memory). That reversal
leaves such a part, and which, is Evans, Hocken & Estler, CIRP Annals 45/2, 1996.
"""

from __future__ import annotations

import numpy as np
from msgspec import Struct

from ..linalg.orthogonalize import complement, lengths, less, span
from ..model.contract import Floats
from .placement import MatchedSurveys, half_side, middle

NULL = 1e-7
"""Singular values below this share of the largest are round-off, where positions match exactly."""

BLUR = 4.0
"""How many times the mismatch of positions (as a share of half a side) a direction must stand out to be believed: the
effect of the mismatch itself, with a margin; our own choice."""


MISFIT = 3.09
"""Normal quantile (99.9 %) beyond which surveys contradict each other by more than the readings' noise."""


class Separation(Struct, frozen=True):
    """Both forms, the P points of the plate first and the G positions of the gantry after them, n = P + G.

    ``estimate`` (n,) is the shortest of all answers that fit equally well, ``root @ root.T`` its covariance, with
    ``root`` (n, r). ``null`` (n, k) is an orthonormal basis of the undecidable part; ``sure`` the relative size below
    which a product with it is none. ``excess`` is the sum of squares left over its expectation, None where nothing is
    left (``dof`` = 0); where it is beyond the noise (``contradicted``), the covariance is widened by it (Birge ratio).
    """

    laid: MatchedSurveys
    estimate: Floats
    root: Floats
    null: Floats
    sure: float
    excess: float | None
    dof: int

    @property
    def contradicted(self) -> bool:
        """Whether the surveys contradict each other by more than their readings' noise."""
        return self.excess is not None and self.excess > most_excess(self.dof)

    @property
    def on_plate(self) -> slice:
        """The plate's part of the n rows."""
        return slice(0, len(self.laid.plate))

    @property
    def on_gantry(self) -> slice:
        """The gantry's part of the n rows."""
        return slice(len(self.laid.plate), len(self.estimate))

    def decides(self, functional: Floats) -> bool:
        """Say whether a linear function (n,) of the two forms has the same value in all answers that fit."""
        size = float(np.linalg.norm(functional))
        return bool(np.linalg.norm(functional @ self.null) <= self.sure * size)


def most_excess(dof: int) -> float:
    """Return the 99.9 % quantile of chi-squared over its degrees of freedom (Wilson & Hilferty 1931, from memory)."""
    return float((1.0 - 2.0 / (9.0 * dof) + MISFIT * np.sqrt(2.0 / (9.0 * dof))) ** 3)


def planes(laid: MatchedSurveys, points: Floats) -> Floats:
    """Return 1, x, y at points (n, 2), scaled to the bed, shape (n, 3)."""
    return np.column_stack([np.ones(len(points)), (points - np.array(middle(laid.bed))) / half_side(laid.bed)])


def separate(laid: MatchedSurveys) -> Separation:
    """Solve for both forms."""
    on_plate, rows = len(laid.plate), np.arange(len(laid.gaps))
    design = np.zeros((len(rows), on_plate + len(laid.gantry)))
    design[rows, laid.at_plate] = 1.0
    design[rows, on_plate + laid.at_gantry] = -1.0
    flat = [planes(laid, points) for points in (laid.plate, laid.gantry)]
    parts = [complement(columns, NULL, lengths(columns)) for columns in flat]
    free = np.zeros((design.shape[1], sum(part.shape[1] for part in parts)))
    free[:on_plate, : parts[0].shape[1]] = parts[0]
    free[on_plate:, parts[0].shape[1] :] = parts[1]

    body = np.column_stack([design @ free, laid.gaps])
    taken = 0
    for index, covariance in enumerate(laid.blocks):
        own = laid.survey == index
        white = np.linalg.inv(np.linalg.cholesky(covariance))
        columns = white @ planes(laid, laid.gantry[laid.at_gantry[own]])
        plane = span(columns, NULL, lengths(columns))
        body[own] = less(white @ body[own], plane)
        taken += plane.shape[1]
    short = max(body.shape[1] - 1 - len(body), 0)
    body = np.vstack([body, np.zeros((short, body.shape[1]))])
    left, values, right = np.linalg.svd(body[:, :-1], full_matrices=False)
    least = NULL + BLUR * laid.blur
    seen = values > least * values.max(initial=0.0)
    along = left[:, seen].T @ body[:, -1]
    gain = free @ (right[seen].T / values[seen])
    rest = body[:, -1] - left[:, seen] @ along
    dof = len(rows) - taken - int(seen.sum())
    excess = float(rest @ rest) / dof if dof > 0 else None
    wider = excess**0.5 if excess is not None and excess > most_excess(dof) else 1.0
    return Separation(
        laid=laid,
        estimate=gain @ along,
        root=wider * gain,
        null=free @ right[~seen].T,
        sure=max(1e-6, BLUR * least),
        excess=excess,
        dof=dof,
    )
