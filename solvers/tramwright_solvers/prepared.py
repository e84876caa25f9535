"""Everything that depends on the machine, the stations and the options, worked out once and kept under its content."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable
from functools import cached_property
from itertools import accumulate
from threading import Lock
from typing import Any

import numpy as np
from msgspec import Struct

from .adjust.fewest import Candidates, candidates
from .adjust.problem import Problem
from .adjust.stock import choices
from .adjust.subsets import Sizes, sizes
from .adjust.whole import discrete
from .answer import Blind, Place
from .blind import bed_grid, blind_adjusters
from .breakdown import Form, form
from .budget import Sources, sources
from .checks import machine_faults, solver_faults
from .contract import Adjuster, Floats, Mechanism, Site
from .faults import Refused
from .machine import Machine
from .over_bed import Interpolation, bed_points, interpolation
from .seeing import cure_places, seen_badly
from .setting import Setting, setting_of
from .solve import Solve
from .steps import Parking, parking
from .survey import Layout, Where, layout, place_faults
from .suspects import SlipCheck, slip_check

KEPT = 256
"""Prepared geometries kept at once: a farm's worth of machines, about a megabyte each at 25 stations."""

FAR_MM = 5.0
"""Travel in mm beyond which an answer warns: tramming moves tenths, so a slip is likelier. Our own choice."""


class Prepared(Struct, frozen=True, dict=True):
    """One machine, read at these stations, solved with these options; ready for any number of surveys.

    What only the fuller details of an answer need is prepared when one is first asked for.
    """

    machine: Machine
    mechanisms: tuple[Mechanism, ...]
    adjusters: tuple[Adjuster, ...]
    solver_of: tuple[str, ...]
    columns: tuple[slice, ...]
    kinds: tuple[str, ...]
    layout: Layout
    weights: Floats
    influence: Floats
    places: list[Place]
    candidates: Candidates
    groups: tuple[tuple[int, ...], ...]
    whole: tuple[int, ...]
    effort: Floats
    far: float
    versions: dict[str, str]

    @cached_property
    def plans(self) -> Sizes:
        """Which subsets there are of each size, and which belong to each rung of the ladder."""
        return sizes(self.candidates.sets, self.groups)

    @cached_property
    def parking(self) -> Parking:
        """Where the indicator is parked for each adjuster."""
        return parking(self.influence, self.layout.points)

    @cached_property
    def form(self) -> Form:
        """The terms of the gap's form."""
        return form(self.machine.bed, self.layout.points, np.sqrt(self.weights))

    @cached_property
    def slips(self) -> SlipCheck:
        """The check of readings against each other."""
        columns = np.concatenate([self.form.columns, self.influence], axis=1)
        return slip_check(self.machine, self.layout, columns, np.sqrt(self.weights))

    @cached_property
    def setting(self) -> Setting:
        """How exactly the adjusters are set, and what that leaves uncertain."""
        return setting_of(self.machine, self.adjusters, self.influence, self.layout.points, self.candidates.sets)

    @cached_property
    def sources(self) -> Sources:
        """What makes up the uncertainty of a total."""
        return sources(self.machine, self.layout, self.adjusters, self.setting)

    @cached_property
    def over_bed(self) -> Interpolation:
        """What the stations tell of the bed between and beyond them."""
        return interpolation(
            self.machine.bed,
            self.layout.points,
            self.influence,
            self.influence_at(bed_points(self.machine.bed)),
            self.setting.u,
            a_priori(self.layout)[0],
            self.layout.factors,
            [blind.what for blind in self.blind if blind.kind == "term"],
        )

    @cached_property
    def blind(self) -> list[Blind]:
        """What the stations cannot show."""
        there = self.influence_at(bed_grid(self.machine.bed))
        return self.form.blind() + blind_adjusters(self.adjusters, self.influence, there)

    @cached_property
    def badly_seen(self) -> list[Blind]:
        """What the stations show, but badly."""
        there = self.influence_at(cure_places(self.machine.bed))
        noise = self.layout.noise(a_priori(self.layout))
        return seen_badly(self.machine, self.form, self.adjusters, self.influence, there, noise, self.blind)

    def influence_at(self, points: Floats) -> Floats:
        """Return the influence of every adjuster at other points (k, 2), shape (k, m)."""
        site = Site(self.machine, points)
        return np.concatenate([mechanism.influence(site) for mechanism in self.mechanisms], axis=1)

    @cached_property
    def cautions(self) -> tuple[str, ...]:
        """What can hurt, and what could go unnoticed."""
        of_mechanisms = (caution for mechanism in self.mechanisms for caution in mechanism.cautions(self.machine))
        return (*GENERAL_CAUTIONS, *of_mechanisms, *self.slips.unchecked_says())


