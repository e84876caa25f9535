"""Machines for every built-in solver, alone and together with rails that slip, are shimmed, or both.

What a workshop could meet, but small: every subset of the adjusters is searched over whole steps and stacks of shims.
All machines, stocks, steps and readings are invented.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import product
from typing import Any

import numpy as np
from hypothesis import strategies as st
from msgspec.structs import replace

from strategies import FINE, SCREWS, THIRDS, percent, stations
from tramwright_solvers.mechanisms import FourScrew, Kinematic, RailShim, ThreeScrew
from tramwright_solvers.model.contract import Mechanism
from tramwright_solvers.model.machine import Bed, Machine, Mount, Rails, Seat, Sheet, Support
from tramwright_solvers.model.survey import Reading, Survey

BEDS: dict[str, Mechanism] = {
    "three-screw": ThreeScrew(),
    "four-screw rigid": FourScrew(),
    "four-screw flexible": FourScrew(plate="flexible"),
    "cone-vee-flat": Kinematic(),
    "three vees": Kinematic(),
}

RAILS = ("slip", "shim", "fitted and shared", "mixed")
"""How the seats of the rails are set: ``fitted and shared`` seats have sheets in and draw on one counted stock."""

MIXTURES = [
    *((bed, "") for bed in BEDS),
    *(("", rails) for rails in RAILS),
    *product(BEDS, RAILS),
]
"""Every bed alone, every kind of rails alone, every bed with every kind of rails."""

MOST_WHOLE = 2
"""Whole steps are given to so many adjusters, shimmed seats counted: each one more multiplies the search."""

MOST_SHIMS = 3
"""Most shimmed seats; the rest slip."""

SHEETS = [0.05, 0.1, 0.2, 0.5]
BOUNDS = st.one_of(st.none(), st.tuples(percent(-60, 0), percent(0, 60)))
STEPS = st.sampled_from([None, 0.08, 0.125])


def mechanisms(bed: str, rails: str) -> list[Mechanism]:
    """The solvers of a mixture."""
    return [*([BEDS[bed]] if bed else []), *([RailShim()] if rails else [])]


@st.composite
def three_supports(draw: st.DrawFn, size: float, bed: str) -> list[Support]:
    """Three supports around the middle, on a kinematic mount where the bed has one; grooves point at the cone."""
    turn, places = draw(percent(0, 200)), []
    for third in THIRDS:
        radius, angle = size * draw(percent(35, 55)), third + turn + draw(percent(-20, 20))
        places.append(np.round(size / 2 + radius * np.array([np.cos(angle), np.sin(angle)]), 2))
    target = places[0] if bed == "cone-vee-flat" else np.mean(places, axis=0)

    def groove(at: np.ndarray) -> float:
        return round(float(np.degrees(np.arctan2(*(target - at)[::-1]))), 1)

    mounts: list[Mount | None] = [None, None, None]
    if bed == "three vees":
        mounts = [Mount("vee", groove(at)) for at in places]
    elif bed == "cone-vee-flat":
        mounts = [Mount("cone"), Mount("vee", groove(places[1])), Mount("flat")]
    return [
        Support(name, float(x), float(y), -30.0 if mount else 0.0, mount=mount)
        for name, (x, y), mount in zip(("front", "left", "right"), places, mounts, strict=True)
    ]


@st.composite
def four_supports(draw: st.DrawFn, size: float) -> list[Support]:
    """Corners of a rectangle (where four equal steps can keep one plane) or of any convex figure near it."""
    off = percent(-8, 8) if draw(st.booleans()) else st.just(0.0)
    corners = {"front-left": (0.1, 0.1), "front-right": (0.9, 0.1), "rear-left": (0.1, 0.9), "rear-right": (0.9, 0.9)}
    return [
        Support(name, round(size * (x + draw(off)), 2), round(size * (y + draw(off)), 2))
        for name, (x, y) in corners.items()
    ]


@st.composite
def seats(draw: st.DrawFn, size: float, kind: str, along: str, most: int) -> list[Seat]:
    """Two rails with two to ``most`` seats each."""
    found = []
    for rail, across in (("near", -0.08), ("far", 1.07)):
        count = draw(st.integers(2, most))
        for index in range(count):
            at = size * (index / (count - 1) * 1.04 - 0.02 + draw(percent(-6, 6)))
            x, y = (at, size * across) if along == "x" else (size * across, at)
            seat = Seat(f"{rail}-{index}", rail, round(float(x), 2), round(float(y), 2))
            method = {"slip": "slip", "mixed": draw(st.sampled_from(["slip", "shim"]))}.get(kind, "shim")
            if sum(one.method == "shim" for one in found) == MOST_SHIMS:
                method = "slip"
            if method == "slip":
                seat = replace(seat, travel=draw(BOUNDS), step=draw(STEPS))
            else:
                fitted = draw(st.lists(st.sampled_from(SHEETS), max_size=2)) if kind != "shim" else None
                stock = None if kind == "fitted and shared" else draw(own_stock())
                most_sheets = draw(st.integers(1, 2))
                seat = replace(seat, method="shim", stock=stock, fitted=fitted, largest_stack=most_sheets)
                seat = replace(seat, travel=draw(st.one_of(st.none(), st.just((-0.3, 0.4)))))
            found.append(seat)
    return found


@st.composite
def own_stock(draw: st.DrawFn) -> list[float | Sheet]:
    """One or two thicknesses, with or without a count."""
    thicknesses = draw(st.lists(st.sampled_from(SHEETS), min_size=1, max_size=2, unique=True))
    counts = [draw(st.sampled_from([None, 1, 2])) for _ in thicknesses]
    return [
        thickness if count is None else Sheet(thickness, count)
        for thickness, count in zip(thicknesses, counts, strict=True)
    ]


@st.composite
def machines(draw: st.DrawFn, bed: str, rails: str) -> Machine:
    """A machine with the adjusters of one of :data:`MIXTURES`."""
    size = float(draw(st.integers(20, 80)) * 10)
    supports: list[Support] = []
    if bed:
        supports = draw(four_supports(size) if bed.startswith("four") else three_supports(size, bed))
        supports = [replace(one, screw=draw(SCREWS), travel=draw(BOUNDS), step=draw(STEPS)) for one in supports]
    described = None
    if rails:
        along = draw(st.sampled_from(["x", "y"]))
        # With screws or shims beside them, two seats a rail: each further seat doubles the subsets.
        most = 2 if bed else 4 if rails == "slip" else 3
        described = Rails(
            along,
            draw(seats(size, rails, along, most)),
            block_spacing=size * draw(percent(0, 20)),
            tool_offset=size * draw(percent(-15, 15)),
            stock=[Sheet(thickness, draw(st.integers(0, 3))) for thickness in draw(shared_thicknesses())]
            if rails == "fitted and shared"
            else None,
        )
    machine = Machine(
        bed=Bed((0.0, size), (0.0, size), 8.0, "aluminium", 70.0, 0.33, 200.0),
        id="dunlin-03",
        supports=supports,
        rails=described,
        indicator=replace(FINE, bed_high_reads=draw(st.sampled_from(["plus", "minus"]))),
    )
    return fewer_steps(machine)


def fewer_steps(machine: Machine) -> Machine:
    """Return the machine with whole steps on no more than the first few adjusters, :data:`MOST_WHOLE` with shims."""
    listed = machine.rails.seats if machine.rails else []
    room = iter(range(MOST_WHOLE - sum(seat.method == "shim" for seat in listed)))

    def trimmed(one: Any) -> Any:
        return one if one.step is None or next(room, None) is not None else replace(one, step=None)

    return changed(machine, supports=trimmed, seats=trimmed)


def shared_thicknesses() -> st.SearchStrategy[list[float]]:
    """One or two thicknesses of the stock that all seats share."""
    return st.lists(st.sampled_from(SHEETS), min_size=1, max_size=2, unique=True)


@st.composite
def surveys(draw: st.DrawFn, machine: Machine) -> Survey:
    """A tilted, twisted bed with something that no adjuster reaches, up to 0.6 either way, from one zero."""
    at = draw(stations(machine))[:9]
    size = machine.bed.x[1]
    forms = [draw(percent(-20, 20)) for _ in range(4)]
    rough = draw(st.lists(st.integers(-60, 60), min_size=len(at), max_size=len(at)))
    u, v = (2 * at / size - 1).T
    gap = np.round(np.column_stack([np.ones(len(at)), u, v, u * v]) @ forms + np.array(rough) / 1000, 3)
    return Survey([Reading(x, y, value) for (x, y), value in zip(at.tolist(), gap.tolist(), strict=True)])


@st.composite
def jobs(draw: st.DrawFn, bed: str, rails: str) -> tuple[Machine, Survey]:
    """Any machine of a mixture and a survey of it."""
    machine = draw(machines(bed, rails))
    return machine, draw(surveys(machine))


def changed(machine: Machine, *, supports: Any = None, seats: Any = None) -> Machine:
    """Return the machine with every support or seat passed through a function."""
    if supports is not None:
        machine = replace(machine, supports=[supports(one) for one in machine.supports])
    if seats is not None and machine.rails is not None:
        machine = replace(machine, rails=replace(machine.rails, seats=[seats(one) for one in machine.rails.seats]))
    return machine


def counts_of(stock: list[float | Sheet]) -> Iterator[tuple[float, float]]:
    """Yield thickness and how many there are."""
    for entry in stock:
        yield (entry.thickness, entry.count) if isinstance(entry, Sheet) else (entry, np.inf)
