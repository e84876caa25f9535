"""Steps as they are sent, checked against the machine and told by columns and stations."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from msgspec import Struct

from ...adjustment.shim_stacks import Lattice, Stacks, choices
from ...model.contract import Adjuster, Carried, Floats, Mechanism, Replay, Standing
from ...model.done import Done
from ...model.errors import Fault, Refused
from ...results.findings import Place
from ..geometry import Geometry
from . import sentences
from .rest import ROUNDING, adjusters_after, sheets_for
from .state import Told


class Work(Struct, frozen=True):
    """Steps carried out on the way to travels ``planned`` (m,); ``sheets`` are those by shims and whole steps."""

    steps: list[Told]
    planned: Floats
    sheets: dict[int, float]

    @property
    def begun(self) -> frozenset[int]:
        """The columns that were planned to move, and those that were moved."""
        return frozenset([*np.flatnonzero(self.planned).tolist(), *(one.column for one in self.steps)])

    def standing(self, prepared: Geometry, went: Sequence[float | None], made: Floats) -> tuple[Standing, ...]:
        """Return how far the work is, given how far each step ``went`` and the travels ``made`` (m,) of all."""
        columns = [one.column for one in self.steps]
        found = []
        for mechanism, own in zip(prepared.mechanisms, prepared.columns, strict=True):
            replay, _ = replayed(prepared, mechanism, own, self.planned, columns, went)
            found.append(Standing(made[own], replay.carry, replay.clear))
        return tuple(found)


def replayed(
    prepared: Geometry,
    mechanism: Mechanism,
    own: slice,
    planned: Floats,
    columns: Sequence[int],
    travels: Sequence[float | None],
) -> tuple[Replay, list[int]]:
    """Return what the steps of one mechanism did, and which of all steps they are."""
    mine = [at for at, column in enumerate(columns) if own.start <= column < own.stop]
    done = tuple([(columns[at] - own.start, travels[at]) for at in mine])
    carried = Carried(prepared.machine, prepared.layout.points, planned[own], done=done)
    return mechanism.replay(carried), mine


def told(prepared: Geometry, done: Sequence[Done], planned: Floats) -> Work:
    """Check steps and return them by columns and stations; ``planned`` (m,) are the travels that the survey asks for.

    Raises:
        Refused: a step does not fit the machine or the steps before it; every fault found is listed.
    """
    faults = list[Fault]()
    for at, one in enumerate(done):
        faults += misplaced(prepared, at, one)
        if at and same(done[at - 1], one):
            faults.append(Fault(f"/done/{at}", sentences.same_step(at - 1)))
    if faults:
        raise Refused(faults)
    columns = [prepared.place_of[one.adjuster] for one in done]
    counts = list[dict[int, float] | None]([{}] * len(done))
    for mechanism, own in zip(prepared.mechanisms, prepared.columns, strict=True):
        replay, mine = replayed(prepared, mechanism, own, planned, columns, [one.travel for one in done])
        for at, counted in zip(mine, replay.counts, strict=True):
            if counted is None:
                faults.append(Fault(f"/done/{at}/travel", sentences.travel_needed(done[at].adjuster)))
            counts[at] = None if counted is None else {own.start + column: by for column, by in counted.items() if by}
    if faults:
        raise Refused(faults)
    stations = [prepared.places.index(Place(one.park.x + 0.0, one.park.y + 0.0)) for one in done]
    steps = [
        Told(column, one.travel, counted or {}, station)
        for column, one, counted, station in zip(columns, done, counts, stations, strict=True)
    ]
    sheets = dict[int, float]()
    for at, step in enumerate(steps):
        adjuster = prepared.adjusters[step.column]
        if step.travel is None or not step.counts or (adjuster.stock is None and adjuster.step is None):
            continue
        before = adjusters_after(prepared.adjusters, np.zeros(len(prepared.adjusters)), sheets)
        if fault := not_to_be_set(before[step.column], step.travel, f"/done/{at}/travel"):
            faults.append(fault)
        sheets[step.column] = sheets.get(step.column, 0.0) + step.travel
    if faults:
        raise Refused(faults)
    return Work(steps, planned, sheets)


def misplaced(prepared: Geometry, at: int, one: Done) -> list[Fault]:
    """Return what is wrong with one step taken alone."""
    faults, base = list[Fault](), f"/done/{at}"
    column = prepared.place_of.get(one.adjuster)
    if column is None:
        faults.append(Fault(f"{base}/adjuster", sentences.no_such_adjuster(one.adjuster, list(prepared.place_of))))
    elif one.adjuster in prepared.held:
        faults.append(Fault(f"{base}/adjuster", sentences.adjuster_held(one.adjuster)))
    elif one.travel == 0.0:
        faults.append(Fault(f"{base}/travel", sentences.TRAVEL_OF_NOTHING))
    if Place(one.park.x + 0.0, one.park.y + 0.0) not in prepared.places:
        nearest = min(prepared.places, key=lambda place: (place.x - one.park.x) ** 2 + (place.y - one.park.y) ** 2)
        faults.append(Fault(f"{base}/park", sentences.no_station(one.park.x, one.park.y, nearest.x, nearest.y)))
    return faults


def same(before: Done, after: Done) -> bool:
    """Say whether a step is given twice: the same travel of an adjuster that left the dial where it was."""
    return before == after and after.read is not None and after.travel is not None


def not_to_be_set(adjuster: Adjuster, travel: float, pointer: str) -> Fault | None:
    """Return a fault where no sheets at hand, or no whole steps, make a travel."""
    table = choices(adjuster)
    if isinstance(table, Stacks):
        return None if sheets_for(adjuster, travel) is not None else Fault(pointer, sentences.no_sheets(adjuster.id))
    if isinstance(table, Lattice) and abs(travel / table.step - round(travel / table.step)) > ROUNDING:
        return Fault(pointer, sentences.no_whole_steps(adjuster.id, table.step))
    return None
