"""The gap split into terms that a person can name: tilts, twist, bows, and the rest.

Terms are 1, x, y, xy, x², y² in coordinates that run from -1 to 1 over the bed, fitted together by weighted least
squares; so twist means what remains of xy once tilt is taken off. Shares are those of the sequential sum of squares, in
the order of the list, and add up to one; the offset has none, since re-zeroing the indicator removes it.
"""

from __future__ import annotations

import numpy as np
from msgspec import Struct

from .answer import Blind, Term
from .contract import Floats
from .machine import Bed
from .survey import Layout

TERMS = ("offset", "tilt-x", "tilt-y", "twist", "bow-x", "bow-y")
K_SIGNIFICANT = 2.0
"""A term is more than noise beyond twice its standard uncertainty (about 95 %, JCGM 100 6.3.3)."""

SEEN = 1e-6
"""A term whose new part at the stations is smaller than this share of its size is not seen."""

CURE = {
    "tilt-x": "stations at different x",
    "tilt-y": "stations at different y",
    "twist": "the four corners of the bed",
    "bow-x": "three or more stations along x",
    "bow-y": "three or more stations along y",
}


def term_columns(bed: Bed, points: Floats) -> Floats:
    """Return the terms' values at points (n_points, 2), shape (n_points, 6), each scaled to the bed."""
    (left, right), (front, rear) = bed.x, bed.y
    u = (2.0 * points[:, 0] - left - right) / (right - left)
    v = (2.0 * points[:, 1] - front - rear) / (rear - front)
    return np.column_stack([np.ones_like(u), u, v, u * v, u * u, v * v])


class Form(Struct, frozen=True):
    """The terms at given stations, prepared.

    ``seen`` (6,) says which terms the stations can tell from those before; ``fit`` (6, n) gives coefficients from gaps
    (rows of unseen terms are zero), ``spread`` (6,) the range of each term over the stations, ``sequential`` (6, n) the
    orthonormal directions behind the shares, ``columns`` (n, 6) the terms.
    """

    seen: np.ndarray
    fit: Floats
    spread: Floats
    sequential: Floats
    columns: Floats

    def blind(self) -> list[Blind]:
        """Name the terms that these stations cannot tell from the ones before."""
        return [
            Blind(
                term, "term", f"These stations cannot tell {term} from tilt and the terms before it; add {CURE[term]}."
            )
            for term, seen in zip(TERMS, self.seen, strict=True)
            if not seen and term in CURE
        ]

    def split(self, gap: Floats, variance: Floats, plan: Layout, root: Floats) -> list[Term]:
        """Split one gap (n,) with its variances; ``root`` (n,) are the square roots of the weights."""
        coefficients = self.fit @ gap
        u = plan.u_of(self.fit, variance)
        weighted = root * gap
        parts = (self.sequential @ weighted) ** 2
        about_mean = float(weighted @ weighted) - float(parts[0])
        rest = gap - self.columns @ coefficients
        whole = max(about_mean, 0.0)
        shares = parts / whole if whole > 0.0 else np.zeros_like(parts)
        shares[0] = 0.0
        high, low = rest.argmax(), rest.argmin()
        terms = [
            Term(
                term,
                range=abs(value) * spread if seen else None,
                u=error * spread if seen else None,
                share=share,
                significant=bool(seen and abs(value) > K_SIGNIFICANT * error),
            )
            for term, value, error, spread, share, seen in zip(
                TERMS,
                coefficients.tolist(),
                u.tolist(),
                self.spread.tolist(),
                shares.tolist(),
                self.seen.tolist(),
                strict=True,
            )
        ]
        offset = abs(float(coefficients[0]))
        terms[0] = Term("offset", offset, float(u[0]), 0.0, offset > K_SIGNIFICANT * float(u[0]))
        spare = len(gap) - int(self.seen.sum())
        noise = float(rest @ (rest / variance))
        terms.append(
            Term(
                "remainder",
                range=float(rest[high] - rest[low]),
                u=float(plan.pair_u(variance, high, low)),
                share=max(1.0 - sum(shares.tolist()), 0.0) if whole > 0.0 else 0.0,
                significant=spare > 0 and noise > spare + K_SIGNIFICANT * (2.0 * spare) ** 0.5,
            )
        )
        return terms


def form(bed: Bed, points: Floats, root: Floats) -> Form:
    """Prepare the terms for stations (n, 2) with square-root weights (n,)."""
    columns = term_columns(bed, points)
    weighted = columns * root[:, None]
    sequential = np.zeros((len(TERMS), len(points)))
    seen = np.zeros(len(TERMS), dtype=bool)
    for index in range(len(TERMS)):
        part = weighted[:, index].copy()
        for _ in range(2):  # once more for orthogonality to working precision (Giraud et al., 2005)
            part -= sequential.T @ (sequential @ part)
        size = float(np.linalg.norm(part))
        if size > SEEN * float(np.linalg.norm(weighted[:, index])):
            seen[index], sequential[index] = True, part / size
    fit = np.zeros((len(TERMS), len(points)))
    fit[seen] = np.linalg.pinv(weighted[:, seen]) * root
    return Form(seen=seen, fit=fit, spread=np.ptp(columns, axis=0), sequential=sequential, columns=columns)
