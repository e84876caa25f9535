"""How the tilt of a bed grows with its height, and the lead error of each screw that carries it.

Survey k is taken at bed height h. What differs between surveys is taken as proportional to height
(:mod:`..multisurvey.joint_adjustment`)::

    gap = form + zero_k + h * (influence @ lead_error + terms that no screw makes)

A screw whose lead is long lifts its corner more at every turn, so the plane tilts evenly with height. What screws
cannot make (twist and bow under a bed on three) comes from guides or frame. The mean lead error cannot be determined,
because it raises the whole bed and is absorbed by the zero, so lead errors are given against their mean.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated

import numpy as np
from msgspec import Meta, Struct

from ..diagnostics.form_terms import OVER_BED, TERMS, form, term_columns
from ..diagnostics.reliability import ALPHA
from ..diagnostics.unobservable import own_part
from ..linalg.grids import bed_grid
from ..mechanisms.registry import Registry, installed
from ..model.contract import Floats, Mechanism
from ..model.errors import Fault, Refused
from ..model.machine import Machine
from ..model.quantities import Coordinate
from ..model.survey import Survey
from ..multisurvey.joint_adjustment import Fitted, Joint, fit_terms, join_surveys, observable_in_order
from ..multisurvey.reduction import Group, ReducedSurvey, collect_group, group_of, reduce_group, repeats
from ..multisurvey.settling import bent, change_at
from ..multisurvey.significance import CRITICAL, beyond_chance, how_known, tested
from . import sentences
from .results import (
    Cause,
    HeightCheck,
    HeightTerm,
    LeadError,
    Level,
    MadeBy,
    TermSlope,
)

PER_100_MM = 1e5
"""From a slope without unit to micrometres per 100 mm."""

MOST_ERROR = 0.1
"""Larger shares of a lead are taken for a slip in the heights or their unit. Our own choice."""

REACHED = 1e-6
"""A term of which the screws leave less than this over the bed is one that they can make."""


class SurveyAtHeight(Survey, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Readings over the bed with the bed at one height, the indicator zeroed as it comes."""

    height: Annotated[
        Coordinate,
        Meta(
            description="Height of the bed as the machine is told it, in `units`, positive = up; where the control "
            "counts downward, its negative."
        ),
    ]


Surveys = Annotated[
    list[SurveyAtHeight],
    Meta(max_length=32, extra_json_schema={"minItems": 2}, description="Surveys at two or more heights, in any order."),
]


def check_heights(
    machine: Machine,
    surveys: Sequence[SurveyAtHeight],
    mechanisms: Sequence[Mechanism] = (),
    registry: Registry | None = None,
) -> HeightCheck:
    """Compare surveys at two or more bed heights; where no mechanism is named, that of the supports which suits.

    Screws under ``hold`` are taken as true, and the others are then given against them.

    Raises:
        Refused: fewer than two heights, no supports, or something else wrong in the machine or a survey; every fault
            found is listed, with pointers into ``{machine, surveys, solve}``.
    """
    by_pointer: dict[str, Survey] = {f"/surveys/{index}": survey for index, survey in enumerate(surveys)}
    registry = registry or installed()
    faults, groups = [*height_faults(surveys), *registry.unread_extras(machine)], list[Group]()
    measured = reduce_group(machine, by_pointer, faults)
    with collect_group(faults):
        groups.append(group_of(machine, carrying(machine, mechanisms, registry), bool(mechanisms)))
    if faults:
        raise Refused(faults)
    joint = join_surveys(machine.bed, measured, "independent", zeros=True)
    joint = joint.knowing(groups[0].influence(machine, joint.points))
    heights = np.array([survey.height for survey in surveys], dtype=np.float64)
    return Climb(machine, groups[0], joint, heights).written(measured, any(map(repeats, surveys)))


def height_faults(surveys: Sequence[SurveyAtHeight]) -> list[Fault]:
    """Return a fault where the heights do not show how anything changes with height."""
    if len({survey.height for survey in surveys}) >= 2:
        return []
    return [Fault("/surveys", sentences.one_height(surveys[0].height if len(surveys) > 1 else None))]


