"""The year of the demonstration, lived through the routes of the service: every survey, move and note is sent to it."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import Any

import httpx
import msgspec
import numpy as np
from litestar.types import ASGIApp
from numpy.random import Generator, default_rng

from tramwright_solvers.model.machine import Machine

from ..wire.media_types import JSON, MERGE_PATCH
from .birds import BIRDS, YEAR, Bird
from .geometry import Array, gaps

SEED = 5
MORNING, ONE, BETWEEN = timedelta(hours=6), timedelta(minutes=20), timedelta(minutes=40)
"""When the day's first machine is read, how long each takes, and from its survey to that after its moves."""
PASSES = 4
"""Most surveys of one machine in a day on which it is tended."""


async def lived(app: ASGIApp, today: datetime) -> int:
    """Live the year that ends today through the routes of an application; return the number of surveys stored."""
    transport: Any = httpx.ASGITransport(app)  # type: ignore[arg-type]
    async with httpx.AsyncClient(transport=transport, base_url="http://localhost") as service:
        flock = [Standing(bird, number, service) for number, bird in enumerate(BIRDS)]
        for one in flock:
            await one.send("PUT", "", one.bird.entry)
        for day in range(YEAR, 0, -1):
            for one in flock:
                await one.live(day, today - timedelta(days=day) + MORNING)
    return sum(one.surveys for one in flock)


class Standing:
    """A machine as it stands on the day."""

    def __init__(self, bird: Bird, number: int, service: httpx.AsyncClient) -> None:
        self.bird = bird
        self.surveys = 0
        self._number = number
        self._service = service
        self._machine = msgspec.convert(bird.entry["machine"], Machine)
        seats = self._machine.rails.seats if self._machine.rails else []
        adjusters = [*(support.id for support in self._machine.supports), *(seat.id for seat in seats)]
        self._heights = {name: bird.errors.get(name, 0.0) for name in adjusters}
        self._places = stations(self._machine, *bird.stations)

    async def send(self, method: str, path: str, body: Any, **headers: str) -> Any:
        """Send something about the machine and return the answer."""
        told = await self._service.request(
            method,
            f"/v1/machines/{self.bird.id}{path}",
            content=msgspec.json.encode(body),
            headers={"Content-Type": MERGE_PATCH if method == "PATCH" else JSON, **headers},
        )
        told.raise_for_status()
        return told.json()

    async def live(self, day: int, morning: datetime) -> None:
        """Do what is done to the machine on a day, so many days ago."""
        bird = self.bird
        for more in ({name: rate / 365 for name, rate in bird.a_year.items()}, bird.jumps.get(day, {})):
            self._move(more)
        if change := bird.changes.get(day):
            await self.send("PATCH", "", change)
        read = None
        if bird.since >= day >= bird.until and (day - bird.until) % bird.every == 0:
            read = await self._tend(day, morning + self._number * ONE)
        if note := bird.notes.get(day):
            await self.send("POST", "/notes", {"text": note, "survey": read})

    async def _tend(self, day: int, at: datetime) -> int:
        """Survey the machine and, where it is tended, make the moves advised and survey it again; return its number."""
        random = default_rng([SEED, self._number, day])
        for _ in range(PASSES):
            entry = {"survey": self._survey(day, at, random)}
            told = await self.send("POST", "/surveys", entry, **{"Idempotency-Key": f"{self.bird.id} {at:%FT%T}"})
            self.surveys, moves = told["number"], told["answer"]["moves"]
            if day not in self.bird.tended or told["answer"]["advice"]["do"] != "move":
                break
            made = [{"adjuster": move["adjuster"], "travel": move["travel"]} for move in moves]
            when = {"moves": made, "made_at": f"{at + BETWEEN / 2:%FT%TZ}"}
            await self.send("PUT", f"/surveys/{self.surveys}/moves", when)
            self._move({move["adjuster"]: self.bird.does * move["travel"] for move in made})
            at += BETWEEN
        return self.surveys

    def _move(self, travels: Mapping[str, float]) -> None:
        for name, travel in travels.items():
            self._heights[name] += travel

    def _survey(self, day: int, at: datetime, random: Generator) -> dict[str, Any]:
        """Return what is read: gaps in the sense of the dial, from a zero of the day, as the dial can show them."""
        machine, size = self._machine, max(self._machine.bed.x[1], self._machine.bed.y[1])
        bends = any(one.get("plate") == "flexible" for one in self.bird.entry.get("solve", {}).get("with", ()))
        true = gaps(machine, self._heights, self._places, lambda u, v: self._bow(u / size, v / size), bends=bends)
        spread = machine.repeat_variance**0.5 * random.standard_normal(len(true))
        shown = machine.sense * (true - true[0]) + spread + random.uniform(-20, 20) * machine.division
        shown = np.round(shown / machine.division) * machine.division
        if (slipped := self.bird.sign_lost.get(day)) is not None:
            shown[slipped] = -shown[slipped]
        readings = [
            {"x": x, "y": y, "value": round(value, 6)}
            for (x, y), value in zip(self._places.tolist(), shown.tolist(), strict=True)
        ]
        warmth = 21.0 + 3.0 * np.sin(2 * np.pi * at.timetuple().tm_yday / 365 - 1.9) + random.uniform(-0.5, 0.5)
        return {"readings": readings, "taken_at": f"{at:%FT%TZ}", "bed_temperature": round(float(warmth), 1)}

    def _bow(self, u: Array, v: Array) -> Array:
        """Return the form of the plate, at shares of its size from the middle."""
        bow: Array = self.bird.bow * (1.0 - 2.0 * u**2 - 2.0 * v**2 + 0.5 * u * v)
        return bow


def stations(machine: Machine, nx: int, ny: int) -> Array:
    """Return places to read, in rows over the bed, (n, 2)."""
    xs, ys = (
        np.round(np.linspace(low + 0.04 * (high - low), high - 0.04 * (high - low), count), 3)
        for (low, high), count in ((machine.bed.x, nx), (machine.bed.y, ny))
    )
    return np.array([(x, y) for y in ys for x in xs])
