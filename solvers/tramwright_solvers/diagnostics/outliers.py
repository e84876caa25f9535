"""Readings that the rest of the survey contradicts, and the slip that would explain them.

The rest of the survey is a smooth form: offset, tilts, twist, bows, what the adjusters can do, and higher terms where
there are readings enough. A reading is suspected when it stands out both against the indicator's own uncertainty
(Baarda's w-test) and against what the survey itself scatters about the form (externally studentized, Student's t). So
neither rounding in a very even survey nor a wavy plate is taken for a slip. Several slips are found by the generalized
extreme studentized deviate (Rosner, Technometrics 25 (1983), from memory), in which several slips do not mask each
other by inflating the scatter, and each is tested again with all others set aside.
"""

from __future__ import annotations

from functools import cache, cached_property
from math import inf, sqrt

import numpy as np
from msgspec import Struct

from ..linalg.grids import scaled_to
from ..linalg.rowwise import row_dots, row_products
from ..model.contract import Floats
from ..model.machine import Bed, Machine
from ..model.units import DECIMALS
from ..reduction.stations import StationLayout
from ..results.findings import Suspect, Unchecked
from . import sentences
from .blunders import FORM_MM, Misread, Read, misread
from .detection import deviations
from .generalized_esd import generalized_esd
from .local_surface import NEIGHBOURS, Neighbours, neighbours, paraboloid
from .reliability import ALPHA, Reliability, non_centrality, smallest_detectable
from .shifted_rows import ShiftedRows, shifted_rows
from .undeclared_drift import DriftCheck, drift_check

SHARED = 0.01
"""Risk of Student's test, shared over all stations (Bonferroni). Our own choice, below the 5 % allowed: a wavy plate's
residuals are not normal, and several stations are tried one after another.
"""

MOST = 10
"""Slips looked for at the most; a survey with more is better read again."""

HIGHEST, SPARE_FOR_MORE = 6, 0.4
"""Terms beyond bows are fitted, up to this degree, while they leave every station this redundancy. Our own choice."""


DENSE = 24
"""Redundancy above which the stations around a suspect are asked. Our own choice."""

SEEN_NEARBY = 0.5
"""Share of a slip by which the reading must lie off the readings around it; less is taken for form of the plate. Our
own choice."""


