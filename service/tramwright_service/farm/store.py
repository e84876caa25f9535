"""The database of the farm: its connections and transactions, and what a failure of it means to a client.

What is done in a transaction is a plain function of a connection. On PostgreSQL it runs in the event loop, over
asyncpg. On SQLite it runs on a thread as a whole: an asynchronous driver passes every cursor, statement and result to a
thread and back, twenty times for a survey, and each time waits for the thread that solves. A write that is quick,
because it needs no page of the file that was not used lately, is made in the event loop, for a thread waits for the
interpreter after each of its statements; only what waits for the disk, the commit, is done on a thread.
"""

from __future__ import annotations

import asyncio
import sqlite3
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from typing import Any, TypeVar

import structlog
from sqlalchemy import URL, Connection, Engine, create_engine, event
from sqlalchemy.engine import make_url
from sqlalchemy.exc import ArgumentError, DBAPIError, IntegrityError, ProgrammingError, SQLAlchemyError
from sqlalchemy.exc import TimeoutError as NoConnection
from sqlalchemy.ext.asyncio import AsyncEngine, create_async_engine

from ..wire import problems
from ..wire.problems import RequestError

T = TypeVar("T")

RETRY = {"Retry-After": "2"}
PATIENCE = 5
"""Seconds that a connection, or another process's write to the same file, is waited for."""
LONGEST = 30
"""Seconds that PostgreSQL may take for a statement of the service, and that a free connection is waited for."""
READERS = 4
"""Threads that read from a file; one more writes, since SQLite has one writer at a time."""

PRAGMAS = (
    "PRAGMA journal_mode=WAL",  # readers are not held up by a writer
    "PRAGMA synchronous=FULL",  # what was committed survives the loss of power
    "PRAGMA wal_autocheckpoint=4000",  # pages: a checkpoint waits for the disk several times
    "PRAGMA foreign_keys=ON",
)


class StoreError(Exception):
    """A store that cannot be worked with, with what to do about it."""


def store_of(where: str, longest: float | None = LONGEST) -> Store:
    """Return a store: the path of an SQLite file, or the URL of a PostgreSQL database.

    A statement of PostgreSQL may take ``longest`` seconds, or as long as it takes.

    Raises:
        StoreError: it is neither.
    """
    scheme, parted, _ = where.partition("://")
    try:
        if not parted:
            if where in ("", ":memory:"):  # each connection would have one of its own
                raise ArgumentError
            return FileStore(where)
        url = make_url(where)
        if scheme not in ("postgresql", "postgres"):
            raise ArgumentError
    except (ArgumentError, ValueError):
        raise StoreError("A store is the path of an SQLite file or `postgresql://user@host/database`.") from None
    return ServerStore(
        create_async_engine(
            url.set(drivername="postgresql+asyncpg"),
            hide_parameters=True,  # what strangers sent is not logged
            pool_size=8,
            max_overflow=0,  # one more connection would be made and closed for each request
            pool_timeout=LONGEST,
            connect_args={"timeout": PATIENCE, "command_timeout": longest},
        )
    )


class Store:
    """One database, for one process."""

    is_file: bool

    def __init__(self) -> None:
        self.written: Callable[[], object] = lambda: None
        """Called when something has been written; what else this process does with the store may depend on it."""

    async def run(
        self, work: Callable[[Connection], T], *, writes: bool = False, quick: bool = False, **options: Any
    ) -> T:
        """Do something in a transaction with these options of the connection; a failure of the database is raised.

        ``quick`` says that it takes less than a millisecond and needs no page that was not used lately.
        """
        raise NotImplementedError

    async def close(self) -> None:
        """Close every connection."""
        raise NotImplementedError

    async def read(self, work: Callable[[Connection], T], **options: Any) -> T:
        """Read from the store.

        Raises:
            RequestError: the store cannot be reached or read.
        """
        try:
            return await self.run(work, **options)
        except (SQLAlchemyError, OSError) as error:
            raise told(error) from error

    async def write(self, work: Callable[[Connection], T], *, quick: bool = False) -> T:
        """Write to the store; when this returns it is on the disk, and where ``work`` raises it is undone.

        Raises:
            RequestError: the store cannot be reached or written, or has no room; nothing was written, unless the
                connection was lost while it was being committed.
        """
        try:
            done = await self.run(work, writes=True, quick=quick)
        except (SQLAlchemyError, OSError) as error:
            raise told(error) from error
        self.written()
        return done


