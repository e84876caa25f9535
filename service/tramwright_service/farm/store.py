"""The database of the farm: its connections and transactions, and what a failure of it means to a client."""

from __future__ import annotations

import asyncio
import sqlite3
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, nullcontext
from typing import Any

from sqlalchemy import Connection, event
from sqlalchemy.engine import make_url
from sqlalchemy.exc import ArgumentError, DBAPIError, IntegrityError, ProgrammingError, SQLAlchemyError
from sqlalchemy.exc import TimeoutError as NoConnection
from sqlalchemy.ext.asyncio import AsyncConnection, AsyncEngine, create_async_engine

from ..wire import problems
from ..wire.problems import RequestError

RETRY = {"Retry-After": "2"}
PATIENCE = 5
"""Seconds that a connection, or another process's write to the same file, is waited for."""
LONGEST = 30
"""Seconds that PostgreSQL may take for one statement."""

POOL: dict[str, Any] = {
    "hide_parameters": True,  # what strangers sent is not logged
    "pool_size": 8,
    "max_overflow": 0,  # one more connection would be made and closed for each request
    "pool_timeout": LONGEST,
}

PRAGMAS = (
    "PRAGMA journal_mode=WAL",  # readers are not held up by a writer
    "PRAGMA synchronous=FULL",  # what was committed survives the loss of power
    "PRAGMA wal_autocheckpoint=4000",  # pages: a checkpoint waits for the disk several times
    "PRAGMA foreign_keys=ON",
    f"PRAGMA busy_timeout={PATIENCE * 1000}",
)


class StoreError(Exception):
    """A store that cannot be worked with, with what to do about it."""


def engine_of(where: str) -> AsyncEngine:
    """Return the engine of a store: the path of an SQLite file, or the URL of a PostgreSQL database.

    Raises:
        StoreError: it is neither.
    """
    scheme, parted, _ = where.partition("://")
    if not parted:
        engine = create_async_engine(f"sqlite+aiosqlite:///{where}", **POOL)
        event.listen(engine.sync_engine, "connect", _prepare)
        event.listen(engine.sync_engine, "begin", _begin)
        return engine
    try:
        url = make_url(where)
        if scheme not in ("postgresql", "postgres"):
            raise ArgumentError
    except (ArgumentError, ValueError):
        raise StoreError("A store is the path of an SQLite file or `postgresql://user@host/database`.") from None
    return create_async_engine(
        url.set(drivername="postgresql+asyncpg"),
        **POOL,
        connect_args={"timeout": PATIENCE, "command_timeout": LONGEST},
    )


def _prepare(connection: Any, _: object) -> None:
    connection.isolation_level = None  # the driver is to begin no transaction of its own
    cursor = connection.cursor()
    for pragma in PRAGMAS:
        cursor.execute(pragma)
    cursor.close()


def _begin(connection: Connection) -> None:
    # A transaction that reads first and writes then could find that another process has written in between.
    writes = connection.get_execution_options().get("writes", False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")


class Store:
    """One database, for the process that serves."""

    def __init__(self, where: str) -> None:
        self.engine = engine_of(where)
        self._writing = self.engine.execution_options(writes=True)
        # SQLite has one writer at a time: those of this process wait here, and not by trying again and again.
        self._turn = asyncio.Lock() if self.is_file else nullcontext()

    @property
    def is_file(self) -> bool:
        """Whether it is an SQLite file."""
        return self.engine.dialect.name == "sqlite"

    @asynccontextmanager
    async def read(self) -> AsyncIterator[AsyncConnection]:
        """Hold a connection that reads one state of the store.

        Raises:
            RequestError: the store cannot be reached or read.
        """
        try:
            async with self.engine.begin() as connection:
                yield connection
        except (SQLAlchemyError, OSError) as error:
            raise told(error) from error

    @asynccontextmanager
    async def write(self) -> AsyncIterator[AsyncConnection]:
        """Hold a connection in a transaction, which is on the disk when this ends, or undone where it raises.

        Raises:
            RequestError: the store cannot be reached or written, or has no room; nothing was written, unless the
                connection was lost while it was being committed.
        """
        try:
            async with self._turn, self._writing.begin() as connection:
                yield connection
        except (SQLAlchemyError, OSError) as error:
            raise told(error) from error

    async def close(self) -> None:
        """Close every connection."""
        await self.engine.dispose()


FULL = {sqlite3.SQLITE_FULL, "53100"}
DAMAGED = {sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB, "XX001", "XX002"}
PASSING = {
    sqlite3.SQLITE_BUSY,
    sqlite3.SQLITE_LOCKED,
    sqlite3.SQLITE_READONLY,
    sqlite3.SQLITE_IOERR,
    sqlite3.SQLITE_CANTOPEN,
    sqlite3.SQLITE_PERM,
}
"""Codes of SQLite, and in the others of PostgreSQL, for a store that others use, or that cannot be got at."""
PASSING_CLASSES = ("08", "25", "40", "53", "55", "57", "58")
"""PostgreSQL: no connection, read-only, a conflict, no resources, in use, shut down, failures of its host."""


def told(error: SQLAlchemyError | OSError) -> Exception:
    """Return what a client is told of a failure of the database; what is no such failure is returned as it is."""
    if not isinstance(error, DBAPIError):
        return unavailable() if isinstance(error, NoConnection | OSError) else error
    cause: Any = error.orig
    code = getattr(cause, "sqlite_errorcode", None)
    code = getattr(cause, "sqlstate", None) if code is None else code & 0xFF
    if code in FULL:
        return RequestError(problems.STORE_FULL, problems.STORE_FULL.remedy)
    if code in DAMAGED:
        return damaged("The database says that its file is not whole")
    if error.connection_invalidated or code in PASSING or str(code)[:2] in PASSING_CLASSES:
        return unavailable()
    # a lost connection may have no code; a statement that is wrong is a fault of ours
    return unavailable() if code is None and not isinstance(error, IntegrityError | ProgrammingError) else error


def unavailable() -> RequestError:
    """Return the problem of a store that cannot be got at just now."""
    return RequestError(problems.NO_ACCESS, problems.NO_ACCESS.remedy, headers=RETRY)


def damaged(what: str) -> RequestError:
    """Return the problem of a store that does not hold what was stored."""
    return RequestError(problems.STORE_DAMAGED, f"{what}. {problems.STORE_DAMAGED.remedy}")
