"""Readings become one gap value for each station, with its covariance.

Everything but the values themselves (where was read, how often, in which set-up) is a :class:`Layout`: worked out once
and applied to a stack of surveys. Each set-up of the indicator has its own unknown zero; set-ups are joined through the
stations they share, by weighted least squares, as a levelling network (Ghilani, *Adjustment Computations*, ch. 12). The
zero of the first set-up is kept, so that a single set-up passes through unchanged.

Covariance of the gaps is ``diag(variance) + factors @ factors.T``: independent errors of the stations, and what the
estimated zeros have in common. This is exact, being the block inverse of the normal equations.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

import numpy as np
from msgspec import Struct

from .contract import Floats
from .faults import Fault, Refused
from .machine import Machine, Reading, Survey

Where = tuple[float, float, str, int]
"""One reading without its values: x, y, set-up, number of repeats."""

LEAST_STATIONS = 3
TRUSTED_DOF = 5
"""Degrees of freedom from which the spread of repeats is believed even where it is smaller than the default."""


def where(readings: Sequence[Reading]) -> tuple[Where, ...]:
    """Return what a layout depends on: the readings without their values."""
    return tuple((r.x, r.y, r.setup, len(r.value) if isinstance(r.value, list) else 1) for r in readings)


def values(readings: Sequence[Reading]) -> list[float]:
    """Return every single value in order, repeats one after another."""
    flat: list[float] = []
    for reading in readings:
        if isinstance(reading.value, list):
            flat.extend(reading.value)
        else:
            flat.append(reading.value)
    return flat


class Layout(Struct, frozen=True):
    """Stations, how readings group into them, and the network that joins set-ups.

    ``points`` (n, 2); ``order`` sorts single values by group (station and set-up), ``starts`` are the group starts in
    that order, ``counts`` the group sizes; ``group_station`` and ``group_setup`` index each group. ``plain`` means one
    value for each station, in order: nothing to reduce. ``zero_gain`` (q, groups) gives set-up zeros from group means.
    """

    points: Floats
    order: np.ndarray
    starts: np.ndarray
    counts: Floats
    group_station: np.ndarray
    group_setup: np.ndarray
    plain: bool
    weights: Floats
    zero_gain: Floats | None
    fixed: float
    default_repeat: float
    factors: Floats

    def reduce(self, values: Floats, sense: float) -> tuple[Floats, Floats]:
        """Return gaps (N, n) and their independent variances (N, n) for single values of shape (N, n_values)."""
        if self.plain:
            variance = np.full(values.shape, self.fixed + self.default_repeat)
            return sense * values, variance
        ordered = values[:, self.order]
        means = np.add.reduceat(ordered, self.starts, axis=1) / self.counts
        scatter = ordered - np.repeat(means, self.counts.astype(np.intp), axis=1)
        dof = ordered.shape[1] - len(self.starts)
        repeat = np.full(len(values), self.default_repeat)
        if dof > 0:
            pooled = np.einsum("ij,ij->i", scatter, scatter) / dof
            repeat = pooled if dof >= TRUSTED_DOF else np.maximum(pooled, repeat)
        count = len(self.points)
        if self.zero_gain is not None:
            means = means - (means @ self.zero_gain.T)[:, self.group_setup]
        share = self.weights / np.bincount(self.group_station, self.weights, count)[self.group_station]
        gaps = np.empty((len(values), count))
        for row, mean in enumerate(means):
            gaps[row] = np.bincount(self.group_station, share * mean, count)
        fixed = np.bincount(self.group_station, share**2, count) * self.fixed
        noise = np.bincount(self.group_station, share**2 / self.counts, count)
        return sense * gaps, fixed + repeat[:, None] * noise

    def pair_u(self, variance: Floats, high: np.ndarray | np.intp, low: np.ndarray | np.intp) -> Floats:
        """Return u of the difference between two stations' gaps, elementwise over index arrays (JCGM 100, 5.2.2)."""
        independent = variance[high] + variance[low]
        if self.factors.shape[1]:
            common = self.factors[high] - self.factors[low]
            independent = independent + np.einsum("...j,...j->...", common, common)
        return np.asarray(np.sqrt(np.where(high == low, 0.0, independent)))

    def u_of(self, gain: Floats, variance: Floats) -> Floats:
        """Return u of linear combinations of the gaps, ``gain`` (k, n), shape (k,) (JCGM 100, 5.2.2)."""
        squared = gain**2 @ variance
        if self.factors.shape[1]:
            squared = squared + np.sum((gain @ self.factors) ** 2, axis=1)
        return np.asarray(np.sqrt(squared))

    def station_u(self, variance: Floats) -> Floats:
        """Return u of each station's gap, shape (n,)."""
        return np.asarray(np.sqrt(variance + np.einsum("ij,ij->i", self.factors, self.factors)))


