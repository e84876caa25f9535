"""Several surveys of one bed adjusted together: one form under all of them, and what differs between them.

Survey k sees at station s of its own::

    gap = T(s) @ c + r(s) + z_k + columns(k, s) @ a + error

``T`` are the terms of :mod:`..diagnostics.form_terms` and whatever else may differ between surveys, with common
coefficients c; r(s) is what they leave of the form, the same in every survey that read the station and taken as random
from one station to the next, with a variance estimated from the surveys themselves; z_k is the survey's own zero.
Wanted are the coefficients ``a`` of what differs. So a station that two surveys share compares them whatever the form
is there, and one that they do not share counts according to the variance of the form. c, z_k and the surveys' own
common errors are eliminated by an orthogonal projection; what remains is weighted least squares. Derived here from
generalized least squares (JCGM 102, 6.3 for the propagation, from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property
from typing import Literal

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from ..diagnostics.form_terms import SEEN, term_columns
from ..linalg.orthogonalize import in_order, lengths, less, span
from ..model.contract import Floats
from ..model.machine import Bed
from .reduction import ReducedSurvey

NULL = 1e-7
"""Singular values below this, of columns of length one, are round-off: the readings do not see that direction."""

Errors = Literal["independent", "common"]


class Joint(Struct, frozen=True, dict=True):
    """K surveys, one under the other: N gaps at S different stations, with q common errors.

    ``survey`` and ``station`` (N,) index each gap; ``points`` (N, 2), ``gaps`` (N,), ``variance`` (N,) independent
    between gaps, ``common`` (S,) the variance of the error that all gaps of a station have in common, ``form`` that of
    what the shapes leave of the form (infinite: nothing is known of it, only differences within stations count),
    ``factors`` (N, q), ``shapes`` (N, k) the columns of the form under all surveys, ``zeros`` (N, z) those of the
    surveys' own zeros.
    """

    survey: np.ndarray
    station: np.ndarray
    points: Floats
    gaps: Floats
    variance: Floats
    common: Floats
    form: float
    factors: Floats
    shapes: Floats
    zeros: Floats

    def whitened(self, columns: Floats) -> Floats:
        """Return columns (N, c) in units in which the errors are independent, all of variance one; (N + q, c).

        The last q rows are for the common errors, parameters that are observed as 0 ± 1. A station's block of the
        covariance is diag(v) + common + form; its inverse square root takes off a part of the weighted mean.
        """
        weight = 1.0 / self.variance
        whole = np.bincount(self.station, weight)
        part = 1.0 - 1.0 / np.sqrt(1.0 + (self.common + self.form) * whole)  # 1 where the form is unknown
        sums = np.zeros((len(whole), columns.shape[1]))
        np.add.at(sums, self.station, weight[:, None] * columns)
        off = (part / whole)[:, None] * sums
        body = np.sqrt(weight)[:, None] * (columns - off[self.station])
        return np.concatenate([body, np.zeros((self.factors.shape[1], columns.shape[1]))])

    @cached_property
    def away(self) -> Floats:
        """Orthonormal basis (N + q, k) of what form, zeros and common errors do to whitened gaps."""
        known = self.factors.shape[1]
        columns = np.concatenate([self.shapes, self.zeros, self.factors], axis=1)
        body = self.whitened(columns)
        size = np.linalg.norm(columns / np.sqrt(self.variance)[:, None], axis=0)
        if known:
            body[-known:, -known:] = np.eye(known)
            size[-known:] = np.hypot(size[-known:], 1.0)
        return span(body, NULL, np.where(size > 0.0, size, 1.0))

    def within(self) -> Joint:
        """Return the same surveys with nothing known of the form: only stations that two of them share count."""
        return replace(self, form=np.inf, shapes=self.shapes[:, :0])

    def knowing(self, columns: Floats) -> Joint:
        """Return the same surveys with more shapes (N, m) that the form under all of them may have.

        What may differ between surveys must be among them: else what they have in common of it, which no prior of
        random form describes, would be taken in part for a difference.
        """
        return replace(self, shapes=np.concatenate([self.shapes, columns], axis=1))

    def variance_of(self, row: Floats) -> float:
        """Return the variance of a combination (N,) of the gaps; the form is no error."""
        at_stations = np.bincount(self.station, row)
        return float(row**2 @ self.variance + at_stations**2 @ self.common + np.sum((row @ self.factors) ** 2))


class Fitted(Struct, frozen=True):
    """What the surveys say of m coefficients.

    ``values`` (m,) with ``covariance`` (m, m); ``null`` (m, d) is an orthonormal basis of what they cannot see, where
    the values are those of least effort. ``rest`` is the weighted sum of squares that is left, of ``dof`` degrees of
    freedom; ``rank`` how many combinations are seen.
    """

    values: Floats
    covariance: Floats
    null: Floats
    rest: float
    dof: int
    rank: int

    @property
    def u(self) -> Floats:
        """Standard uncertainties, shape (m,)."""
        return np.asarray(np.sqrt(np.maximum(np.diag(self.covariance), 0.0)))

    @property
    def unseen(self) -> np.ndarray:
        """Which coefficients the surveys alone do not fix, (m,)."""
        return np.asarray(np.linalg.norm(self.null, axis=1) > 1e-4)


def join_surveys(bed: Bed, surveys: Sequence[ReducedSurvey], errors: Errors, *, zeros: bool) -> Joint:
    """Put surveys together; ``zeros`` gives each survey after the first a zero of its own.

    ``errors``: an indicator's error of indication is ``independent`` from reading to reading, or ``common`` to all
    readings of one station.
    """
    index: dict[tuple[float, float], int] = {}
    points = np.concatenate([one.points for one in surveys]) + 0.0
    station = np.array([index.setdefault((x, y), len(index)) for x, y in points.tolist()])
    survey = np.repeat(np.arange(len(surveys)), [len(one.points) for one in surveys])
    variance = np.concatenate([one.variance for one in surveys])
    common = np.zeros(len(index))
    if errors == "common":
        common = np.full(len(index), np.inf)
        np.minimum.at(common, station, np.concatenate([one.indication for one in surveys]))
    factors = np.zeros((len(points), sum(one.factors.shape[1] for one in surveys)))
    at = 0
    for k, one in enumerate(surveys):
        factors[survey == k, at : at + one.factors.shape[1]] = one.factors
        at += one.factors.shape[1]
    own = (survey[:, None] == np.arange(1, len(surveys) if zeros else 1)).astype(np.float64)
    return Joint(
        survey=survey,
        station=station,
        points=points,
        gaps=np.concatenate([one.gaps for one in surveys]),
        variance=variance - common[station],
        common=common,
        form=form_variance(bed, surveys),
        factors=factors,
        shapes=term_columns(bed, points),
        zeros=own,
    )


def form_variance(bed: Bed, surveys: Sequence[ReducedSurvey]) -> float:
    """Return the variance of what the terms leave of the form, by the method of moments over all surveys."""
    excess, spare = 0.0, 0
    for one in surveys:
        columns = term_columns(bed, one.points)
        basis = span(columns, NULL, lengths(columns))
        left = less(one.gaps, basis)
        free = 1.0 - np.einsum("ij,ij->i", basis, basis)
        common = less(one.factors, basis)
        excess += float(left @ left - one.variance @ free - np.sum(common**2))
        spare += len(left) - basis.shape[1]
    return max(excess / spare, 0.0) if spare else 0.0


class Reduced(Struct, frozen=True):
    """Whitened columns (rows, m) and gaps (rows,), form, zeros and common errors taken off; ``size`` (m,) is what the
    columns were before, ``rows`` how many independent rows are left."""

    columns: Floats
    gaps: Floats
    size: Floats
    rows: int


def project_out(joint: Joint, columns: Floats) -> Reduced:
    """Take form, zeros and the surveys' common errors off columns (N, m) and off the gaps."""
    body = joint.whitened(np.column_stack([columns, joint.gaps]))
    for _ in range(2):  # the second pass takes off what rounding left of the first
        body = less(body, joint.away)
    size = np.linalg.norm(columns / np.sqrt(joint.variance)[:, None], axis=0)
    lost = len(joint.common) if np.isinf(joint.form) else 0
    rows = len(joint.gaps) + joint.factors.shape[1] - lost - joint.away.shape[1]
    return Reduced(body[:, :-1], body[:, -1], np.where(size > 0.0, size, 1.0), rows)


