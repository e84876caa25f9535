"""A store as lines of JSON, the same whichever database it is in; and whether a store holds what was stored.

The first line names the revision, each other a row of a table, and the last how many rows there are and the SHA-256 of
all lines before it, so that a file that was cut off or changed is not taken for whole. Documents stand in the lines as
the bytes that are stored. Keys stay where they are: an older export would bring back those that were revoked since.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from hashlib import sha256
from typing import Any

import msgspec
from msgspec import Raw, Struct
from sqlalchemy import Connection, LargeBinary, Table, func, insert, select, text
from sqlalchemy.exc import IntegrityError

from ..wire.stored import can_be_stored
from .migrations import HEAD
from .store import Store, StoreError
from .tables import (
    CORRECTIONS,
    DESCRIPTIONS,
    EVENTS,
    KEYS,
    LEASES,
    MACHINES,
    METADATA,
    MOVES,
    NOTES,
    SURVEYS,
    TERMS,
    WEBHOOKS,
    digest,
)  # fmt: skip

NOTHING = b"null"
LARGEST = 2**63 - 1
"""The largest integer that either database has a place for."""
AT_ONCE = 500
"""Rows that are written with one statement."""

LATELY = {EVENTS, WEBHOOKS, LEASES, KEYS}
"""What is no measurement and stays behind: what happened lately, and who is told of it by what secret."""
TABLES = {str(table.name): table for table in METADATA.sorted_tables if table not in LATELY}
DOCUMENTS = {name: [c.name for c in table.c if isinstance(c.type, LargeBinary)] for name, table in TABLES.items()}


class _Head(Struct, forbid_unknown_fields=True):
    """The first line."""

    revision: str


class _Line(Struct, forbid_unknown_fields=True):
    """One row of a table, its values left as bytes."""

    table: str
    row: dict[str, Raw]


class _End(Struct, forbid_unknown_fields=True):
    """The last line."""

    rows: int
    sha256: str


_encode = msgspec.json.Encoder().encode


def exported(connection: Connection) -> Iterator[bytes]:
    """Yield every line of a store.

    Raises:
        StoreError: a document is not what was stored.
    """
    told, rows = sha256(), 0
    head = _encode(_Head(HEAD)) + b"\n"
    told.update(head)
    yield head
    for name, table in TABLES.items():
        for row in connection.execute(_all(table)):
            values = {str(column): value for column, value in row._mapping.items()}
            if "digest" in values and digest(values["document"]) != values["digest"]:
                raise StoreError(f"A document of {_place(table, values)} is damaged; see `tramwright store check`.")
            documents = {column: Raw(values[column] or NOTHING) for column in DOCUMENTS[name]}
            line = _encode({"table": name, "row": {**values, **documents}}) + b"\n"
            told.update(line)
            rows += 1
            yield line
    yield _encode(_End(rows, told.hexdigest())) + b"\n"


async def export(store: Store, write: Callable[[bytes], object]) -> None:
    """Write every line of a store, as it is at one moment.

    Raises:
        StoreError: a document is not what was stored.
        RequestError: the store cannot be read.
    """

    def work(connection: Connection) -> None:
        for line in exported(connection):
            write(line)

    at_one_moment: dict[str, Any] = {} if store.is_file else {"isolation_level": "REPEATABLE READ"}
    await store.read(work, **at_one_moment)


def _all(table: Table) -> Any:
    """Return the query for every row of a table, read some at a time."""
    return select(table).order_by(*table.primary_key).execution_options(yield_per=AT_ONCE)


def imported(connection: Connection, lines: Iterable[bytes]) -> int:
    """Fill an empty store from exported lines, inside a transaction; return how many rows they were.

    Raises:
        StoreError: the store is not empty, or the lines are not those of a whole export of this version.
    """
    try:
        return _filled(connection, lines)
    except IntegrityError as error:
        raise StoreError(f"The rows do not go together ({error.orig}); export once more.") from None


def _filled(connection: Connection, lines: Iterable[bytes]) -> int:
    """Write the rows of exported lines; return how many they were.

    Raises:
        StoreError: the store is not empty, or the lines are not those of a whole export of this version.
    """
    coming = iter(lines)
    head = next(coming, b"")
    if _read(head, _Head, 1).revision != HEAD:
        raise StoreError(f"Line 1: this version reads revision {HEAD}; export again after `tramwright store upgrade`.")
    if connection.execute(select(func.count()).select_from(MACHINES)).scalar_one():
        raise StoreError("There are machines in this store already; import into a new one.")
    told, waiting, table = sha256(head), list[dict[str, Any]](), MACHINES
    for rows, line in enumerate(coming):
        number = rows + 2
        if line.startswith(b'{"rows":'):
            end = _read(line, _End, number)
            if (end.rows, end.sha256) != (rows, told.hexdigest()):
                raise StoreError(f"Line {number}: the lines are not those that were exported; export once more.")
            if waiting:
                connection.execute(insert(table), waiting)
            return rows
        told.update(line)
        read = _read(line, _Line, number)
        if read.table not in TABLES:
            raise StoreError(f"Line {number}: there is no table `{read.table}`.")
        if waiting and (read.table != table.name or len(waiting) == AT_ONCE):
            connection.execute(insert(table), waiting)
            waiting = []
        table = TABLES[read.table]
        waiting.append(_values(table, read.row, number))
    raise StoreError("The last line is missing: the file is not whole; export once more.")


def _read(line: bytes, kind: type[Any], number: int) -> Any:
    try:
        return msgspec.json.decode(line, type=kind)
    except msgspec.DecodeError as error:
        raise StoreError(f"Line {number} is none of an export: {error}.") from None


def _values(table: Table, row: dict[str, Raw], number: int) -> dict[str, Any]:
    if set(row) != {column.name for column in table.c}:
        raise StoreError(f"Line {number}: the columns are not those of `{table.name}`.")
    try:
        values: dict[str, Any] = {
            column.name: bytes(row[column.name])
            if column.name in DOCUMENTS[table.name] and bytes(row[column.name]) != NOTHING
            else msgspec.json.decode(row[column.name], type=column.type.python_type | None)
            for column in table.c
        }
    except msgspec.DecodeError as error:
        raise StoreError(f"Line {number}: {error}.") from None
    if large := [name for name, value in values.items() if isinstance(value, int) and abs(value) > LARGEST]:
        raise StoreError(f"Line {number}: `{large[0]}` is larger than any that is stored.")
    if "digest" in values and digest(values["document"]) != values["digest"]:
        raise StoreError(f"Line {number}: the document is not the one that was stored.")
    if table is MACHINES and not can_be_stored(values["id"]):
        raise StoreError(f"Line {number}: no route could find a machine called {values['id']!r}.")
    return values


def faults(connection: Connection) -> Iterator[str]:
    """Yield what is wrong in a store: in the database's own file, in documents, and in what lists show of them."""
    if connection.dialect.name == "sqlite":
        for pragma in ("integrity_check", "foreign_key_check"):
            for row in connection.execute(text(f"PRAGMA {pragma}")).all():
                if row[0] != "ok":
                    yield f"{pragma}: {', '.join(map(str, row))}"
    for table in (DESCRIPTIONS, SURVEYS, CORRECTIONS, TERMS, MOVES, NOTES):
        for row in connection.execute(_all(table)):
            if digest(row.document) != row.digest:
                yield f"The document of {_place(table, row._mapping)} is not what was stored."
    yield from _disagreements(connection)