def carrying(machine: Machine, named: Sequence[Mechanism], registry: Registry) -> Sequence[Mechanism]:
    """Return the mechanisms whose adjusters carry the bed.

    Raises:
        Refused: one is named that moves anything else, or none suits.
    """
    faults = list[Fault]()
    for index, mechanism in enumerate(named):
        with collect_group(faults):
            if any(adjuster.kind != "support" for adjuster in mechanism.adjusters(machine)):
                faults.append(
                    Fault(
                        f"/solve/with/{index}/solver",
                        sentences.does_not_rise(mechanism.name()),
                    )
                )
    if faults:
        raise Refused(faults)
    if named:
        return named
    for mechanism in registry.suiting(machine):
        if all(one.kind == "support" for one in mechanism.adjusters(machine)):
            return [mechanism]
    raise Refused.at(
        "/machine/supports",
        sentences.NO_CARRYING_SUPPORTS,
    )


class Climb(Struct, frozen=True):
    """Surveys at K heights put together, to be written up; ``heights`` (K,) in the machine's unit."""

    machine: Machine
    group: Group
    joint: Joint
    heights: Floats

    @property
    def span(self) -> float:
        """Highest less lowest height."""
        return float(np.ptp(self.heights))

    def written(self, measured: Sequence[ReducedSurvey], repeated: bool) -> HeightCheck:
        """Write the check. Fits are over the whole span of heights, so that numbers are of one size."""
        machine, joint = self.machine, self.joint
        share = ((self.heights - self.heights.mean()) / self.span)[joint.survey, None]
        grid = bed_grid(machine.bed)
        lifts = self.group.influence(machine, grid)
        reach = [own_part(lifts, column[:, None]) < REACHED for column in term_columns(machine.bed, grid).T[1:]]
        shapes = term_columns(machine.bed, joint.points)[:, 1:] * share
        lift = self.group.influence(machine, joint.points) * share
        allowed = self.group.allowed(machine)
        others = np.flatnonzero(~np.array(reach))
        others = others[observable_in_order(joint, np.concatenate([lift, shapes[:, others]], axis=1))[lift.shape[1] :]]
        screws, both, guides = (
            fit_terms(joint, columns, allowed=possible)
            for columns, possible in (
                (lift, allowed),
                (np.concatenate([lift, shapes[:, others]], axis=1), beside(allowed, len(others))),
                (shapes[:, others], None),
            )
        )
        seen = np.flatnonzero(observable_in_order(joint, shapes))
        slopes = fit_terms(joint, shapes[:, seen])
        by_screws = beyond_chance(guides.rest - both.rest, both.rank - guides.rank)
        by_guides = beyond_chance(screws.rest - both.rest, both.rank - screws.rank)
        cause: Cause = (
            "both" if by_screws and by_guides else "screws" if by_screws else "guides" if by_guides else "none"
        )
        uneven = self.uneven(slopes, term_columns(machine.bed, joint.points)[:, 1:])
        terms, leads = self.terms(slopes, seen, reach), self.leads(both, lifts, allowed)
        growth, growth_u = self.growth(slopes, seen)
        limit_after = machine.total_limit / growth if growth > CRITICAL * growth_u else None
        risk = 1.0 - (1.0 - ALPHA) ** (2 + (uneven is not None))
        return HeightCheck(
            machine=machine.id,
            units=machine.units,
            cause=cause,
            says=sentences.sentence(cause, leads, terms, uneven),
            risk=risk,
            adjusters=leads,
            terms=terms,
            growth=PER_100_MM * growth,
            growth_u=PER_100_MM * growth_u,
            limit_after=limit_after,
            uneven=uneven,
            doubts=[*self.doubts(), *self.curvature(both)],
            levels=[self.level(height, one) for height, one in zip(self.heights.tolist(), measured, strict=True)],
            undetermined=self.undetermined(terms, leads),
            remedies=sentences.remedies(machine, cause, leads, PER_100_MM * growth, limit_after, uneven),
            assumptions=sentences.assumptions(self.group, repeated),
            cautions=sentences.cautions(),
            solver_versions={mechanism.name(): mechanism.version for mechanism in self.group.mechanisms},
        )

    def leads(self, fit: Fitted, lifts: Floats, allowed: Floats) -> list[LeadError]:
        """Write the lead error of every screw, against their mean."""
        count = len(self.group.adjusters)
        known = how_known(fit.null[:count], lifts - lifts.mean(axis=0), allowed)
        scale = PER_100_MM / self.span
        told = []
        for j, adjuster in enumerate(self.group.adjusters):
            value, u, significant, least = tested(scale * fit.values[j], scale * fit.u[j])
            if known[j] == "unseen":
                told.append(LeadError(adjuster.id, None, None, False, None, None, None))
                continue
            share = 1.0 + value / PER_100_MM
            lead = None if adjuster.screw is None else adjuster.screw.lead * share
            sound = abs(share - 1.0) < MOST_ERROR
            told.append(
                LeadError(
                    adjuster.id,
                    value,
                    u,
                    significant,
                    least,
                    1.0 / share if sound else None,
                    lead if sound else None,
                )
            )
        return told

    def terms(self, fit: Fitted, seen: np.ndarray, reach: Sequence[bool]) -> list[TermSlope]:
        """Write how every term grows with height; what cannot be told from those before it is taken as unchanged."""
        scale = PER_100_MM / self.span * OVER_BED[1:][seen]
        rows = zip(seen.tolist(), scale * fit.values, scale * fit.u, strict=True)
        told = {index: tested(value, u) for index, value, u in rows}
        slopes = []
        for index, (name, reached) in enumerate(zip(TERMS[1:], reach, strict=True)):
            value, u, significant, least = told.get(index, (None, None, False, None))
            made: MadeBy = "screws or guides" if reached else "guides"
            slopes.append(TermSlope(name, value, u, significant, least, made))
        return slopes

    def uneven(self, even: Fitted, shapes: Floats) -> bool | None:
        """Say whether the change is not proportional to height; None where two heights leave that untested."""
        levels = np.unique(self.heights)
        if len(levels) < 3:
            return None
        own = self.heights[self.joint.survey, None] == levels[1:]
        columns = (own[:, :, None] * shapes[:, None, :]).reshape(len(shapes), -1)
        freely = fit_terms(self.joint, columns)
        return beyond_chance(even.rest - freely.rest, freely.rank - even.rank)

    def doubts(self) -> list[str]:
        """Say where the surveys disagree by more than their terms and their readings' stated uncertainty explain."""
        own = self.joint.survey[:, None] == np.arange(1, len(self.heights))
        shapes = term_columns(self.machine.bed, self.joint.points)[:, 1:]
        fit = fit_terms(self.joint.within(), (own[:, :, None] * shapes[:, None, :]).reshape(len(shapes), -1))
        return [sentences.DISAGREE] if beyond_chance(fit.rest, fit.dof) else []

    def curvature(self, fit: Fitted) -> list[str]:
        """Say where lead errors are so large that adjusters which are not linear would do something else."""
        points, travels = self.joint.points, fit.values[: len(self.group.adjusters)]
        off = (
            change_at(self.group, self.machine, points, travels) - self.group.influence(self.machine, points) @ travels
        )
        curved = np.max(np.abs(off), initial=0.0) > np.min(self.joint.variance) ** 0.5
        return [sentences.not_proportional(bent(self.group))] if curved else []

    def growth(self, fit: Fitted, seen: np.ndarray) -> tuple[float, float]:
        """Return by how much the total over the bed changes with each unit of height, and its u."""
        columns = term_columns(self.machine.bed, bed_grid(self.machine.bed))[:, 1:][:, seen]
        over = columns @ fit.values
        row = columns[over.argmax()] - columns[over.argmin()]
        return float(np.ptp(over)) / self.span, float(max(row @ fit.covariance @ row, 0.0) ** 0.5) / self.span

    def level(self, height: float, one: ReducedSurvey) -> Level:
        """Write how the bed lay at one height."""
        prepared = form(self.machine.bed, one.points, one.variance**-0.5)
        values = OVER_BED * (prepared.fit @ one.gaps)
        variance = prepared.fit**2 @ one.variance + np.sum((prepared.fit @ one.factors) ** 2, axis=1)
        rows = zip(TERMS, prepared.seen, values.tolist(), (OVER_BED * variance**0.5).tolist(), strict=True)
        told = [HeightTerm(term, value, u) if seen else HeightTerm(term, None, None) for term, seen, value, u in rows]
        return Level(height, float(np.ptp(one.gaps)), told[1:])

    def undetermined(self, terms: Sequence[TermSlope], leads: Sequence[LeadError]) -> list[str]:
        """Name what these surveys cannot tell."""
        held = any(mechanism.hold for mechanism in self.group.mechanisms)
        told = [] if held else [sentences.MEAN_IS_UNSEEN]
        told += [sentences.term_unseen(term.term) for term in terms if term.per_100_mm is None]
        if unseen := [one.adjuster for one in leads if one.per_100_mm is None]:
            told.append(sentences.screws_unseen(", ".join(unseen)))
        return told


def beside(allowed: Floats, count: int) -> Floats:
    """Return a basis of allowed coefficients (m, p) with ``count`` free ones after them."""
    (rows, columns) = allowed.shape
    basis = np.zeros((rows + count, columns + count))
    basis[:rows, :columns] = allowed
    basis[rows:, columns:] = np.eye(count)
    return basis
