"""A machine, its mechanisms and its limits: what does not depend on the stations."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from ..adjustment.problem import Problem
from ..adjustment.shim_stacks import choices
from ..model.contract import Adjuster, Floats, Mechanism, Site
from ..model.errors import Fault, Refused
from ..model.machine import Machine
from ..reduction.validation import machine_faults, solver_faults

Parts = tuple[tuple[Mechanism, tuple[Adjuster, ...]], ...]
"""The mechanisms in the order in which they are solved, each with its own adjusters."""


class Setup(Struct, frozen=True):
    """A machine, the mechanisms that move it and what limits them.

    ``free`` are the columns that may move, ``groups`` those of each solver with the solvers before it. ``limits`` holds
    efforts, bounds and conditions, on no station yet. ``whole`` says that some adjuster moves in whole steps or shims.
    """

    machine: Machine
    parts: Parts
    adjusters: tuple[Adjuster, ...]
    solver_of: tuple[str, ...]
    held: frozenset[str]
    free: tuple[int, ...]
    groups: tuple[tuple[int, ...], ...]
    whole: bool
    limits: Problem

    def influence_at(self, points: Floats) -> Floats:
        """Return the influence of all adjusters at points (n, 2), shape (n, m)."""
        site = Site(self.machine, points)
        parts = [mechanism.influence(site) for mechanism, _ in self.parts]
        return parts[0] if len(parts) == 1 else np.concatenate(parts, axis=1)

    def problem(self, influence: Floats, weights: Floats) -> Problem:
        """Return the adjustment at stations of this ``influence`` (n, m) with these ``weights`` (n,), mean one."""
        return replace(self.limits, influence=influence, weights=weights)


def set_up(
    machine: Machine,
    given: Sequence[Mechanism],
    picked: tuple[Mechanism, ...],
    offset_free: bool,
    also: Sequence[Fault] = (),
) -> Setup:
    """Check the machine and the mechanisms ``given``, or else ``picked``; ``also`` is what else is wrong.

    Raises:
        Refused: the machine or the solvers asked for do not make sense; all faults found are listed.
    """
    if faults := [*machine_faults(machine), *also]:
        raise Refused(faults)
    parts = tuple([(mechanism, mechanism.adjusters(machine)) for mechanism in tuple(given) or picked])
    if faults := solver_faults(parts, given=bool(given)):
        raise Refused(faults)
    adjusters = tuple([adjuster for _, own in parts for adjuster in own])
    held = frozenset([name for mechanism, _ in parts for name in mechanism.hold])
    groups, reached, start = [], list[int](), 0
    for _, own in parts:
        reached += [j for j, adjuster in enumerate(own, start) if adjuster.id not in held]
        groups.append(tuple(reached))
        start += len(own)
    free = tuple(reached)
    return Setup(
        machine=machine,
        parts=parts,
        adjusters=adjusters,
        solver_of=tuple([mechanism.name() for mechanism, own in parts for _ in own]),
        held=held,
        free=free,
        groups=tuple(groups),
        whole=any(adjusters[j].stock is not None or adjusters[j].step is not None for j in free),
        limits=constraints_of(machine, parts, adjusters, held, offset_free),
    )


def constraints_of(
    machine: Machine, parts: Parts, adjusters: Sequence[Adjuster], held: Iterable[str], offset_free: bool
) -> Problem:
    """Pose the adjustment without stations: bounds, holds and the mechanisms' conditions, each on its own columns."""
    rows, lower, upper = [np.zeros((0, len(adjusters)))], [np.zeros(0)], [np.zeros(0)]
    start = 0
    for mechanism, own in parts:
        if (conditions := mechanism.conditions(machine)) is not None:
            wide = np.zeros((len(conditions.matrix), len(adjusters)))
            wide[:, start : start + len(own)] = conditions.matrix
            rows.append(wide)
            lower.append(conditions.lower)
            upper.append(conditions.upper)
        start += len(own)
    reach = [(0.0, 0.0) if adjuster.id in held else travel_range(adjuster) for adjuster in adjusters]
    return Problem(
        influence=np.zeros((0, len(adjusters))),
        weights=np.zeros(0),
        effort=np.array([adjuster.effort for adjuster in adjusters]),
        lower=np.array([low for low, _ in reach]),
        upper=np.array([high for _, high in reach]),
        rows=np.concatenate(rows),
        rows_lower=np.concatenate(lower),
        rows_upper=np.concatenate(upper),
        offset_free=offset_free,
    )


def travel_range(adjuster: Adjuster) -> tuple[float, float]:
    """Return the lowest and highest travel that an adjuster can be set to, shims and whole steps considered."""
    if adjuster.stock is None and adjuster.step is None:
        return adjuster.lower, adjuster.upper
    table = choices(adjuster)
    return (table.low, table.high) if table is not None else (adjuster.lower, adjuster.upper)
