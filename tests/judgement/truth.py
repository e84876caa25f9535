"""The exact machine under an awkward survey: what it is, what it is after each step, what a dial shows on it.

Beside three screws (:class:`simulated_machine.SimulatedMachine`) it rests on kinematic mounts, on four screws or more
under a rigid plate, of which three carry, and on four screws that twist a thin plate. Nothing here shares a formula
with the solvers. Lengths are in the unit of the machine.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from itertools import combinations

import numpy as np
from scipy.interpolate import CubicSpline
from scipy.optimize import root
from scipy.spatial.transform import Rotation

from simulated_machine import UP, Rail, SimulatedMachine, Vector, grid, rotation_taking
from tramwright_solvers.model.machine import Machine, Seat

Place = tuple[float, float]
FOUR = 4
TOUCH = 1e-9
"""Tips within this share of the plate's size of a plane lie in it."""


def shares(corners: Vector, point: Vector) -> Vector:
    """Weights of three corners whose mean is the point."""
    return np.linalg.solve(np.vstack([corners.T, np.ones(3)]), [*point, 1.0])


class KeptRail(Rail):
    """A rail whose spline is kept until a seat moves: a bed is read at dozens of points between two moves."""

    def __init__(self, seats: list[Seat], along: int) -> None:
        super().__init__(seats, along)
        self.kept: dict[tuple[float, ...], CubicSpline] = {}

    def point(self, position: float, heights: Mapping[str, float], level: float) -> Vector:
        if len(self.seats) == 2:
            return super().point(position, heights, level)
        key = (level, *(heights[seat.id] for seat in self.seats))
        if key not in self.kept:
            ends = np.array([(seat.x, seat.y, level + heights[seat.id]) for seat in self.seats])
            self.kept = {key: CubicSpline(self.knots, ends, bc_type="natural")}
        spline = self.kept[key]
        inside = np.clip(position, self.knots[0], self.knots[-1])
        return spline(inside) + spline(inside, 1) * (position - inside)


