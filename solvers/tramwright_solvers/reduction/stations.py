"""Where a survey was read, how often and in which set-up: all but the values themselves, worked out once.

Everything but the values themselves (where and when was read, how often, in which set-up) is a :class:`StationLayout`:
worked out once and applied to a stack of surveys. Each set-up of the indicator has its own unknown zero and, where
closing readings or times allow, its own drift linear in time; set-ups are joined through the stations they share
(:mod:`.levelling_network`). The zero of the first set-up at its first reading is kept, so that a single set-up without
drift passes through unchanged.

Covariance of the gaps is ``diag(variance) + factors @ factors.T``: independent errors of the stations, and what the
estimated zeros and drifts have in common. This is exact, being the block inverse of the normal equations.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import lru_cache
from math import sqrt

import numpy as np
from msgspec import Struct

from ..linalg.rowwise import row_dots, row_products
from ..model.contract import Floats
from ..model.errors import Refused
from ..model.machine import Machine
from ..model.quantities import LEAST_STATIONS
from ..results.findings import ClosingError
from . import sentences
from .covariance import GapCovariance
from .levelling_network import Groups, Network, join
from .readings import Where
from .repeats import DIVISIONS, Odd, more_scatter, odd_repeats

TRUSTED_DOF = 5
"""Degrees of freedom from which the spread of repeats is believed even where it is smaller than the default."""


class StationLayout(Struct, frozen=True):
    """Stations, how readings group into them, and the network that joins set-ups.

    ``points`` (n, 2); ``order`` sorts single values by group (station, set-up and time), ``starts`` are the group
    starts in that order, ``counts`` the group sizes; ``group_station`` and ``group_setup`` index each group.
    ``closings`` (c, 2) are the groups that read a station first and again in one set-up. ``plain`` means one value for
    each station, in order: nothing to reduce. ``network`` is None where there is neither zero nor drift to estimate.
    """

    points: Floats
    order: np.ndarray
    starts: np.ndarray
    counts: Floats
    group_station: np.ndarray
    group_setup: np.ndarray
    setups: tuple[str, ...]
    closings: np.ndarray
    plain: bool
    weights: Floats
    network: Network | None
    fixed: float
    default_repeat: float
    factors: Floats
    division: float

    def reduce(self, values: Floats, sense: float) -> tuple[Floats, Floats]:
        """Return gaps (N, n) and their independent variances (N, n) for single values of shape (N, n_values)."""
        if self.plain:
            variance = np.empty(values.shape)
            variance.fill(self.fixed + self.default_repeat)
            return sense * values, variance
        ordered = np.take(values, self.order, axis=1)
        means = np.add.reduceat(ordered, self.starts, axis=1) / self.counts
        dof = ordered.shape[1] - len(self.starts)
        repeat = np.full(len(values), self.default_repeat)
        if dof > 0:
            scatter = ordered - np.repeat(means, self.counts.astype(np.intp), axis=1)
            spare = np.full(len(values), dof)
            for row in np.flatnonzero(np.ptp(scatter, axis=1) > DIVISIONS * self.division).tolist():
                # a misread repeat tells nothing of the scatter of the others, and its reading is what most repeats say
                for odd in self.odd_repeats(values[row]):
                    own = slice(int(self.starts[odd.group]), int(self.starts[odd.group] + self.counts[odd.group]))
                    means[row, odd.group] = np.median(ordered[row, own])
                    scatter[row, own] = 0.0
                    spare[row] -= own.stop - own.start - 1
            pooled = row_dots(scatter, scatter) / np.maximum(spare, 1)
            repeat = np.where(spare >= TRUSTED_DOF, pooled, np.maximum(pooled, repeat))
        count = len(self.points)
        if self.network is not None:
            means = means - row_products(row_products(means, self.network.gain.T), self.network.nuisance.T)
        gaps = self.averaged(means)
        share = self.share
        fixed = np.bincount(self.group_station, share**2, count) * self.fixed
        noise = np.bincount(self.group_station, share**2 / self.counts, count)
        return sense * gaps, fixed + repeat[:, None] * noise

    @property
    def share(self) -> Floats:
        """Weight of each group (G,) in the mean of its station."""
        count = len(self.points)
        return np.asarray(self.weights / np.bincount(self.group_station, self.weights, count)[self.group_station])

    def averaged(self, means: Floats) -> Floats:
        """Return the weighted means of the stations (…, n) from those of the groups (…, G)."""
        by_station = np.argsort(self.group_station, kind="stable")
        first = np.searchsorted(self.group_station[by_station], np.arange(len(self.points)))
        return np.asarray(np.add.reduceat(np.take(self.share * means, by_station, axis=-1), first, axis=-1))

    def odd_repeats(self, values: Floats) -> list[Odd]:
        """Return the groups of one survey, of single values (n_values,), whose repeats disagree."""
        groups = np.split(np.asarray(values)[self.order], self.starts[1:])
        return odd_repeats(groups, sqrt(self.default_repeat + self.division**2 / 12.0), self.division)

    def more_scatter(self, values: Sequence[float]) -> tuple[float, float] | None:
        """Return by how much one survey's repeats scatter and what is stated, where that is beyond doubt too little."""
        if not self.repeated:
            return None
        groups = np.split(np.asarray(values)[self.order], self.starts[1:])
        odd = {one.group for one in self.odd_repeats(np.asarray(values))}
        return more_scatter([g for k, g in enumerate(groups) if k not in odd], self.default_repeat, self.division)

    @property
    def repeated(self) -> bool:
        """Whether any reading has repeats."""
        return not self.plain and bool(np.any(self.counts > 1.0))

    @property
    def times_read(self) -> np.ndarray:
        """How many values each station (n,) has."""
        return np.bincount(self.group_station, self.counts)

    def means(self, values: Sequence[float], sense: float) -> Floats:
        """Return the means of the groups (G,) of one survey, as gaps."""
        return np.asarray(sense * np.add.reduceat(np.array(values)[self.order], self.starts) / self.counts)

    def closing(self, values: Sequence[float], sense: float) -> list[ClosingError]:
        """Return the closing errors of one survey, later minus first as gaps, in the order of the closing readings.

        ``values`` (n_values,) are single values as for :meth:`reduce`.
        """
        if not len(self.closings):
            return []
        means = self.means(values, sense)
        left = means
        if self.network is not None:
            left = means - self.network.nuisance @ (self.network.gain @ means)
        first, later = self.closings.T
        setups = [self.setups[setup] for setup in self.group_setup[later]]
        return [
            ClosingError(x, y, setup, error, after)
            for (x, y), setup, error, after in zip(
                self.points[self.group_station[later]].tolist(),
                setups,
                (means[later] - means[first]).tolist(),
                (left[later] - left[first]).tolist(),
                strict=True,
            )
        ]

    def noise(self, variance: Floats) -> GapCovariance:
        """Return how well the gaps of a stack with these independent variances (N, n) are known."""
        return GapCovariance(variance, self.factors, sqrt(self.fixed + self.default_repeat) if self.plain else None)


