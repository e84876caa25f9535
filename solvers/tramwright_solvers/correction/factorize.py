"""Geometries are checked, laid out and fitted, those of one kind together, and cached by their content."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np
from msgspec import Struct
from msgspec.structs import asdict

from ..adjustment.candidates import candidates_of
from ..diagnostics.form_terms import leading_terms, shows_form, terms_of
from ..diagnostics.reliability import spanned
from ..diagnostics.unobservable import Seeing, shows_all
from ..linalg.grids import coarse_grids
from ..model.contract import Mechanism
from ..model.errors import SolverError
from ..model.machine import Machine
from ..model.options import Solve
from ..reduction.readings import Where, place_faults
from ..reduction.stations import StationLayout, layout, plan_weights
from ..uncertainty.setting_error import Setting, settings_of
from .geometry import Geometry
from .setup import Setup, influences_at, set_up


class Design(Struct, frozen=True):
    """A machine and where it was read, checked and laid out, but nothing worked out yet."""

    setup: Setup
    layout: StationLayout

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
            *[type(mechanism) for mechanism, _ in works.parts],
            works.free,
            works.groups,
            works.whole,
            len(self.layout.points),
            len(works.adjusters),
            *limits.kind,
        )


MOST_FREE = 8
"""Adjusters beyond which geometries are fitted one by one: each has so many subsets that nothing is gained."""


class GeometryRequest(NamedTuple):
    """A geometry to prepare: machine, readings without their values, options, mechanisms where these name none."""

    machine: Machine
    readings: tuple[Where, ...]
    solve: Solve[Any]
    picked: tuple[Mechanism, ...]


def prepare_many(wanted: Sequence[GeometryRequest]) -> list[Geometry | SolverError]:
    """Check machines and prepare their geometries, in their order; those of one kind are fitted together."""
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
        for place, prepared in zip([place for place, _ in alike], fitted([own for _, own in alike]), strict=True):
            made[place] = prepared
    return [one for one in made if one is not None]


def fitted(alike: Sequence[Design]) -> Sequence[Geometry | SolverError]:
    """Fit geometries of one kind together; where a mechanism refuses one of them, each on its own."""
    try:
        return factorize(alike)
    except SolverError as error:
        return [error] if len(alike) == 1 else [made for one in alike for made in fitted([one])]


def design_of(wanted: GeometryRequest) -> Design:
    """Check machine and stations.

    Raises:
        Refused: the machine, the solvers asked for or the stations do not make sense; all faults found are listed.
    """
    machine, readings, solve, picked = wanted
    job = set_up(machine, solve.with_, picked, solve.offset == "free", place_faults(machine, readings))
    return Design(job, layout(machine, readings))


def factorize(alike: Sequence[Design]) -> list[Geometry]:
    """Work out the influence of every adjuster and fit every subset, for geometries of one kind.

    Raises:
        Refused: a mechanism cannot tell its influence on one of the machines.
    """
    first, setups, machines = alike[0].setup, [one.setup for one in alike], [one.setup.machine for one in alike]
    points, beds = np.stack([one.layout.points for one in alike]), [machine.bed for machine in machines]
    everywhere = influences_at(setups, np.concatenate([points, coarse_grids(beds)], axis=1))
    influence, over_bed = everywhere[:, : points.shape[1]], everywhere[:, points.shape[1] :]
    weights = np.stack([plan_weights(one.layout) for one in alike])
    # copies, so that keeping one does not keep the others
    own = [
        (at.copy(), over.copy(), weight.copy()) for at, over, weight in zip(influence, over_bed, weights, strict=True)
    ]
    problems = [setup.problem(at, weight) for setup, (at, _, weight) in zip(setups, own, strict=True)]
    tables = candidates_of(problems, first.free, first.groups, every=first.whole)
    root = np.sqrt(weights)[:, :, None]
    terms = terms_of(beds, points) * root
    bases = spanned(np.concatenate([terms, influence * root], axis=2))
    told = shows_all(influence, over_bed), shows_form(terms), *leading_terms(terms[:, :, :4])
    settings: list[Setting | None] = [None] * len(alike)
    by_sets: dict[tuple[tuple[int, ...], ...], list[int]] = {}
    for place, table in enumerate(tables):
        by_sets.setdefault(table.sets, []).append(place)
    for sets, places in by_sets.items():
        adjusters = [(machines[place], setups[place].adjusters) for place in places]
        made = settings_of(adjusters, influence[places], points[places], sets)
        for place, setting in zip(places, made, strict=True):
            settings[place] = setting
    return [
        Geometry(
            **asdict(one.setup),
            layout=one.layout,
            influence=at,
            influence_over_bed=over,
            weights=weight,
            candidates=table,
            setting=setting,
            spanned=basis.copy(),
            seeing=Seeing(*of_seeing),
        )
        for one, (at, over, weight), table, setting, basis, *of_seeing in zip(
            alike, own, tables, settings, bases, *(values.tolist() for values in told), strict=True
        )
        if setting is not None
    ]
