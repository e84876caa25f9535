"""The passes that a survey carries, checked and reduced like the survey itself, and learnt from."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from msgspec.structs import replace

from ..learning.forecast import Goal, forecast, whole_steps
from ..learning.response_lsq import ReducedPass
from ..learning.responses import Responses, Slack, learn, travels_to_ask
from ..model.contract import Floats
from ..model.errors import Fault, Refused, repointed
from ..model.survey import Made, Pass, Previous, Reading, Survey
from ..reduction.covariance import GapCovariance
from ..reduction.levelling_network import MOST_SETUPS
from ..reduction.readings import place_faults, time_faults, values, where
from ..reduction.stations import layout
from ..results.learning import Forecast
from . import sentences
from .geometry import sum_of_shapes

if TYPE_CHECKING:
    from ..model.options import Solve
    from .geometry import Geometry

MOST_READINGS, MOST_MOVES = 20_000, 200
"""Readings and moves in all earlier passes together: as many readings as one survey may have."""


def learn_from(
    prepared: Geometry, solve: Solve[Any], survey: Survey, gaps: Floats, variance: Floats
) -> Responses | None:
    """Learn from the passes that a survey carries, or return None where it carries none.

    ``gaps`` and ``variance`` (n,) are the survey's own, at the stations of ``prepared``.

    Raises:
        Refused: something in ``survey.previous`` is wrong; every fault found is listed.
    """
    if survey.previous is None:
        return None
    passes = oldest_first(survey.previous)
    ids = [adjuster.id for adjuster in prepared.adjusters]
    stations = {(x, y) for x, y in prepared.layout.points.tolist()}
    if faults := previous_faults(prepared, ids, passes, stations):
        raise Refused(faults)
    travels = np.zeros((len(passes), len(ids)))
    for row, (_, one) in enumerate(passes):
        for move in one.moves:
            travels[row, ids.index(move.adjuster)] = move.travel
    seen = [reduce_pass(prepared, pointer, one.readings) for pointer, one in passes]
    if not prepared.linear:
        seen = [as_if_linear(prepared, one, -travels[row:].sum(axis=0)) for row, one in enumerate(seen)]
    surveys, machine = [*seen, current_pass(prepared, gaps, variance)], prepared.machine
    return learn(prepared.adjusters, surveys, travels, Slack.usual(machine.from_mm), solve.offset, machine.units)


def passes_left(
    prepared: Geometry,
    solve: Solve[Any],
    gaps: Floats,
    noise: GapCovariance,
    row: int,
    learnt: Responses,
    travels: Floats,
    aim: float,
) -> Forecast:
    """Return how many passes remain for one survey of a stack, given what its previous passes teach."""
    machine, points = prepared.machine, prepared.layout.points
    seen = ReducedPass(points, gaps[row], noise.variance[row], noise.factors, prepared.influence)
    enough = machine.total_limit if solve.aim_for is None else aim
    goal = Goal(aim, enough, prepared.setting.half, whole_steps(prepared.adjusters))
    return forecast(learnt, seen, travels, travels_to_ask(travels, learnt), goal, solve.offset, machine.units)


def current_pass(prepared: Geometry, gaps: Floats, variance: Floats) -> ReducedPass:
    """Return the survey in hand as learning sees it."""
    return ReducedPass(prepared.layout.points, gaps, variance, prepared.layout.factors, prepared.influence)


def as_if_linear(prepared: Geometry, seen: ReducedPass, back: Floats) -> ReducedPass:
    """Return an earlier survey as it were if influence × travel were the change of gap; ``back`` (m,) leads from now to
    then."""
    return replace(seen, gaps=seen.gaps + seen.influence @ back - prepared.change_at(seen.points, back))


def oldest_first(previous: Previous) -> list[tuple[str, Pass]]:
    """Return every pass with its pointer, the oldest first."""
    base = "/survey/previous"
    return [*((f"{base}/earlier/{index}", one) for index, one in enumerate(previous.earlier)), (base, previous)]


def reduce_pass(prepared: Geometry, pointer: str, readings: Sequence[Reading]) -> ReducedPass:
    """Reduce the readings of one earlier survey to gaps.

    Raises:
        Refused: too few stations, or set-ups that share none; the pointer is that of these readings.
    """
    machine = prepared.machine
    try:
        plan = layout(machine, where(readings))
    except Refused as refused:
        raise Refused(repointed(pointer, refused.faults)) from refused
    gaps, variance = plan.reduce(np.array([values(readings)]), machine.sense)
    if (known := sum_of_shapes(prepared.known_at(plan.points))) is not None:
        gaps = gaps - known
    influence = prepared.influence_at(plan.points)
    return ReducedPass(plan.points, gaps[0], variance[0], plan.factors, influence)


def previous_faults(
    prepared: Geometry, ids: Sequence[str], passes: Sequence[tuple[str, Pass]], stations: set[tuple[float, float]]
) -> list[Fault]:
    """Return every fault of the passes; ``stations`` are those of the survey that follows them."""
    faults = list[Fault]()
    for pointer, one in passes:
        faults += repointed(pointer, time_faults(Survey(one.readings)))
        plain = [(reading.x, reading.y, "", 1, None) for reading in one.readings]
        faults += repointed(pointer, place_faults(prepared.machine, plain))
        faults += move_faults(pointer, one.moves, ids)
    read = [{(reading.x + 0.0, reading.y + 0.0) for reading in one.readings} for _, one in passes]
    for (pointer, _), before, after in zip(passes, read, [*read[1:], stations], strict=True):
        if not before & after:
            faults.append(Fault(f"{pointer}/readings", sentences.NOT_READ_AGAIN))
    counts = {
        "readings": (sum(len(values(one.readings)) for _, one in passes), MOST_READINGS),
        "set-ups": (sum(len({reading.setup for reading in one.readings}) for _, one in passes), MOST_SETUPS),
        "moves": (sum(len(one.moves) for _, one in passes), MOST_MOVES),
    }
    for what, (count, most) in counts.items():
        if count > most:
            faults.append(Fault("/survey/previous", sentences.too_many_in_passes(what, most)))
    return faults


def move_faults(pointer: str, moves: Sequence[Made], ids: Sequence[str]) -> list[Fault]:
    """Return a fault for every move of an adjuster that is unknown, or given before."""
    faults, seen = list[Fault](), dict[str, int]()
    for index, move in enumerate(moves):
        at = f"{pointer}/moves/{index}/adjuster"
        if move.adjuster not in ids:
            faults.append(Fault(at, sentences.no_such_move(move.adjuster, ids)))
        elif move.adjuster in seen:
            faults.append(Fault(at, sentences.moved_before(move.adjuster, seen[move.adjuster])))
        seen.setdefault(move.adjuster, index)
    return faults
