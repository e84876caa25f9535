"""All rates of the service in one run, each beside what it is to be compared with.

Run from the repository: ``python tests/benchmarks/everything.py [--rounds 3] [--lines 20000] [--scale 1000000]``.
Starts servers of its own on this host, prints a table and writes it to ``results.md`` beside this file, each row
compared with the table that stood there before: what fell by more than a tenth is flagged. ``--only NAME`` (may be
repeated) leaves out the rest, and then nothing is written. All surveys are invented.

One request at a time is asked by `wrk` where it is installed, which the first line tells, and compared with two echoes
(:mod:`over_http`); batches go over plain sockets.

The stream that the batch is compared with is a server of the same make that reads every line with the same strict
decoder and writes it again, and does nothing else. Every rate is the best of the rounds, and what is compared with each
other is asked in turn within each round, so that a busy host slows both.
"""

from __future__ import annotations

import argparse
import asyncio
import os
import random
import socket
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from time import perf_counter, sleep
from typing import Any, NamedTuple

import msgspec
import numpy as np
import over_http
import uvicorn
import uvloop
from litestar import Litestar, post
from litestar.response.base import ASGIResponse
from table import Row, recorded, shown, write

sys.path.insert(0, str(Path(__file__).parents[1]))

from batch_lines import cut_all, each_of_its_own, lines, requests
from tramwright_service.batch.engines.local import LocalEngine
from tramwright_service.batch.lines import BatchLine
from tramwright_service.batch.splitter import Chunk, Detail
from tramwright_service.catalogue import examples
from tramwright_service.http.app import create_app
from tramwright_service.settings import Settings
from tramwright_service.wire.decode import Decoder
from tramwright_service.wire.media_types import JSON
from tramwright_solvers.mechanisms.registry import installed

EVERY = ("verdict", "moves", "full")
STREAM = "/v1/corrections/batch"


class Again(ASGIResponse):
    """Sends every line back once it has been decoded and encoded."""

    def __init__(self, decoder: Decoder[Any]) -> None:
        self.decoder = decoder

    async def __call__(self, scope: Any, receive: Any, send: Any) -> None:
        """Read and write at the same time."""
        await send({"type": "http.response.start", "status": 200, "headers": []})
        encode, kind, rest, more = msgspec.json.Encoder().encode, JSON.encode(), b"", True
        while more:
            message = await receive()
            more = message.get("more_body", False)
            *whole, rest = (rest + message.get("body", b"")).split(b"\n")
            back = b"".join([encode(self.decoder.decode(line, kind)) + b"\n" for line in whole])
            await send({"type": "http.response.body", "body": back, "more_body": more})


def echo() -> Litestar:
    """The framework as it comes, giving back what it was sent by the line."""
    registry = installed(with_plug_ins=False)
    generic: Any = BatchLine
    decoder: Decoder[Any] = Decoder(generic[registry.union()], registry)

    @post(STREAM, status_code=200)
    async def again() -> Again:
        return Again(decoder)

    return Litestar([again], openapi_config=None, logging_config=None)


def ours() -> Litestar:
    """The service as it is served by default, request log included."""
    return create_app(Settings(), installed(with_plug_ins=False))


APPS: dict[str, Callable[[], Litestar]] = {"echo": echo, "ours": ours}


class Server(NamedTuple):
    """A running server."""

    port: int
    pid: int

    def memory(self) -> float:
        """Resident memory of the server and its workers, MB."""
        children = Path(f"/proc/{self.pid}/task/{self.pid}/children").read_text().split()
        pages = [int(Path(f"/proc/{pid}/statm").read_text().split()[1]) for pid in (self.pid, *children)]
        return sum(pages) * os.sysconf("SC_PAGE_SIZE") / 2**20


