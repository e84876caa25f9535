"""A machine in exact geometry, to follow answers on: nothing here shares a formula with the solvers.

The bed is a rigid plate with a form of its own, resting on the round tips of three screws and held in plan by a pin at
the first; it is tilted by a finite rotation. Each rail passes through its seats, a straight line in space on two. The
gantry's two carriages ride on blocks at half the spacing to each side, the beam spans them and is twisted evenly from
one carriage's pitch to the other's; the tool hangs below the beam, ahead of it, square to it. The dial is read along
the tool's own axis, where that meets the bed. So cosine errors, sideways shifts of tip and plate, and the change of
height of a tilted round tip are all in, and the solvers know none of them.

Lengths are in the unit of the machine described. Invented: everything that the description leaves open.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import Any, TypeVar

import numpy as np
from scipy.interpolate import CubicSpline

from tramwright_solvers.model.machine import Machine, Screw, Seat
from tramwright_solvers.model.survey import Reading, Survey

Vector = np.ndarray
T = TypeVar("T")
UP = np.array([0.0, 0.0, 1.0])


def rotation(axis: Vector, angle: float) -> Vector:
    """Rotation matrix about a unit axis by the right-hand rule (Rodrigues)."""
    cross = np.array([[0, -axis[2], axis[1]], [axis[2], 0, -axis[0]], [-axis[1], axis[0], 0]])
    return np.eye(3) + np.sin(angle) * cross + (1 - np.cos(angle)) * cross @ cross


def rotation_taking(start: Vector, end: Vector) -> Vector:
    """The least rotation that takes one unit vector to another."""
    axis = np.cross(start, end)
    sine = float(np.linalg.norm(axis))
    return rotation(axis / sine, np.arctan2(sine, start @ end)) if sine else np.eye(3)


def sight(seen_from: str) -> Vector:
    """The direction in which a person looks along the screw."""
    return -UP if seen_from == "above" else UP


def angle_about_up(direction: str, degrees: float, seen_from: str) -> float:
    """Angle of a turn about +z by the right-hand rule, in radians.

    What turns clockwise before one's eyes carries "up" to "right"; right is sight cross up.
    """
    looking = sight(seen_from)
    head = np.array([0.0, 1.0, 0.0])
    right = np.cross(looking, head)
    about = np.cross(head, right) @ UP
    return float(about * np.radians(degrees) * (1 if direction == "clockwise" else -1))


def travel_of_turn(screw: Screw, direction: str, degrees: float, seen_from: str) -> float:
    """Travel of the bed, positive up, that a turn of the screw makes.

    A right-hand thread is the helix (cos t, sin t, lead t / 2 pi). Turned by phi about z, the thread that meets a mate
    standing at angle 0 is the one of parameter t = -phi: it has sunk by lead phi / 2 pi along the turned part. A mate
    that may only slide follows it; if instead the mate stays, the turned part itself rises by as much.
    """
    phi = angle_about_up(direction, degrees, seen_from)
    winding = -1 if screw.hand == "left" else 1
    thread_at_mate = winding * screw.lead * (-phi) / (2 * np.pi)
    return float(-thread_at_mate if screw.turned_part == "travels" else thread_at_mate)


class Rail:
    """A rail through its seats; heights above the nominal rail plane."""

    def __init__(self, seats: list[Seat], along: int) -> None:
        self.along = along
        self.seats = sorted(seats, key=lambda seat: (seat.x, seat.y)[along])
        self.knots = np.array([(seat.x, seat.y)[along] for seat in self.seats])

    def point(self, position: float, heights: Mapping[str, float], level: float) -> Vector:
        """The point of the rail at a position along the machine; straight beyond the outermost seats."""
        ends = np.array([(seat.x, seat.y, level + heights[seat.id]) for seat in self.seats])
        if len(ends) == 2:
            share = (position - self.knots[0]) / (self.knots[1] - self.knots[0])
            return ends[0] + share * (ends[1] - ends[0])
        inside = np.clip(position, self.knots[0], self.knots[-1])
        spline = CubicSpline(self.knots, ends, bc_type="natural")
        return spline(inside) + spline(inside, 1) * (position - inside)

    def carriage(
        self, position: float, heights: Mapping[str, float], level: float, spacing: float
    ) -> tuple[Vector, float]:
        """Middle of the two blocks, and the pitch of the carriage (rise along the rail, radians)."""
        reach = spacing / 2 if spacing else 1e-4 * (self.knots[-1] - self.knots[0])
        run = reach
        for _ in range(6):  # blocks stand `reach` apart along the rail, not in plan
            front, back = (self.point(position + run * end, heights, level) for end in (1, -1))
            run *= 2 * reach / np.linalg.norm(front - back)
        return (front + back) / 2, float(np.arcsin((front - back)[2] / np.linalg.norm(front - back)))


class SimulatedMachine:
    """A machine of known errors that can be read and adjusted like a real one.

    ``heights`` holds the error of each support and seat, positive up; ``form(u, v)`` the height of the plate's surface
    in its own coordinates; ``zero`` and ``drift`` (a second) the indicator's, for each set-up. ``noise`` is the
    standard deviation of one reading, ``resolution`` what it is rounded to.
    """

    def __init__(
        self,
        machine: Machine,
        heights: Mapping[str, float],
        *,
        form: Callable[[float, float], float] = lambda u, v: 0.0,
        zero: Mapping[str, float] | float = 0.0,
        drift: Mapping[str, float] | None = None,
        noise: float = 0.0,
        resolution: float = 0.0,
        seed: int = 0,
        tip_radius: float | None = None,
        arm: float | None = None,
    ) -> None:
        self.machine = machine
        seats = machine.rails.seats if machine.rails else []
        self.heights = {one.id: 0.0 for one in [*machine.supports, *seats]} | dict(heights)
        self.form, self.zero, self.drift = form, zero, drift or {}
        self.noise, self.resolution, self.random = noise, resolution, np.random.default_rng(seed)
        self.tip_radius = machine.from_mm(4.0) if tip_radius is None else tip_radius
        self.arm = machine.from_mm(20.0) if arm is None else arm
        self.thickness = machine.bed.thickness or machine.from_mm(8.0)
        self._stood: tuple[float, ...] = ()
        self._known: dict[Any, Any] = {}
        if machine.rails:
            self.along = 0 if machine.rails.along == "x" else 1
            names = list(dict.fromkeys(seat.rail for seat in seats))
            rails = [Rail([seat for seat in seats if seat.rail == name], self.along) for name in names]
            across = 1 - self.along
            self.rails = sorted(rails, key=lambda rail: np.mean([(s.x, s.y)[across] for s in rail.seats]))

    def move(self, adjuster: str, travel: float) -> None:
        """Move one support or seat, positive up."""
        self.heights[adjuster] += travel

    def turn(self, adjuster: str, direction: str, degrees: float, seen_from: str) -> float:
        """Turn one screw as told and return the travel that made."""
        screw = next(support.screw for support in self.machine.supports if support.id == adjuster)
        assert screw is not None
        travel = travel_of_turn(screw, direction, degrees, seen_from)
        self.move(adjuster, travel)
        return travel

    def _as_it_stands(self, what: Any, work_out: Callable[[], T]) -> T:
        """What is the same until something is moved, worked out once."""
        if self._stood != (stands := tuple(self.heights.values())):
            self._stood, self._known = stands, {}
        if what not in self._known:
            self._known[what] = work_out()
        return self._known[what]

    def plate(self) -> tuple[Vector, Vector]:
        """Rotation of the plate, and where its own origin (on the surface) stands in the machine."""
        supports = self.machine.supports[:3]
        if not supports:
            return np.eye(3), np.zeros(3)
        nominal = -self.thickness - self.tip_radius
        centres = [np.array([s.x, s.y, nominal + self.heights[s.id]]) for s in supports]
        normal = np.cross(centres[1] - centres[0], centres[2] - centres[0])
        normal *= np.sign(normal[2]) / np.linalg.norm(normal)
        turned = rotation_taking(UP, normal)
        contact = centres[0] + self.tip_radius * normal
        pinned = np.array([supports[0].x, supports[0].y, -self.thickness])
        return turned, contact - turned @ pinned

    def tool(self, x: float, y: float) -> tuple[Vector, Vector]:
        """Tip of the tool at a commanded position, and its axis pointing up."""
        rails = self.machine.rails
        if rails is None:
            return np.array([x, y, 0.0]), UP
        ahead, sideways = ((x, y), (y, x))[self.along]
        middle = ahead - rails.tool_offset
        left, right = self._as_it_stands(
            middle,
            lambda: [rail.carriage(middle, self.heights, self.arm, rails.block_spacing) for rail in self.rails],
        )
        across = 1 - self.along
        beam = right[0] - left[0]
        length = np.linalg.norm(beam)
        beam /= length
        distance = sideways - left[0][across]
        pitch = left[1] + (right[1] - left[1]) * distance / length
        forward = np.eye(3)[self.along]
        level = forward - (forward @ beam) * beam
        level /= np.linalg.norm(level)
        above = np.cross(beam, level) if self.along == 1 else np.cross(level, beam)
        carried = np.cos(pitch) * level + np.sin(pitch) * above
        axis = np.cos(pitch) * above - np.sin(pitch) * level
        foot = left[0] + distance * beam
        return foot + rails.tool_offset * carried - self.arm * axis, axis

    def gap(self, x: float, y: float) -> float:
        """Height of the bed above the tool's tip, along the tool's axis."""
        tip, axis = self.tool(x, y)
        turned, origin = self._as_it_stands("plate", self.plate)
        start, ray = turned.T @ (tip - origin), turned.T @ axis
        reach = -start[2] / ray[2]
        for _ in range(12):  # meet the surface w = form(u, v): slopes are small, so this contracts fast
            u, v, _w = start + reach * ray
            before, reach = reach, (self.form(u, v) - start[2]) / ray[2]
            if reach == before:
                break
        return float(reach)

    def read(self, x: float, y: float, setup: str = "", time: float = 0.0) -> float:
        """What the dial shows, in the user's own sense and zero."""
        zero = self.zero if isinstance(self.zero, float | int) else self.zero[setup]
        shown = self.machine.sense * self.gap(x, y) + zero + self.drift.get(setup, 0.0) * time
        if self.noise:
            shown += self.noise * self.random.standard_normal()
        return float(round(shown / self.resolution) * self.resolution if self.resolution else shown)

    def survey(self, stations: Iterable[tuple[float, float]], *, repeats: int = 1, setup: str = "") -> Survey:
        """Read every station, each as often as asked without moving."""
        readings = []
        for x, y in stations:
            values = [self.read(x, y, setup) for _ in range(repeats)]
            readings.append(Reading(x, y, values if repeats > 1 else values[0], setup))
        return Survey(readings)


def grid(machine: Machine, nx: int, ny: int, margin: float = 0.04) -> list[tuple[float, float]]:
    """Stations in rows over the bed, a share of its size away from the edges."""
    (left, right), (front, rear) = machine.bed.x, machine.bed.y
    xs = np.linspace(left + margin * (right - left), right - margin * (right - left), nx)
    ys = np.linspace(front + margin * (rear - front), rear - margin * (rear - front), ny)
    return [(float(round(x, 3)), float(round(y, 3))) for y in ys for x in xs]


def bump(height: float, x: float, y: float, width: float) -> Callable[[float, float], float]:
    """A round hill on the plate, in its own coordinates."""
    return lambda u, v: float(height * np.exp(-((u - x) ** 2 + (v - y) ** 2) / (2 * width**2)))
