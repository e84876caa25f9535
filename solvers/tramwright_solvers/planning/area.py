"""Where a survey may be read: the bed less a margin, within the reach of the tool, clear of clips and holes."""

from __future__ import annotations

from collections.abc import Sequence
from math import ceil, floor, log, sqrt
from typing import Annotated

import numpy as np
from msgspec import Meta, Struct, field

from ..correction.cost import MOST_PLACES
from ..model.contract import Floats
from ..model.errors import Fault
from ..model.machine import Machine
from ..model.quantities import LEAST_STATIONS, Coordinate, Size
from ..reduction.sentences import off_the_bed
from . import sentences
from .results import Spot

MARGIN_MM = 10.0
"""Distance kept from the edge of the bed, in mm, unless stated; never more than a tenth of the shorter side. Our own
choice: a plunger needs ground around it, and edges are chamfered."""

STEP = {"mm": 5.0, "inch": 0.25}
"""Stations stand on whole multiples of this, so that a person can set them up with a rule or by the display; halved,
and halved again, where it would be coarse for a small bed. Our own choice."""
APART, PITCH = 0.1, 0.7
"""Distance of stations: a share of the bed's shorter side, but no more than a share of what an even spread has."""
FEWEST_ALONG, MOST_ALONG = 9, 25
"""Places looked at along the shorter and the longer side, unless a spacing is given."""

TIE, LARGE = 1e-9, 1e6
"""Share of a step that is rounding; and a distance beyond every bed."""

Range = Annotated[tuple[Coordinate, Coordinate], Meta(description="[low, high], in `units`.")]


class Rectangle(Struct, frozen=True, forbid_unknown_fields=True, tag_field="shape", tag="rectangle"):
    """A kept-out place with sides along x and y: a clip, a slot, a sensor block."""

    x: Annotated[Range, Meta(description="Left and right side, [low, high], in `units`.")]
    y: Annotated[Range, Meta(description="Front and rear side, [low, high], in `units`.")]

    def covers(self, points: Floats) -> np.ndarray:
        """Return which points (n, 2) lie inside, edges not included."""
        (left, right), (front, rear) = self.x, self.y
        x, y = points.T
        return np.asarray((x > left) & (x < right) & (y > front) & (y < rear))

    def crossed(self, before: Floats, after: Floats) -> np.ndarray:
        """Return which straight ways from points (n, 2) to points (n, 2) pass over it: where both slabs are met."""
        enter, leave = np.zeros(len(before)), np.ones(len(before))
        for start, step, (low, high) in zip(before.T, (after - before).T, (self.x, self.y), strict=True):
            along = np.where(step == 0.0, 1e-300, step)
            ends = np.sort(np.stack([(low - start) / along, (high - start) / along]), axis=0)
            enter, leave = np.maximum(enter, ends[0]), np.minimum(leave, ends[1])
        return np.asarray(enter < leave)

    def faults(self, pointer: str) -> list[Fault]:
        """Return what is wrong with its description."""
        return [
            Fault(f"{pointer}/{axis}", sentences.runs_backwards(low, high))
            for axis, (low, high) in (("x", self.x), ("y", self.y))
            if not low < high
        ]


class Circle(Struct, frozen=True, forbid_unknown_fields=True, tag_field="shape", tag="circle"):
    """A round kept-out place: a hole, a screw head, a magnet."""

    x: Annotated[Coordinate, Meta(description="Centre: position along x, to the right, in `units`.")]
    y: Annotated[Coordinate, Meta(description="Centre: position along y, to the rear, in `units`.")]
    radius: Annotated[Size, Meta(description="Radius, in `units`.")]

    def covers(self, points: Floats) -> np.ndarray:
        """Return which points (n, 2) lie inside, the edge not included."""
        return np.asarray(np.hypot(points[:, 0] - self.x, points[:, 1] - self.y) < self.radius)

    def crossed(self, before: Floats, after: Floats) -> np.ndarray:
        """Return which straight ways from points (n, 2) to points (n, 2) pass over it."""
        way = after - before
        towards = np.array([self.x, self.y]) - before
        share = np.einsum("ij,ij->i", towards, way) / np.maximum(np.einsum("ij,ij->i", way, way), 1e-300)
        return self.covers(before + np.clip(share, 0.0, 1.0)[:, None] * way)

    def faults(self, pointer: str) -> list[Fault]:
        """Return nothing: the bounds of its numbers say all."""
        return []


class Reach(Struct, frozen=True, forbid_unknown_fields=True):
    """What the indicator can be brought to, where that is not the whole bed."""

    x: Annotated[
        Range | None,
        Meta(
            description="Where the tool gets to along x, [low, high], in `units`; absent or null, over the whole bed."
        ),
    ] = None
    y: Annotated[
        Range | None,
        Meta(
            description="Where the tool gets to along y, [low, high], in `units`; absent or null, over the whole bed."
        ),
    ] = None