def layout(machine: Machine, readings: tuple[Where, ...]) -> StationLayout:
    """Work out stations, groups and the network of set-ups.

    A reading's error has a part that repeats do not average out (error limit, taken as rectangular ±, JCGM 100 4.3.7;
    half a division of rounding) and one that they do (repeatability).

    Raises:
        Refused: fewer than three stations, set-ups that share no station, or too many set-ups.
    """
    fixed, default_repeat = machine.indicator_variance, machine.repeat_variance
    if once_each(readings):
        return plain_layout(readings, fixed, default_repeat, machine.division)
    stations: dict[tuple[float, float], int] = {}
    setups: dict[str, int] = {}
    groups: dict[tuple[int, int, float | None], int] = {}
    of_value: list[int] = []
    for x, y, setup, repeats, time in readings:
        station = stations.setdefault((x + 0.0, y + 0.0), len(stations))
        group = groups.setdefault((station, setups.setdefault(setup, len(setups)), time), len(groups))
        of_value.extend([group] * repeats)
    if len(stations) < LEAST_STATIONS:
        raise Refused.at(
            "/survey/readings",
            sentences.too_few_stations(len(stations)),
        )
    order = np.argsort(of_value, kind="stable")
    counts = np.bincount(of_value).astype(np.float64)
    group_station, group_setup = np.array([(station, setup) for station, setup, _ in groups]).T
    weights = 1.0 / (fixed + default_repeat / counts)
    points, names = np.array(list(stations)), tuple(setups)
    closings, network = np.zeros((0, 2), dtype=np.intp), None
    if len(names) > 1 or len(groups) > len(stations):  # else there is nothing to join and nothing drifts visibly
        groups_read = Groups(
            station=group_station,
            setup=group_setup,
            time=np.array([math.nan if time is None else time for _, _, time in groups]),
            weight=weights,
            names=names,
        )
        closings = groups_read.closings()
        network = join(groups_read, points, closings)
    return StationLayout(
        points=points,
        order=order,
        starts=np.concatenate([[0], np.cumsum(counts)[:-1]]).astype(np.intp),
        counts=counts,
        group_station=group_station,
        group_setup=group_setup,
        setups=names,
        closings=closings,
        plain=len(of_value) == len(stations),
        weights=weights,
        network=network,
        fixed=fixed,
        default_repeat=default_repeat,
        factors=network.factors if network is not None else np.zeros((len(stations), 0)),
        division=machine.division,
    )