def observable_in_order(joint: Joint, columns: Floats) -> np.ndarray:
    """Say of each column (N, m) whether the surveys tell it from those before it, as :mod:`..diagnostics.form_terms`
    does; (m,)."""
    body = project_out(joint, columns)
    return in_order(body.columns / body.size, np.full(columns.shape[1], SEEN)).kept


def fit_terms(joint: Joint, columns: Floats, effort: Floats | None = None, allowed: Floats | None = None) -> Fitted:
    """Fit what differs between the surveys: columns (N, m).

    Directions that are not seen take the least ``sum((effort * a) ** 2)``; ``allowed`` (m, p) is an orthonormal basis
    of the coefficients that are possible.
    """
    count = columns.shape[1]
    basis = np.eye(count) if allowed is None else allowed
    weights = np.ones(count) if effort is None else effort / effort.max(initial=0.0)
    body = project_out(joint, columns @ basis)
    padding = np.zeros((basis.shape[1], basis.shape[1]))
    left, s, right = np.linalg.svd(np.concatenate([body.columns / body.size, padding]), full_matrices=False)
    seen = s > NULL
    left = left[: len(body.gaps), seen]
    parts = left.T @ body.gaps
    spread = basis @ (right[seen].T / s[seen] / body.size[:, None])
    unseen = basis @ (right[~seen].T / body.size[:, None])
    null = span(unseen, NULL, lengths(unseen))
    # Least effort: what is not seen is chosen so that the whole costs least.
    spread = spread - null @ np.linalg.lstsq(weights[:, None] * null, weights[:, None] * spread, rcond=None)[0]
    over = body.gaps - left @ parts
    rank = int(seen.sum())
    return Fitted(spread @ parts, spread @ spread.T, null, float(over @ over), max(body.rows - rank, 0), rank)
