"""What moved between two surveys of one machine, and is it more than noise.

Only stations that both surveys read are held against each other (:mod:`..multisurvey.joint_adjustment`): between others
lies the form of the bed, of which nothing is assumed. What they do not tell cannot be told.

Every test is two-sided with a risk of :data:`ALPHA` (0.1 %) of seeing a change that is none; the smallest
change given beside it is seen with :data:`POWER` (four times in five), as Baarda chose them (*A testing procedure for
use in geodetic networks*, 1968).

An indicator's error of indication is taken as independent from reading to reading, because a dial that is zeroed anew
reads on another part of its scale. ``errors="common"`` takes it as the same in both surveys at a station that both
read: valid where the same indicator, zeroed alike, reads on the same part of its scale; the uncertainties are then much
smaller.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Literal

import numpy as np
from msgspec import Struct
from msgspec.structs import asdict

from ..diagnostics.form_terms import OVER_BED, TERMS, term_columns
from ..diagnostics.reliability import ALPHA, POWER
from ..linalg.grids import bed_grid
from ..mechanisms.registry import Registry, installed
from ..model.contract import Floats, Mechanism
from ..model.errors import Refused
from ..model.machine import Machine
from ..model.survey import Survey
from ..multisurvey.joint_adjustment import (
    Errors,
    Fitted,
    Joint,
    Reduced,
    fit_terms,
    join_surveys,
    observable_in_order,
    project_out,
)
from ..multisurvey.reduction import Group, collect_group, group_of, reduce_group, repeats
from ..multisurvey.settling import Settled, bent, settle, slope_at
from ..multisurvey.significance import CLOSE, CRITICAL, beyond_chance, how_known, tested
from .heat import Bows, heat
from .results import AdjusterChange, Comparison, Remainder, StationChange, TermChange, TotalChange
from .sentences import NOT_SETTLED, assumptions, cautions, finding, undetermined


def compare(
    machine: Machine,
    before: Survey,
    after: Survey,
    mechanisms: Sequence[Mechanism] = (),
    offset: Literal["free", "keep"] = "free",
    errors: Errors = "independent",
    registry: Registry | None = None,
) -> Comparison:
    """Compare two surveys; where no mechanism is named, the adjusters of all that suit, which may be none.

    ``offset`` is kept where the indicator held its zero between the surveys; then a common change of height counts.

    Raises:
        Refused: something in the machine or a survey is wrong; every fault found is listed, with pointers into
            ``{machine, before, after, solve}``.
    """
    surveys = {"/before": before, "/after": after}
    registry = registry or installed()
    picked = mechanisms or registry.suiting(machine)
    faults, groups = registry.unread_extras(machine), list[Group]()
    measured = reduce_group(machine, surveys, faults)
    with collect_group(faults):
        groups.append(group_of(machine, picked, bool(mechanisms)))
    if faults:
        raise Refused(faults)
    joint = join_surveys(machine.bed, measured, errors, zeros=offset == "free").within()
    return Compared(machine, groups[0], joint, offset).written(before, after)


class Compared(Struct, frozen=True):
    """Two surveys put together, to be written up."""

    machine: Machine
    group: Group
    joint: Joint
    offset: Literal["free", "keep"]

    def written(self, before: Survey, after: Survey) -> Comparison:
        """Write the comparison."""
        machine, joint = self.machine, self.joint
        late = (joint.survey == 1).astype(np.float64)[:, None]
        shapes = term_columns(machine.bed, joint.points)[:, self.offset == "free" :] * late
        settled = settle(self.group, machine, joint, late, self.travels)
        terms = self.terms(shapes)
        pairs = self.pairs()
        remainder = self.remainder(shapes, pairs)
        adjusters, beyond = self.adjusters(settled, shapes, late)
        by_name = {term.term: term for term in terms}
        bows: Bows = {"x": bow(by_name["bow-x"]), "y": bow(by_name["bow-y"])}
        total = self.total(len(pairs) == len(joint.common))
        return Comparison(
            machine=machine.id,
            units=machine.units,
            **asdict(finding(machine.units, terms, remainder, adjusters, beyond)),
            total=total,
            terms=terms,
            remainder=remainder,
            adjusters=adjusters,
            beyond_adjusters=beyond,
            stations=self.stations(pairs),
            heat=heat(machine, before, after, bows),
            undetermined=undetermined(terms, remainder, adjusters),
            assumptions=assumptions(
                joint,
                len(pairs),
                held=any(one.hold for one in self.group.mechanisms),
                repeated=repeats(before) or repeats(after),
                bent=bent(self.group),
            ),
            cautions=[*([] if settled.sure else [NOT_SETTLED]), *cautions(total, len(pairs))],
            solver_versions={mechanism.name(): mechanism.version for mechanism in self.group.mechanisms},
        )

    def pairs(self) -> np.ndarray:
        """Return the gaps of the stations that both surveys read, before and after, (m, 2) indices, in their order."""
        where = np.full((2, len(self.joint.common)), -1)
        where[self.joint.survey, self.joint.station] = np.arange(len(self.joint.gaps))
        return np.asarray(where[:, (where >= 0).all(axis=0)].T)

    def terms(self, shapes: Floats) -> list[TermChange]:
        """Write the change of every term; what cannot be told from the terms before it is taken as unchanged."""
        free = self.offset == "free"
        seen = np.flatnonzero(observable_in_order(self.joint, shapes))
        fit = fit_terms(self.joint, shapes[:, seen])
        size = OVER_BED[free:][seen]
        told = {
            TERMS[free:][index]: tested(change, u)
            for index, change, u in zip(seen.tolist(), fit.values * size, fit.u * size, strict=True)
        }
        return [TermChange(name, *told.get(name, (None, None, False, None))) for name in TERMS]

    def remainder(self, shapes: Floats, pairs: np.ndarray) -> Remainder | None:
        """Test what the terms leave at the stations that both surveys read; None where nothing is left to test."""
        fit = fit_terms(self.joint, shapes)
        if fit.dof == 0:
            return None
        from scipy.special import chdtri, chndtrinc

        count = len(pairs)
        scale = float(np.sqrt(self.joint.variance[pairs].sum() / count / count))
        least = float(chndtrinc(chdtri(float(fit.dof), ALPHA), float(fit.dof), 1.0 - POWER))
        return Remainder(
            stations=count,
            rms=scale * fit.rest**0.5,
            expected=scale * fit.dof**0.5,
            significant=beyond_chance(fit.rest, fit.dof),
            smallest_detectable=scale * least**0.5,
        )

    def travels(self, joint: Joint, influence: Floats) -> Floats:
        """Return the travels that explain the change with the least effort."""
        return self.fit(joint, influence, self.group.allowed(self.machine)).values

    def fit(self, joint: Joint, influence: Floats, allowed: Floats) -> Fitted:
        """Fit the travels of all adjusters, those that are ``allowed`` (m, p)."""
        effort = np.array([adjuster.effort for adjuster in self.group.adjusters])
        return fit_terms(joint, influence, effort, allowed)

    def adjusters(self, settled: Settled, shapes: Floats, late: Floats) -> tuple[list[AdjusterChange], bool]:
        """Write what each adjuster would have to have done, and whether there is more than they can do."""
        if not self.group.adjusters:
            return [], False
        allowed = self.group.allowed(self.machine)
        everything = fit_terms(settled.joint, np.concatenate([shapes, settled.influence], axis=1))
        fit = self.fit(settled.joint, settled.influence, allowed)
        over_bed = slope_at(self.group, self.machine, bed_grid(self.machine.bed), fit.values)
        known = how_known(fit.null, over_bed - (over_bed.mean(axis=0) if self.offset == "free" else 0.0), allowed)
        one_by_one = self.one_by_one(settled, everything, shapes, late)
        told = []
        may = np.linalg.norm(allowed @ allowed.T - np.eye(len(allowed)), axis=0) < CLOSE
        for j, (adjuster, solver) in enumerate(zip(self.group.adjusters, self.group.solver_of, strict=True)):
            alone, alone_u, explains = one_by_one(j) if may[j] else (None, None, False)
            travel, u, significant, least = tested(fit.values[j], fit.u[j])
            if known[j] == "unseen":
                told.append(
                    AdjusterChange(adjuster.id, solver, None, None, False, None, "unseen", alone, alone_u, explains)
                )
            else:
                told.append(
                    AdjusterChange(
                        adjuster.id, solver, travel, u, significant, least, known[j], alone, alone_u, explains
                    )
                )
        return told, beyond_chance(fit.rest - everything.rest, everything.rank - fit.rank)

    def one_by_one(
        self, settled: Settled, everything: Fitted, shapes: Floats, late: Floats
    ) -> Callable[[int], tuple[float | None, float | None, bool]]:
        """Return what says of an adjuster which travel of it alone is likeliest, its u, and whether that explains all;
        one that is not linear has a slope of its own for that."""
        curved = bent(self.group)

        def against(one: Settled) -> tuple[Reduced, Floats, Fitted]:
            fit = (
                everything if one is settled else fit_terms(one.joint, np.concatenate([shapes, one.influence], axis=1))
            )
            single = project_out(one.joint, one.influence)
            return single, np.linalg.norm(single.columns, axis=0), fit

        flat = settled
        if curved:
            flat = Settled(self.joint, self.group.influence(self.machine, self.joint.points) * late, sure=True)
        usual = against(flat)

        def told(j: int) -> tuple[float | None, float | None, bool]:
            single, lengths, fit = usual
            if self.group.solver_of[j] in curved:
                own: Floats = np.eye(len(self.group.adjusters))[j]

                def only(joint: Joint, influence: Floats) -> Floats:
                    travels: Floats = own * fit_terms(joint, influence[:, [j]]).values[0]
                    return travels

                found = settle(self.group, self.machine, self.joint, late, only)
                if not found.sure:
                    return None, None, False
                single, lengths, fit = against(found)
            column, length = single.columns[:, j], float(lengths[j])
            if length <= CLOSE * single.size[j]:
                return None, None, False
            u = 1.0 / length
            alone = float(column @ single.gaps) * u**2
            over = single.gaps - alone * column
            left = float(over @ over) - fit.rest
            return alone, u, abs(alone) > CRITICAL * u and not beyond_chance(left, fit.rank - 1)

        return told

    def stations(self, pairs: np.ndarray) -> list[StationChange]:
        """Write the change at every station that both surveys read."""
        free, count = self.offset == "free", len(pairs)
        if count < 1 + free:
            return []
        gaps, variance = self.joint.gaps[pairs], self.joint.variance[pairs].sum(axis=1)
        change, common = gaps[:, 1] - gaps[:, 0], self.joint.factors[pairs[:, 1]] - self.joint.factors[pairs[:, 0]]
        if free:
            change, common = change - change.mean(), common - common.mean(axis=0)
            variance = variance * (1.0 - 2.0 / count) + variance.sum() / count**2
        u = np.sqrt(variance + np.sum(common**2, axis=1))
        at = self.joint.points[pairs[:, 0]]
        rows = zip(*np.column_stack([at, gaps, change, u]).T.tolist(), strict=True)
        return [StationChange(x, y, was, now, *tested(value, error)) for x, y, was, now, value, error in rows]

    def total(self, same: bool) -> TotalChange:
        """Write the total of each survey over its own stations, and the change, tested if they are the same."""
        row, totals = np.zeros(len(self.joint.gaps)), []
        for survey, sign in ((0, -1.0), (1, 1.0)):
            own = np.flatnonzero(self.joint.survey == survey)
            # Where all are equal, the first and the last: their difference of zero is as uncertain as any other.
            high, low = own[self.joint.gaps[own].argmax()], own[::-1][self.joint.gaps[own[::-1]].argmin()]
            totals.append(float(self.joint.gaps[high] - self.joint.gaps[low]))
            row[high] += sign
            row[low] -= sign
        u = self.joint.variance_of(row) ** 0.5
        was, now = totals
        change, u, significant, least = tested(now - was, u)
        return TotalChange(was, now, change, u, same and significant, least if same else None, same)


def bow(term: TermChange) -> tuple[float, float, bool] | None:
    """Return change, u and significance of a bow, None where it is not known."""
    return None if term.change is None or term.u is None else (term.change, term.u, term.significant)
