"""Several surveys of one machine, each reduced to gaps, and the adjusters asked about; every fault is collected.

A fault points where its survey stands in the request: ``/before/readings/3/x``, ``/surveys/1/readings``.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager

import numpy as np
from msgspec import Struct

from ..mechanisms.adjusters import adjusters_of
from ..model.contract import Adjuster, Floats, Mechanism, Site
from ..model.errors import Fault, Refused, repointed
from ..model.machine import Machine
from ..model.survey import Survey
from ..reduction.readings import place_faults, time_faults, values, where
from ..reduction.stations import layout
from ..reduction.validation import machine_faults, solver_faults
from . import sentences

MOST_READINGS = 40_000
"""Readings in all surveys of one request together: two surveys as large as one may be."""


MOST_UNKNOWNS = 200
"""Zeros and drifts of all set-ups of one request together; the work grows with the square of their number."""


class ReducedSurvey(Struct, frozen=True):
    """One survey as gaps (n,) at points (n, 2).

    Their covariance is ``diag(variance) + factors @ factors.T``; of ``variance`` (n,), ``indication`` (n,) is what the
    indicator's error of indication contributes. ``factors`` is (n, q).
    """

    points: Floats
    gaps: Floats
    variance: Floats
    indication: Floats
    factors: Floats


class Group(Struct, frozen=True):
    """Adjusters of one or more mechanisms, side by side."""

    mechanisms: tuple[Mechanism, ...]
    adjusters: tuple[Adjuster, ...]
    solver_of: tuple[str, ...]

    def influence(self, machine: Machine, points: Floats) -> Floats:
        """Return d gap / d travel at points (n, 2), shape (n, m)."""
        site = Site(machine, points)
        return np.concatenate(
            [np.zeros((len(points), 0)), *(mechanism.influence(site) for mechanism in self.mechanisms)], axis=1
        )

    def allowed(self, machine: Machine) -> Floats:
        """Return an orthonormal basis (m, p) of the travels that the mechanisms' equations allow; held ones stay."""
        held = {name for mechanism in self.mechanisms for name in mechanism.hold}
        count, start = len(self.adjusters), 0
        rows = [np.eye(count)[[index for index, adjuster in enumerate(self.adjusters) if adjuster.id in held]]]
        for mechanism in self.mechanisms:
            own = len(mechanism.adjusters(machine))
            if (conditions := mechanism.conditions(machine)) is not None:
                wide = np.zeros((len(conditions.matrix), count))
                wide[:, start : start + own] = conditions.matrix
                rows.append(wide[conditions.lower == conditions.upper])
            start += own
        equations = np.concatenate(rows)
        length = np.linalg.norm(equations, axis=1, keepdims=True)
        _, s, right = np.linalg.svd(equations / np.where(length > 0.0, length, 1.0), full_matrices=True)
        basis: Floats = right[int(np.sum(s > 1e-9)) :].T
        return basis


def group_of(machine: Machine, mechanisms: Sequence[Mechanism], given: bool) -> Group:
    """Put mechanisms side by side; ``given`` says that the client named them under ``solve.with``.

    Raises:
        Refused: the machine lacks something, or two mechanisms move one adjuster; every fault found is listed.
    """
    faults, parts = list[Fault](), list[tuple[Mechanism, tuple[Adjuster, ...]]]()
    for index, mechanism in enumerate(mechanisms):
        with collect_group(faults):
            entry = f"/solve/with/{index}" if given else "/solve/with"
            parts.append((mechanism, adjusters_of(machine, mechanism, entry)))
    if not faults and parts:
        faults += solver_faults(parts, given)
    if faults:
        raise Refused(faults)
    return Group(
        tuple(mechanism for mechanism, _ in parts),
        tuple(adjuster for _, own in parts for adjuster in own),
        tuple(mechanism.name() for mechanism, own in parts for _ in own),
    )


@contextmanager
def collect_group(faults: list[Fault]) -> Iterator[None]:
    """Gather what is refused within, so that other faults are found as well."""
    try:
        yield
    except Refused as refused:
        faults += refused.faults


def reduce_group(machine: Machine, surveys: Mapping[str, Survey], faults: list[Fault]) -> list[ReducedSurvey]:
    """Reduce surveys, given by their pointers, to gaps; what is wrong with them or the machine is added to faults."""
    faults += machine_faults(machine)
    count = sum(len(survey.readings) for survey in surveys.values())
    if count > MOST_READINGS:
        faults.append(
            Fault(
                list(surveys)[-1],
                sentences.too_many_readings(count, MOST_READINGS),
            )
        )
        return []
    found = list[ReducedSurvey]()
    for pointer, survey in surveys.items():
        own = [*time_faults(survey), *place_faults(machine, [(r.x, r.y, r.setup, 1, None) for r in survey.readings])]
        if not own:
            with collect_group(own):
                found.append(reduced(machine, survey))
        faults += repointed(pointer, own)
        if survey.previous is not None:
            faults.append(Fault(f"{pointer}/previous", sentences.NO_LEARNING_HERE))
    if (unknowns := sum(one.factors.shape[1] for one in found)) > MOST_UNKNOWNS:
        faults.append(
            Fault(
                list(surveys)[-1],
                sentences.too_many_unknowns(unknowns, MOST_UNKNOWNS),
            )
        )
    return found


def reduced(machine: Machine, survey: Survey) -> ReducedSurvey:
    """Reduce one survey with sound times to gaps.

    Raises:
        Refused: it has too few stations, or set-ups that hang apart.
    """
    plan = layout(machine, where(survey.readings))
    gaps, variance = plan.reduce(np.array([values(survey.readings)]), machine.sense)
    count = len(plan.points)
    share = plan.share
    repeats = np.bincount(plan.group_station, share**2, count)
    indication = np.asarray(repeats * machine.error_limit**2 / 3.0, dtype=np.float64)
    return ReducedSurvey(plan.points, gaps[0], variance[0], indication, plan.factors)


def repeats(survey: Survey) -> bool:
    """Say whether any reading was repeated without moving."""
    return any(isinstance(reading.value, list) and len(reading.value) > 1 for reading in survey.readings)
