"""Machines for the judgement: every built-in solver, one at a time and together, and the layouts of stations.

Every machine, error and form is invented. Sizes are thought of in mm; ``mm`` turns them into the machine's unit.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import TypeVar

import numpy as np
from msgspec.structs import replace

from simulated_machine import bump
from tramwright_solvers.mechanisms import FourScrew, Kinematic, RailShim, ThreeScrew
from tramwright_solvers.model.contract import Mechanism
from tramwright_solvers.model.machine import Bed, Indicator, Limit, Machine, Mount, Rails, Screw, Seat, Support

from .truth import ExactMachine, Place

T = TypeVar("T")

MECHANISMS: dict[str, list[Mechanism]] = {
    "three screws": [ThreeScrew()],
    "four screws, rigid": [FourScrew()],
    "four screws, flexible": [FourScrew(plate="flexible")],
    "cone, vee, flat": [Kinematic()],
    "three vees": [Kinematic()],
    "rails that slip": [RailShim()],
    "rails on shims": [RailShim()],
    "screws and rails": [ThreeScrew(), RailShim()],
}
BIRDS = ("avocet", "bittern", "curlew", "dipper", "firecrest", "grebe", "hobby", "jackdaw", "knot", "lapwing")
LAYOUTS = ("3 × 3", "5 × 5", "scattered", "cross")
FEW = ("front row", "rear row", "one column", "two points", "in line but for 1 µm")
SEEN = 1e-3
"""A term counts as seen where its part of the design is at least this share of the largest."""


def pick(random: np.random.Generator, options: Sequence[T]) -> T:
    """Return one of the options."""
    return options[int(random.integers(len(options)))]


@dataclass(frozen=True)
class Built:
    """A machine with its faults: ``exact(scale)`` is the true machine with all faults times ``scale``."""

    name: str
    machine: Machine
    mm: float
    exact: Callable[[float], ExactMachine]


def supports_of(name: str, size: float, mm: float, random: np.random.Generator) -> list[Support]:
    """Return supports around the middle of the bed; four of them are the corners of a rectangle."""
    if name.startswith("rails"):
        return []
    screw = Screw(
        float(pick(random, [0.7, 1.0, 1.25, 2.0, 4.0])) * mm,
        hand=pick(random, ["right", "left"]),
        turned_from=pick(random, ["above", "below"]),
        turned_part=pick(random, ["stays", "travels"]),
    )
    if name.startswith("four"):
        low, high = size * random.uniform(0.05, 0.15), size * random.uniform(0.85, 0.95)
        corners = {"FL": (low, low), "FR": (high, low), "RL": (low, high), "RR": (high, high)}
        return [Support(one, round(x, 3), round(y, 3), screw=screw) for one, (x, y) in corners.items()]
    turn, places = random.uniform(0, 2 * np.pi), []
    for third in (0.0, 2.1, 4.2):
        angle, radius = turn + third + random.uniform(-0.2, 0.2), size * random.uniform(0.38, 0.52)
        places.append(size / 2 + radius * np.array([np.cos(angle), np.sin(angle)]))
    mounts: list[Mount | None] = [None, None, None]
    if name in ("cone, vee, flat", "three vees"):
        target = places[0] if name == "cone, vee, flat" else np.mean(places, axis=0)
        axes = [round(float(np.degrees(np.arctan2(*(target - at)[::-1]))), 1) for at in places]
        mounts = [Mount("vee", axis) for axis in axes]
        if name == "cone, vee, flat":
            mounts[0], mounts[2] = Mount("cone"), Mount("flat")
    return [
        Support(one, round(float(x), 3), round(float(y), 3), -30.0 * mm if mount else 0.0, screw=screw, mount=mount)
        for one, (x, y), mount in zip(("one", "two", "three"), places, mounts, strict=True)
    ]


def rails_of(name: str, size: float, mm: float, seats: int, random: np.random.Generator) -> Rails | None:
    """Return two rails on evenly spaced seats, those on shims with a stock in plenty."""
    if "rails" not in name:
        return None
    along, shims = pick(random, ["x", "y"]), name == "rails on shims"
    placed = []
    for rail, across in (("near", -0.08 * size), ("far", 1.08 * size)):
        for number, at in enumerate(np.linspace(0.0, size, 2 if shims else seats).tolist()):
            x, y = (at, across) if along == "x" else (across, at)
            seat = Seat(f"{rail}-{number}", rail, round(x, 3), round(y, 3))
            placed.append(
                replace(seat, method="shim", stock=[0.02 * mm, 0.05 * mm, 0.1 * mm, 0.3 * mm]) if shims else seat
            )
    return Rails(
        along, placed, block_spacing=size * random.uniform(0.05, 0.15), tool_offset=size * random.uniform(-0.1, 0.1)
    )


def build(
    random: np.random.Generator,
    *,
    name: str | None = None,
    form: float = 0.1,
    bowl: float = 0.0,
    seats: int = 2,
    setting: float | None = None,
    limit: float | None = None,
    fault: Callable[[list[str]], dict[str, float]] | None = None,
) -> Built:
    """Return a machine out of true: errors up to 1 at every adjuster, a hill of ``form``, a bowl of ``bowl``.

    ``setting`` and ``limit`` are in mm; ``fault`` gives errors of its own in place of the random ones.
    """
    name = name or pick(random, list(MECHANISMS))
    mm = 1 / 25.4 if random.random() < 0.15 else 1.0
    size = round(random.uniform(200, 800) * mm, 3)
    supports, rails = supports_of(name, size, mm, random), rails_of(name, size, mm, seats, random)
    if setting:
        supports = [replace(one, setting=setting * mm) for one in supports]
        if rails:
            rails = replace(
                rails,
                seats=[seat if seat.method == "shim" else replace(seat, setting=setting * mm) for seat in rails.seats],
            )
    machine = Machine(
        bed=Bed((0.0, size), (0.0, size), 12.0 * mm, "aluminium", 70.0, 0.33, 250.0),
        id=f"{pick(random, BIRDS)}-{random.integers(1, 100):02d}",
        units="mm" if mm == 1.0 else "inch",
        supports=supports,
        rails=rails,
        indicator=Indicator(division=0.01 * mm, bed_high_reads=pick(random, ["plus", "minus"])),
        limit=None if limit is None else Limit(limit * mm),
    )
    names = [one.id for one in [*supports, *(rails.seats if rails else [])]]
    errors = {one: float(random.uniform(-1, 1)) for one in names} if fault is None else fault(names)
    hill = bump(form * pick(random, [-1, 1]), *random.uniform(0.2, 0.8, 2) * size, random.uniform(0.15, 0.35) * size)
    centre = tuple((size / 2 + size * random.uniform(-0.03, 0.03, 2)).tolist())

    def exact(scale: float) -> ExactMachine:
        def surface(u: float, v: float) -> float:
            return scale * (hill(u, v) + bowl * 4 * ((u / size - 0.5) ** 2 + (v / size - 0.5) ** 2))

        made = ExactMachine(
            machine,
            {one: scale * error for one, error in errors.items()},
            form=surface,
            flexible=name == "four screws, flexible",
            centre=centre,
        )
        if name == "four screws, rigid":
            made.bring_up("RR")  # as it is left: the plate lies on all four
        return made

    return Built(name, machine, mm, exact)


def scattered(random: np.random.Generator, size: float) -> list[Place]:
    """Return 9 to 14 stations with room between them, no order in them."""
    places: list[Place] = []
    wanted = int(random.integers(9, 15))
    while len(places) < wanted:
        x, y = (round(float(one), 3) for one in random.uniform(0.04, 0.96, 2) * size)
        if all(np.hypot(x - u, y - v) > 0.12 * size for u, v in places):
            places.append((x, y))
    return places


def stations(layout: str, random: np.random.Generator, size: float) -> list[Place]:
    """Return the stations of a layout by its name."""

    def along(count: int, low: float = 0.05) -> list[float]:
        return [round(one, 3) for one in np.linspace(low * size, (1 - low) * size, count).tolist()]

    middle, count = round(size / 2, 3), int(random.integers(3, 7))
    rows: dict[str, Callable[[], list[Place]]] = {
        "3 × 3": lambda: [(x, y) for y in along(3) for x in along(3)],
        "5 × 5": lambda: [(x, y) for y in along(5) for x in along(5)],
        "scattered": partial(scattered, random, size),
        "cross": lambda: [(x, middle) for x in along(5)] + [(middle, y) for y in along(5) if y != middle],
        "front row": lambda: [(x, along(3)[0]) for x in along(count)],
        "rear row": lambda: [(x, along(3)[2]) for x in along(count)],
        "one column": lambda: [(middle, y) for y in along(count)],
        "two points": lambda: [(along(3)[0], along(3)[0]), (along(3)[2], along(3)[2])],
        "in line but for 1 µm": lambda: [
            (x, round(middle + (1e-3 if place == 1 else 0.0), 3)) for place, x in enumerate(along(count))
        ],
    }
    return rows[layout]()


def blind(places: list[Place], size: float) -> bool:
    """Say whether the stations miss a tilt or the twist."""
    x, y = (2 * np.array(places) / size - 1).T
    if len(places) < 4:
        return True
    values = np.linalg.svd(np.column_stack([np.ones_like(x), x, y, x * y]), compute_uv=False)
    return bool(values[-1] < SEEN * values[0])
