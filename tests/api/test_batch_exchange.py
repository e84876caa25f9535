"""Batches in both directions at once.

The application is spoken to as a server does, for a client of the test kit sends all before it reads.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from typing import Any

import msgspec
import pytest
from litestar import Litestar

from batch_lines import answers, lines, requests
from processes import PATIENCE
from tramwright_service.batch import http_stream
from tramwright_service.http.app import create_app
from tramwright_service.settings import Settings
from tramwright_solvers.mechanisms.registry import Registry

BATCH = "/v1/corrections/batch"


Receive = Callable[[], Awaitable[dict[str, Any]]]


class Wire:
    """One exchange with the application, in the hands of the test."""

    def __init__(self, app: Litestar, detail: str = "verdict") -> None:
        self.coming: asyncio.Queue[dict[str, Any]] = asyncio.Queue()
        self.taking = asyncio.Event()
        self.taking.set()
        self.got = bytearray()
        self.status = 0
        self.ended = False
        self.read = 0
        scope = {
            "type": "http",
            "asgi": {"version": "3.0"},
            "http_version": "1.1",
            "method": "POST",
            "scheme": "http",
            "path": BATCH,
            "raw_path": BATCH.encode(),
            "root_path": "",
            "query_string": b"detail=" + detail.encode(),
            "headers": [(b"content-type", b"application/x-ndjson")],
            "client": ("127.0.0.1", 1),
            "server": ("127.0.0.1", 2),
            "state": {},
        }
        self.task = asyncio.ensure_future(app(scope, self._receive, self._send))

    async def _receive(self) -> dict[str, Any]:
        message = await self.coming.get()
        self.read += 1
        return message

    async def _send(self, message: Any) -> None:
        if message["type"] == "http.response.start":
            self.status = message["status"]
        else:
            await self.taking.wait()
            self.got += message["body"]
            self.ended = not message["more_body"]

    def put(self, body: bytes, more: bool = True) -> None:
        self.coming.put_nowait({"type": "http.request", "body": body, "more_body": more})

    def leave(self) -> None:
        self.coming.put_nowait({"type": "http.disconnect"})

    async def until(self, what: Callable[[], bool]) -> None:
        async with asyncio.timeout(PATIENCE):
            while not what():
                await asyncio.sleep(0.005)


@asynccontextmanager
async def running(registry: Registry, **settings: Any) -> AsyncIterator[Litestar]:
    app = create_app(Settings(log_level="error", **settings), registry)
    async with app.lifespan():
        yield app


def count(wire: Wire) -> int:
    return wire.got.count(b"\n")


def test_each_line_is_answered_before_the_next_is_sent(registry: Registry) -> None:
    async def talk() -> list[dict[str, Any]]:
        async with running(registry) as app:
            wire = Wire(app)
            for number, request in enumerate(requests(4)):
                body = lines([request])
                wire.put(body[:700])  # in two pieces, neither of which is a line
                wire.put(body[700:])
                await wire.until(lambda number=number: count(wire) == number + 1)
                assert not wire.ended
            wire.put(b"", more=False)
            await wire.until(lambda: wire.ended)
            await wire.task
            return answers(bytes(wire.got))

    found = asyncio.run(talk())
    assert [one.get("id") for one in found] == [f"survey-{number}" for number in range(4)] + [None]
    assert found[-1]["summary"]["answered"] == 4


class RingsEarly(asyncio.SelectorEventLoop):
    """A loop whose timers ring before they are due, as those of uvloop may by a rounding of its clock."""

    def call_later(self, delay: float, callback: Any, *args: Any, context: Any = None) -> asyncio.TimerHandle:
        return super().call_later(0.7 * delay, callback, *args, context=context)


def test_a_timer_that_rings_early_cuts_no_client_off(registry: Registry) -> None:
    async def talk() -> list[dict[str, Any]]:
        async with running(registry) as app:
            wire = Wire(app)
            for number, request in enumerate(requests(3)):
                wire.put(lines([request]))
                await wire.until(lambda number=number: count(wire) == number + 1 or wire.task.done())
                await asyncio.sleep(0.05)
            wire.put(b"", more=False)
            await wire.task
            return answers(bytes(wire.got))

    with asyncio.Runner(loop_factory=RingsEarly) as runner:
        assert runner.run(talk())[-1]["summary"]["answered"] == 3


def test_a_client_that_takes_no_answers_is_not_read_from_any_more(registry: Registry) -> None:
    async def talk() -> tuple[int, int]:
        async with running(registry) as app:
            wire = Wire(app)
            await wire.until(lambda: wire.status == 200)
            wire.taking.clear()
            piece = lines(requests(http_stream.MOST_LINES))
            for _ in range(40):
                wire.put(piece)
            before = -1
            while before != wire.read:
                before = wire.read
                await asyncio.sleep(0.3)
            held = wire.read
            wire.taking.set()
            wire.put(b"", more=False)
            await wire.until(lambda: wire.ended)
            await wire.task
            return held, count(wire)

    held, found = asyncio.run(talk())
    assert held < 20
    assert found == 40 * http_stream.MOST_LINES + 1


@pytest.mark.parametrize("sent", [b"", b'{"id"', lines(requests(50)), lines(requests(600))], ids=len)
def test_a_client_that_leaves_ends_the_work_and_frees_its_place(registry: Registry, sent: bytes) -> None:
    async def talk() -> list[dict[str, Any]]:
        async with running(registry, batches=1) as app:
            gone = Wire(app)
            await gone.until(lambda: gone.status == 200)
            gone.put(sent)
            gone.leave()
            async with asyncio.timeout(PATIENCE):
                await gone.task
            assert not gone.ended
            tasks = len(asyncio.all_tasks())
            again = Wire(app)
            again.put(lines(requests(2)), more=False)
            await again.until(lambda: again.ended)
            await again.task
            await asyncio.sleep(0)
            assert len(asyncio.all_tasks()) <= tasks + 1  # none of the first is left; one reads from the worker
            return answers(bytes(again.got))

    assert [one.get("id") for one in asyncio.run(talk())] == ["survey-0", "survey-1", None]


def test_batches_beyond_the_places_are_refused_and_told_when_to_come_back(registry: Registry) -> None:
    async def talk() -> tuple[int, bytes, int]:
        async with running(registry, batches=1) as app:
            first, second = Wire(app), Wire(app)
            await first.until(lambda: first.status == 200)
            await second.task
            refused = second.status
            first.put(b"", more=False)
            await first.task
            third = Wire(app)
            third.put(b"", more=False)
            await third.task
            return refused, bytes(second.got), third.status

    refused, body, after = asyncio.run(talk())
    assert (refused, after) == (503, 200)
    assert "batches" in msgspec.json.decode(body)["detail"]


@pytest.mark.parametrize(
    "sent", [None, b"", lines(requests(2))], ids=["sends nothing", "takes no summary", "takes nothing"]
)
def test_a_client_still_for_too_long_counts_as_gone(registry: Registry, sent: bytes | None) -> None:
    async def talk() -> bool:
        async with running(registry, idle_seconds=0.2) as app:
            wire = Wire(app)
            if sent is not None:  # all of it at once, before the service looks for it
                wire.taking.clear()
                wire.put(sent, more=False)
            async with asyncio.timeout(PATIENCE):
                await wire.task
            assert wire.status == 200
            return wire.ended

    assert asyncio.run(talk()) is False


def test_a_client_that_waits_for_its_answers_is_not_still(registry: Registry) -> None:
    async def talk() -> list[dict[str, Any]]:
        async with running(registry, idle_seconds=0.5) as app:
            wire = Wire(app)
            wire.put(lines(requests(2)))  # starting a worker alone takes longer than the client may be still
            await wire.until(lambda: count(wire) == 2 or wire.task.done())
            wire.put(b"", more=False)
            await wire.task
            return answers(bytes(wire.got))

    assert asyncio.run(talk())[-1]["summary"]["answered"] == 2
