"""Writes that are made in the event loop: they wait for nobody there, and leave nothing behind that others wait for."""

from __future__ import annotations

import asyncio
import sqlite3
import threading
from collections.abc import Awaitable, Callable
from concurrent.futures import Executor
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Connection
from sqlalchemy.exc import OperationalError

from tramwright_service.farm.store import FileStore


def number(n: int, then: str = "") -> Callable[[Connection], int]:
    """Return what writes a number and executes another statement; it tells the thread that it is made on."""

    def work(connection: Connection) -> int:
        connection.exec_driver_sql(f"INSERT INTO numbers VALUES ({n})")
        if then:
            connection.exec_driver_sql(then)
        return threading.get_ident()

    return work


def stored(path: str) -> list[int]:
    with sqlite3.connect(path) as file:
        return [n for (n,) in file.execute("SELECT n FROM numbers ORDER BY n")]


def occupied(thread: Executor) -> Callable[[], None]:
    """Occupy a thread, and return what lets it go on."""
    begun, held = threading.Event(), threading.Event()
    thread.submit(begun.set)
    thread.submit(held.wait, 10)
    begun.wait(10)
    return held.set


@pytest.fixture
def written(tmp_path: Path) -> Callable[[Callable[[FileStore, str], Awaitable[None]]], list[int]]:
    """What does something with a new store, and returns the numbers that it holds then."""

    def written(use: Callable[[FileStore, str], Awaitable[None]]) -> list[int]:
        path = str(tmp_path / "store.db")

        async def whole() -> None:
            store = FileStore(path)
            try:
                await store.write(lambda connection: connection.exec_driver_sql("CREATE TABLE numbers (n INTEGER)"))
                await use(store, path)
            finally:
                await store.close()

        asyncio.run(whole())
        return stored(path)

    return written


def test_they_are_made_in_the_event_loop_and_others_on_a_thread(written: Any) -> None:
    async def use(store: FileStore, path: str) -> None:
        loop = threading.get_ident()
        assert await store.write(number(1), quick=True) == loop
        assert stored(path) == [1]  # it is on the disk once it is told
        assert await store.write(number(2)) != loop
        assert await store.write(number(3), quick=True) == loop

    assert written(use) == [1, 2, 3]


def test_while_another_process_writes_they_wait_on_a_thread(written: Any) -> None:
    async def use(store: FileStore, path: str) -> None:
        await store.write(number(1), quick=True)
        other = sqlite3.connect(path, isolation_level=None)
        other.execute("BEGIN IMMEDIATE")
        waiting = asyncio.create_task(store.write(number(2), quick=True))
        for _ in range(50):  # the loop goes on meanwhile
            await asyncio.sleep(0)
        assert not waiting.done()
        other.execute("INSERT INTO numbers VALUES (7)")
        other.execute("COMMIT")
        other.close()
        assert await waiting != threading.get_ident()
        assert await store.write(number(3), quick=True) == threading.get_ident()

    assert written(use) == [1, 2, 3, 7]


def test_what_fails_is_undone_and_holds_up_nobody(written: Any) -> None:
    async def use(store: FileStore, path: str) -> None:
        with pytest.raises(OperationalError):
            await store.write(number(1, then="SELECT nothing"), quick=True)
        with pytest.raises(ZeroDivisionError):
            await store.write(lambda connection: number(2)(connection) / 0, quick=True)
        sqlite3.connect(path, timeout=0).execute("BEGIN IMMEDIATE").connection.close()  # nobody holds the file
        await store.write(number(3), quick=True)

    assert written(use) == [3]


def test_what_is_given_up_while_it_is_committed_goes_on(written: Any) -> None:
    async def use(store: FileStore, path: str) -> None:
        go_on = occupied(store._committer)
        given_up = asyncio.create_task(store.write(number(1), quick=True))
        await asyncio.sleep(0)  # it has written, and its commit waits for the thread
        given_up.cancel()
        with pytest.raises(asyncio.CancelledError):
            await given_up
        after = asyncio.create_task(store.write(number(2), quick=True))
        await asyncio.sleep(0)
        go_on()
        await after

    assert written(use) == [1, 2]


def test_a_write_given_up_on_its_thread_holds_up_no_commit(written: Any) -> None:
    """The one given up begins to wait for the file, on its thread, while the other one holds it."""

    async def use(store: FileStore, path: str) -> None:
        go_on = occupied(store._writer)
        given_up = asyncio.create_task(store.write(number(1)))
        await asyncio.sleep(0)
        given_up.cancel()
        with pytest.raises(asyncio.CancelledError):
            await given_up
        await asyncio.wait_for(store.write(number(2), quick=True), 5)
        go_on()

    assert 2 in written(use)


def test_they_take_turns_with_those_on_a_thread(written: Any) -> None:
    async def use(store: FileStore, path: str) -> None:
        await asyncio.gather(*(store.write(number(n), quick=n % 3 > 0) for n in range(60)))

    assert written(use) == [*range(60)]