class SlipCheck(Struct, frozen=True, dict=True):
    """The check of readings against each other, prepared for stations (n, 2).

    ``root`` (n,) are square-root weights, mean weight one, and ``normalize`` (n,) takes weighted residuals to one
    deviation. ``w`` is the critical value of the w-test; ``t[k]`` that of Student's t with k readings set aside;
    ``scatter`` that of the sum of squares over the variance; ``near`` that of Student's t against the stations around,
    None where there are too few. ``bends`` (n, c) are the terms one degree above the form, ``unit`` is the standard
    uncertainty of weight one before any repeat is looked at.
    """

    model: Reliability
    root: Floats
    share: Floats
    normalize: Floats
    unit: float
    w: float
    t: tuple[float, ...]
    scatter: float
    near: float | None
    bends: Floats
    read: Read

    @property
    def columns(self) -> Floats:
        """Columns (n, q) that span the smooth form."""
        return self.model.basis / self.root[:, None]

    @cached_property
    def neighbours(self) -> Neighbours:
        """The stations around each station."""
        return neighbours(self.read.points)

    @cached_property
    def rows(self) -> ShiftedRows:
        """The rows and columns of stations that may be off as a whole."""
        return shifted_rows(self.read.points, self.model, self.root, self.bends)

    @cached_property
    def drift(self) -> DriftCheck:
        """The test for a drift that was not declared; for stations that are each read at one time."""
        return drift_check(self.model, self.root)

    def drifts(self, gaps: Floats, variance: Floats) -> Floats:
        """Return how far each survey drifted beyond doubt, (N,): gaps and independent variances (N, n)."""
        unit = row_products(variance, self.share[:, None])[:, 0]
        return self.drift.drifts(self.model, self.root * gaps, unit)

    @cached_property
    def detectable(self) -> Floats:
        """Slips (n,) that are named four times in five, for a unit variance of weight one."""
        if not self.t:
            return np.full(len(self.root), inf)
        around = None
        if self.near is not None:
            reach = self.neighbours
            own = 1.0 + np.sum((reach.continued * self.root[:, None] / self.root[reach.around]) ** 2, axis=1)
            around = self.near, NEIGHBOURS - 6, np.sqrt(own)
        return smallest_detectable(1.0 / self.root, self.model, deviations(self.model, self.w, self.t[0], around))

    def suspects(self, gaps: Floats, variance: Floats) -> list[list[Suspect]]:
        """Return each survey's suspects, worst first: gaps (N, n) and their independent variances (N, n)."""
        found: list[list[Suspect]] = [[] for _ in gaps]
        if not self.t:
            return found
        unit, weighted = row_products(variance, self.share[:, None])[:, 0], self.root * gaps
        residual = weighted - row_products(row_products(weighted, self.model.basis), self.model.basis.T)
        out = np.abs(residual * self.normalize).max(axis=1) > self.w * np.sqrt(unit)
        uneven = (out | (row_dots(residual, residual) > self.scatter * unit)).nonzero()[0]
        if not len(uneven):
            return found
        residual, unit = residual[uneven], unit[uneven]
        alone = np.ones(len(uneven), dtype=bool)
        for place in np.flatnonzero(self.rows.may(residual, self.root, self.t[0], unit, self.w)).tolist():
            survey = int(uneven[place])
            if told := self.row_out(gaps[survey], residual[place], float(unit[place])):
                found[survey], alone[place] = told, False
        places = np.flatnonzero(alone)
        aside = generalized_esd(self.model, residual[places], unit[places], self.w, self.t)
        for place, stations in zip(places.tolist(), aside, strict=True):
            if stations:
                survey = int(uneven[place])
                found[survey] = self.singly(gaps[survey], residual[place], stations, float(unit[place]))
        return found

    def row_out(self, gap: Floats, residual: Floats, unit: float) -> list[Suspect]:
        """Name the stations of a row that is off as a whole; none if there is no such row."""
        floor = min(self.read.rounding**2, unit)
        row = self.rows.out(residual, self.root, self.normalize, self.t[0], unit, self.w, self.scatter, floor)
        if row is None:
            return []
        expected = (gap[row.members] - row.shift).tolist()
        found = [Misread(int(i), e, row.standardized, inf) for i, e in zip(row.members, expected, strict=True)]
        return self.told(gap, unit, found, row.name)

    def singly(self, gap: Floats, residual: Floats, aside: list[int], unit: float) -> list[Suspect]:
        """Name those of the stations set aside that stand out together."""
        found = self.estimated(gap, residual, aside, unit, min(self.read.rounding**2, unit))
        if found and self.near is not None:
            found = self.stand_alone(gap, found, unit, self.near)
        return self.told(gap, unit, found, None)

    def estimated(self, gap: Floats, residual: Floats, aside: list[int], unit: float, floor: float) -> list[Misread]:
        """Estimate all slips together and drop those that do not stand out once the others are set aside."""
        while aside:
            own = self.model.basis[aside]
            covariance = np.linalg.inv(np.eye(len(aside)) - own @ own.T)
            slips = covariance @ residual[aside]
            whole = float(residual @ residual)
            rest = max(whole - float(slips @ residual[aside]), 1e-12 * whole) / (self.model.dof - len(aside))
            per_scatter = np.sqrt(np.diag(covariance))
            standardized = slips / (per_scatter * sqrt(rest))
            stands = np.minimum(
                np.abs(standardized) / self.t[len(aside) - 1], np.abs(slips) / (per_scatter * self.w * sqrt(unit))
            )
            if float(stands.min()) > 1.0:
                scatter = sqrt(max(rest, floor))
                root = self.root[aside]
                rows = zip(
                    aside,
                    (gap[aside] - slips / root).tolist(),
                    standardized.tolist(),
                    (per_scatter * scatter / root).tolist(),
                    strict=True,
                )
                return sorted((Misread(*row) for row in rows), key=lambda one: -abs(one.standardized))
            aside = [index for k, index in enumerate(aside) if k != int(stands.argmin())]
        return []

    def stand_alone(self, gap: Floats, found: list[Misread], unit: float, near: float) -> list[Misread]:
        """Drop suspects that the stations around them confirm.

        What the form leaves at the :data:`NEIGHBOURS` nearest sound stations is continued to the suspect by a
        paraboloid; the slip must stand out from that by Student's t as well, and the reading itself must lie off the
        readings around it, for towards an edge a wavy form is easily continued to where the plate is not. Where the
        plate stays wavy beyond the readings' uncertainty, a suspect that no common slip explains is its form more
        likely than a slip.
        """
        points, index = self.read.points, [one.index for one in found]
        cleaned = gap.copy()
        cleaned[index] = [one.expected for one in found]
        residual = self.model.residual(self.root * cleaned)
        left, wavy = residual / self.root, float(residual @ residual) > self.scatter * unit
        off = self.neighbours.off(gap)
        kept = []
        for one in found:
            away = points - points[one.index]
            distance = np.hypot(*away.T)
            distance[index] = inf
            around = np.argpartition(distance, NEIGHBOURS)[:NEIGHBOURS]
            x, y = away[around].T / float(distance[around].max())
            bowl = paraboloid(x, y)
            inverse = np.linalg.pinv(bowl)
            here = inverse @ left[around]
            rest = left[around] - bowl @ here
            variance = float(rest @ rest) / (NEIGHBOURS - 6) * (1.0 + float(inverse[0] @ inverse[0]))
            slip = float(gap[one.index]) - one.expected - float(here[0])
            explained = not wavy or misread(self.read, gap, one, found)[0] != sentences.UNKNOWN_SLIP
            nearby = float(off[one.index]) / slip if slip else 0.0
            if explained and abs(slip) > near * sqrt(variance) and nearby >= SEEN_NEARBY:
                kept.append(one)
        return kept

    def told(self, gap: Floats, unit: float, found: list[Misread], row: str | None) -> list[Suspect]:
        """Write the suspects with what explains each."""
        detectable = self.detectable * sqrt(unit)
        told = []
        for one in found:
            likely, says = misread(self.read, gap, one, found) if row is None else self.read.of_row(gap, one, row)
            x, y = self.read.points[one.index].tolist()
            told.append(
                Suspect(
                    x=x,
                    y=y,
                    value=self.read.sense * float(gap[one.index]) + 0.0,
                    expected=self.read.sense * one.expected + 0.0,
                    standardized=self.read.sense * one.standardized,
                    likely=likely,
                    says=says,
                    redundancy=float(self.model.redundancy[one.index]),
                    smallest_detectable=float(min(detectable[one.index], 1e300)),
                )
            )
        return told

    def unchecked(self) -> list[Unchecked]:
        """Return the stations where the others cannot tell a slip: redundancy below 0.1, or fewer than two to spare."""
        found = np.flatnonzero(~self.model.checked)
        return [
            Unchecked(
                x=float(self.read.points[index, 0]),
                y=float(self.read.points[index, 1]),
                redundancy=float(self.model.redundancy[index]) if self.model.dof else 0.0,
                smallest_detectable=None,
            )
            for index in found
        ]

    def unchecked_says(self) -> tuple[str, ...]:
        """Return a sentence on the stations of :meth:`unchecked`; none where a slip shows everywhere."""
        found = self.unchecked()
        if not found:
            return ()
        if len(found) == len(self.root):
            return (sentences.READINGS_UNCHECKED,)
        return (sentences.hardly_checked(found),)


