"""What the row of a machine keeps of its drift, so that lists only read it."""

from __future__ import annotations

from typing import Any

import msgspec
from msgspec import Struct

from ..wire.drift import DriftWarning, NextCheck, Why
from . import sentences, times


class Kept(Struct, frozen=True):
    """What the row of a machine keeps: the warning, and when to look next and why, for the survey taken then; and how
    often moves were recorded."""

    drift: DriftWarning | None
    at: int | None
    why: Why
    says: str
    taken_at: int
    moves: int = 0


_kept = msgspec.json.Decoder(Kept).decode


def drift_of(row: Any) -> DriftWarning | None:
    """Return the warning that the row of a machine keeps."""
    return kept_of(row).drift


def kept_of(row: Any) -> Kept:
    """Return what the row of a machine keeps."""
    return Kept(None, None, "too-few", sentences.TOO_FEW, row.taken_at) if row.outlook is None else _kept(row.outlook)


def next_check(row: Any) -> NextCheck:
    """Return when a machine is to be surveyed next, by its row."""
    return due(kept_of(row), row.stale_at)


def due(kept: Kept, stale_at: int | None) -> NextCheck:
    """Return when a machine is to be surveyed next: for its drift, and before its last survey counts no more."""
    at, why, says = kept.at, kept.why, kept.says
    if stale_at is not None and (at is None or stale_at < at):
        untold = f"{says} " if why == "too-few" else ""
        at, why, says = stale_at, "check-interval", f"{untold}{sentences.CHECK_INTERVAL}"
    return NextCheck(
        at=None if at is None else times.shown(at),
        days=None if at is None else (at - kept.taken_at) / times.DAY,
        why=why,
        reason=says,
    )
