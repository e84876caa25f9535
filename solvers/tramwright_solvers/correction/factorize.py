"""Geometries are checked, laid out and fitted, those of one kind together, and cached by their content."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np
from msgspec import Struct
from msgspec.structs import asdict

from ..adjustment.candidates import candidates_of
from ..diagnostics.form_terms import leading_terms
from ..diagnostics.unobservable import Seeing, shows_all
from ..linalg.grids import coarse_grid
from ..model.contract import Floats, Mechanism
from ..model.errors import SolverError
from ..model.machine import Machine
from ..model.options import Solve
from ..reduction.readings import Where, place_faults
from ..reduction.stations import StationLayout, layout, plan_weights
from ..uncertainty.setting_error import Setting, settings_of
from .geometry import Geometry
from .setup import Setup, set_up


class Design(Struct, frozen=True):
    """A machine and where it was read, checked and laid out, but nothing fitted yet.

    ``influence`` (n, m) is what the adjusters do at the stations, ``influence_over_bed`` (25, m) on a coarse grid.
    """

    setup: Setup
    layout: StationLayout
    influence: Floats
    influence_over_bed: Floats
    weights: Floats

    @property
    def kind(self) -> tuple[object, ...]:
        """What must be the same for geometries to be fitted together; one with bounds or many adjusters stands alone.

        Where supports, seats and stations are, and how well the dial reads, may differ.
        """
        works, limits = self.setup, self.setup.limits
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
            limits.at_most,
        )


MOST_FREE = 8
"""Adjusters beyond which geometries are fitted one by one: each has so many subsets that nothing is gained."""


class GeometryRequest(NamedTuple):
    """A geometry to prepare: machine, readings without their values, options, mechanisms where these name none."""

    machine: Machine
    readings: tuple[Where, ...]
    solve: Solve[Any]
    picked: tuple[Mechanism, ...]


def prepare(
    machine: Machine, readings: tuple[Where, ...], solve: Solve[Any], picked: tuple[Mechanism, ...]
) -> Geometry:
    """Check the machine and prepare its geometry.

    Raises:
        Refused: the machine, the solvers asked for or the stations do not make sense; all faults found are listed.
    """
    (made,) = prepare_many([GeometryRequest(machine, readings, solve, picked)])
    if isinstance(made, SolverError):
        raise made
    return made


def prepare_many(wanted: Sequence[GeometryRequest]) -> list[Geometry | SolverError]:
    """Prepare geometries as :func:`prepare` does one, in their order; those of one kind are fitted together."""
    made: list[Geometry | SolverError | None] = [None] * len(wanted)
    kinds: dict[tuple[object, ...], list[tuple[int, Design]]] = {}
    for place, one in enumerate(wanted):
        try:
            stations = design_of(one)
        except SolverError as error:
            made[place] = error
        else:
            kinds.setdefault(stations.kind, []).append((place, stations))
    for alike in kinds.values():
        for place, prepared in zip([place for place, _ in alike], factorize([own for _, own in alike]), strict=True):
            made[place] = prepared
    return [one for one in made if one is not None]


def design_of(wanted: GeometryRequest) -> Design:
    """Check machine and stations, and work out the influence of every adjuster.

    Raises:
        Refused: the machine, the solvers asked for or the stations do not make sense; all faults found are listed.
    """
    machine, readings, solve, picked = wanted
    job = set_up(machine, solve.with_, picked, solve.offset == "free", place_faults(machine, readings))
    plan = layout(machine, readings)
    stations = len(plan.points)
    influence = job.influence_at(np.concatenate([plan.points, coarse_grid(machine.bed)]))
    return Design(job, plan, influence[:stations], influence[stations:], plan_weights(plan))


def factorize(alike: Sequence[Design]) -> list[Geometry]:
    """Fit every subset of the adjusters, for geometries of one kind."""
    first = alike[0].setup
    problems = [one.setup.problem(one.influence, one.weights) for one in alike]
    tables = candidates_of(problems, first.free, first.groups, every=first.whole)
    machines = [one.setup.machine for one in alike]
    influence, points = np.stack([one.influence for one in alike]), np.stack([one.layout.points for one in alike])
    weights = np.stack([one.weights for one in alike])
    shown = shows_all(influence, np.stack([one.influence_over_bed for one in alike])).tolist()
    seen, u = leading_terms([machine.bed for machine in machines], points, np.sqrt(weights))
    settings: list[Setting | None] = [None] * len(alike)
    by_sets: dict[tuple[tuple[int, ...], ...], list[int]] = {}
    for place, table in enumerate(tables):
        by_sets.setdefault(table.sets, []).append(place)
    for sets, places in by_sets.items():
        own = [(machines[place], alike[place].setup.adjusters) for place in places]
        made = settings_of(own, influence[places], points[places], sets)
        for place, setting in zip(places, made, strict=True):
            settings[place] = setting
    return [
        Geometry(
            **asdict(one.setup),
            layout=one.layout,
            influence=one.influence,
            influence_over_bed=one.influence_over_bed,
            weights=one.weights,
            candidates=table,
            setting=setting,
            seeing=Seeing(*of_seeing),
        )
        for one, table, setting, *of_seeing in zip(
            alike, tables, settings, shown, seen.tolist(), u.tolist(), strict=True
        )
        if setting is not None
    ]
