"""Places for long work: how many are taken, and how many of them are worked on at the same time."""

from __future__ import annotations

import asyncio
from threading import Event, Lock
from typing import Any

import pytest

from tramwright_service.execution.threads import SolverThreads
from tramwright_service.wire.problems import RequestError
from tramwright_solvers.model.deadline import Deadline
from tramwright_solvers.model.errors import OutOfTime


class Work:
    """Tasks that count how many of them are under way, until they are let go."""

    def __init__(self) -> None:
        self.begun = self.now = self.most = 0
        self.go = Event()
        self._lock = Lock()

    def __call__(self, within: Deadline) -> None:
        with self._lock:
            self.begun, self.now = self.begun + 1, self.now + 1
            self.most = max(self.most, self.now)
        assert self.go.wait(30.0)
        with self._lock:
            self.now -= 1


async def gone() -> Any:
    """Be a client that has gone."""
    return {"type": "http.disconnect"}


def test_no_more_are_worked_on_than_said_and_the_others_wait() -> None:
    async def four() -> Work:
        threads, work = SolverThreads(4, at_work=2), Work()
        tasks = [asyncio.ensure_future(threads.run(work)) for _ in range(4)]
        while work.begun < 2:
            await asyncio.sleep(0.001)
        with pytest.raises(RequestError, match="4 long solves are under way"):
            await threads.run(work)
        work.go.set()
        await asyncio.gather(*tasks)
        threads.close()
        return work

    work = asyncio.run(four())
    assert (work.begun, work.most) == (4, 2)


def test_what_waits_is_not_begun_once_its_client_has_gone_and_takes_no_place() -> None:
    async def two() -> tuple[Work, Work]:
        threads, first, second = SolverThreads(2, at_work=1), Work(), Work()
        task = asyncio.ensure_future(threads.run(first))
        await asyncio.sleep(0)
        with pytest.raises(OutOfTime, match="client has gone"):
            await threads.run(second, receive=gone)
        await asyncio.sleep(0)
        third = asyncio.ensure_future(threads.run(lambda within: None))  # while the first is still under way
        await asyncio.sleep(0)
        first.go.set()
        await asyncio.gather(task, third)
        threads.close()
        return first, second

    assert [work.begun for work in asyncio.run(two())] == [1, 0]