def slip_check(machine: Machine, plan: StationLayout, model: Reliability, root: Floats) -> SlipCheck:
    """Prepare the check for the model of a form and the adjusters and square-root weights (n,)."""
    points, count = plan.points, len(plan.points)
    model, bends = smooth_model(machine.bed, points, model, root)
    share, (t, scatter, near) = root**2 / count, critical_values(count, model.dof)
    variance = float(share @ (1.0 / np.bincount(plan.group_station, plan.weights, count)))
    return SlipCheck(
        model=model,
        root=root,
        share=share,
        normalize=model.normalized(),
        unit=sqrt(variance),
        w=non_centrality(power=0.5),
        t=t,
        scatter=scatter,
        near=near,
        bends=bends,
        read=Read(
            points=points,
            sense=machine.sense,
            direct=direct(plan),
            rounding=machine.division / sqrt(12.0),
            form=machine.from_mm(FORM_MM),
            revolutions=revolutions(machine),
            digits=DECIMALS[machine.units],
            unit=machine.units,
        ),
    )


@cache
def critical_values(count: int, dof: int) -> tuple[tuple[float, ...], float, float | None]:
    """Return ``t``, ``scatter`` and ``near`` of a :class:`SlipCheck` of so many stations, ``dof`` of them to spare."""
    from scipy.special import chdtri, stdtrit

    most = min(max(1, dof // 4), MOST) if dof >= 2 else 0
    return (
        tuple(float(stdtrit(dof - 1 - k, 1.0 - SHARED / (2.0 * count))) for k in range(most)),
        float(chdtri(dof, ALPHA)) if dof else 0.0,
        float(stdtrit(NEIGHBOURS - 6, 1.0 - ALPHA / 2.0)) if dof > DENSE else None,
    )


def smooth_model(bed: Bed, points: Floats, model: Reliability, root: Floats) -> tuple[Reliability, Floats]:
    """Return a model with higher terms as far as the stations bear them, and the terms one degree up."""
    for degree in range(3, HIGHEST + 1):
        bends = higher_terms(bed, points, degree)
        finer = model.extended(bends * root[:, None])
        if finer.dof < 2 or float(finer.redundancy.min()) < SPARE_FOR_MORE:
            return model, bends
        model = finer
    return model, higher_terms(bed, points, HIGHEST + 1)


def higher_terms(bed: Bed, points: Floats, degree: int) -> Floats:
    """Return the terms of one degree over the bed at points (n, 2), shape (n, degree + 1)."""
    u, v = scaled_to(bed, points)
    return np.array([u ** (degree - k) * v**k for k in range(degree + 1)]).T.copy()


def direct(plan: StationLayout) -> np.ndarray:
    """Return at which stations (n,) the gap is the dial itself, no zero or drift of the set-up being taken off."""
    if plan.network is None:
        return np.ones(len(plan.points), dtype=bool)
    moved = np.any(plan.network.nuisance != 0.0, axis=1)
    return np.asarray(np.bincount(plan.group_station, moved, len(plan.points)) == 0)


def revolutions(machine: Machine) -> tuple[float, ...]:
    """Return what one revolution of the dial may be: 100 divisions, and 1 mm (common practice, no source)."""
    hundred = 100.0 * machine.division
    one = machine.from_mm(1.0)
    return (hundred,) if machine.units == "inch" or abs(hundred - one) <= 1e-9 * one else (hundred, one)
