"""How every machine stands: one indexed read, the worst first, from what each write keeps."""

from __future__ import annotations

from typing import Annotated, Any, NamedTuple

from msgspec import Meta
from sqlalchemy import (
    ColumnElement,
    Connection,
    Double,
    Select,
    and_,
    case,
    cast,
    func,
    literal,
    or_,
    select,
    union_all,
)

from tramwright_solvers.model.quantities import Name

from ..wire.stored import STANDINGS, Fleet, FleetCounts, MachineList, MachineStanding, Standing
from . import times
from .machines import no_machine
from .pages import Moment, Page
from .standing import SHOWN, C, shown
from .store import Store
from .tables import TAGS


class Filters(NamedTuple):
    """Which machines are asked for; None: all."""

    standing: Standing | None = None
    site: str | None = None
    tag: str | None = None

    def conditions(self) -> list[ColumnElement[bool]]:
        """Return what rows must satisfy, the standing apart."""
        conditions: list[ColumnElement[bool]] = [C.retired_at.is_(None)]
        if self.site is not None:
            conditions.append(C.site == self.site)
        if self.tag is not None:
            conditions.append(C.id.in_(select(TAGS.c.machine).where(TAGS.c.tag == self.tag)))
        return conditions


def stands(standing: Standing, at: int) -> ColumnElement[bool]:
    """Return the condition that a machine stands so at a time."""
    if standing == "stale":
        return C.stale_at <= at
    if standing == "never-surveyed":
        return C.standing == "never"
    return and_(C.standing == standing, or_(C.stale_at.is_(None), C.stale_at > at))


class _After(NamedTuple):
    """Where a page of the fleet ended: rank of the standing, place in its order, id; and for which time it holds."""

    rank: Annotated[int, Meta(ge=0, lt=len(STANDINGS))]
    place: Annotated[float, Meta(ge=-9e18, le=9e18)]
    id: Name
    at: Moment


class Standings:
    """Lists of the machines of one store."""

    def __init__(self, store: Store) -> None:
        self._store = store

    async def standing(self, machine: str) -> MachineStanding:
        """Return how one machine stands now.

        Raises:
            RequestError: there is none.
        """
        query = select(*SHOWN).where(C.id == machine, C.retired_at.is_(None))
        row = await self._store.read(lambda connection: connection.execute(query).one_or_none())
        if row is None:
            raise no_machine(machine)
        return shown(row, times.now())

    async def machines(self, filters: Filters, page: Page) -> MachineList:
        """Return a page of the machines in the order of their id."""
        at, after = times.now(), page.after(Name)
        query = select(*SHOWN).where(*filters.conditions()).order_by(C.id).limit(page.size + 1)
        if filters.standing is not None:
            query = query.where(stands(filters.standing, at))
        if after is not None:
            query = query.where(C.id > after)
        rows = await self._store.read(lambda connection: list(connection.execute(query).all()))
        rows, then = page.cut(rows, lambda row: row.id)
        return MachineList([shown(row, at) for row in rows], then)

    async def fleet(self, filters: Filters, page: Page) -> Fleet:
        """Return a page of the machines, the worst first, and the counts of all."""
        after: _After | None = page.after(_After)
        # every page holds for the time of the first: what becomes stale meanwhile is neither skipped nor shown twice
        at = times.now() if after is None else after.at

        def read(connection: Connection) -> tuple[Any, list[Any]]:
            counted = connection.execute(counts(filters, at)).all()
            return counted, list(connection.execute(worst_first(filters, at, after, page.size + 1)).all())

        counted, rows = await self._store.read(read)
        rows, then = page.cut(rows, lambda row: _After(row.rank, row.position, row.id, at))
        number = {standing.replace("-", "_"): 0 for standing in STANDINGS}
        for row in counted:
            number["stale" if row.stale else "never_surveyed" if row.standing == "never" else row.standing] += row.n
        return Fleet(times.shown(at), FleetCounts(**number), [shown(row, at) for row in rows], then)


def counts(filters: Filters, at: int) -> Select[Any]:
    """Return the query for how many machines stand how, from an index alone where nothing is filtered."""
    stale = case((C.stale_at <= at, 1), else_=0).label("stale")
    query = select(C.standing, stale, func.count().label("n")).where(*filters.conditions())
    if filters.standing is not None:
        query = query.where(stands(filters.standing, at))
    return query.group_by(C.standing, stale)


def worst_first(filters: Filters, at: int, after: _After | None, most: int) -> Select[Any]:
    """Return the query for a page: of each standing no more than fit, as its index has them in order."""
    sections = []
    for rank, standing in enumerate(STANDINGS):
        if (after is not None and rank < after.rank) or filters.standing not in (None, standing):
            continue
        place: ColumnElement[Any] = C.stale_at if standing == "stale" else C.place
        query = select(*SHOWN, literal(rank).label("rank"), cast(place, Double).label("position"))
        query = query.where(*filters.conditions(), stands(standing, at))
        if after is not None and rank == after.rank:
            last = int(after.place) if standing == "stale" else after.place
            query = query.where(or_(place > last, and_(place == last, C.id > after.id)))
        sections.append(select(query.order_by(place, C.id).limit(most).subquery()))
    every = union_all(*sections).subquery()
    return select(every).order_by(every.c.rank, every.c.position, every.c.id).limit(most)
