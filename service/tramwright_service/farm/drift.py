"""The drift of a machine, worked out by every write that can change it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from math import isinf
from typing import Any, NamedTuple

import msgspec
import structlog
from cachetools import LRUCache
from sqlalchemy import Connection, update
from sqlalchemy.exc import SQLAlchemyError

from tramwright_solvers.history.crossing import FAR
from tramwright_solvers.history.outlook import NAMES, Coming, Outlook, coming, onward, settled
from tramwright_solvers.history.trends import Track, Trends, trends_of

from ..wire.drift import DriftWarning
from ..wire.problems import RequestError
from . import sentences, times
from .events import News
from .outlooks import Kept, drift_of, kept_of
from .tables import MACHINES
from .tracks import Followed, Surveyed, Window, latest

REMEMBERED = 1000
"""Machines whose latest surveys are kept in memory; those of one take about 8 kB."""

_encode = msgspec.json.Encoder().encode


class Remembered(NamedTuple):
    """The latest surveys of a machine, and what its row said when they were these: how many surveys there are, and how
    often moves were recorded."""

    surveys: int
    moves: int
    window: Window

    @property
    def told(self) -> tuple[int, int, int]:
        """What the row of the machine says as long as these are its latest surveys: both, and when the last was
        taken."""
        return self.surveys, self.moves, self.window.last.taken_at


class Memory:
    """The latest surveys of machines that were written last, so that they need not be read again with every survey."""

    def __init__(self) -> None:
        self._kept: LRUCache[str, Remembered] = LRUCache(REMEMBERED)

    def __contains__(self, machine: str) -> bool:
        return machine in self._kept

    def keep(self, written: Mapping[str, Remembered]) -> None:
        """Keep what has been committed."""
        self._kept.update(written)

    def followed(
        self, connection: Connection, rows: Mapping[str, Any], new: Mapping[str, list[Surveyed]]
    ) -> dict[str, Remembered]:
        """Return the latest surveys of machines, those just written among them, but of no machine of which they cannot
        be read; their rows are as they were before."""
        followed = dict[str, Remembered]()
        for name, surveys in sorted(new.items()):
            with _excused(name):
                followed[name] = self._followed(connection, rows[name], surveys)
        return followed

    def _followed(self, connection: Connection, row: Any, new: list[Surveyed]) -> Remembered:
        kept, known, window = kept_of(row), self._kept.get(row.id), None
        if known is not None and known.told == (row.surveys, kept.moves, kept.taken_at):
            window = known.window.then(new)
        return Remembered(row.surveys + len(new), kept.moves, window or latest(connection, row.id))


@contextmanager
def _excused(machine: str) -> Iterator[None]:
    """Leave the drift of a machine as it was where it cannot be worked out: a survey is worth keeping without it.

    Raises:
        SQLAlchemyError, OSError: the database fails.
    """
    try:
        yield
    except (SQLAlchemyError, OSError):
        raise
    except Exception as error:
        # where a document is not what was stored the program is not at fault, and each survey would tell it anew
        fault = None if isinstance(error, RequestError | msgspec.DecodeError) else error
        structlog.get_logger("store").error("drift not worked out", machine=machine, says=str(error), exc_info=fault)


def renewed(followed: Mapping[str, Remembered]) -> dict[str, Kept]:
    """Return what the surveys of machines have come to, but of no machine of which it cannot be worked out."""
    try:
        return _renewed(followed)
    except Exception:  # one machine's, which is told below
        kept = dict[str, Kept]()
        for name, one in followed.items():
            with _excused(name):
                kept.update(_renewed({name: one}))
        return kept


def _renewed(followed: Mapping[str, Remembered]) -> dict[str, Kept]:
    kept = dict[str, Kept]()
    asked = dict[str, Track]()
    for name, (_, moves, window) in followed.items():
        done = settled(outside=window.outside, moved=window.since)
        if done is None:
            asked[name] = window.track
        else:
            kept[name] = of(window, done, None, moves)
    for (name, track), found in zip(asked.items(), trends_of([*asked.values()]), strict=True):
        _, moves, window = followed[name]
        ahead = onward(found, track, window.told)
        kept[name] = of(window, coming(found, ahead, track.days, window.last.limit), found, moves)
    return kept


def renew(connection: Connection, row: Any) -> list[News]:
    """Work out anew what the surveys of a machine have come to, once moves of it were recorded; return what is new.

    Its row is locked, and as it was before.
    """
    followed = Remembered(row.surveys, kept_of(row).moves + 1, latest(connection, row.id))
    kept = _renewed({row.id: followed})[row.id]
    connection.execute(update(MACHINES).where(MACHINES.c.id == row.id).values(outlook=_encode(kept)))
    return warned(row, kept)


def warned(row: Any, kept: Kept) -> list[News]:
    """Return the news of a warning that was not there before, by the row as it was."""
    if kept.drift is None or drift_of(row) is not None:
        return []
    return [News("tramwright.drift.warned", row.id, "history", kept.drift)]


def of(window: Window, ahead: Coming | Outlook, found: Trends | None, moves: int = 0) -> Kept:
    """Return what is kept of what was found."""
    drift, taken_at = warning(window, ahead, found), window.taken_at
    at = None if ahead.check is None else on(window, ahead.check)
    days = (taken_at[-1] - taken_at[0]) / times.DAY
    says = sentences.reason(ahead.why, len(taken_at), days, drift, window.last.units)
    return Kept(drift, at, ahead.why, says, window.last.taken_at, moves)


def warning(window: Window, ahead: Coming | Outlook, found: Trends | None) -> DriftWarning | None:
    """Return the warning, if there is one."""
    told = ahead.warned
    if told is None or found is None:
        return None
    return DriftWarning(
        term=NAMES[told.term],
        since=times.shown(int(window.taken_at[found.since[told.term]])),
        rate_per_day=float(found.rate[told.term]),
        at=times.shown(on(window, told.at)),
        earliest=times.shown(on(window, told.earliest)),
        latest=None if isinf(told.latest) or told.latest > FAR else times.shown(on(window, told.latest)),
    )


def seen_for(found: Followed) -> float:
    """Return for how many days a machine that is warned of has been seen to drift; 0 where there is no warning."""
    warned, trends, days = found.outlook.warned, found.outlook.trends, found.track.days
    return 0.0 if warned is None else float(days[-1] - days[trends.since[warned.term]])


def on(window: Window, days: float) -> int:
    """Return the time so many days after the last survey."""
    return window.last.taken_at + round(days * times.DAY)
