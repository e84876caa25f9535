"""What the two forms of a reversal are made of: the part that is decided, the part that is not, and terms with names.

Terms are taken in coordinates from the middle of the bed in units of half its longer side, the same along x and y, so
that a turn carries each into itself or its negative: a quarter turn changes the sign of twist and saddle and leaves the
round bow.
"""

from __future__ import annotations

import numpy as np
from msgspec import Struct

from ..diagnostics.form_terms import K_SIGNIFICANT
from ..linalg.orthogonalize import less
from ..model.contract import Floats
from .separation import Separation, planes

NAMED = ("twist", "saddle", "round bow")
TERMS = (*NAMED, "bow-x", "bow-y")
"""The three with names are proportional to x y, x² - y² and x² + y²."""

MOST_SHAPES = 24
"""Shapes of the undecidable part that are listed one by one; of a fine grid there are hundreds."""

ROUND = 1e-9


class Part(Struct, frozen=True):
    """Heights linear in the estimate: ``heights`` (m,) and a root of their covariance, (m, r)."""

    heights: Floats
    root: Floats

    @property
    def u(self) -> Floats:
        """Standard uncertainty of each height, (m,)."""
        return np.asarray(np.sqrt(np.sum(self.root**2, axis=1)))

    def range(self) -> tuple[float, float]:
        """Return highest minus lowest, and its standard uncertainty, which stations they are counting as known."""
        high, low = int(self.heights.argmax()), int(self.heights.argmin())
        u = float(np.linalg.norm(self.root[high] - self.root[low]))
        return float(self.heights[high] - self.heights[low]), u

    def formed(self) -> bool:
        """Say whether the heights are more than noise: their chi-squared beyond its mean by twice its deviation."""
        left, values, _ = np.linalg.svd(self.root, full_matrices=False)
        kept = values > 1e-6 * values.max(initial=0.0)
        parts = (left[:, kept].T @ self.heights) / values[kept]
        rank = int(kept.sum())
        return bool(rank > 0 and parts @ parts - rank > K_SIGNIFICANT * (2.0 * rank) ** 0.5)

    def through(self, gain: Floats) -> Part:
        """Return linear combinations of these heights: ``gain`` (k, m)."""
        return Part(gain @ self.heights, gain @ self.root)

    def less(self, other: Part) -> Part:
        """Return this less another part of the same estimate."""
        return Part(self.heights - other.heights, self.root - other.root)


class Form(Struct, frozen=True):
    """Plate or gantry at its m positions: what is decided of it, and what it is if all the undecided is its own.

    ``columns`` (m, 6) are 1, x, y and the named terms there; ``rows`` (3, n) give the named terms' coefficients from
    the estimate, ``seen`` (3,) says whether the positions can show them.
    """

    points: Floats
    decided: Part
    whole: Part
    columns: Floats
    rows: Floats
    seen: list[bool]

    @property
    def undecided(self) -> Part:
        """The undecided part, were it all here."""
        return self.whole.less(self.decided)


class Component(Struct, frozen=True):
    """One term of a form: its coefficient and u, None where it is undecidable; ``spread`` is its range per unit."""

    term: str
    value: float | None
    u: float | None
    spread: float


def named_columns(apart: Separation, points: Floats) -> Floats:
    """Return 1, x, y, twist, saddle and round bow at points (m, 2), shape (m, 6)."""
    plane = planes(apart.laid, points)
    x, y = plane[:, 1], plane[:, 2]
    return np.column_stack([plane, x * y, x**2 - y**2, x**2 + y**2])


def unit(columns: Floats) -> tuple[Floats, Floats]:
    """Return columns (m, k) scaled to length one and by what they were divided, (k,); what is nothing stays nothing."""
    size = np.linalg.norm(columns, axis=0)
    size = np.where(size > ROUND, size, 1.0)
    return columns / size, np.asarray(size)


def forms(apart: Separation) -> tuple[Form, Form]:
    """Return the plate's form and the gantry's."""
    estimate = Part(apart.estimate, apart.root)
    here, there = apart.on_plate, apart.on_gantry
    return _form(apart, estimate, here, there), _form(apart, estimate, there, here)


