"""Stored machines: put, changed, retired, listed; every version of a description is kept."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, NamedTuple

import msgspec
from msgspec import Raw, Struct
from sqlalchemy import Connection, Select, bindparam, delete, insert, select, update
from sqlalchemy.exc import IntegrityError

from ..wire.events import MachineRetired, MachineStored
from ..wire.problems import NOT_FOUND, RequestError
from ..wire.stored import MachineRecord
from . import times
from .events import News, standings, tell
from .expectations import Expected
from .standing import is_stale
from .store import Store, damaged
from .tables import DESCRIPTIONS, MACHINES, TAGS, digest

LARGEST = 2**31 - 1
"""The largest number that a survey or a version can have."""


def numbered(asked: int) -> int:
    """Return a number that somebody asks for as the database can hold it; 0, which none has, for what is less."""
    return max(0, min(asked, LARGEST))


NEVER = msgspec.json.encode({"do": "survey", "adjusters": [], "moves": 0})
"""What a visit to a machine takes that was never surveyed."""


class Parts(Struct, frozen=True):
    """The document of a description, its two large parts as they are stored."""

    machine: Raw
    solve: Raw
    site: str | None
    tags: list[str]
    check_every: float | None

    @property
    def units(self) -> str:
        """Unit of every length in it."""
        return _units(self.machine).units

    @property
    def content(self) -> str:
        """Digest of what corrections depend on."""
        return digest(bytes(self.machine) + b"\n" + bytes(self.solve))


class _Units(Struct):
    units: str = "mm"


parts_of = msgspec.json.Decoder(Parts).decode
_units = msgspec.json.Decoder(_Units).decode


class Description(NamedTuple):
    """One version of a machine: its document, whole."""

    machine: str
    version: int
    stored_at: int
    content: str
    document: bytes

    @classmethod
    def of(cls, row: Any) -> Description:
        """Read a row of the table of descriptions.

        Raises:
            RequestError: the document is not what was stored.
        """
        verified(row.document, row.digest, row.machine)
        return cls(row.machine, row.version, row.stored_at, row.content, row.document)

    def record(self) -> MachineRecord:
        """Return it as it is answered."""
        parts = parts_of(self.document)
        raw: Any = parts  # the documents stand in the place of their types
        return MachineRecord(
            id=self.machine,
            version=self.version,
            machine=raw.machine,
            site=parts.site,
            tags=parts.tags,
            check_every=parts.check_every,
            solve=raw.solve,
            changed_at=times.shown(self.stored_at),
        )


def verified(document: bytes, kept: str, machine: str) -> bytes:
    """Return a document.

    Raises:
        RequestError: it is not what was stored.
    """
    if digest(document) != kept:
        raise damaged(f"A document of the machine `{machine}` is not what was stored")
    return document


def no_machine(machine: str) -> RequestError:
    """Return the refusal of a machine that is not in the store."""
    return RequestError(NOT_FOUND, f"There is no machine `{machine}` in the store; `GET /v1/machines` lists those.")


def row_of(connection: Connection, machine: str, *, lock: bool = False) -> Any:
    """Return the row of a machine, held until the transaction ends where ``lock`` says so.

    Raises:
        RequestError: there is none.
    """
    query = select(MACHINES).where(MACHINES.c.id == machine, MACHINES.c.retired_at.is_(None))
    row = connection.execute(query.with_for_update() if lock else query).one_or_none()
    if row is None:
        raise no_machine(machine)
    return row


_SAME = (MACHINES.c.id == DESCRIPTIONS.c.machine) & (MACHINES.c.version == DESCRIPTIONS.c.version)
CURRENT = (
    select(DESCRIPTIONS, MACHINES.c.moved, MACHINES.c.judged, MACHINES.c.surveys)
    .join(MACHINES, _SAME)
    .where(MACHINES.c.retired_at.is_(None), MACHINES.c.id.in_(bindparam("names", expanding=True)))
)
"""The query for the current descriptions of machines."""


def described(machine: str, version: int) -> Select[Any]:
    """Return the query for one version of a description, whether its machine is retired or not."""
    own = DESCRIPTIONS.c.machine == machine
    return select(DESCRIPTIONS).where(own, DESCRIPTIONS.c.version == numbered(version))


class Machines:
    """The machines of one store."""

    def __init__(self, store: Store) -> None:
        self._store = store

    async def get(self, machine: str, version: int | None = None) -> Description:
        """Return a machine as it is now, or one version of its description.

        Raises:
            RequestError: there is none.
        """

        def read(connection: Connection) -> Description:
            own = row_of(connection, machine)
            row = connection.execute(described(machine, own.version if version is None else version)).one_or_none()
            if row is None:
                detail = f"`{machine}` has no version {version}; its versions are numbered from 1 to {own.version}."
                raise RequestError(NOT_FOUND, detail)
            return Description.of(row)

        return await self._store.read(read)

    async def current(self, names: set[str]) -> dict[str, Description]:
        """Return the machines of these names that there are, as they are now.

        Raises:
            RequestError: the store cannot be read.
        """
        wanted = {"names": sorted(name for name in names if "\0" not in name)}
        rows = await self._store.read(lambda connection: connection.execute(CURRENT, wanted).all())
        return {row.machine: Description.of(row) for row in rows}

    async def described_as(self, machine: str, described: bytes) -> Description | None:
        """Return the latest version of a machine that has this description, None where none has.

        Raises:
            RequestError: the store cannot be read.
        """
        d = DESCRIPTIONS.c
        query = select(DESCRIPTIONS).where(d.machine == machine).order_by(d.version.desc())

        def read(connection: Connection) -> Description | None:
            versions = map(Description.of, connection.execute(query.execution_options(yield_per=1)))
            return next((one for one in versions if bytes(parts_of(one.document).machine) == described), None)

        return await self._store.read(read)

    async def put(
        self, machine: str, expected: Expected, change: Callable[[bytes | None], bytes]
    ) -> tuple[Description, bool]:
        """Store a description; return it, and whether the machine is new.

        ``change`` turns the document that is there into the new one. The same document again makes no new version. A
        machine that was retired is there again, with its surveys.

        Raises:
            RequestError: it is not what is expected, or ``change`` refuses.
        """

        def write(connection: Connection) -> tuple[Description, bool]:
            return _put(connection, machine, expected, change)

        try:
            return await self._store.write(write)
        except IntegrityError:  # another process has stored its first version in between
            return await self._store.write(write)

    async def retire(self, machine: str, expected: Expected) -> None:
        """Take a machine out of the farm; all that was stored of it is kept.

        Raises:
            RequestError: there is none, or it is not what is expected.
        """

        def write(connection: Connection) -> None:
            row, at = row_of(connection, machine, lock=True), times.now()
            expected.check(row.version)
            connection.execute(update(MACHINES).where(MACHINES.c.id == machine).values(retired_at=at))
            data = MachineRetired(machine, row.version, times.shown(at))
            tell(connection, at, [News("tramwright.machine.retired", machine, f"versions/{row.version}", data)])

        await self._store.write(write)


def _put(
    connection: Connection, machine: str, expected: Expected, change: Callable[[bytes | None], bytes]
) -> tuple[Description, bool]:
    """Store a description inside a transaction; as :meth:`Machines.put`."""
    query = select(MACHINES).where(MACHINES.c.id == machine).with_for_update()
    row = connection.execute(query).one_or_none()
    there = row is not None and row.retired_at is None
    expected.check(row.version if row is not None and there else None)
    old = None
    if row is not None:
        old = Description.of(connection.execute(described(machine, row.version)).one())
    document = change(old.document if old is not None and there else None)
    if old is not None and there and document == old.document:
        return old, False
    parts, at = parts_of(document), times.now()
    new = Description(machine, old.version + 1 if old else 1, at, parts.content, document)
    columns = _columns(new, parts)
    if row is None:
        columns["units"], columns["stale_told"] = parts.units, 0
        fresh = {"surveys": 0, "notes": 0, "standing": "never", "place": 0.0, "visit": NEVER, "moved": 0}
        connection.execute(insert(MACHINES).values(id=machine, **columns, **fresh))
    else:
        if row.judged is None:  # else it is the unit of the survey that the totals are of
            columns["units"] = parts.units
        same = row.judged_content == new.content
        columns["stale_at"] = stale_at(row.standing, row.taken_at, columns["check_every"], at, same=same)
        columns["stale_told"] = int(is_stale(columns["stale_at"], at))
        connection.execute(update(MACHINES).where(MACHINES.c.id == machine).values(**columns))
        connection.execute(delete(TAGS).where(TAGS.c.machine == machine))
    if parts.tags:
        connection.execute(insert(TAGS), [{"machine": machine, "tag": tag} for tag in parts.tags])
    stored = {"version": new.version, "stored_at": at, "content": new.content, "document": document}
    connection.execute(insert(DESCRIPTIONS).values(machine=machine, digest=digest(document), **stored))
    changed = row is None or not there or columns["stale_told"] != row.stale_told
    tell(connection, at, [_news(new, parts), *standings(connection, [machine] if changed else [], at)])
    return new, not there


def _news(new: Description, parts: Parts) -> News:
    """Return what is told of a description."""
    data = MachineStored(
        new.machine, new.version, parts.site, parts.tags, parts.check_every, times.shown(new.stored_at)
    )
    return News("tramwright.machine.stored", new.machine, f"versions/{new.version}", data)


def _columns(new: Description, parts: Parts) -> dict[str, Any]:
    """Return what the row of a machine says of its description."""
    return {
        "version": new.version,
        "retired_at": None,
        "site": parts.site,
        "tags": msgspec.json.encode(parts.tags),
        "content": new.content,
        "check_every": None if parts.check_every is None else max(1, int(parts.check_every * times.DAY)),
    }


def stale_at(standing: str, taken_at: int | None, check_every: int | None, at: int, *, same: bool) -> int | None:
    """Return when a survey counts no longer: after the interval, and at once where the description is another by now.

    What is outside stays so until it is surveyed again, however long ago that was.
    """
    if taken_at is None or standing == "outside":
        return None
    if not same:
        return at
    return None if check_every is None else taken_at + check_every