class FileStore(Store):
    """An SQLite file."""

    is_file = True

    def __init__(self, path: str) -> None:
        super().__init__()
        where = URL.create("sqlite", database=path)  # whatever characters it has
        # what strangers sent is not logged
        self._engine = create_engine(where, hide_parameters=True, pool_size=READERS + 1)
        event.listen(self._engine, "connect", partial(_prepare, PATIENCE))
        self._quick_engine = create_engine(where, hide_parameters=True)
        event.listen(self._quick_engine, "connect", partial(_prepare, 0))  # nobody is waited for in the event loop
        self._quick: Connection | None = None
        self._readers = ThreadPoolExecutor(READERS, thread_name_prefix="store reads")
        self._writer = ThreadPoolExecutor(1, thread_name_prefix="store writes")
        # not behind a write that was given up and still waits for the file, which what is to be committed here holds
        self._committer = ThreadPoolExecutor(1, thread_name_prefix="store commits")
        self._turn = asyncio.Lock()
        """Held by whoever writes: those of this process wait here for each other, in order."""

    async def run(
        self, work: Callable[[Connection], T], *, writes: bool = False, quick: bool = False, **options: Any
    ) -> T:
        """Do something in the event loop or on a thread; there is no other option here."""
        if not writes:
            return await self._on_thread(self._readers, "BEGIN", work)
        async with self._turn:
            if quick and (connection := self._begun()) is not None:
                return await self._quickly(connection, work)
            # A transaction that reads first and writes then could find that another process has written in between.
            return await self._on_thread(self._writer, "BEGIN IMMEDIATE", work)

    async def _on_thread(self, thread: ThreadPoolExecutor, begin: str, work: Callable[[Connection], T]) -> T:
        return await asyncio.get_running_loop().run_in_executor(thread, _whole, self._engine, begin, work)

    def _begun(self) -> Connection | None:
        """Return the connection for quick writes in a transaction; None where another process writes."""
        connection, self._quick = self._quick, None
        try:
            connection = connection or self._quick_engine.connect()
            connection.exec_driver_sql("BEGIN IMMEDIATE")
        except DBAPIError:
            if connection is not None:
                connection.close()
            return None
        return connection

    async def _quickly(self, connection: Connection, work: Callable[[Connection], T]) -> T:
        """Write in the event loop, and commit on the thread; the connection is kept where nothing failed."""
        try:
            done = work(connection)
        except BaseException:
            connection.close()
            raise
        committing = asyncio.get_running_loop().run_in_executor(self._committer, connection.commit)
        try:
            await asyncio.shield(committing)
        except BaseException:  # of whoever waits for it, too: then it goes on, and is closed once it has ended
            committing.add_done_callback(lambda _: connection.close())
            raise
        self._quick = connection
        return done

    async def close(self) -> None:
        """Close the file."""
        for threads in (self._readers, self._writer, self._committer):
            await asyncio.to_thread(threads.shutdown)
        if self._quick is not None:
            self._quick.close()
        self._engine.dispose()
        self._quick_engine.dispose()


class ServerStore(Store):
    """A database of PostgreSQL."""

    is_file = False

    def __init__(self, engine: AsyncEngine) -> None:
        super().__init__()
        self._engine = engine

    async def run(
        self, work: Callable[[Connection], T], *, writes: bool = False, quick: bool = False, **options: Any
    ) -> T:
        """Do something in the event loop, which goes on while the server works."""
        async with (self._engine.execution_options(**options) if options else self._engine).begin() as connection:
            return await connection.run_sync(work)

    async def close(self) -> None:
        """Close every connection."""
        await self._engine.dispose()


def _whole(engine: Engine, begin: str, work: Callable[[Connection], T]) -> T:
    with engine.begin() as connection:
        connection.exec_driver_sql(begin)  # here and by no listener, which would be looked for at every statement
        return work(connection)


def _prepare(patience: int, connection: Any, _: object) -> None:
    connection.isolation_level = None  # the driver is to begin no transaction of its own
    cursor = connection.cursor()
    for pragma in (f"PRAGMA busy_timeout={patience * 1000}", *PRAGMAS):
        cursor.execute(pragma)
    cursor.close()


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
    structlog.get_logger("store").warning("database failed", says=str(cause), kind=type(cause).__name__)
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