def _form(apart: Separation, estimate: Part, here: slice, there: slice) -> Form:
    points = apart.laid.plate if here == apart.on_plate else apart.laid.gantry
    own, other = (Part(estimate.heights[part], estimate.root[part]) for part in (here, there))
    back = np.linalg.pinv(apart.null[here], rcond=1e-6)
    away = np.linalg.pinv(apart.null[there], rcond=1e-6)
    decided = own.less(own.through(apart.null[here] @ back))
    whole = own.less(other.through(apart.null[here] @ away))
    columns = named_columns(apart, points)
    scaled, size = unit(columns)
    fit = np.linalg.pinv(scaled, rcond=1e-7) / size[:, None]
    seen = [bool(abs(fit[3 + k] @ columns[:, 3 + k] - 1.0) < 1e-6) for k in range(len(NAMED))]
    rows = np.zeros((len(NAMED), len(apart.estimate)))
    rows[:, here] = fit[3:]
    return Form(points, decided, whole, columns, rows, seen)


def components(apart: Separation, form: Form) -> list[Component]:
    """Return the terms of a form, each decided or not; a term that the positions cannot show is not."""
    twist, saddle, bow = form.rows
    x, y = form.columns[:, 1], form.columns[:, 2]
    both = form.seen[1] and form.seen[2]
    listed = zip(
        TERMS,
        (twist, saddle, bow, saddle + bow, bow - saddle),
        (*form.columns[:, 3:].T, x**2, y**2),
        (*form.seen, both, both),
        strict=True,
    )
    found = []
    for term, row, shape, seen in listed:
        if seen and apart.decides(row):
            value, u = float(row @ apart.estimate), float(np.linalg.norm(row @ apart.root))
            found.append(Component(term, value, u, float(np.ptp(shape))))
        else:
            found.append(Component(term, None, None, float(np.ptp(shape))))
    return found


def remainder(apart: Separation, form: Form) -> tuple[Part, bool]:
    """Return what a form has decided beyond the named terms, and whether nothing of the rest is undecided."""
    columns, _ = unit(form.columns)
    rest = np.eye(len(columns)) - columns @ np.linalg.pinv(columns, rcond=1e-7)
    null = apart.null[apart.on_plate if form.points is apart.laid.plate else apart.on_gantry]
    return form.decided.through(rest), bool(np.linalg.norm(rest @ null) <= apart.sure * max(null.shape[1], 1))


class Shape(Struct, frozen=True):
    """One direction of the undecidable part: heights (n,) of plate and gantry that together change no gap.

    The largest is 1. ``size`` and ``u`` are the range of it in the gap, where it has a name.
    """

    name: str
    heights: Floats
    size: float | None
    u: float | None


def undecided_shapes(apart: Separation, plate: Form) -> list[Shape]:
    """Return the undecidable part direction by direction, those with a name first, at most :data:`MOST_SHAPES`."""
    null, found = apart.null, list[tuple[str, Floats]]()
    flat = planes(apart.laid, plate.points)
    own = null[apart.on_plate]
    for index, name in enumerate(NAMED):
        shape = plate.columns[:, 3 + index]
        shape = shape - flat @ (np.linalg.pinv(flat) @ shape)
        if not plate.seen[index] or null.shape[1] == 0:
            continue
        along = np.linalg.pinv(own, rcond=1e-6) @ shape
        if np.linalg.norm(own @ along - shape) <= apart.sure * np.linalg.norm(shape):
            found.append((name, null @ along))
    sizes: list[tuple[float, float]] = []
    if found:
        columns = np.column_stack([heights[apart.on_plate] for _, heights in found])
        fitted = plate.undecided.through(np.asarray(np.linalg.pinv(columns)))
        spread = np.ptp(columns, axis=0)
        sizes = list(zip((np.abs(fitted.heights) * spread).tolist(), (fitted.u * spread).tolist(), strict=True))
    shapes = [Shape(name, _unit(heights), *size) for (name, heights), size in zip(found, sizes, strict=True)]
    left = null
    if found:
        taken = np.linalg.qr(np.column_stack([heights for _, heights in found]))[0]
        left = less(null, taken)
    for _ in range(min(null.shape[1], MOST_SHAPES) - len(found)):
        # the position least fixed by those before stands for the next, the first of equals
        lengths = np.sum(left**2, axis=1)
        pivot = int(np.flatnonzero(lengths >= lengths.max() * (1.0 - ROUND))[0])
        heights = left @ left[pivot]
        shapes.append(Shape("", _unit(heights), None, None))
        heights = heights / np.linalg.norm(heights)
        left = left - np.outer(heights, heights @ left)
    return shapes


def _unit(heights: Floats) -> Floats:
    """Scale so that the largest height is 1; what is round-off is nothing."""
    size = np.abs(heights)
    first = int(np.flatnonzero(size >= size.max() * (1.0 - ROUND))[0])
    scaled = heights / heights[first]
    return np.where(np.abs(scaled) < ROUND, 0.0, scaled)