KeepOut = Rectangle | Circle


class Area(Struct, frozen=True):
    """Where stations may stand, as the client describes it; None takes the default."""

    margin: float | None = None
    spacing: float | None = None
    keep_out: tuple[KeepOut, ...] = ()
    reach: Reach = field(default_factory=Reach)
    step: float | None = None

    def faults(self, machine: Machine) -> list[Fault]:
        """Return every fault of the description itself; the bed must be sound."""
        found, bed = [], machine.bed
        for axis, (low, high) in (("x", bed.x), ("y", bed.y)):
            if self.margin is not None and 2.0 * self.margin >= high - low:
                found.append(Fault("/margin", sentences.margin_too_wide(self.margin, axis, low, high)))
            reach: tuple[float, float] | None = getattr(self.reach, axis)
            if reach is None:
                continue
            if not reach[0] < reach[1]:
                found.append(Fault(f"/reach/{axis}", sentences.reach_runs_backwards(*reach)))
            elif not found:
                edge = self.edge(machine)
                if not max(reach[0], low + edge) < min(reach[1], high - edge):
                    found.append(Fault(f"/reach/{axis}", sentences.reach_misses_bed(*reach, low + edge, high - edge)))
        for index, place in enumerate(self.keep_out):
            found += place.faults(f"/keep_out/{index}")
        return found

    def edge(self, machine: Machine) -> float:
        """Return the margin, in machine units."""
        if self.margin is not None:
            return self.margin
        (left, right), (front, rear) = machine.bed.x, machine.bed.y
        return min(machine.from_mm(MARGIN_MM), 0.1 * min(right - left, rear - front))

    def box(self, machine: Machine) -> tuple[tuple[float, float], tuple[float, float]]:
        """Return the ranges of x and y that margin and reach leave."""
        edge, ranges = self.edge(machine), []
        for (low, high), reach in ((machine.bed.x, self.reach.x), (machine.bed.y, self.reach.y)):
            inside = (low + edge, high - edge)
            ranges.append(inside if reach is None else (max(inside[0], reach[0]), min(inside[1], reach[1])))
        return ranges[0], ranges[1]

    def whole_step(self, machine: Machine) -> float:
        """Return what stations stand on whole multiples of, in machine units."""
        if self.step is not None:
            return self.step
        step = STEP[machine.units]
        narrowest = min(high - low for low, high in self.box(machine))
        while narrowest < 2 * FEWEST_ALONG * step:
            step /= 2.0
        return step if self.spacing is None else min(step, self.spacing)

    def apart(self, machine: Machine, count: int) -> float:
        """Return how far so many stations keep from one another, in machine units."""
        (left, right), (front, rear) = machine.bed.x, machine.bed.y
        sides = [high - low for low, high in self.box(machine)]
        return min(APART * min(right - left, rear - front), PITCH * sqrt(sides[0] * sides[1] / count))

    def blocked(self, points: Floats) -> np.ndarray:
        """Return which points (n, 2) lie in a kept-out place."""
        covered = np.zeros(len(points), dtype=bool)
        for place in self.keep_out:
            covered |= place.covers(points)
        return covered

    def crossed(self, before: Floats, after: Floats) -> np.ndarray:
        """Return which straight ways from points (n, 2) to points (n, 2) pass over a kept-out place."""
        over = np.zeros(len(before), dtype=bool)
        for place in self.keep_out:
            over |= place.crossed(before, after)
        return over

    def reached(self, points: Floats) -> np.ndarray:
        """Return which points (n, 2) the tool reaches."""
        within = np.ones(len(points), dtype=bool)
        for at, reach in zip(points.T, (self.reach.x, self.reach.y), strict=True):
            if reach is not None:
                within &= (at >= reach[0]) & (at <= reach[1])
        return within


def along(low: float, high: float, count: int, step: float | None) -> Floats:
    """Return about this many places from end to end, on whole multiples of ``step`` where one is given."""
    places = np.linspace(low, high, count)
    return places if step is None else np.unique(on_steps(places, low, high, step))


def on_steps(places: Floats, low: float, high: float, step: float) -> Floats:
    """Return the multiple of ``step`` next to each place; without those beyond the ends if there are none between."""
    first, last = ceil(low / step - TIE), floor(high / step + TIE)
    if first > last:
        return np.zeros(0)
    return np.asarray(np.clip(np.round(places / step), first, last) * step)


def counts(machine: Machine, area: Area) -> tuple[int, int]:
    """Return how many places are looked at along x and along y."""
    sides = [high - low for low, high in area.box(machine)]
    if area.spacing is not None:
        x, y = (ceil(side / area.spacing * (1.0 - 1e-9)) + 1 for side in sides)
        return x, y
    x, y = (max(FEWEST_ALONG, round((MOST_ALONG - 1) * side / max(sides)) + 1) for side in sides)
    return x, y