def layout(machine: Machine, readings: tuple[Where, ...]) -> Layout:
    """Work out stations, groups and the network of set-ups.

    A reading's error has a part that repeats do not average out (error limit, taken as rectangular ±, JCGM 100 4.3.7;
    half a division of rounding) and one that they do (repeatability).

    Raises:
        Refused: fewer than three stations, or set-ups that share no station.
    """
    indicator, division = machine.indicator, machine.division
    error_limit = indicator.error_limit if indicator.error_limit is not None else 1.5 * division
    repeatability = indicator.repeatability if indicator.repeatability is not None else 0.3 * division
    fixed = error_limit**2 / 3.0 + division**2 / 12.0
    default_repeat = repeatability**2 / 3.0

    stations: dict[tuple[float, float], int] = {}
    setups: dict[str, int] = {}
    groups: dict[tuple[int, int], int] = {}
    of_value: list[int] = []
    for x, y, setup, repeats in readings:
        station = stations.setdefault((x + 0.0, y + 0.0), len(stations))
        group = groups.setdefault((station, setups.setdefault(setup, len(setups))), len(groups))
        of_value.extend([group] * repeats)
    if len(stations) < LEAST_STATIONS:
        raise Refused.at(
            "/survey/readings",
            f"Readings at {len(stations)} station{'' if len(stations) == 1 else 's'} cannot show how the bed lies; "
            "read at three stations at the least, spread over the bed.",
        )
    order = np.argsort(of_value, kind="stable")
    counts = np.bincount(of_value).astype(np.float64)
    group_station, group_setup = np.array(list(groups)).T
    weights = 1.0 / (fixed + default_repeat / counts)
    zero_gain, factors = (
        _network(group_station, group_setup, weights, list(setups))
        if len(setups) > 1
        else (None, np.zeros((len(stations), 0)))
    )
    return Layout(
        points=np.array(list(stations)),
        order=order,
        starts=np.concatenate([[0], np.cumsum(counts)[:-1]]).astype(np.intp),
        counts=counts,
        group_station=group_station,
        group_setup=group_setup,
        plain=len(of_value) == len(stations),
        weights=weights,
        zero_gain=zero_gain,
        fixed=fixed,
        default_repeat=default_repeat,
        factors=factors,
    )


def _network(station: np.ndarray, setup: np.ndarray, weight: Floats, names: list[str]) -> tuple[Floats, Floats]:
    """Return the zeros' gain (q, groups) and the covariance factors (n, q - 1) of the joined network.

    Stations are eliminated from the normal equations; what remains for the zeros is the weighted Laplacian of the
    set-ups, singular once for each set of set-ups that hangs together.
    """
    count, zeros = station.max() + 1, len(names)
    incidence = np.zeros((count, zeros))
    incidence[station, setup] = weight
    total = incidence.sum(axis=1)
    share = incidence / total[:, None]
    laplacian = np.diag(incidence.sum(axis=0)) - incidence.T @ share
    joined = {0}
    while grown := {int(u) for t in joined for u in np.flatnonzero(laplacian[t]) if laplacian[t, u] < 0} - joined:
        joined |= grown
    if apart := [name or "(unnamed)" for index, name in enumerate(names) if index not in joined]:
        raise Refused.at(
            "/survey/readings",
            f"Set-up{'' if len(apart) == 1 else 's'} {', '.join(apart)} share{'s' if len(apart) == 1 else ''} no station "
            f"with set-up {names[0] or '(unnamed)'}: read at least one station again in each, so that their zeros can be joined.",
        )
    covariance = np.linalg.inv(laplacian[1:, 1:])
    gain = np.zeros((zeros, len(station)))
    gain[setup, np.arange(len(station))] = weight
    gain -= share.T[:, station] * weight
    gain[1:] = covariance @ gain[1:]
    gain[0] = 0.0
    return gain, -share[:, 1:] @ np.linalg.cholesky(covariance)


def survey_faults(machine: Machine, survey: Survey) -> list[Fault]:
    """Return every fault of a survey against its machine: readings off the bed, times that are none.

    A bed that runs backwards is the machine's fault and is not held against every reading.
    """
    faults = []
    (left, right), (front, rear) = machine.bed.x, machine.bed.y
    for index, reading in enumerate(survey.readings):
        if left < right and not left <= reading.x <= right:
            faults.append(_off_bed(index, "x", reading.x, left, right))
        if front < rear and not front <= reading.y <= rear:
            faults.append(_off_bed(index, "y", reading.y, front, rear))
        if isinstance(reading.time, str) and not _is_time(reading.time):
            faults.append(
                Fault(f"/survey/readings/{index}/time", "Give seconds as a number or an RFC 3339 date and time.")
            )
    if survey.taken_at is not None and not _is_time(survey.taken_at):
        faults.append(
            Fault("/survey/taken_at", "Give an RFC 3339 date and time with its offset, as 2026-05-04T09:30:00Z.")
        )
    return faults


def _off_bed(index: int, axis: str, at: float, low: float, high: float) -> Fault:
    return Fault(
        f"/survey/readings/{index}/{axis}",
        f"{axis} = {at:g} lies off the bed ({low:g} to {high:g}); correct the station, the bed's extent or the units.",
    )


def _is_time(text: str) -> bool:
    try:
        return datetime.fromisoformat(text).tzinfo is not None
    except ValueError:
        return False
