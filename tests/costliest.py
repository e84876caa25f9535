"""The costliest requests that are still accepted, found by search; all machines and readings are invented."""

from __future__ import annotations

import random
from collections.abc import Callable
from typing import Any, NamedTuple

from hypothesis import HealthCheck, Phase, given, settings, target
from hypothesis import strategies as st

from tramwright_solvers.correction.cost import Cost, Most, correction_cost
from tramwright_solvers.model.errors import Refused
from tramwright_solvers.model.machine import Bed, Machine, Rails, Screw, Seat, Support
from tramwright_solvers.model.options import Solve
from tramwright_solvers.model.survey import Made, Previous, Reading, Survey

SIDE = 400.0
CORNERS = ((20.0, 20.0), (380.0, 20.0), (200.0, 380.0))
LARGEST_BODY = 2 * 1024 * 1024


class Shape(NamedTuple):
    """What the cost of a request depends on."""

    screws: bool
    seats: int
    readings: int
    repeats: int
    setups: int
    zone: bool
    bounded: bool
    learning: bool

    def request(self) -> tuple[Machine, Survey, Solve[Any]]:
        """Write a request of this shape, or of as many readings as a body holds."""
        travel = (-0.05, 0.05) if self.bounded else None
        supports = [Support(f"s{k}", x, y, screw=Screw(1.0), travel=travel) for k, (x, y) in enumerate(CORNERS)]
        along = max(1, self.seats // 2 - 1)
        seats = [
            Seat(f"{name}{k}", name, x, SIDE * k / along, travel=travel)
            for name, x in (("near", -30.0), ("far", 430.0))
            for k in range(self.seats // 2)
        ]
        machine = Machine(
            Bed((0.0, SIDE), (0.0, SIDE)),
            id="dipper-07",
            supports=supports if self.screws or not seats else [],
            rails=Rails("y", seats, block_spacing=60.0) if seats else None,
        )
        made = Made("s0" if machine.supports else "near0", 0.1)
        previous = Previous(self.survey(1), [made]) if self.learning else None
        solve: Solve[Any] = Solve(criterion="minimum-zone" if self.zone else "least-squares")
        return machine, Survey(self.survey(0), previous=previous), solve

    def survey(self, seed: int) -> list[Reading]:
        """Write readings; set-ups share stations with the one before."""
        noise = random.Random(seed)
        most = LARGEST_BODY // (2 if self.learning else 1) // (45 + 9 * (self.repeats - 1))
        if self.learning:
            most = min(most, 20_000 // self.repeats - 3 * self.setups)
        count = max(9, min(self.readings, most))
        side = next(k for k in range(3, 200) if k * k >= count)
        places = [(round(SIDE * (k % side) / side, 2), round(SIDE * (k // side) / side, 2)) for k in range(count)]
        setups = min(self.setups, max(1, count // 9))
        per, found = count // setups, list[Reading]()
        for setup in range(setups):
            first = max(0, setup * per - 3)
            for x, y in places[first : (setup + 1) * per if setup + 1 < setups else count]:
                value = [round(0.001 * x + noise.gauss(0.0, 0.02), 3) for _ in range(self.repeats)]
                found.append(Reading(x, y, value[0] if self.repeats == 1 else value, setup=f"u{setup}"))
        return found[:20_000]


SHAPES = st.builds(
    Shape,
    screws=st.booleans(),
    seats=st.integers(2, 32).map(lambda k: 2 * k) | st.just(0),
    readings=st.integers(9, 20_000),
    repeats=st.integers(1, 40),
    setups=st.integers(1, 90),
    zone=st.booleans(),
    bounded=st.booleans(),
    learning=st.booleans(),
)


def costliest(most: Most, worth: Callable[[Cost], float], tries: int = 300) -> Shape:
    """Return the accepted shape that is ``worth`` most; the same every time."""
    best: list[tuple[float, Shape]] = []

    @settings(
        max_examples=tries,
        derandomize=True,
        database=None,
        deadline=None,
        phases=[Phase.generate, Phase.target],
        suppress_health_check=list(HealthCheck),
    )
    @given(SHAPES)
    def search(shape: Shape) -> None:
        cost = correction_cost(*shape.request())
        try:
            most.check(cost, "", "", "")
        except Refused:
            return
        target(worth(cost))
        best.append((worth(cost), shape))

    search()
    return max(best)[1]