def prepare(
    machine: Machine, readings: tuple[Where, ...], solve: Solve[Any], picked: tuple[Mechanism, ...]
) -> Prepared:
    """Check the machine and prepare its geometry.

    Raises:
        Refused: the machine, the solvers asked for or the stations do not make sense; all faults found are listed.
    """
    if faults := [*machine_faults(machine), *place_faults(machine, readings)]:
        raise Refused(faults)
    mechanisms = tuple(solve.with_) or picked
    parts = tuple((mechanism, mechanism.adjusters(machine)) for mechanism in mechanisms)
    if faults := solver_faults(parts, given=bool(solve.with_)):
        raise Refused(faults)
    plan = layout(machine, readings)
    adjusters = tuple(adjuster for _, own in parts for adjuster in own)
    solver_of = tuple(mechanism.name() for mechanism, own in parts for _ in own)
    ends = accumulate(len(own) for _, own in parts)
    held = {name for mechanism, _ in parts for name in mechanism.hold}
    site = Site(machine, plan.points)
    influence = np.concatenate([mechanism.influence(site) for mechanism, _ in parts], axis=1)
    weights = plan_weights(plan)
    problem = posed(machine, parts, adjusters, held, influence, weights, solve.offset == "free")
    free = tuple(index for index, adjuster in enumerate(adjusters) if adjuster.id not in held)
    groups, reached = [], list[int]()
    for mechanism, own in parts:
        reached += [index for index in free if adjusters[index] in own]
        groups.append((mechanism.name(), tuple(reached)))
    whole = any(adjusters[j].stock is not None or adjusters[j].step is not None for j in free)
    table = candidates(problem, free, tuple(group for _, group in groups), every=whole)
    return Prepared(
        machine=machine,
        mechanisms=mechanisms,
        adjusters=adjusters,
        solver_of=solver_of,
        columns=tuple(slice(end - len(own), end) for end, (_, own) in zip(ends, parts, strict=True)),
        layout=plan,
        kinds=tuple(own[0].kind for _, own in parts),
        weights=weights,
        influence=influence,
        places=[Place(x, y) for x, y in plan.points.tolist()],
        candidates=table,
        groups=tuple(group for _, group in groups),
        whole=tuple(discrete(table, adjusters)) if whole else (),
        effort=np.array(table.effort),
        far=machine.from_mm(FAR_MM),
        versions={mechanism.name(): mechanism.version for mechanism in mechanisms},
    )


GENERAL_CAUTIONS = (
    "Keep hands and the indicator clear of moving axes; move to each station slowly with the tool well above the bed, "
    "and switch the drives off, or hold them as the machine's maker says, before turning or slackening anything.",
    "Heated parts and mains wiring under the bed can burn and kill: follow the machine's maker and local codes, and "
    "leave work on mains voltage to licensed hands.",
)


def plan_weights(plan: Layout) -> Floats:
    """Return the stations' weights, inverse to their variance before any repeat is looked at, mean one."""
    _, variance = plan.reduce(np.zeros((1, int(plan.counts.sum()))), 1.0) if plan.plain else (None, a_priori(plan))
    weights = 1.0 / (variance[0] + np.einsum("ij,ij->i", plan.factors, plan.factors))
    return np.asarray(weights / weights.mean())


def a_priori(plan: Layout) -> Floats:
    """Return the stations' variances (1, n) with the default repeatability."""
    count = len(plan.points)
    share = plan.weights / np.bincount(plan.group_station, plan.weights, count)[plan.group_station]
    variance = share**2 * (plan.fixed + plan.default_repeat / plan.counts)
    return np.asarray(np.bincount(plan.group_station, variance, count)[None, :], dtype=np.float64)


def posed(
    machine: Machine,
    parts: tuple[tuple[Mechanism, tuple[Adjuster, ...]], ...],
    adjusters: tuple[Adjuster, ...],
    held: set[str],
    influence: Floats,
    weights: Floats,
    offset_free: bool,
) -> Problem:
    """Pose the adjustment problem: bounds, holds and the mechanisms' conditions, each on its own columns."""
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
    still = np.array([adjuster.id in held for adjuster in adjusters])
    reach = [reach_of(adjuster) for adjuster in adjusters]
    return Problem(
        influence=influence,
        weights=weights,
        effort=np.array([adjuster.effort for adjuster in adjusters]),
        lower=np.where(still, 0.0, [low for low, _ in reach]),
        upper=np.where(still, 0.0, [high for _, high in reach]),
        rows=np.concatenate(rows),
        rows_lower=np.concatenate(lower),
        rows_upper=np.concatenate(upper),
        offset_free=offset_free,
    )


def reach_of(adjuster: Adjuster) -> tuple[float, float]:
    """Return the lowest and highest travel that an adjuster can be set to, shims and whole steps considered."""
    if adjuster.stock is None and adjuster.step is None:
        return adjuster.lower, adjuster.upper
    table = choices(adjuster)
    return (table.low, table.high) if table is not None else (adjuster.lower, adjuster.upper)


Key = tuple[bytes, tuple[Where, ...], tuple[Mechanism, ...]]
"""Machine and options as bytes, the readings without their values, and the mechanisms picked where none is named."""


class Cache:
    """Prepared geometries by content, least recently used out first; safe to share between threads."""

    def __init__(self, kept: int = KEPT) -> None:
        self._kept = kept
        self._entries: OrderedDict[Key, Prepared] = OrderedDict()
        self._lock = Lock()

    def get(self, key: Key, make: Callable[[], Prepared]) -> Prepared:
        """Return the prepared geometry, from the cache if it was asked for before."""
        with self._lock:
            if (found := self._entries.get(key)) is not None:
                self._entries.move_to_end(key)
                return found
        made = make()
        with self._lock:
            self._entries[key] = made
            while len(self._entries) > self._kept:
                self._entries.popitem(last=False)
        return made