@contextmanager
def served(name: str) -> Iterator[Server]:
    """A server process, once it listens."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = int(probe.getsockname()[1])
    process = subprocess.Popen(
        [sys.executable, __file__, "--serve", name, "--port", str(port)], stderr=subprocess.DEVNULL
    )
    try:
        while socket.socket().connect_ex(("127.0.0.1", port)):
            if process.poll() is not None:
                raise RuntimeError(f"the server `{name}` did not start")
            sleep(0.02)
        yield Server(port, process.pid)
    finally:
        process.terminate()
        process.wait()


class Streamed(NamedTuple):
    """One batch: seconds it took, lines that came back, largest memory of the server meanwhile."""

    seconds: float
    lines: int
    memory: float


def stream(server: Server, block: bytes, times: int = 1, detail: str = "verdict", watch: bool = False) -> Streamed:
    """Send a block of lines so many times as one body, reading at the same time."""
    head = (
        f"POST {STREAM}?detail={detail} HTTP/1.1\r\nHost: bench\r\nConnection: close\r\n"
        f"Content-Type: application/x-ndjson\r\nContent-Length: {len(block) * times}\r\n\r\n"
    )
    with socket.create_connection(("127.0.0.1", server.port)) as client:
        start, count, most, last = perf_counter(), 0, 0.0, b""

        def send() -> None:
            client.sendall(head.encode())
            for _ in range(times):
                client.sendall(block)

        sender = threading.Thread(target=send)
        sender.start()
        looked = start
        while got := client.recv(2**18):
            count += (last[-4:] + got).count(b'{"id"')  # with what may have come of one before
            last = (last + got)[-4000:]
            if watch and perf_counter() - looked > 0.2:
                most, looked = max(most, server.memory()), perf_counter()
        sender.join()
        seconds = perf_counter() - start
    most = max(most, server.memory()) if watch else most
    if b'"summary"' in last and b'"problems":0' not in last:
        raise RuntimeError(last[-600:].decode())
    return Streamed(seconds, count, most)


def several(rounds: int, *tasks: Callable[[], float]) -> list[float]:
    """The largest of each task's results, all tasks taking turns."""
    return [max(column) for column in zip(*([task() for task in tasks] for _ in range(rounds)), strict=True)]


def rate(server: Server, body: bytes, detail: str = "verdict") -> float:
    """Lines a second of one batch."""
    count = body.count(b"\n")
    return count / stream(server, body, detail=detail).seconds


def wide(stations: int) -> dict[str, Any]:
    """A survey of a tilted bed read at about so many stations."""
    request, dice = requests(1)[0], random.Random(stations)
    side = round(stations**0.5)
    places = np.linspace(20, 480, side).tolist()
    request["survey"]["readings"] = [
        {"x": x, "y": y, "value": round(4e-4 * x - 2e-4 * y + dice.gauss(0, 0.01), 3)} for y in places for x in places
    ]
    return request


