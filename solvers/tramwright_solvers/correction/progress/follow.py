"""Steps carried out, followed on the estimate one after the other, each judged by what the dial read."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np
from msgspec import Struct

from ...learning.responses import NAMED, Responses
from ...model.contract import Floats
from ...model.done import Done
from ...model.errors import Fault, Refused
from ...reduction.covariance import GapCovariance
from ...results.progress import StepDone
from ..geometry import Geometry
from . import sentences
from .judged import Judged, is_beyond, judge_step, says
from .state import Seen, State, Told
from .told import Work

STOPS = ("stuck", "wrong way", "misread", "followed")
"""What is to be settled before anything is moved."""


class Followed(Struct, frozen=True):
    """Where the machine stands after its steps: travels ``made`` (m,), ``gaps`` (1, n) and their covariance.

    ``divisor`` (m,) is what the next travels are divided by. ``judged`` and ``steps`` are of each step; ``stop`` is
    what is to be settled first, None where nothing is, and ``says`` why.
    """

    work: Work
    made: Floats
    gaps: Floats
    noise: GapCovariance
    divisor: Floats
    judged: list[Judged]
    steps: list[StepDone]
    stop: Literal["adjuster", "dial"] | None
    says: str

    @property
    def last(self) -> Told:
        """The last step."""
        return self.work.steps[-1]

    @property
    def lifted(self) -> bool:
        """Whether the last step lifted the bed that it should have met."""
        return self.judged[-1].found == "lifted"


def follow(
    prepared: Geometry, gaps: Floats, noise: GapCovariance, done: Sequence[Done], work: Work, learnt: Responses | None
) -> Followed:
    """Follow steps from a survey's gaps (n,).

    Raises:
        Refused: a step goes beyond the end of an adjuster's travel.
    """
    state, sense = State(prepared, gaps, noise, work.steps, learnt), prepared.machine.sense
    known = np.zeros(len(gaps)) if prepared.known is None else prepared.known
    judged, seen, faults = list[Judged](), list[Seen](), list[Fault]()
    last = np.zeros(len(prepared.adjusters))
    for at, (one, step) in enumerate(zip(done, work.steps, strict=True)):
        if fault := beyond(prepared, step, state.made, f"/done/{at}/travel"):
            faults.append(fault)
        zero = known[step.station]
        before, after = (None if value is None else sense * value - zero for value in (one.read_before, one.read))
        same_zero = before is None
        if before is not None:
            off = before - state.gap_at(step.station)
            if same_zero := abs(off) <= NAMED * state.u_of_reading(step.station):
                state.read(step.station, before)
        shown = state.begin(at)
        travel = step.travel or 0.0
        change = None if same_zero or after is None or before is None else after - before
        verdict = judge_step(
            prepared, step, shown, after if same_zero else None, change, travel * last[step.column] < 0.0
        )
        if travel and step.counts:
            last[step.column] = travel
        if verdict.trusted and after is not None:
            if change is None:
                state.read(step.station, after)
            elif step.counts:
                state.changed(at, change)
        judged.append(verdict)
        seen.append(shown)
    if faults:
        raise Refused(faults)
    current, covariance = state.now()
    steps = [
        written(prepared, state, at, one, step, shown, verdict, float(known[step.station]))
        for at, (one, step, shown, verdict) in enumerate(zip(done, work.steps, seen, judged, strict=True))
    ]
    stop: Literal["adjuster", "dial"] | None = None
    if judged[-1].found in STOPS or slipping(work.steps, judged):
        stop = "dial" if judged[-1].found == "misread" else "adjuster"
    words = steps[-1].says
    if stop and judged[-1].found not in STOPS:
        step, verdict = work.steps[-1], judged[-1]
        asked = step.travel or 0.0
        words = sentences.slips(
            prepared.adjusters[step.column], verdict.response * asked, asked, prepared.machine.units
        )
    return Followed(work, state.made, current, covariance, state.divisor, judged, steps, stop, words)


def written(
    prepared: Geometry, state: State, at: int, one: Done, step: Told, shown: Seen, verdict: Judged, known: float
) -> StepDone:
    """Write down what one step did."""
    moved, u = state.moved(at) if step.counts else (None, None)
    expected = prepared.machine.sense * (shown.wanted + known)
    told = says(prepared, step, verdict, moved, one.read, expected)
    place = prepared.places[step.station]
    return StepDone(one.adjuster, one.travel, moved, u, place, expected, one.read, told)


def beyond(prepared: Geometry, step: Told, made: Floats, pointer: str) -> Fault | None:
    """Return a fault where a step goes beyond the end of its adjuster's travel."""
    adjuster, travel = prepared.adjusters[step.column], step.travel
    if travel is None or not step.counts or adjuster.stock is not None:
        return None
    stands, slight = float(made[step.column]), float(prepared.setting.half[step.column])
    room = max(adjuster.upper - stands if travel > 0.0 else stands - adjuster.lower, 0.0)
    if abs(travel) <= room + slight:
        return None
    return Fault(pointer, sentences.beyond_bounds(adjuster.id, room, prepared.machine.units))


def slipping(steps: Sequence[Told], judged: Sequence[Judged]) -> bool:
    """Say whether the last adjuster did not do what it was told twice in a row, beyond doubt."""
    own = [verdict for step, verdict in zip(steps, judged, strict=True) if step.column == steps[-1].column]
    read = [one for one in own if one.trusted and one.found != "still"]
    return len(read) > 1 and is_beyond(judged[-1]) and all(map(is_beyond, read[-2:]))
