"""Steps carried out, followed on the estimate one after the other, each judged by what the dial read."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np
from msgspec import Struct

from ...learning.responses import NAMED, Responses
from ...model.contract import Floats, Standing
from ...model.done import Done
from ...model.errors import Fault, Refused
from ...reduction.covariance import GapCovariance
from ...results.progress import StepDone
from ..geometry import Geometry
from . import sentences
from .judged import Judged, judge_step, says
from .state import Seen, State, Told
from .told import Work

STOPS = ("stuck", "wrong way", "misread", "followed")
"""What is to be settled before anything is moved."""


class Followed(Struct, frozen=True):
    """Where the machine stands after its steps: travels ``made`` (m,), also by mechanism, ``gaps`` (1, n) and their
    covariance.

    ``divisor`` (m,) is what the next travels are divided by. ``judged`` and ``steps`` are of each step; ``stop`` is
    what is to be settled first, None where nothing is, and ``says`` why.
    """

    work: Work
    made: Floats
    standing: tuple[Standing, ...]
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
    state = State(prepared, gaps, noise, work.steps, learnt)
    judged, seen, faults = list[Judged](), list[Seen](), list[Fault]()
    last = np.zeros(len(prepared.adjusters))
    for at, (one, step) in enumerate(zip(done, work.steps, strict=True)):
        faults += beyond(prepared, step, state.made, f"/done/{at}/travel")
        travel = (step.travel or 0.0) if step.counts else 0.0
        shown, verdict = made(state, at, one, turned=travel * last[step.column] <= 0.0)
        last[step.column] = travel or last[step.column]
        judged.append(verdict)
        seen.append(shown)
    if faults:
        raise Refused(faults)
    current, covariance = state.now()
    steps = [
        written(state, at, one, shown, verdict)
        for at, (one, shown, verdict) in enumerate(zip(done, seen, judged, strict=True))
    ]
    stop: Literal["adjuster", "dial"] | None = None
    words, final = steps[-1].says, judged[-1]
    if final.found in STOPS:
        stop = "dial" if final.found == "misread" else "adjuster"
    elif slipping(work.steps, judged):
        stop, asked = "adjuster", seen[-1].asked
        adjuster = prepared.adjusters[work.steps[-1].column]
        words = sentences.slips(adjuster, final.response * asked, asked, prepared.machine.units)
    went = [state.moved(at)[0] if step.counts else step.travel for at, step in enumerate(work.steps)]
    standing = work.standing(prepared, went, state.made)
    return Followed(work, state.made, standing, current, covariance, state.divisor, judged, steps, stop, words)


def made(state: State, at: int, one: Done, *, turned: bool) -> tuple[Seen, Judged]:
    """Make a step on the estimate; return what the dial should show and what is made of what it showed.

    ``turned`` says that the adjuster did not go the same way before.
    """
    prepared, step = state.prepared, state.steps[at]
    before, after = (
        None if value is None else prepared.machine.sense * value - known_at(prepared, step.station)
        for value in (one.read_before, one.read)
    )
    change = None
    if before is not None:
        if abs(before - state.gap_at(step.station)) <= NAMED * state.u_of_reading(step.station):
            state.read(step.station, before)
        elif after is not None:  # the dial has another zero than the survey
            change, after = after - before, None
    shown = state.begin(at)
    verdict = judge_step(prepared, step, shown, after, change, turned=turned)
    if not verdict.trusted:
        return shown, verdict
    if step.counts:
        read = shown.before + change if after is None and change is not None else after
        surprised = read is not None and abs(read - shown.likely) > NAMED * shown.u_likely
        if surprised and verdict.lasting:
            state.forget(step.column)
        if surprised or not verdict.lasting:
            state.set_apart(at, shown.asked)
        if change is not None:
            state.changed(at, change)
    if after is not None:
        state.read(step.station, after)
    return shown, verdict


def known_at(prepared: Geometry, station: int) -> float:
    """Return what is known of the gap at a station and taken off the readings."""
    return 0.0 if prepared.known is None else float(prepared.known[station])


def written(state: State, at: int, one: Done, shown: Seen, verdict: Judged) -> StepDone:
    """Write down what one step did."""
    prepared, step = state.prepared, state.steps[at]
    moved, u = state.moved(at) if step.counts else (None, None)
    expected = prepared.machine.sense * (shown.wanted + known_at(prepared, step.station))
    told = says(prepared, step, shown, verdict, moved, one.read, expected)
    return StepDone(one.adjuster, one.travel, moved, u, prepared.places[step.station], expected, one.read, told)


def beyond(prepared: Geometry, step: Told, made: Floats, pointer: str) -> list[Fault]:
    """Return a fault where a step goes beyond the end of its adjuster's travel."""
    adjuster, travel = prepared.adjusters[step.column], step.travel
    if travel is None or not step.counts or adjuster.stock is not None:
        return []
    stands, slight = float(made[step.column]), float(prepared.setting.half[step.column])
    room = max(adjuster.upper - stands if travel > 0.0 else stands - adjuster.lower, 0.0)
    if abs(travel) <= room + slight:
        return []
    return [Fault(pointer, sentences.beyond_bounds(adjuster.id, room, prepared.machine.units))]


def slipping(steps: Sequence[Told], judged: Sequence[Judged]) -> bool:
    """Say whether the last adjuster did not do what it was told twice in a row, beyond doubt."""
    own = [verdict for step, verdict in zip(steps, judged, strict=True) if step.column == steps[-1].column]
    read = [one for one in own if one.trusted and one.found != "still"]
    return len(read) > 1 and judged[-1].beyond and read[-2].beyond
