"""A machine, its mechanisms and its limits: what does not depend on the stations."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from ..adjustment.problem import Problem, without_conditions
from ..adjustment.shim_stacks import choices
from ..mechanisms.adjusters import adjusters_of
from ..mechanisms.together import influences
from ..model.contract import Adjuster, Floats, KnownShape, Mechanism, Move, Site, Standing
from ..model.errors import Fault, Impossible, Refused
from ..model.machine import Machine
from ..reduction.validation import machine_faults, solver_faults
from . import sentences

Parts = tuple[tuple[Mechanism, tuple[Adjuster, ...]], ...]
"""The mechanisms in the order in which they are solved, each with its own adjusters."""


NUDGE_MM = 1e-3
"""Travel of the differences that the influence at travels is taken from."""

PICKED = "/solve/with"
"""Where faults in the options of a solver are told that the request does not name."""


class Setup(Struct, frozen=True):
    """A machine, the mechanisms that move it and what limits them.

    ``entries`` are the pointers to each mechanism's options. ``free`` are the columns that may move, ``groups`` those
    of each solver with the solvers before it. ``limits`` holds efforts, bounds and conditions, on no station yet;
    ``because`` has the reason of each condition. ``whole`` says that some adjuster moves in whole steps or shims.
    ``standing`` says of each mechanism how far the work is already, ``begun`` with which columns; empty before any.
    """

    machine: Machine
    parts: Parts
    entries: tuple[str, ...]
    adjusters: tuple[Adjuster, ...]
    solver_of: tuple[str, ...]
    held: frozenset[str]
    free: tuple[int, ...]
    groups: tuple[tuple[int, ...], ...]
    whole: bool
    limits: Problem
    because: tuple[str, ...]
    standing: tuple[Standing, ...]
    begun: frozenset[int]

    def influence_at(self, points: Floats) -> Floats:
        """Return the influence of all adjusters at points (n, 2), shape (n, m)."""
        return np.asarray(influences_at([self], [points])[0])

    def own_columns(self) -> Iterator[tuple[Mechanism, range]]:
        """Yield each mechanism with its columns among all adjusters."""
        start = 0
        for mechanism, own in self.parts:
            yield mechanism, range(start, start + len(own))
            start += len(own)

    def standing_at(self, made: Floats) -> tuple[Standing, ...]:
        """Return how far the work is once the adjusters have ``made`` travels (m,) that all of them carry."""
        return tuple([Standing(made[own.start : own.stop]) for _, own in self.own_columns()])

    def standing_of(self, mechanism: Mechanism) -> Standing | None:
        """Return how far the work on a mechanism is already; None before any."""
        if not self.standing:
            return None
        return next((one for one, (own, _) in zip(self.standing, self.parts, strict=True) if own is mechanism), None)

    def change_at(self, points: Floats, travels: Floats) -> Floats:
        """Return the change of gap (n,) that these travels (m,) make at points (n, 2)."""
        change = np.zeros(len(points))
        for mechanism, own in self.own_columns():
            part = travels[own.start : own.stop]
            if not part.any():
                continue
            move = Move(self.machine, points, part)
            if mechanism.linear:
                change += mechanism.influence(move) @ part
            elif (standing := self.standing_of(mechanism)) is None:
                change += mechanism.gap_change(move)
            else:
                before, after = (Move(self.machine, points, standing.made + more) for more in (0.0 * part, part))
                change += mechanism.gap_change(after) - mechanism.gap_change(before)
        return change

    def known_at(self, points: Floats) -> tuple[KnownShape, ...]:
        """Return the known shapes in the gap at points (n, 2)."""
        site = Site(self.machine, points)
        found = [mechanism.known_shape(site) for mechanism, _ in self.parts]
        return tuple([one for one in found if one is not None])

    def patches_at(self, points: Floats) -> Floats | None:
        """Return on which patches points (n, 2) lie, shape (n, p); None where the bed is one piece."""
        site = Site(self.machine, points)
        found = [mechanism.patches(site) for mechanism, _ in self.parts]
        told = [one for one in found if one is not None]
        return np.column_stack(told).astype(np.float64) if told else None

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
    mechanisms = tuple(given) or picked
    entries = tuple([f"/solve/with/{index}" if given else PICKED for index in range(len(mechanisms))])
    parts = tuple([(one, adjusters_of(machine, one, at)) for one, at in zip(mechanisms, entries, strict=True)])
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
    limits, because = constraints_of(machine, parts, entries, held, offset_free)
    if not limits.may_stand:
        must_be_possible(limits.moving(free), because)
    return Setup(
        machine=machine,
        parts=parts,
        entries=entries,
        adjusters=adjusters,
        solver_of=tuple([name for mechanism, own in parts for name in [mechanism.name()] * len(own)]),
        held=held,
        free=free,
        groups=tuple(groups),
        whole=any(adjusters[j].stock is not None or adjusters[j].step is not None for j in free),
        limits=limits,
        because=because,
        standing=(),
        begun=frozenset(),
    )


def influences_at(alike: Sequence[Setup], points: Iterable[Floats]) -> Floats:
    """Return the influence of all adjusters of machines with mechanisms of the same classes, (g, n, m), at points
    (n, 2) of each."""
    sites, parts = [Site(one.machine, at) for one, at in zip(alike, points, strict=True)], list[Floats]()
    for place, (mechanism, own) in enumerate(alike[0].parts):
        try:
            if alike[0].standing and not mechanism.linear:
                parts.append(slopes(mechanism, sites[0], alike[0].standing[place].made, len(own))[None])
            else:
                parts.append(influences([one.parts[place][0] for one in alike], sites))
        except Refused as refused:
            raise refused.told_from(alike[0].entries[place]) from refused
    return parts[0] if len(parts) == 1 else np.concatenate(parts, axis=2)


def slopes(mechanism: Mechanism, site: Site, made: Floats, width: int) -> Floats:
    """Return the influence (n, m) at travels already ``made`` (m,), by central differences."""
    nudge = site.machine.from_mm(NUDGE_MM)

    def changed(travels: Floats) -> Floats:
        return mechanism.gap_change(Move(site.machine, site.points, travels))

    steps = nudge * np.eye(width)
    return np.column_stack([(changed(made + step) - changed(made - step)) / (2.0 * nudge) for step in steps])


def must_be_possible(limits: Problem, because: Sequence[str]) -> None:
    """Refuse conditions that no travels satisfy.

    Raises:
        Impossible: names those that would have to give way, and by how much.
    """
    from ..adjustment.feasibility import smallest_relaxation

    if given := smallest_relaxation(limits):
        told = [sentences.gives_way(because[row], by) for row, by in given.items()]
        raise Impossible.at("/solve/with", sentences.conditions_clash(told))


def constraints_of(
    machine: Machine, parts: Parts, entries: Sequence[str], held: Iterable[str], offset_free: bool
) -> tuple[Problem, tuple[str, ...]]:
    """Pose the adjustment without stations: bounds, holds and the mechanisms' conditions, each on its own columns.

    Also return the reason of each condition.
    """
    adjusters = [adjuster for _, own in parts for adjuster in own]
    reach = tuple([(0.0, 0.0) if one.id in held else travel_range(one) for one in adjusters])
    free = without_conditions(tuple([adjuster.effort for adjuster in adjusters]), reach, offset_free)
    rows, lower, upper = [free.rows], [free.rows_lower], [free.rows_upper]
    at_most, because = list[tuple[int, frozenset[int]]](), list[str]()
    start = 0
    for (mechanism, own), entry in zip(parts, entries, strict=True):
        try:
            conditions = mechanism.conditions(machine)
        except Refused as refused:
            raise refused.told_from(entry) from refused
        if conditions is not None:
            wide = np.zeros((len(conditions.matrix), len(adjusters)))
            wide[:, start : start + len(own)] = conditions.matrix
            rows.append(wide)
            lower.append(conditions.lower)
            upper.append(conditions.upper)
            because += conditions.because
            at_most += [(one.count, frozenset(start + j for j in one.adjusters)) for one in conditions.at_most]
        start += len(own)
    if len(rows) == 1:
        return free, ()
    problem = replace(
        free,
        rows=np.concatenate(rows),
        rows_lower=np.concatenate(lower),
        rows_upper=np.concatenate(upper),
        at_most=tuple(at_most),
    )
    return problem, tuple(because)


def travel_range(adjuster: Adjuster) -> tuple[float, float]:
    """Return the lowest and highest travel that an adjuster can be set to, shims and whole steps considered."""
    if adjuster.stock is None and adjuster.step is None:
        return adjuster.lower, adjuster.upper
    table = choices(adjuster)
    return (table.low, table.high) if table is not None else (adjuster.lower, adjuster.upper)
