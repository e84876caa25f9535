"""How a row of the table of machines is told: the standing, with what a visit would take."""

from __future__ import annotations

from typing import Any, cast

import msgspec

from ..wire.stored import MachineStanding, Standing, Visit
from . import times
from .outlooks import drift_of, next_check
from .tables import MACHINES

C = MACHINES.c
SHOWN = (
    C.id, C.version, C.site, C.tags, C.surveys, C.standing, C.judged, C.taken_at, C.stale_at, C.total, C.u, C.limit,
    C.units, C.visit, C.moved, C.outlook,
)  # fmt: skip
AGAIN = Visit("survey", [], 0)

_visit = msgspec.json.Decoder(Visit).decode
_tags = msgspec.json.Decoder(list[str]).decode


def word(surveyed: str, *, stale: bool) -> Standing:
    """Return a standing from what is stored of it."""
    return cast(Standing, "stale" if stale else "never-surveyed" if surveyed == "never" else surveyed)


def is_stale(stale_at: int | None, at: int) -> bool:
    """Say whether a survey counts no longer at a time."""
    return stale_at is not None and stale_at <= at


def shown(row: Any, at: int) -> MachineStanding:
    """Return a row as it is answered for a time."""
    stale = is_stale(row.stale_at, at)
    return MachineStanding(
        id=row.id,
        version=row.version,
        site=row.site,
        tags=_tags(row.tags),
        surveys=row.surveys,
        standing=word(row.standing, stale=stale),
        survey=row.judged,
        taken_at=None if row.taken_at is None else times.shown(row.taken_at),
        stale_at=None if row.stale_at is None else times.shown(row.stale_at),
        total=row.total,
        u=row.u,
        limit=row.limit,
        units=row.units,
        visit=AGAIN if stale or row.moved else _visit(row.visit),
        drift=drift_of(row),
        next_check=next_check(row),
    )