class ExactMachine(SimulatedMachine):
    """A machine whose bed rests as its supports make it: on balls, on three of all tips, or twisted on all four.

    ``flexible`` says that four screws twist the plate; their supports are then the corners of a rectangle along x and
    y. A rigid plate rests on three tips: a person keeps it off those that were backed off; else its centre of gravity,
    ``centre`` in plan, decides. The first that are lowered are those backed off, as long as three are left.
    """

    def __init__(
        self,
        machine: Machine,
        heights: Mapping[str, float],
        *,
        form: Callable[[float, float], float],
        flexible: bool = False,
        centre: Place = (0.0, 0.0),
    ) -> None:
        self.own_form, self.flexible, self.centre = form, flexible, np.array(centre)
        self.twist, self.kept = 0.0, (None, (np.eye(3), np.zeros(3)))
        self.backed_off: set[int] = set()
        super().__init__(machine, heights, form=self.surface)
        self.corners = np.array([(one.x, one.y) for one in machine.supports]).reshape(-1, 2)
        self.middle = self.corners.mean(axis=0) if len(self.corners) else np.zeros(2)
        if machine.rails:
            self.rails = [KeptRail(rail.seats, rail.along) for rail in self.rails]

    def surface(self, u: float, v: float) -> float:
        """Height of the plate's surface: its own form, and the saddle that four screws twist it into."""
        return self.own_form(u, v) + self.twist * (u - self.middle[0]) * (v - self.middle[1])

    def plate(self) -> tuple[Vector, Vector]:
        heights = np.array([self.heights[one.id] for one in self.machine.supports])
        if self.kept[0] != heights.tobytes():
            self.kept = (heights.tobytes(), self.rest(heights))
        return self.kept[1]

    def rest(self, heights: Vector) -> tuple[Vector, Vector]:
        """Pose of the plate on supports at these heights."""
        supports = self.machine.supports
        if supports and all(one.mount is not None for one in supports):
            return self.on_balls(heights)
        if len(supports) < FOUR:
            return super().plate()
        if self.flexible:
            saddle = np.prod(self.corners - self.middle, axis=1)
            self.twist = float(saddle @ heights / (saddle @ saddle))
            heights = heights - self.twist * saddle
        level = -self.thickness - self.tip_radius
        tips = np.column_stack([self.corners, level + heights])
        first, second, third = tips[self.carrying()] if not self.flexible else tips[:3]
        normal = np.cross(second - first, third - first)
        normal *= np.sign(normal[2]) / np.linalg.norm(normal)
        turned = rotation_taking(UP, normal)
        pinned = np.array([first[0], first[1], -self.thickness])
        return turned, first + self.tip_radius * normal - turned @ pinned

    @property
    def on_many(self) -> bool:
        """True where a rigid plate lies on more tips than carry it."""
        return len(self.corners) >= FOUR and not self.flexible

    def move(self, adjuster: str, travel: float) -> None:
        super().move(adjuster, travel)
        if not self.on_many:
            return
        at = next((index for index, one in enumerate(self.machine.supports) if one.id == adjuster), None)
        if at is not None and travel < 0 and len(self.backed_off) < len(self.corners) - 3:
            self.backed_off.add(at)  # else the plate follows each of the three that carry
        self.carrying()

    @property
    def touch(self) -> float:
        return float(TOUCH * np.ptp(self.corners))

    def plane(self, three: tuple[int, ...]) -> Vector:
        """Height of a plate on three tips over every tip; none where they stand in line."""
        design = np.column_stack([np.ones(3), self.corners[list(three)]])
        if abs(np.linalg.det(design)) < self.touch * np.ptp(self.corners):
            return np.full(len(self.corners), np.nan)
        tips = [self.heights[self.machine.supports[at].id] for at in three]
        return np.column_stack([np.ones(len(self.corners)), self.corners]) @ np.linalg.solve(design, tips)

    def rests_on(self, shunned: set[int], out_of_the_way: int | None = None) -> tuple[int, ...] | None:
        """The three tips that carry, none of those shunned: no tip stands above the plate, the centre between them.

        One tip may be taken to be out of the way, wherever it stands.
        """
        heights = np.array([self.heights[one.id] for one in self.machine.supports])
        free = [at for at in range(len(heights)) if at not in shunned and at != out_of_the_way]
        possible = [three for three in combinations(free, 3) if (heights - self.touch <= self.plane(three))[free].all()]
        best = max(possible, key=lambda three: shares(self.corners[list(three)], self.centre).min(), default=None)
        over = [at for at in shunned if best and heights[at] > self.plane(best)[at] + self.touch]
        return None if over else best

    def carrying(self) -> list[int]:
        """The three tips that carry. What was backed off and meets the plate again is backed off no more."""
        three = self.rests_on(self.backed_off)
        if three is None:
            self.backed_off = set()
            three = self.rests_on(set())
        assert three is not None
        plane = self.plane(three)
        self.backed_off = {at for at in self.backed_off if self.heights[self.machine.supports[at].id] < plane[at]}
        return list(three)

    def on_balls(self, heights: Vector) -> tuple[Vector, Vector]:
        """Pose of a plate on three balls: in a cone one stays, in a vee it stays on a line, on a flat in a plane."""
        balls = np.array([(one.x, one.y, one.z) for one in self.machine.supports])
        size = np.ptp(balls[:, :2])

        def missed(pose: Vector) -> Vector:
            off = balls @ Rotation.from_rotvec(pose[:3] / size).as_matrix().T + pose[3:] - balls
            off[:, 2] -= heights
            rows: list[float] = []
            for one, (dx, dy, dz) in zip(self.machine.supports, off.tolist(), strict=True):
                rows.append(dz)
                if one.mount is not None and one.mount.kind == "cone":
                    rows += [dx, dy]
                elif one.mount is not None and one.mount.axis is not None:
                    angle = np.radians(one.mount.axis)
                    rows.append(np.cos(angle) * dy - np.sin(angle) * dx)
            return np.array(rows)

        found = root(missed, np.zeros(6), tol=1e-12)
        if np.abs(missed(found.x)).max() > 1e-7 * (1 + np.abs(heights).max()):
            raise ArithmeticError("the balls do not find their seats")
        return Rotation.from_rotvec(found.x[:3] / size).as_matrix(), found.x[3:]

    def bring_up(self, adjuster: str) -> None:
        """Set a screw so that its tip just meets a plate that lies on others."""
        at = next(index for index, one in enumerate(self.machine.supports) if one.id == adjuster)
        three = self.rests_on(self.backed_off - {at}, at)
        assert three is not None
        self.heights[adjuster] = float(self.plane(three)[at])
        self.backed_off.discard(at)

    def gaps(self, places: Iterable[Place]) -> Vector:
        """True gap at each place."""
        return np.array([self.gap(*place) for place in places])

    def total(self, places: Iterable[Place]) -> float:
        """True highest minus lowest gap over the places."""
        return float(np.ptp(self.gaps(places)))

    def bed_places(self) -> list[Place]:
        """Places over the whole bed, its edges among them."""
        return grid(self.machine, 5, 5, margin=0.0)


class Dial:
    """An indicator with the errors that its description allows, all rectangular; its zero is wherever it happens to be.

    The error of indication is one for each station: whoever reads a station again has the dial at the same place.
    """

    def __init__(self, machine: Machine, random: np.random.Generator, zero: float) -> None:
        self.machine, self.random, self.zero = machine, random, zero
        self.errors: dict[Place, float] = {}

    @property
    def worst(self) -> float:
        """Most that one reading can be beside the truth."""
        return self.machine.error_limit + 0.8 * self.machine.division

    def read(self, exact: ExactMachine, place: Place, moved: float = 0.0) -> float:
        """What it shows at a place, its zero moved by so much since the first reading."""
        machine = self.machine
        if place not in self.errors:
            self.errors[place] = self.random.uniform(-1, 1) * machine.error_limit
        repeat = self.random.uniform(-1, 1) * 0.3 * machine.division
        shown = machine.sense * exact.gap(*place) + self.zero + moved + self.errors[place] + repeat
        return round(round(shown / machine.division) * machine.division, 9)
