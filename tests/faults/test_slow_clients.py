"""Clients of a batch that send little by little, pause, or do not read: each gets every answer and the summary.

The service runs as it is served, for its loop rings timers a little early, which that of the standard library never
does. All surveys invented.
"""

from __future__ import annotations

import asyncio
import socket
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator
from typing import Any

import pytest

from batch_lines import answers, lines, requests
from processes import PATIENCE, served

CLIENTS = 200
SURVEYS = [lines([one]) for one in requests(8)]


@pytest.fixture(scope="module")
def port() -> Iterator[int]:
    with served(batches=str(CLIENTS)) as port:
        yield port


Sending = Callable[[], AsyncIterator[bytes]]


async def exchange(
    port: int, sending: Sending, detail: str = "verdict", wait: Callable[[], Awaitable[Any]] | None = None
) -> list[dict[str, Any]]:
    """Send pieces as they come and return the lines of the answer; read nothing before ``wait`` is over."""
    connection = socket.create_connection(("127.0.0.1", port))
    connection.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 65536)
    reader, writer = await asyncio.open_connection(sock=connection, limit=65536)
    writer.write(
        f"POST /v1/corrections/batch?detail={detail} HTTP/1.1\r\nHost: test\r\nConnection: close\r\n"
        "Content-Type: application/x-ndjson\r\nTransfer-Encoding: chunked\r\n\r\n".encode()
    )

    async def send() -> None:
        async for piece in sending():
            writer.write(b"%x\r\n%b\r\n" % (len(piece), piece))
            await writer.drain()
        writer.write(b"0\r\n\r\n")
        await writer.drain()

    async with asyncio.timeout(PATIENCE):
        sent = asyncio.ensure_future(send())
        if wait:
            await wait()
        head = await reader.readuntil(b"\r\n\r\n")
        assert head.startswith(b"HTTP/1.1 200"), head
        body = bytearray()
        while size := int(await reader.readuntil(b"\r\n"), 16):
            body += await reader.readexactly(size)
            await reader.readexactly(2)
        await sent
    writer.close()
    return answers(bytes(body))


def whole(told: list[dict[str, Any]], count: int) -> None:
    """Check that every survey has its answer, in order, and that the summary counts them."""
    *found, last = told
    assert [one["line"] for one in found] == list(range(1, count + 1))
    assert all("verdict" in one for one in found)
    assert last["summary"]["answered"] == last["summary"]["lines"] == count


def test_a_client_that_waits_to_be_told_to_send_is_told_at_once(port: int) -> None:
    async def talk() -> bytes:
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        writer.write(
            b"POST /v1/corrections/batch?detail=verdict HTTP/1.1\r\nHost: test\r\nConnection: close\r\n"
            b"Content-Type: application/x-ndjson\r\nContent-Length: %d\r\nExpect: 100-continue\r\n\r\n"
            % len(SURVEYS[0])
        )
        async with asyncio.timeout(PATIENCE):
            assert await reader.readuntil(b"\r\n\r\n") == b"HTTP/1.1 100 Continue\r\n\r\n"  # nothing is sent yet
            writer.write(SURVEYS[0])
            told = await reader.read()
        writer.close()
        return told

    told = asyncio.run(talk())
    assert told.startswith(b"HTTP/1.1 200")
    assert b'"answered":1' in told


def test_every_client_that_sends_a_survey_now_and_then_gets_every_answer(port: int) -> None:
    async def sending() -> AsyncIterator[bytes]:
        for survey in SURVEYS:
            yield survey
            await asyncio.sleep(0.2)

    async def talk() -> list[list[dict[str, Any]]]:
        return await asyncio.gather(*(exchange(port, sending) for _ in range(CLIENTS)))

    for told in asyncio.run(talk()):
        whole(told, len(SURVEYS))


@pytest.mark.parametrize("at", [0, 1, 400, -1], ids=["before all", "early", "in a line", "before the end of a line"])
def test_a_client_that_pauses_anywhere_gets_every_answer(port: int, at: int) -> None:
    async def sending() -> AsyncIterator[bytes]:
        yield SURVEYS[0]
        await asyncio.sleep(0.5)
        if part := SURVEYS[1][:at]:
            yield part
        await asyncio.sleep(0.5)
        yield SURVEYS[1][at:] + SURVEYS[2]
        await asyncio.sleep(0.5)

    whole(asyncio.run(exchange(port, sending)), 3)


def test_a_file_sent_at_a_limited_rate_is_answered_to_the_end(port: int) -> None:
    body = lines(requests(200))

    async def sending() -> AsyncIterator[bytes]:
        for begin in range(0, len(body), 4096):
            yield body[begin : begin + 4096]
            await asyncio.sleep(0.02)

    whole(asyncio.run(exchange(port, sending)), 200)


def test_a_client_that_reads_nothing_for_a_while_gets_every_answer_afterwards(port: int) -> None:
    # more than the buffers of both hosts hold
    count, piece = 400, lines(requests(50))
    taken, when_reading = 0, count

    async def sending() -> AsyncIterator[bytes]:
        nonlocal taken
        for _ in range(count):
            yield piece
            taken += 1

    async def wait() -> None:
        nonlocal when_reading
        await asyncio.sleep(3)
        when_reading = taken

    whole(asyncio.run(exchange(port, sending, "full", wait)), count * 50)
    assert when_reading < count  # the service takes nothing in while nobody takes its answers
