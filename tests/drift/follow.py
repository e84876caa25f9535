"""Every survey of a life corrected and followed, as the farm does it, and what was said after each."""

from __future__ import annotations

from dataclasses import dataclass
from types import SimpleNamespace
from typing import Any

import msgspec

from drift.lives import Life, Visit
from tramwright_service.farm import drift, times
from tramwright_service.farm.machines import Description
from tramwright_service.farm.tables import digest
from tramwright_service.farm.tracks import WINDOW, Followed, terms_in, together, window
from tramwright_service.wire.stored import MachineEntry
from tramwright_solvers.correction.api import correct
from tramwright_solvers.correction.cache import GeometryCache

FIRST = 1_700_000_000_000_000
"""The first day, in microseconds since 1970."""


@dataclass
class Said:
    """What was said after one survey."""

    day: float
    visit: int
    closing: bool
    found: Followed
    total: float
    """The true total after it, in mm."""

    @property
    def warned(self) -> bool:
        ahead = self.found.outlook
        return drift.warning(self.found.window, ahead, ahead.trends) is not None


def follow(life: Life, cache: GeometryCache | None = None) -> list[Said]:
    """Return what was said after every survey."""
    kept = GeometryCache() if cache is None else cache
    document = msgspec.json.encode(MachineEntry(life.machine))
    description = Description(life.machine.id, 1, FIRST, digest(document), document)
    rows, said = list[Any](), list[Said]()

    def read(place: int, visit: Visit, *, after: bool) -> None:
        answer = correct(life.machine, life.survey(visit.day, after=after), cache=kept)
        kept_of_it = terms_in(msgspec.json.encode(answer), description)
        rows.append(
            SimpleNamespace(
                machine=life.machine.id,
                number=len(rows) + 1,
                version=1,
                taken_at=FIRST + round(visit.day * times.DAY) + after * 3_600_000_000,
                as_found=answer.verdict.as_found,
                total=answer.as_found.total,
                u=answer.as_found.u,
                limit=answer.verdict.limit,
                units=answer.units,
                document=kept_of_it,
                digest=digest(kept_of_it),
                moved=None,
            )
        )
        found = together(window(rows[-WINDOW:]))
        said.append(Said(visit.day, place, after, found, life.total(visit.day, after=after)))

    for place, visit in enumerate(life.visits):
        read(place, visit, after=False)
        if visit.moves:
            rows[-1].moved = len(visit.moves)
            if visit.closes:
                read(place, visit, after=True)
    return said