def places(machine: Machine, area: Area, anywhere: bool = False) -> Floats:
    """Return every place where a station may stand, shape (N, 2), in rows from front left to rear right.

    They stand on whole steps, or evenly from edge to edge if they may stand ``anywhere``.
    """
    (left, right), (front, rear) = area.box(machine)
    nx, ny = counts(machine, area)
    step = None if anywhere else area.whole_step(machine)
    x, y = np.meshgrid(along(left, right, nx, step), along(front, rear, ny, step))
    points = np.column_stack([x.ravel(), y.ravel()])
    return np.asarray(points[~area.blocked(points)])


def regular_grid(machine: Machine, area: Area, free: Floats, count: int) -> Floats:
    """Return a regular grid of exactly this many stations, shape (count, 2): rows evenly spaced from edge to edge, as
    far as whole steps allow.

    Where ``count`` makes no rectangle of about the bed's shape, some rows have one station more. A station that falls
    into a kept-out place, or on another, takes the nearest of ``free`` (N, 2), N >= count, that keeps its distance from
    the others, if there is one.
    """
    (left, right), (front, rear) = area.box(machine)
    shape = (right - left) / (rear - front)

    def strain(rows: int) -> tuple[float, int]:
        return abs(log(count / rows**2 / shape)) + 0.5 * (count % rows > 0), rows

    rows = min(range(1, count + 1), key=strain)
    more = np.zeros(rows, dtype=int)
    more[np.round(np.linspace(0, rows - 1, count % rows)).astype(int)] = 1
    stations = []
    for y, own in zip(ends(front, rear, rows), (count // rows + more).tolist(), strict=True):
        stations += [(x, y) for x in ends(left, right, own)]
    step = area.whole_step(machine)
    grid = np.column_stack(
        [on_steps(at, *box, step) for at, box in zip(np.array(stations).T, area.box(machine), strict=True)]
    )
    first = np.zeros(count, dtype=bool)
    first[np.unique(grid, axis=0, return_index=True)[1]] = True
    stays = first & ~area.blocked(grid)
    apart = area.apart(machine, count)
    for index in np.flatnonzero(~stays).tolist():
        others = np.hypot(*(free[:, None] - grid[stays][None]).transpose(2, 0, 1)).min(axis=1, initial=np.inf)
        distance = np.hypot(*(free - grid[index]).T) + np.where(others >= apart, 0.0, LARGE * (others < apart))
        grid[index] = free[np.where(others > 0.0, distance, np.inf).argmin()]
        stays[index] = True
    return grid


def ends(low: float, high: float, count: int) -> list[float]:
    """Return places from end to end, the middle where there is one."""
    return np.linspace(low, high, count).tolist() if count > 1 else [0.5 * (low + high)]


def spacing_faults(machine: Machine, area: Area) -> list[Fault]:
    """Return a fault where a sound area's spacing makes too many places."""
    if area.spacing is None:
        return []
    nx, ny = counts(machine, area)
    if nx * ny <= MOST_PLACES:
        return []
    coarser = area.spacing * sqrt(nx * ny / MOST_PLACES)
    return [Fault("/spacing", sentences.spacing_too_fine(area.spacing, nx, ny, MOST_PLACES, coarser))]


def station_faults(machine: Machine, area: Area, stations: Sequence[Spot] | None) -> list[Fault]:
    """Return every fault of the plan sent."""
    if stations is None:
        return []
    faults: list[Fault] = []
    if len(stations) < LEAST_STATIONS:
        faults.append(Fault("/stations", sentences.too_few_stations(len(stations))))
    first: dict[tuple[float, float], int] = {}
    for index, spot in enumerate(stations):
        pointer, point = f"/stations/{index}", np.array([(spot.x, spot.y)])
        off = [
            (axis, at, low, high)
            for axis, at, (low, high) in (("x", spot.x, machine.bed.x), ("y", spot.y, machine.bed.y))
            if not low <= at <= high
        ]
        faults += [Fault(f"{pointer}/{axis}", off_the_bed(axis, at, low, high)) for axis, at, low, high in off]
        if not off and area.blocked(point)[0]:
            faults.append(Fault(pointer, sentences.kept_out(spot.x, spot.y)))
        if not off and not area.reached(point)[0]:
            faults.append(Fault(pointer, sentences.out_of_reach(spot.x, spot.y)))
        earlier = first.setdefault((spot.x + 0.0, spot.y + 0.0), index)
        if earlier != index:
            faults.append(Fault(pointer, sentences.listed_before(earlier)))
    return faults
