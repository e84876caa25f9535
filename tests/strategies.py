"""Any machine, any survey: hypothesis strategies, in numbers that a workshop could meet.

Places are drawn in steps of a hundredth of the bed and readings in thousandths, so that a failing example prints short.
All machines, readings and zeros are invented.
"""

from __future__ import annotations

import numpy as np
from hypothesis import strategies as st
from msgspec.structs import replace

from tramwright_solvers.mechanisms import RailShim, ThreeScrew
from tramwright_solvers.model.contract import Mechanism
from tramwright_solvers.model.machine import Bed, Indicator, Machine, Rails, Screw, Seat, Support
from tramwright_solvers.model.survey import Reading, Survey

GROUPS: dict[str, tuple[Mechanism, ...]] = {
    "screws": (ThreeScrew(),),
    "rails": (RailShim(),),
    "both": (ThreeScrew(), RailShim()),
}
"""Solvers to solve together, by what the machine must have."""

THIRDS = (0.5 * np.pi, 0.5 * np.pi + 2 * np.pi / 3, 0.5 * np.pi + 4 * np.pi / 3)


def percent(low: int, high: int) -> st.SearchStrategy[float]:
    """A share in steps of a hundredth."""
    return st.integers(low, high).map(lambda share: share / 100)


SCREWS = st.builds(
    Screw,
    lead=st.sampled_from([0.5, 0.7, 2.0, 4.0, 8.0]),
    hand=st.sampled_from(["right", "left"]),
    turned_from=st.sampled_from(["above", "below"]),
    turned_part=st.sampled_from(["stays", "travels"]),
)


@st.composite
def supports(draw: st.DrawFn, size: float) -> list[Support]:
    """Three supports around the middle of the bed, never near one line."""
    turn, places = draw(percent(0, 200)), []
    for name, third in zip(("front", "left", "right"), THIRDS, strict=True):
        radius, angle = size * draw(percent(30, 60)), third + turn + draw(percent(-30, 30))
        x, y = size / 2 + radius * np.array([np.cos(angle), np.sin(angle)])
        places.append(Support(name, round(float(x), 2), round(float(y), 2), screw=draw(SCREWS)))
    return places


@st.composite
def rails(draw: st.DrawFn, size: float, most_seats: int) -> Rails:
    """Two rails with two or more slipping seats each, blocks near or far apart, the tool ahead or behind."""
    along = draw(st.sampled_from(["x", "y"]))
    seats = []
    for rail, share in (("near", -0.08), ("far", 1.07)):
        count = draw(st.integers(2, most_seats))
        for index in range(count):
            at = size * (index / (count - 1) * 1.04 - 0.02 + draw(percent(-8, 8)))
            across = size * (share + draw(percent(0, 1)))
            x, y = (at, across) if along == "x" else (across, at)
            seats.append(Seat(f"{rail}-{index}", rail, round(float(x), 2), round(float(y), 2)))
    return Rails(along, seats, block_spacing=size * draw(percent(0, 20)), tool_offset=size * draw(percent(-15, 15)))


COMMON = Indicator()
FINE = Indicator(division=1e-4, error_limit=1e-4, repeatability=1e-4)
"""An indicator so fine that hardly any travel is too small to be set and seen; invented."""


@st.composite
def machines(draw: st.DrawFn, group: str, indicator: Indicator = COMMON) -> Machine:
    """A machine with the adjusters of one of :data:`GROUPS`; eight at most, for every subset is solved."""
    size = float(draw(st.integers(15, 100)) * 10)
    return Machine(
        bed=Bed((0.0, size), (0.0, size), thickness=8.0),
        id="wagtail-01",
        supports=draw(supports(size)) if group != "rails" else [],
        rails=draw(rails(size, 4 if group == "rails" else 2)) if group != "screws" else None,
        indicator=replace(indicator, bed_high_reads=draw(st.sampled_from(["plus", "minus"]))),
    )


@st.composite
def stations(draw: st.DrawFn, machine: Machine, least: int = 6) -> np.ndarray:
    """Stations over the bed, shape (n, 2): some of the places of a 5 by 5 grid, each pushed off it a little."""
    size = machine.bed.x[1]
    places = draw(st.lists(st.integers(0, 24), min_size=least, max_size=14, unique=True))
    off = draw(st.lists(st.tuples(percent(-7, 7), percent(-7, 7)), min_size=len(places), max_size=len(places)))
    grid = np.array([divmod(place, 5) for place in places]) * 0.21 + 0.08
    return np.round(size * (grid + np.array(off)), 3)


@st.composite
def surveys(draw: st.DrawFn, machine: Machine, least: int = 6) -> Survey:
    """Any readings at all, up to 2 either way, with one zero."""
    at = draw(stations(machine, least))
    values = draw(st.lists(st.integers(-2000, 2000), min_size=len(at), max_size=len(at)))
    return Survey([Reading(x, y, value / 1000) for (x, y), value in zip(at.tolist(), values, strict=True)])


def twice(survey: Survey) -> Survey:
    """The same, each station read twice alike: nothing hangs on one reading, which would be asked for again first."""
    return replace(survey, readings=[replace(one, value=[one.value, one.value]) for one in survey.readings])


@st.composite
def jobs(draw: st.DrawFn, group: str, least: int = 6, indicator: Indicator = COMMON) -> tuple[Machine, Survey]:
    """Any machine of a group and any survey of it."""
    machine = draw(machines(group, indicator))
    return machine, draw(surveys(machine, least))