def _disagreements(connection: Connection) -> Iterator[str]:
    """Yield where the row of a machine does not agree with what is stored of it."""
    m, s, c = MACHINES.c, SURVEYS.c, CORRECTIONS.c
    own = [(SURVEYS, m.surveys), (CORRECTIONS, m.surveys), (NOTES, m.notes), (DESCRIPTIONS, m.version)]
    for table, column in own:
        number = func.count(table.c.machine)
        query = select(m.id).outerjoin(table, table.c.machine == m.id).group_by(m.id, column).having(number != column)
        for row in connection.execute(query.order_by(m.id)).all():
            yield f"The machine `{row.id}` does not have as many {table.name} as it should."
    latest = (
        select(s.machine, s.number, c.as_found, c.total)
        .join(CORRECTIONS, (c.machine == s.machine) & (c.number == s.number))
        .order_by(s.machine, s.taken_at, s.number)
        .execution_options(yield_per=AT_ONCE)
    )
    last = {row.machine: row for row in connection.execute(latest)}
    for row in connection.execute(select(m.id, m.judged, m.standing, m.total).order_by(m.id)).all():
        found = last.get(row.id)
        expected = (None, "never", None) if found is None else (found.number, found.as_found, found.total)
        if (row.judged, row.standing, row.total) != expected:
            yield f"The machine `{row.id}` does not stand as its last survey says."


def _place(table: Table, row: Any) -> str:
    return f"{table.name} " + ", ".join(f"{column.name} {row[column.name]}" for column in table.primary_key)
