"""Plate or gantry: the answer to surveys with the plate turned or shifted in between (reversal).

Heights are positive up, for the plate as for the surface the tool sweeps: a high spot of the plate raises the gap, a
high spot of the gantry lowers it. Planes are taken off both, since levelling and the indicator's zero take them up.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import erfc, sqrt
from typing import Literal

import numpy as np
from msgspec.structs import asdict

from ..adjustment.minimum_zone import chebyshev
from ..mechanisms.registry import Registry, installed
from ..model.contract import Floats, Mechanism
from ..model.errors import Fault, Refused
from ..model.machine import Machine
from ..model.options import Criterion
from ..model.units import K
from ..multisurvey.reduction import Group, collect_group, group_of
from ..multisurvey.settling import bent
from ..reduction.validation import machine_faults
from ..uncertainty.conformity import standing
from .further import Candidate, candidates
from .placement import MatchedSurveys, PlacedSurvey
from .results import (
    Agreement,
    BetterPlate,
    Further,
    FurtherSurvey,
    LaidTotal,
    Reversal,
    ReversalForm,
    ReversalStation,
    ReversalTerm,
    ReversalVerdict,
    Undecided,
    UndecidedShape,
)
from .sentences import better_says, cautions, doubts, further_says, laid_better_says, undecided_says, whose_says
from .separation import Separation, planes, separate
from .shapes import Form, Part, components, forms, remainder, undecided_shapes
from .validation import match_surveys

SURE = 0.95
"""Probability from which one form is called the larger; the default of ISO 14253-1:2017, from memory."""


def reverse(
    machine: Machine,
    surveys: Sequence[PlacedSurvey],
    mechanisms: Sequence[Mechanism] = (),
    registry: Registry | None = None,
    criterion: Criterion = "least-squares",
) -> Reversal:
    """Tell plate form and gantry form apart, as far as the surveys can.

    The rail seats of the ``mechanisms`` are asked what they would leave of the gantry's form; where none is named,
    those of all that suit, looked for in the ``registry`` (by default all installed). ``criterion`` says what the moves
    would make small.

    Raises:
        Refused: something in the machine, the surveys or the mechanisms is wrong, or the surveys cannot be compared;
            every fault is listed.
    """
    faults, group = list[Fault](), None
    registry = registry or installed()
    faults += registry.unread_extras(machine)
    try:
        laid = match_surveys(machine, surveys)
    except Refused as refused:
        faults += refused.faults
    if not machine_faults(machine):
        with collect_group(faults):
            group = group_of(machine, mechanisms or registry.suiting(machine), bool(mechanisms))
    if faults or group is None:
        raise Refused(faults)
    apart = separate(laid)
    plate, gantry = forms(apart)
    open_part = max(plate.undecided, gantry.undecided, key=Part.range)
    shapes = undecided_shapes(apart, plate)
    tried, beyond = candidates(apart)
    totals = levelled(laid)
    rails, versions = after_rails(machine, gantry, group, criterion)
    split = len(plate.points)
    size, u = open_part.range()
    open_formed = bool(apart.null.shape[1]) and open_part.formed()
    undecided = Undecided(
        dimension=apart.null.shape[1],
        range=size,
        u=u,
        significant=open_formed,
        beyond=beyond,
        shapes=[
            UndecidedShape(one.name, one.heights[:split].tolist(), one.heights[split:].tolist(), one.size, one.u)
            for one in shapes
        ],
        says=undecided_says(machine, laid.placements, shapes, apart.null.shape[1]),
    )
    return Reversal(
        machine=machine.id,
        units=machine.units,
        k=K,
        **asdict(whose(machine, plate, gantry, undecided)),
        better_plate=better(machine, totals, gantry, rails),
        plate=answer_of(apart, plate),
        gantry=answer_of(apart, gantry),
        undecided=undecided,
        further=next_survey(tried, undecided),
        laid=totals,
        agreement=Agreement(apart.excess, apart.dof, apart.contradicted),
        doubts=doubts(machine, surveys, laid, apart.contradicted, [name for name in bent(group) if name in versions]),
        cautions=cautions(surveys),
        solver_versions=versions,
    )


def answer_of(apart: Separation, form: Form) -> ReversalForm:
    """Write one form for the answer."""
    size, u = form.decided.range()
    terms = [
        ReversalTerm(
            term=one.term,
            range=None if one.value is None else abs(one.value) * one.spread,
            u=None if one.u is None else one.u * one.spread,
            significant=one.value is not None and one.u is not None and abs(one.value) > 2.0 * one.u,
            decidable=one.value is not None,
        )
        for one in components(apart, form)
    ]
    rest, all_of_it = remainder(apart, form)
    rest_size, rest_u = rest.range()
    stations = zip(
        form.points.tolist(),
        form.decided.heights.tolist(),
        form.decided.u.tolist(),
        form.whole.heights.tolist(),
        strict=True,
    )
    return ReversalForm(
        stations=[ReversalStation(x, y, height, error, whole) for (x, y), height, error, whole in stations],
        range=size,
        u=u,
        range_if_all_its_own=form.whole.range()[0],
        rms=float(np.sqrt(np.mean(form.decided.heights**2))),
        significant=form.decided.formed(),
        terms=[*terms, ReversalTerm("remainder", rest_size, rest_u, rest.formed(), all_of_it)],
    )


def larger(first: Part, second: Part) -> float:
    """Return the probability that the first form has the larger mean square, for normal errors.

    Mean squares are taken free of what the noise adds; the variance of a quadratic form of normal variables is
    2 tr((QC)²) + 4 μᵀQCQμ.
    """
    sizes, slopes, noise = [], [], []
    for part in (first, second):
        count = len(part.heights)
        sizes.append(float(part.heights @ part.heights - np.sum(part.root**2)) / count)
        slopes.append(part.heights @ part.root / count)
        noise.append(part.root.T @ part.root / count)
    variance = 4.0 * float(np.sum((slopes[0] - slopes[1]) ** 2)) + 2.0 * float(np.sum((noise[0] - noise[1]) ** 2))
    if variance == 0.0:
        return 0.5
    return 0.5 * erfc((sizes[1] - sizes[0]) / sqrt(2.0 * variance))


def whose(machine: Machine, plate: Form, gantry: Form, undecided: Undecided) -> ReversalVerdict:
    """Say whose error it is: the larger form, if it is the larger whoever the undecided part belongs to."""
    most = larger(plate.whole, gantry.decided) if undecided.dimension else larger(plate.decided, gantry.decided)
    least = larger(plate.decided, gantry.whole) if undecided.dimension else most
    if undecided.significant and least < SURE and most > 1.0 - SURE:
        name: Literal["plate", "gantry", "both", "neither", "undecided"] = "undecided"
    elif not (plate.decided.formed() or gantry.decided.formed() or undecided.significant):
        name = "neither"
    elif least >= SURE:
        name = "plate"
    elif most <= 1.0 - SURE:
        name = "gantry"
    else:
        name = "both"
    probability = {"plate": least, "gantry": 1.0 - most}.get(name)
    open_part = (undecided.range, undecided.u) if undecided.significant else None
    return ReversalVerdict(
        name,
        probability,
        whose_says(machine, name, probability, plate.decided.range(), gantry.decided.range(), open_part),
    )


def better(machine: Machine, totals: Sequence[LaidTotal], gantry: Form, rails: float | None) -> BetterPlate:
    """Say what a perfect plate would leave, and whether that is a gain."""
    now, limit = totals[0], machine.total_limit
    ends = sorted([gantry.decided.range(), gantry.whole.range()])
    (least, u_least), (most, u_most) = ends
    gains = [now.total - left > K * sqrt(now.u**2 + u**2) for left, u in ends]
    places = [standing(left, u, limit) for left, u in ends]
    helps: Literal["yes", "no", "undecided"] = "yes" if all(gains) else "undecided" if any(gains) else "no"
    place = places[0] if places[0] == places[1] else "undecided"
    best = min((one for one in totals if one.stations >= now.stations), key=lambda one: one.total)
    says = better_says(machine, (now.total, now.u), ends, helps, place, rails)
    if now.total - best.total > K * sqrt(now.u**2 + best.u**2):
        says += laid_better_says(machine, best.turned, best.shifted, best.total, now.total)
    return BetterPlate(
        total_now=now.total,
        total_now_u=now.u,
        least=least,
        least_u=u_least,
        most=most,
        most_u=u_most,
        limit=limit,
        standing=place,
        helps=helps,
        after_rails=rails,
        best_laid=best,
        says=says,
    )


def next_survey(tried: Sequence[Candidate], undecided: Undecided) -> Further:
    """Say what to survey next."""
    listed = [
        FurtherSurvey(one.placement.turned, one.placement.shifted, one.stations, one.removes, one.leaves, one.effort)
        for one in tried
    ]
    best = tried[0] if tried and tried[0].removes > 0 else None
    bowl = any(shape.name == "round bow" for shape in undecided.shapes)
    return Further(best is not None, listed, further_says(best, undecided.dimension, undecided.beyond, bowl))


def levelled(laid: MatchedSurveys) -> list[LaidTotal]:
    """Return each survey's total once its best plane is taken off, in the order of the surveys."""
    totals = []
    for index, (placement, covariance) in enumerate(zip(laid.placements, laid.blocks, strict=True)):
        own = laid.survey == index
        columns = planes(laid, laid.gantry[laid.at_gantry[own]])
        rest: Floats = np.eye(len(columns)) - columns @ np.linalg.pinv(columns)
        total, u = Part(laid.gaps[own], np.asarray(np.linalg.cholesky(covariance))).through(rest).range()
        totals.append(LaidTotal(placement.turned, placement.shifted, len(columns), total, u))
    return totals


