"""The history of machines: their surveys in the order of time, and what these have come to."""

from __future__ import annotations

from math import isfinite
from typing import Any, NamedTuple

import msgspec
import numpy as np
from msgspec import Struct
from msgspec.structs import replace
from sqlalchemy import Connection, and_, func, or_, select

from tramwright_solvers.history.ewma import WEIGHT, K, chart
from tramwright_solvers.history.outlook import NAMES, TOTAL, named
from tramwright_solvers.history.trends import Step
from tramwright_solvers.model.survey import Made

from ..wire.history import ControlLimits, Crossing, Ewma, History, HistoryPoint, HistorySeries, Jump, JumpedTerm, Valued
from . import drift, outlooks, sentences, times
from .machines import row_of, verified
from .pages import Moment, Number, Page
from .store import Store
from .tables import MOVES
from .tracks import Followed, S, latest, scale, seen, terms_of, together


class _Moved(Struct, frozen=True):
    moves: list[Made]


_moved = msgspec.json.Decoder(_Moved).decode


class Span(NamedTuple):
    """Which surveys are asked for: taken from ``since`` on and before ``until``; None: all."""

    since: int | None = None
    until: int | None = None


class _After(NamedTuple):
    """Where a page ended."""

    taken_at: Moment
    number: Number


class Histories:
    """The histories of one store."""

    def __init__(self, store: Store) -> None:
        self._store = store

    async def page(self, machine: str, span: Span, page: Page) -> History:
        """Return a page of a machine's surveys, the oldest first, and what its latest have come to.

        Raises:
            RequestError: there is no such machine.
        """
        after = page.after(_After)
        query = seen().order_by(S.taken_at, S.number).limit(page.size + 1)
        if span.since is not None:
            query = query.where(S.taken_at >= span.since)
        if span.until is not None:
            query = query.where(S.taken_at < span.until)
        if after is not None:
            later = and_(S.taken_at == after.taken_at, S.number > after.number)
            query = query.where(or_(S.taken_at > after.taken_at, later))

        def read(connection: Connection) -> History:
            row = row_of(connection, machine)
            found = together(latest(connection, machine)) if row.surveys else None
            rows = list(connection.execute(query, {"machine": machine}).all())
            rows, then = page.cut(rows, lambda one: _After(one.taken_at, one.number))
            units = row.units if found is None else found.last.units
            made = _made(connection, machine, [one.number for one in rows])
            points = [_point(one, made.get(one.number), units) for one in rows]
            return _told(row, found, points, then)

        return await self._store.read(read)


def _made(connection: Connection, machine: str, numbers: list[int]) -> dict[int, dict[str, float]]:
    """Return the moves made after surveys, as last recorded."""
    m = MOVES.c
    own = m.machine == machine, m.number.in_(numbers)
    # however often they were recorded, the last record alone is read
    latest = select(m.number, func.max(m.entry).label("entry")).where(*own).group_by(m.number).subquery()
    query = select(MOVES).join(latest, and_(m.number == latest.c.number, m.entry == latest.c.entry)).where(*own)
    return {
        row.number: {one.adjuster: one.travel for one in _moved(verified(row.document, row.digest, machine)).moves}
        for row in connection.execute(query)
    }


def _point(row: Any, made: dict[str, float] | None, units: str) -> HistoryPoint:
    """Return one survey as it is answered."""
    by, terms = scale(row.units, units), None
    if row.document is not None:
        kept = terms_of(verified(row.document, row.digest, row.machine)).terms
        terms = {name: Valued(value * by, u * by) for name, (value, u) in kept.items()}
    return HistoryPoint(
        number=row.number,
        version=row.version,
        taken_at=times.shown(row.taken_at),
        as_found=row.as_found,
        total=row.total * by,
        u=row.u * by,
        limit=row.limit * by,
        terms=terms,
        moves=None if made is None else {name: travel * by for name, travel in made.items()},
    )


def _told(row: Any, found: Followed | None, points: list[HistoryPoint], then: str | None) -> History:
    """Return the answer for the row of a machine."""
    kept = outlooks.kept_of(row) if found is None else drift.of(found.window, found.outlook, found.outlook.trends)
    series = [] if found is None else [_series(found, term) for term in range(len(NAMES))]
    jumps = [] if found is None else [_jump(found, step) for step in _latest(found.outlook.trends.steps)]
    told = History(
        machine=row.id,
        units=row.units if found is None else found.last.units,
        limit=None if found is None else found.last.limit,
        as_of=times.shown(times.now()),
        says="",
        drift=kept.drift,
        next_check=outlooks.due(kept, row.stale_at),
        series=[one for one in series if one.surveys],
        jumps=jumps,
        points=points,
        next=then,
    )
    drifting = 0.0 if found is None else drift.seen_for(found)
    return replace(told, says=sentences.says(told, drifting))


def _latest(steps: list[Step]) -> list[Step]:
    return sorted(steps, key=lambda step: -step.before)


def _series(found: Followed, term: int) -> HistorySeries:
    """Return one term over time."""
    trends, ahead, last = found.outlook.trends, found.outlook, found.last
    rate, u = ahead.total_rate if term == TOTAL else (float(trends.rate[term]), float(trends.rate_u[term]))
    state = ahead.states[term]
    if term == TOTAL and ahead.warned is not None:
        state = "drifting"
    begins = int(trends.begins.nonzero()[0][-1])
    place = {"drifting": int(trends.since[term]), "cannot-be-told": -1}.get(state, begins)
    if state == "drifting" and place < 0 and ahead.warned is not None:
        place = int(trends.since[ahead.warned.term])
    crosses = None
    if term == TOTAL and (warned := drift.warning(found.window, found.outlook, found.outlook.trends)) is not None:
        crosses = Crossing(last.limit, warned.at, warned.earliest, warned.latest)
    return HistorySeries(
        term=NAMES[term],
        state=state,
        since=None if place < 0 else times.shown(int(found.window.taken_at[place])),
        rate_per_day=rate if isfinite(rate) else None,
        u=u if isfinite(u) else None,
        surveys=int(np.isfinite(found.track.values[:, term]).sum()),
        ewma=_chart(found, term, begins),
        crosses=crosses,
    )


def _chart(found: Followed, term: int, begins: int) -> Ewma | None:
    """Return the control chart of a term since its last start; the first survey there is its target."""
    values, u = found.track.values[begins:, term], found.track.u[begins:, term]
    told = np.isfinite(values).nonzero()[0]
    if not len(told):
        return None
    target, *later = told.tolist()
    line = chart(values[later], u[later], float(values[target]), float(u[target]))
    numbers = found.window.numbers[begins:].tolist()
    places = [numbers[at] for at in later]
    points = [ControlLimits(number, *map(float, limits)) for number, *limits in zip(places, *line, strict=True)]
    return Ewma(WEIGHT, K, [ControlLimits(numbers[target], *[float(values[target])] * 3), *points])


def _jump(found: Followed, step: Step) -> Jump:
    """Return what changed between two surveys."""
    pair = slice(step.before, step.before + 2)
    before, after = found.window.numbers[pair].tolist()
    earliest, latest = found.window.taken_at[pair].tolist()
    return Jump(
        before=before,
        after=after,
        earliest=times.shown(earliest),
        latest=times.shown(latest),
        terms=[JumpedTerm(NAMES[term], float(step.change[term]), float(step.u[term])) for term in named(step)],
        comparison=f"/v1/machines/{found.last.machine}/surveys/{after}/comparison?before={before}",
    )