def once_each(readings: tuple[Where, ...]) -> bool:
    """Say whether every reading is one value at a station of its own, all with one zero: the usual survey."""
    return (
        len({setup for _, _, setup, _, _ in readings}) == 1
        and len({(x, y) for x, y, _, _, _ in readings}) == len(readings) >= LEAST_STATIONS
        and {repeats for _, _, _, repeats, _ in readings} == {1}
    )


def plain_layout(readings: tuple[Where, ...], fixed: float, default_repeat: float, division: float) -> StationLayout:
    """Lay out readings of which each is a station: there is nothing to sort or to join."""
    count, (x, y, *_) = len(readings), zip(*readings, strict=True)
    number, zero, one = _counted(count)
    return StationLayout(
        points=np.array((x, y)).T.copy() + 0.0,  # there is no station at minus zero
        order=number,
        starts=number,
        counts=one,
        group_station=number,
        group_setup=zero,
        setups=(readings[0][2],),
        closings=np.zeros((0, 2), dtype=np.intp),
        plain=True,
        weights=np.full(count, 1.0 / (fixed + default_repeat)),
        network=None,
        fixed=fixed,
        default_repeat=default_repeat,
        factors=np.zeros((count, 0)),
        division=division,
    )


@lru_cache(64)
def _counted(count: int) -> tuple[np.ndarray, np.ndarray, Floats]:
    """Return the numbers from zero, as many zeros and as many ones; to be read only."""
    found = np.arange(count), np.zeros(count, dtype=np.intp), np.ones(count)
    for array in found:
        array.setflags(write=False)
    return found


def plan_weights(plan: StationLayout) -> Floats:
    """Return the stations' weights, inverse to their variance before any repeat is looked at, mean one."""
    if plan.plain and not plan.factors.shape[1]:
        return np.ones(len(plan.points))
    weights = 1.0 / (a_priori(plan)[0] + np.einsum("ij,ij->i", plan.factors, plan.factors))
    return np.asarray(weights / weights.mean())


def a_priori(plan: StationLayout) -> Floats:
    """Return the stations' variances (1, n) with the default repeatability."""
    count = len(plan.points)
    if plan.plain and plan.network is None:
        return np.full((1, count), plan.fixed + plan.default_repeat)
    variance = plan.share**2 * (plan.fixed + plan.default_repeat / plan.counts)
    return np.asarray(np.bincount(plan.group_station, variance, count)[None, :], dtype=np.float64)
