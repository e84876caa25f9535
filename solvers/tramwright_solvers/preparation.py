"""Geometries are checked, laid out and fitted: those of one kind together; and kept under what they came from."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Sequence
from threading import Lock
from typing import Any, NamedTuple

import numpy as np
from msgspec import Struct

from .adjust.fewest import Candidates, candidates_of
from .contract import Floats, Mechanism
from .faults import SolverError
from .layout import Layout, layout, plan_weights
from .machine import Machine
from .prepared import Prepared
from .setting import Setting, settings_of
from .solve import Solve
from .survey import Where, place_faults
from .works import Works, works

KEPT = 256
"""Prepared geometries kept at once: a farm's worth of machines, half a megabyte each once answered in full (25
stations)."""


class Stations(Struct, frozen=True):
    """A machine and where it was read, checked and laid out, but nothing fitted yet."""

    works: Works
    layout: Layout
    influence: Floats
    weights: Floats

    @property
    def kind(self) -> tuple[object, ...]:
        """What must be the same for geometries to be fitted together; one with bounds or many adjusters stands alone.

        Where supports, seats and stations are, and how well the dial reads, may differ.
        """
        works, limits = self.works, self.works.limits
        # One that is held has no travel at all, which bounds nothing that is free.
        if len(works.free) > MOST_FREE or (limits.bounded and limits.moving(works.free).bounded):
            return (id(self),)
        return (
            works.free,
            works.groups,
            works.whole,
            self.influence.shape,
            limits.offset_free,
            limits.effort.tobytes(),
            limits.rows.tobytes(),
        )


MOST_FREE = 8
"""Adjusters beyond which geometries are fitted one by one: each has so many subsets that nothing is gained."""


class Wanted(NamedTuple):
    """A geometry to prepare: machine, readings without their values, options, mechanisms where these name none."""

    machine: Machine
    readings: tuple[Where, ...]
    solve: Solve[Any]
    picked: tuple[Mechanism, ...]


def prepare(
    machine: Machine, readings: tuple[Where, ...], solve: Solve[Any], picked: tuple[Mechanism, ...]
) -> Prepared:
    """Check the machine and prepare its geometry.

    Raises:
        Refused: the machine, the solvers asked for or the stations do not make sense; all faults found are listed.
    """
    (made,) = prepare_many([Wanted(machine, readings, solve, picked)])
    if isinstance(made, SolverError):
        raise made
    return made


def prepare_many(wanted: Sequence[Wanted]) -> list[Prepared | SolverError]:
    """Prepare geometries as :func:`prepare` does one, in their order; those of one kind are fitted together."""
    made: list[Prepared | SolverError | None] = [None] * len(wanted)
    kinds: dict[tuple[object, ...], list[tuple[int, Stations]]] = {}
    for place, one in enumerate(wanted):
        try:
            stations = placed(one)
        except SolverError as error:
            made[place] = error
        else:
            kinds.setdefault(stations.kind, []).append((place, stations))
    for alike in kinds.values():
        for place, prepared in zip([place for place, _ in alike], fitted([own for _, own in alike]), strict=True):
            made[place] = prepared
    return [one for one in made if one is not None]


def placed(wanted: Wanted) -> Stations:
    """Check machine and stations, and work out the influence of every adjuster.

    Raises:
        Refused: the machine, the solvers asked for or the stations do not make sense; all faults found are listed.
    """
    machine, readings, solve, picked = wanted
    job = works(machine, solve.with_, picked, solve.offset == "free", place_faults(machine, readings))
    plan = layout(machine, readings)
    return Stations(job, plan, job.influence_at(plan.points), plan_weights(plan))


def fitted(alike: Sequence[Stations]) -> list[Prepared]:
    """Fit every subset of the adjusters, for geometries of one kind."""
    first = alike[0].works
    problems = [one.works.problem(one.influence, one.weights) for one in alike]
    tables = candidates_of(problems, first.free, first.groups, every=first.whole)
    settings: list[Setting | None] = [None] * len(alike)
    by_sets: dict[tuple[tuple[int, ...], ...], list[int]] = {}
    for place, table in enumerate(tables):
        by_sets.setdefault(table.sets, []).append(place)
    for sets, places in by_sets.items():
        own = [alike[place] for place in places]
        made = settings_of(
            [(one.works.machine, one.works.adjusters) for one in own],
            np.stack([one.influence for one in own]),
            np.stack([one.layout.points for one in own]),
            sets,
        )
        for place, setting in zip(places, made, strict=True):
            settings[place] = setting
    return [
        of_stations(one, table, setting)
        for one, table, setting in zip(alike, tables, settings, strict=True)
        if setting is not None
    ]


def of_stations(stations: Stations, candidates: Candidates, setting: Setting) -> Prepared:
    """Put together what has been fitted."""
    own = stations.works
    return Prepared(
        machine=own.machine,
        parts=own.parts,
        adjusters=own.adjusters,
        solver_of=own.solver_of,
        held=own.held,
        free=own.free,
        groups=own.groups,
        whole=own.whole,
        limits=own.limits,
        layout=stations.layout,
        influence=stations.influence,
        weights=stations.weights,
        candidates=candidates,
        setting=setting,
    )


Key = tuple[bytes, tuple[Where, ...], tuple[Mechanism, ...]]
"""Machine and options as bytes, the readings without their values, and the mechanisms picked where none is named."""


class Cache:
    """Prepared geometries by content, least recently used out first; safe to share between threads."""

    def __init__(self, kept: int = KEPT) -> None:
        self._kept = kept
        self._entries: OrderedDict[Key, Prepared] = OrderedDict()
        self._lock = Lock()

    def get(
        self, keys: Sequence[Key], make: Callable[[list[int]], list[Prepared | SolverError]]
    ) -> list[Prepared | SolverError]:
        """Return the prepared geometries, from the cache where they were asked for before.

        ``make`` prepares those at the places it is given; what cannot be prepared is not kept.
        """
        with self._lock:
            found: list[Prepared | SolverError | None] = [self._entries.get(key) for key in keys]
            for key, known in zip(keys, found, strict=True):
                if known is not None:
                    self._entries.move_to_end(key)
        if missing := [place for place, known in enumerate(found) if known is None]:
            for place, own in zip(missing, make(missing), strict=True):
                found[place] = own
            with self._lock:
                for place in missing:
                    if isinstance(made := found[place], Prepared):
                        self._entries[keys[place]] = made
                while len(self._entries) > self._kept:
                    self._entries.popitem(last=False)
        return [one for one in found if one is not None]
