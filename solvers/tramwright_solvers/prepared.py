"""Everything that depends on the machine, the stations and the options, worked out once and kept under its content."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable
from itertools import accumulate
from threading import Lock
from typing import Any

import numpy as np
from msgspec import Struct

from .adjust.fewest import Candidates, candidates
from .adjust.problem import Problem
from .adjust.stock import choices
from .adjust.whole import discrete
from .answer import Blind, Place
from .breakdown import Form, form
from .checks import machine_faults, solver_faults
from .contract import Adjuster, Floats, Mechanism, Site
from .faults import Refused
from .machine import Bed, Machine
from .solve import Solve
from .steps import parking
from .survey import Layout, Where, layout, place_faults
from .suspects import SlipCheck, slip_check

KEPT = 256
"""Prepared geometries kept at once: a farm's worth of machines, about a megabyte each at 25 stations."""

FAR_MM = 5.0
"""Travel in mm beyond which an answer warns: tramming moves tenths, so a slip is likelier. Our own choice."""

BLIND_STATIONS, BLIND_BED = 1e-6, 1e-3
"""An adjuster is unseen if its own part is below the first at the stations and above the second over the bed."""


class Prepared(Struct, frozen=True):
    """One machine, read at these stations, solved with these options; ready for any number of surveys.

    Of the K subsets: ``rungs`` (r, K) says which belong to each rung of the ladder, ``sizes`` where each size starts,
    ``size_of`` (K,) which size each has, ``numbers`` and ``effort`` (K,) their places and efforts.
    """

    machine: Machine
    mechanisms: tuple[Mechanism, ...]
    adjusters: tuple[Adjuster, ...]
    solver_of: tuple[str, ...]
    columns: tuple[slice, ...]
    kinds: tuple[str, ...]
    layout: Layout
    root: Floats
    influence: Floats
    places: list[Place]
    park: list[int]
    at_park: list[list[float]]
    candidates: Candidates
    groups: tuple[tuple[int, ...], ...]
    whole: tuple[int, ...]
    rung_names: tuple[str, ...]
    rungs: np.ndarray
    sizes: np.ndarray
    size_of: np.ndarray
    numbers: np.ndarray
    effort: Floats
    form: Form
    slips: SlipCheck
    blind: list[Blind]
    cautions: tuple[str, ...]
    far: float
    versions: dict[str, str]


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
    counts = np.array(table.count)
    sizes = np.flatnonzero(np.diff(counts, prepend=-1))
    root, park = np.sqrt(weights), parking(influence)
    terms = form(machine.bed, plan.points, root)
    slips = slip_check(machine, plan, np.concatenate([terms.columns, influence], axis=1), root)
    over_bed = np.concatenate(
        [mechanism.influence(Site(machine, bed_grid(machine.bed))) for mechanism, _ in parts], axis=1
    )
    return Prepared(
        machine=machine,
        mechanisms=mechanisms,
        adjusters=adjusters,
        solver_of=solver_of,
        columns=tuple(slice(end - len(own), end) for end, (_, own) in zip(ends, parts, strict=True)),
        layout=plan,
        kinds=tuple(own[0].kind for _, own in parts),
        root=root,
        influence=influence,
        places=[Place(x, y) for x, y in plan.points.tolist()],
        park=park.tolist(),
        at_park=influence[park].tolist(),
        candidates=table,
        groups=tuple(group for _, group in groups),
        whole=tuple(discrete(table, adjusters)) if whole else (),
        rung_names=("as found", *(name for name, _ in groups)),
        rungs=np.array(
            [[set(subset) <= set(group) for subset in table.sets] for group in ((), *(group for _, group in groups))]
        ),
        sizes=sizes,
        size_of=np.searchsorted(sizes, np.arange(len(counts)), side="right") - 1,
        numbers=np.arange(len(counts)),
        effort=np.array(table.effort),
        form=terms,
        slips=slips,
        blind=terms.blind() + blind_adjusters(adjusters, influence, over_bed),
        cautions=(
            *GENERAL_CAUTIONS,
            *(caution for mechanism in mechanisms for caution in mechanism.cautions(machine)),
            *slips.unchecked_says(),
        ),
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


def bed_grid(bed: Bed) -> Floats:
    """Return a 7 × 7 grid over the whole bed, shape (49, 2): fine enough for every form that adjusters make."""
    x, y = np.meshgrid(np.linspace(*bed.x, 7), np.linspace(*bed.y, 7))
    return np.column_stack([x.ravel(), y.ravel()])


def blind_adjusters(adjusters: tuple[Adjuster, ...], at_stations: Floats, over_bed: Floats) -> list[Blind]:
    """Name adjusters whose effect the stations cannot tell from that of others, though the bed would show it.

    Each is held against all that are easier to move; and, so that no unseen combination goes unnamed, against all that
    are easier or stand before it among equals.
    """
    order = sorted(range(len(adjusters)), key=lambda index: (adjusters[index].effort, index))
    found = set()
    for place, index in enumerate(order):
        easier = [other for other in order if adjusters[other].effort < adjusters[index].effort]
        for others in (easier, order[:place]):
            own_here = own_part(at_stations[:, others], at_stations[:, [index]])
            own_there = own_part(over_bed[:, others], over_bed[:, [index]])
            if (
                own_here < BLIND_STATIONS * max(1.0, float(np.abs(at_stations[:, index]).max()))
                and own_there > BLIND_BED
            ):
                found.add(index)
    return [
        Blind(
            adjuster.id,
            "adjuster",
            f"These stations cannot tell what `{adjuster.id}` does from what easier adjusters do; read the corners of "
            "the bed as well.",
        )
        for index, adjuster in enumerate(adjusters)
        if index in found
    ]


def own_part(others: Floats, column: Floats) -> float:
    """Return the largest entry of a column (n, 1) once a constant and the span of others (n, k) are taken off."""
    span = np.concatenate([np.ones((len(column), 1)), others], axis=1)
    return float(np.abs(column - span @ np.linalg.lstsq(span, column, rcond=1e-9)[0]).max())


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
