"""Surveys of a plate laid in several ways, checked and brought together; every fault is found before refusing."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ..model.contract import Floats
from ..model.errors import Fault, Refused
from ..model.machine import Bed, Machine
from ..model.survey import Survey
from ..reduction.readings import time_faults, values, where
from ..reduction.stations import layout
from ..reduction.validation import machine_faults
from . import sentences
from .placement import (
    LEAST_TIED,
    MOST_READINGS,
    MatchedSurveys,
    PlacedSurvey,
    Placement,
    half_side,
    match_points,
    middle,
    tolerance,
)

MOST_SURVEYS, MOST_POSITIONS = 16, 1000
"""Bounds of the dense algebra, which takes about two seconds at the most readings and positions."""

USUAL_TURNS = (90.0, 180.0, 270.0, 120.0, 240.0, 60.0, 45.0, 72.0)


def match_surveys(machine: Machine, surveys: Sequence[PlacedSurvey]) -> MatchedSurveys:
    """Reduce every survey to its stations and match them.

    Raises:
        Refused: something in the machine or the surveys is wrong, or the surveys cannot be compared; all is listed.
    """
    if faults := [*machine_faults(machine), *_number_faults(surveys)]:
        raise Refused(faults)
    centre = middle(machine.bed)
    placements = tuple(Placement(survey.turned, survey.shifted, centre) for survey in surveys)
    faults, reduced = list[Fault](), list[tuple[Floats, Floats, Floats]]()
    for index, (survey, placement) in enumerate(zip(surveys, placements, strict=True)):
        found = time_faults(Survey(survey.readings, survey.taken_at)) or _off_plate(machine.bed, survey, placement)
        if not found:
            try:
                plan = layout(machine, where(survey.readings))
            except Refused as refused:
                found = list(refused.faults)
            else:
                gaps, variance = plan.reduce(np.array([values(survey.readings)]), machine.sense)
                reduced.append((plan.points, gaps[0], np.diag(variance[0]) + plan.factors @ plan.factors.T))
        faults += [Fault(fault.pointer.replace("/survey/", f"/surveys/{index}/", 1), fault.detail) for fault in found]
    if faults := [*faults, *_copies(machine.bed, surveys, placements)]:
        raise Refused(faults)
    return _matched(machine.bed, placements, reduced, surveys)


def _matched(
    bed: Bed,
    placements: tuple[Placement, ...],
    reduced: list[tuple[Floats, Floats, Floats]],
    surveys: Sequence[PlacedSurvey],
) -> MatchedSurveys:
    """Match positions on the machine and on the plate, and refuse surveys that share too few."""
    survey = np.repeat(np.arange(len(reduced)), [len(points) for points, _, _ in reduced])
    on_bed = np.concatenate([points for points, _, _ in reduced])
    on_plate = np.concatenate(
        [placement.on_plate(points) for placement, (points, _, _) in zip(placements, reduced, strict=True)]
    )
    gantry, at_gantry = match_points(on_bed, tolerance(bed))
    plate, at_plate = match_points(on_plate, tolerance(bed))
    if faults := _too_near(surveys, survey, on_bed, at_gantry, at_plate):
        raise Refused(faults)
    if faults := _apart(bed, surveys, placements, survey, at_gantry, at_plate, on_bed[survey == 0]):
        raise Refused(faults)
    kept = (np.bincount(at_gantry)[at_gantry] > 1) | (np.bincount(at_plate)[at_plate] > 1)
    plate_used, at_plate = np.unique(at_plate[kept], return_inverse=True)
    gantry_used, at_gantry = np.unique(at_gantry[kept], return_inverse=True)
    plate, gantry = plate[plate_used], gantry[gantry_used]
    if len(plate) + len(gantry) > MOST_POSITIONS:
        raise Refused.at(
            "/surveys",
            sentences.too_many_points(len(gantry), len(plate), MOST_POSITIONS),
        )
    blocks = tuple(
        covariance[np.ix_(kept[survey == index], kept[survey == index])]
        for index, (_, _, covariance) in enumerate(reduced)
    )
    survey = survey[kept]
    lies = np.concatenate([p.on_bed(plate[at_plate[survey == index]]) for index, p in enumerate(placements)])
    return MatchedSurveys(
        bed=bed,
        placements=placements,
        plate=plate,
        gantry=gantry,
        survey=survey,
        at_plate=at_plate,
        at_gantry=at_gantry,
        gaps=np.concatenate([gaps for _, gaps, _ in reduced])[kept],
        blocks=blocks,
        blur=float(np.abs(lies - gantry[at_gantry]).max()) / half_side(bed),
        left_out=int(np.sum(~kept)),
    )


def _number_faults(surveys: Sequence[PlacedSurvey]) -> list[Fault]:
    """Return whether there are too few or too many surveys or readings."""
    if len(surveys) < 2:
        return [
            Fault(
                "/surveys",
                sentences.ONE_SURVEY_ONLY,
            )
        ]
    faults = []
    if len(surveys) > MOST_SURVEYS:
        faults.append(Fault("/surveys", sentences.too_many_surveys(len(surveys), MOST_SURVEYS)))
    single = sum(len(values(survey.readings)) for survey in surveys)
    if single > MOST_READINGS:
        faults.append(
            Fault(
                "/surveys",
                sentences.too_many_readings_in_all(single, MOST_READINGS),
            )
        )
    return faults


def _off_plate(bed: Bed, survey: PlacedSurvey, placement: Placement) -> list[Fault]:
    """Return a fault for every reading beside the plate as it lies, or a single one where all of them are."""
    if not survey.readings:
        return []
    on_plate = placement.on_plate(np.array([(r.x, r.y) for r in survey.readings]))
    low = np.array([bed.x[0], bed.y[0]]) - tolerance(bed)
    high = np.array([bed.x[1], bed.y[1]]) + tolerance(bed)
    off = np.flatnonzero(np.any((on_plate < low) | (on_plate > high), axis=1)).tolist()
    how = f"the plate {sentences.how_laid(placement)}"
    if len(off) == len(survey.readings):
        what = "shifted" if survey.shifted != (0.0, 0.0) else "readings"
        return [Fault(f"/survey/{what}", sentences.all_off(how))]
    return [
        Fault(
            f"/survey/readings/{index}",
            sentences.reading_off(survey.readings[index].x, survey.readings[index].y, how),
        )
        for index in off
    ]


def _copies(bed: Bed, surveys: Sequence[PlacedSurvey], placements: tuple[Placement, ...]) -> list[Fault]:
    """Return where a survey repeats an earlier one to the last digit, and where the plate never moved."""
    if all(placement.same(placements[0], bed) for placement in placements):
        return [
            Fault(
                f"/surveys/{index}/turned",
                sentences.NEVER_TURNED,
            )
            for index in range(1, len(surveys))
        ]
    return [
        Fault(
            f"/surveys/{later}/readings",
            sentences.copied_survey(first),
        )
        for later in range(len(surveys))
        for first in range(later)
        if placements[later].same(placements[first], bed) and surveys[later].readings == surveys[first].readings
    ]


def _too_near(
    surveys: Sequence[PlacedSurvey], survey: np.ndarray, on_bed: Floats, at_gantry: np.ndarray, at_plate: np.ndarray
) -> list[Fault]:
    """Return where two stations of one survey would count as one position."""
    faults = []
    for index in range(len(surveys)):
        rows = np.flatnonzero(survey == index)
        for at in (at_gantry[rows], at_plate[rows]):
            _, first, which = np.unique(at, return_index=True, return_inverse=True)
            for row in np.flatnonzero(first[which] != np.arange(len(rows))).tolist():
                (x, y), (ox, oy) = on_bed[rows[row]].tolist(), on_bed[rows[first[which[row]]]].tolist()
                at_reading = next(
                    (k for k, r in enumerate(surveys[index].readings) if (r.x + 0.0, r.y + 0.0) == (x, y)), 0
                )
                faults.append(
                    Fault(
                        f"/surveys/{index}/readings/{at_reading}",
                        sentences.too_near(x, y, ox, oy),
                    )
                )
            if faults:
                break
    return faults


def _apart(
    bed: Bed,
    surveys: Sequence[PlacedSurvey],
    placements: tuple[Placement, ...],
    survey: np.ndarray,
    at_gantry: np.ndarray,
    at_plate: np.ndarray,
    stations: Floats,
) -> list[Fault]:
    """Return the surveys that share too few stations with the others to be compared with them."""
    count = len(surveys)
    shared = []
    for at in (at_gantry, at_plate):
        read = np.zeros((count, int(at.max()) + 1), dtype=np.intp)
        read[survey, at] = 1
        shared.append(read.sum(axis=0)[at] > 1)
    tied = np.bincount(survey, shared[0] & shared[1], count).astype(np.intp)
    lone = [index for index in range(count) if tied[index] < LEAST_TIED]
    moved = [index for index in lone if not placements[index].same(placements[0], bed)]
    faults = []
    for index in moved or lone:
        turn, shift = surveys[index].turned % 360.0, surveys[index].shifted
        what = "turned" if turn else "shifted" if shift != (0.0, 0.0) else "readings"
        angles = _angles(placements[0], stations, tolerance(bed))
        remedy = {
            "turned": sentences.turn_onto_stations(angles),
            "shifted": sentences.SHIFT_BY_STATIONS,
            "readings": sentences.READ_THE_SAME,
        }[what]
        laid = sentences.how_laid(placements[index])
        told = sentences.too_few_in_common(laid, tied[index], LEAST_TIED, remedy)
        faults.append(Fault(f"/surveys/{index}/{what}", told))
    return faults


def _angles(placement: Placement, stations: Floats, within: float) -> str:
    """Name the turns about the middle of the bed that lay most of these stations on one another."""
    from scipy.spatial import cKDTree

    tree = cKDTree(stations)
    fit = [
        f"{angle:g}°"
        for angle in USUAL_TURNS
        if np.mean(tree.query(Placement(angle, (0.0, 0.0), placement.centre).on_bed(stations))[0] <= within) > 0.5
    ]
    return sentences.turns_that_fit(fit) if fit else ""
