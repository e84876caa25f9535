"""Surveys of an invented plate under an invented gantry, the plate laid in several ways and levelled anew each time."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from tramwright_solvers.linalg.orthogonalize import lengths, span
from tramwright_solvers.model.contract import Floats
from tramwright_solvers.model.machine import Bed, Indicator, Machine
from tramwright_solvers.model.survey import Reading
from tramwright_solvers.reversal import PlacedSurvey
from tramwright_solvers.reversal.placement import Placement
from tramwright_solvers.reversal.separation import NULL, Separation, planes

Form = Callable[[Floats], Floats]
"""Heights (n,) at points (n, 2)."""

SIDE, PITCH = 500.0, 115.0
CENTRE = (0.5 * SIDE, 0.5 * SIDE)
STATIONS = np.array([(x, y) for y in np.linspace(20, 480, 5) for x in np.linspace(20, 480, 5)])
MACHINE = Machine(bed=Bed((0.0, SIDE), (0.0, SIDE)), indicator=Indicator(division=0.001, error_limit=0.001))

Lay = tuple[float, tuple[float, float]]
NOT_MOVED: Lay = (0.0, (0.0, 0.0))
QUARTER: Lay = (90.0, (0.0, 0.0))
HALF: Lay = (180.0, (0.0, 0.0))
THREE_QUARTERS: Lay = (270.0, (0.0, 0.0))
ALONG_X: Lay = (0.0, (PITCH, 0.0))


def plate_form(points: Floats) -> Floats:
    """A plate with no symmetry, about 0.2 mm."""
    return np.asarray(0.1 * np.sin(points[:, 0] / 90) * np.cos(points[:, 1] / 120))


def gantry_form(points: Floats) -> Floats:
    """A gantry with none either, about 0.1 mm."""
    return np.asarray(0.05 * np.cos(points[:, 0] / 150 + points[:, 1] / 77))


def flat(points: Floats) -> Floats:
    """No form."""
    return np.zeros(len(points))


def surveys(
    lays: Sequence[Lay],
    plate: Form = plate_form,
    gantry: Form = gantry_form,
    stations: Floats = STATIONS,
    tilts: Floats | None = None,
    errors: Callable[[int], Floats] = np.zeros,
) -> list[PlacedSurvey]:
    """Read every station that lies over the plate; ``tilts`` (surveys, 3) are piston and tilts, ``errors`` gives n."""
    found = []
    tilts = np.zeros((len(lays), 3)) if tilts is None else tilts
    for (turned, shifted), tilt in zip(lays, tilts, strict=True):
        on_plate = Placement(turned, shifted, CENTRE).on_plate(stations)
        over = np.all((on_plate > -0.5) & (on_plate < SIDE + 0.5), axis=1)
        own, there = stations[over], on_plate[over]
        plane = np.column_stack([np.ones(len(own)), own / SIDE]) @ tilt
        gaps = plate(there) - gantry(own) + plane + errors(len(own))
        readings = [Reading(float(x), float(y), float(gap)) for (x, y), gap in zip(own, gaps, strict=True)]
        found.append(PlacedSurvey(readings, turned, shifted))
    return found


def decided_truth(apart: Separation, plate: Form = plate_form, gantry: Form = gantry_form) -> Floats:
    """The true forms with what is free or undecidable taken off, in the order of the estimate (n,)."""
    truth = np.concatenate([plate(apart.laid.plate), gantry(apart.laid.gantry)])
    free = np.zeros((len(truth), 6))
    free[apart.on_plate, :3] = planes(apart.laid, apart.laid.plate)
    free[apart.on_gantry, 3:] = planes(apart.laid, apart.laid.gantry)
    away = np.column_stack([span(free, NULL, lengths(free)), apart.null])
    return np.asarray(truth - away @ (away.T @ truth))