def after_rails(
    machine: Machine, gantry: Form, group: Group, criterion: Criterion
) -> tuple[float | None, dict[str, str]]:
    """Return the range of the gantry's decided form once its own adjusters, rail seats mostly, are moved for the best,
    None without any; and the versions of the solvers that move them.

    Bounds and stock are not looked at: this says what the rails could reach, not what to move; seats that are held
    stay.
    """
    held = {name for mechanism in group.mechanisms for name in mechanism.hold}
    seats = np.array([one.kind != "support" and one.id not in held for one in group.adjusters], dtype=np.bool_)
    movers = {name for name, seat in zip(group.solver_of, seats, strict=True) if seat}
    versions = {one.name(): one.version for one in group.mechanisms if one.name() in movers}
    if not movers:
        return None, versions
    design = np.concatenate([gantry.columns[:, :3], group.influence(machine, gantry.points)[:, seats]], axis=1)
    size = np.linalg.norm(design, axis=0)
    design = design / np.where(size > 0.0, size, 1.0)
    heights = gantry.decided.heights
    best = (
        chebyshev(design, heights[None]).coefficients[0]
        if criterion == "minimum-zone"
        else np.linalg.lstsq(design, heights, rcond=1e-9)[0]
    )
    return float(np.ptp(heights - design @ best)), versions