def streams(rounds: int, count: int, server: Server, bare: Server) -> Iterator[Row]:
    """Batches by detail and criterion against the bare stream of the same lines."""
    sets: dict[str, tuple[bytes, tuple[str, ...]]] = {
        "25 readings, three screws": (lines(requests(count)), EVERY),
        "25 readings, screws and rails": (lines(requests(count, "twisted-frame")), EVERY),
        "25 readings, minimum zone": (lines(requests(count, criterion="minimum-zone")), EVERY),
        "25 readings, minimum zone, the best attainable": (lines(requests(count // 2, "minimum-zone")), EVERY),
        "another machine and other stations on every line": (lines(each_of_its_own(count // 5)), EVERY),
        "the same, screws and rails": (lines(each_of_its_own(count // 5, "twisted-frame")), EVERY[:1]),
    }
    for name, (body, details) in sets.items():
        tasks = [partial(rate, server, body, detail) for detail in details]
        base, *rates = several(rounds, partial(rate, bare, body), *tasks)
        yield Row(f"{name}: decoded and encoded again, nothing else", f"{base:,.0f} lines/s", "1")
        for detail, found in zip(details, rates, strict=True):
            yield Row(f"{name}: `{detail}`", f"{found:,.0f} lines/s", f"{found / base:.2f}")


def programmes(server: Server) -> Iterator[Row]:
    """Shim programmes, which are searched for one by one."""
    body = lines(requests(40, "shimmed-rails"))
    found = rate(server, body, "moves")
    yield Row("eight shimmed seats' example `shimmed-rails`: `moves`", f"{found:,.1f} lines/s")


def singles(rounds: int) -> Iterator[Row]:
    """One request for one survey, by how many ask at once, against two echoes of the same body (:mod:`over_http`); the
    same where each of forty machines is asked about."""
    yield from against_echoes("`twisted-frame`", over_http.loads([examples.read("twisted-frame")], 2.0, rounds))
    forty = [msgspec.json.encode(one) for one in each_of_its_own(40, "twisted-frame", named=False)]
    yield from against_echoes("one each of forty machines", over_http.loads(forty, 2.0, rounds, (8, 40)))


def against_echoes(what: str, loads: dict[int, dict[str, over_http.Load]]) -> Iterator[Row]:
    """Rates and latencies by how many ask at once."""
    for count, servers in loads.items():
        name, first = f"{what}, {count} at once", servers[over_http.RAW]
        for server, load in servers.items():
            yield Row(f"{name}: {server}", str(load), "1" if load is first else f"{load.rate / first.rate:.2f}")
        own, decoded = servers[over_http.OURS], servers[over_http.DECODING]
        yield Row(f"{name}: to the decoding echo", f"{own.rate:,.0f} requests/s", f"{own.rate / decoded.rate:.2f}")
        slowest = own.took[-1] / first.took[-1]
        yield Row(f"{name}: p99 to that of the raw echo", f"{own.took[-1]:.2f} ms", f"{slowest:.1f}")


def memory(scale: int) -> Iterator[Row]:
    """Memory and rate of a short batch and of a long one, by a server that has done nothing else."""
    block = lines(requests(2000))
    with served("ours") as server:
        stream(server, block)  # the workers' start is not what is compared
        short = stream(server, block, 5, watch=True)
        long = stream(server, block, scale // 2000, watch=True)
    few, many = short.lines / short.seconds, long.lines / long.seconds
    yield Row(f"{short.lines:,} surveys: memory of service and workers", f"{short.memory:.0f} MB", "1")
    yield Row(
        f"{long.lines:,} surveys: memory of service and workers",
        f"{long.memory:.0f} MB",
        f"{long.memory / short.memory:.2f}",
    )
    yield Row(f"{short.lines:,} surveys: rate", f"{few:,.0f} lines/s", "1")
    yield Row(f"{long.lines:,} surveys: rate", f"{many:,.0f} lines/s", f"{many / few:.2f}")


def stations(rounds: int, server: Server) -> Iterator[Row]:
    """Time for each reading as surveys grow."""
    for detail in ("verdict", "full"):
        first = 0.0
        for count in (9, 100, 1024, 10_000):
            body = lines([wide(count)] * max(4, 20_000 // count))
            stream(server, body, detail=detail)  # once to prepare the geometry
            (found,) = several(rounds, partial(rate, server, body, detail))
            each = 1e6 / found / count
            first = first or each
            yield Row(f"{count:,} stations, `{detail}`: for each reading", f"{each:.2f} µs", f"{each / first:.2f}")


async def spent(engine: LocalEngine, chunks: list[Chunk]) -> float:
    """Lines a second of an engine, as many chunks under way as the service lets it have."""
    room, start = asyncio.Semaphore(engine.at_once + 2), perf_counter()

    async def one(chunk: Chunk) -> int:
        async with room:
            return (await engine.answer(chunk)).tally.answered

    return sum(await asyncio.gather(*map(one, chunks))) / (perf_counter() - start)


async def one_and_two(chunks: list[Chunk], rounds: int) -> list[float]:
    """Lines a second of one worker process and of two."""
    engines = [LocalEngine(number, installed(with_plug_ins=False)) for number in (1, 2)]
    for engine in engines:
        await spent(engine, chunks)
    found = [[await spent(engine, chunks) for engine in engines] for _ in range(rounds)]
    for engine in engines:
        await engine.close()
    return [max(column) for column in zip(*found, strict=True)]


def workers(rounds: int, count: int) -> Iterator[Row]:
    """Worker processes, without HTTP."""
    details: tuple[Detail, ...] = ("verdict", "full")
    for detail in details:
        body = lines(requests(count if detail == "verdict" else count // 2))
        chunks = list(cut_all(iter([body]), detail, 2**21, 250))
        one, two = uvloop.run(one_and_two(chunks, 2 * rounds))  # the loop on which the service runs
        yield Row(f"one worker process, `{detail}`", f"{one:,.0f} lines/s", "1")
        yield Row(f"two worker processes, `{detail}`", f"{two:,.0f} lines/s", f"{two / one:.2f}")


def cold() -> Iterator[Row]:
    """From nothing to the first answer."""
    start = perf_counter()
    with served("ours") as server:
        stream(server, b"")
        yield Row("from starting the program to the first connection taken", f"{perf_counter() - start:.1f} s")
        start = perf_counter()
        stream(server, lines(requests(1)))
        yield Row("first line of the first batch, its worker's start included", f"{perf_counter() - start:.1f} s")


def main() -> None:
    """Measure, print, write."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--lines", type=int, default=20_000)
    parser.add_argument("--scale", type=int, default=1_000_000, help="surveys of the long batch")
    parser.add_argument("--only", action="append", default=[])
    parser.add_argument("--serve", choices=APPS, help=argparse.SUPPRESS)
    parser.add_argument("--port", type=int, help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.serve:
        uvicorn.run(APPS[given.serve](), host="127.0.0.1", port=given.port, access_log=False, log_level="warning")
        return
    rows, last = list[Row](), recorded()
    print(f"One request at a time is asked by {over_http.driver()}.")
    with served("ours") as server, served("echo") as bare:
        parts: dict[str, Callable[[], Iterator[Row]]] = {
            "cold": cold,
            "singles": lambda: singles(given.rounds),
            "streams": lambda: streams(given.rounds, given.lines, server, bare),
            "programmes": lambda: programmes(server),
            "memory": lambda: memory(given.scale),
            "stations": lambda: stations(given.rounds, server),
            "workers": lambda: workers(given.rounds, given.lines),
        }
        for name, part in parts.items():
            if given.only and name not in given.only:
                continue
            for row in part():
                print(shown(row, last), flush=True)
                rows.append(row)
    if not given.only:
        write(rows, last, over_http.driver())


if __name__ == "__main__":
    main()
