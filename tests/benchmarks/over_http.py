"""Corrections over HTTP against two echoes of the same body: rates and latencies, and where the time goes.

Run from the repository: ``python tests/benchmarks/over_http.py [--seconds 2]``. One process of each, on a free port and
a core of this host, asked in turn by 1, 8 and 64 connections at once, from another core: by `wrk` (a Debian package)
where it is installed, else by a client of our own, which is slower itself and so flatters whoever is slow. It says
which. Prints the best of the rounds, and in-process times of decoding, correcting and encoding. It judges nothing.

The *raw echo* is a route of the framework that awaits the body and hands back its bytes; the *decoding echo* is one
whose body the framework decodes from JSON and whose answer it encodes. Both are served by uvicorn as it comes.
"""

from __future__ import annotations

import argparse
import asyncio
import os
import re
import shutil
import socket
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from itertools import cycle
from pathlib import Path
from time import perf_counter, sleep
from typing import Any, NamedTuple

import uvicorn
from litestar import Litestar, Request, Response, post

from tramwright_service.catalogue import examples
from tramwright_service.execution.metrics import Metrics
from tramwright_service.http.app import create_app
from tramwright_service.http.serving import serve
from tramwright_service.settings import Settings
from tramwright_service.wire.decode import Decoder
from tramwright_service.wire.encode import encode
from tramwright_service.wire.media_types import JSON, MSGPACK, TEXT
from tramwright_service.wire.requests import CorrectionRequest, correction_request
from tramwright_solvers.correction.api import correct
from tramwright_solvers.correction.cache import GeometryCache
from tramwright_solvers.mechanisms.registry import installed
from tramwright_solvers.results.correction import Correction
from tramwright_solvers.views.correction import as_text

PATH = "/v1/corrections"
CONNECTIONS = (1, 8, 64)
QUANTILES = (50, 90, 99)
CORES = sorted(os.sched_getaffinity(0))
RAW, DECODING, OURS = "raw echo", "decoding echo", "full correction"


@post(PATH, status_code=200)
async def raw(request: Request[Any, Any, Any]) -> Response[bytes]:
    """Give back the bytes that came."""
    return Response(await request.body(), media_type=JSON)


@post(PATH, status_code=200)
async def decoding(data: dict[str, Any]) -> dict[str, Any]:
    """Give back what was decoded."""
    return data


def echo(route: Any, port: int) -> None:
    """Serve an echo by the server as it comes."""
    app = Litestar([route], openapi_config=None, logging_config=None)
    uvicorn.run(app, host="127.0.0.1", port=port, access_log=False, log_level="warning")


def ours(port: int) -> None:
    """Serve the service as `tramwright serve` does, request log included."""
    settings = Settings()
    metrics = Metrics(settings)
    serve(create_app(settings, installed(with_plug_ins=False), metrics), settings, metrics, "127.0.0.1", port)


APPS: dict[str, Callable[[int], None]] = {
    RAW: lambda port: echo(raw, port),
    DECODING: lambda port: echo(decoding, port),
    OURS: ours,
}


class Server(NamedTuple):
    """A running server."""

    port: int
    pid: int

    def spent(self) -> float:
        """Microseconds of a processor that it has taken so far."""
        user, system = Path(f"/proc/{self.pid}/stat").read_text().rpartition(")")[2].split()[11:13]
        return (int(user) + int(system)) / os.sysconf("SC_CLK_TCK") * 1e6


@contextmanager
def served(name: str) -> Iterator[Server]:
    """A server process, once it listens."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = int(probe.getsockname()[1])
    command = [sys.executable, __file__, "--serve", name, "--port", str(port)]
    process = subprocess.Popen(command, stderr=subprocess.DEVNULL)
    try:
        while socket.socket().connect_ex(("127.0.0.1", port)):
            if process.poll() is not None:
                raise RuntimeError(f"the server `{name}` did not start")
            sleep(0.05)
        yield Server(port, process.pid)
    finally:
        process.terminate()
        process.wait()


class Load(NamedTuple):
    """What so many connections at once were given: answers a second, microseconds of a processor for each, and
    milliseconds that they took, at each quantile."""

    rate: float
    spent: float
    took: tuple[float, ...]

    def __str__(self) -> str:
        """Return it as the table shows it."""
        took = " / ".join(f"{each:.2f}" for each in self.took)
        return f"{self.rate:,.0f} requests/s; {self.spent:.0f} µs each; {took} ms"


def driver() -> str:
    """Say what asks."""
    return "wrk" if shutil.which("wrk") else "a client of our own, for `wrk` is not installed; ratios are flattered"


def asked(server: Server, bodies: Sequence[bytes], connections: int, seconds: float) -> Load:
    """Ask one server, with one body after the other."""
    before = server.spent()
    if shutil.which("wrk"):
        lasted, count, took = by_wrk(server.port, bodies, connections, seconds)
    else:
        lasted, count, took = asyncio.run(by_ourselves(server.port, bodies, connections, seconds))
    return Load(count / lasted, (server.spent() - before) / count, took)


def by_wrk(
    port: int, bodies: Sequence[bytes], connections: int, seconds: float
) -> tuple[float, float, tuple[float, ...]]:
    """Ask by `wrk`, on the last core; return seconds, answers and quantiles."""
    with tempfile.TemporaryDirectory() as folder:
        script = Path(folder, "post.lua")
        for number, body in enumerate(bodies):
            Path(folder, f"{number}.json").write_bytes(body)
        script.write_text(
            'wrk.method = "POST"\nwrk.headers["Content-Type"] = "application/json"\nlocal asked, last = {}, 0\n'
            f"for at = 1, {len(bodies)} do\n"
            f'  local file = io.open("{folder}/" .. (at - 1) .. ".json")\n'
            '  wrk.body = file:read("*a")\n  file:close()\n  asked[at] = wrk.format(nil, nil)\nend\n'
            "request = function()\n  last = last % #asked + 1\n  return asked[last]\nend\n"
            "done = function(summary, latency, requests)\n"
            f"  for _, q in ipairs({{{', '.join(map(str, QUANTILES))}}}) do print('took', latency:percentile(q)) end\n"
            "  print('seconds', summary.duration / 1e6)\n  print('count', summary.requests)\n"
            "  print('wrong', summary.errors.status)\nend\n"
        )
        command = ["taskset", "-c", str(CORES[-1]), "wrk", "-t1", f"-c{connections}", f"-d{max(1, round(seconds))}"]
        command += ["-s", str(script), f"http://127.0.0.1:{port}{PATH}"]
        told = subprocess.run(command, check=True, capture_output=True, text=True).stdout
    found = [float(value) for value in re.findall(r"^(?:took|seconds|count|wrong)\s+(\S+)$", told, re.MULTILINE)]
    if found[-1]:
        raise RuntimeError(told)
    return found[-3], found[-2], tuple(micro / 1e3 for micro in found[:-3])


async def by_ourselves(
    port: int, bodies: Sequence[bytes], connections: int, seconds: float
) -> tuple[float, float, tuple[float, ...]]:
    """Ask by a plain client; return seconds, answers and quantiles."""
    head = f"POST {PATH} HTTP/1.1\r\nHost: bench\r\nContent-Type: application/json\r\nContent-Length: "
    requests = cycle([f"{head}{len(body)}\r\n\r\n".encode() + body for body in bodies])
    took, end = list[float](), perf_counter() + seconds

    async def ask() -> None:
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        while (start := perf_counter()) < end:
            writer.write(next(requests))
            answer = (await reader.readuntil(b"\r\n\r\n")).lower()
            assert answer.startswith(b"http/1.1 200")
            await reader.readexactly(int(answer.split(b"content-length: ")[1].split(b"\r\n")[0]))
            took.append(perf_counter() - start)
        writer.close()

    await asyncio.gather(*(ask() for _ in range(connections)))
    took.sort()
    return seconds, len(took), tuple(1e3 * took[(len(took) - 1) * q // 100] for q in QUANTILES)


def loads(
    bodies: Sequence[bytes], seconds: float, rounds: int, connections: Sequence[int] = CONNECTIONS
) -> dict[int, dict[str, Load]]:
    """Return of each number of connections what each server gives: the best rate and the best of each quantile.

    All are asked in turn within each round, so that a host that speeds up or slows down does so for all.
    """
    found: dict[int, dict[str, list[Load]]] = {count: {name: [] for name in APPS} for count in connections}
    with ExitStack() as stack:
        servers = {name: stack.enter_context(served(name)) for name in APPS}
        for server in servers.values():
            asked(server, bodies, 8, 1)
        for _ in range(rounds):
            for count in connections:
                for name, server in servers.items():
                    found[count][name].append(asked(server, bodies, count, seconds))
    return {count: {name: best(each) for name, each in own.items()} for count, own in found.items()}


def best(found: list[Load]) -> Load:
    """Return the best of each figure."""
    took = tuple(map(min, zip(*(one.took for one in found), strict=True)))
    return Load(max(one.rate for one in found), min(one.spent for one in found), took)


def microseconds(task: Callable[[], object], seconds: float = 0.5) -> float:
    """Mean time of a task, warm."""
    task()
    count, start = 0, perf_counter()
    while perf_counter() - start < seconds:
        task()
        count += 1
    return (perf_counter() - start) / count * 1e6


def parts(body: bytes) -> None:
    """Print what one correction costs without HTTP."""
    registry = installed(with_plug_ins=False)
    decoder: Decoder[CorrectionRequest[Any]] = Decoder(correction_request(registry), registry)
    request = decoder.decode(body, JSON.encode())
    cache = GeometryCache()

    def solved() -> Correction:
        return correct(request.machine, request.survey, request.solve, registry, cache)

    answer = solved()
    print(f"  decode              {microseconds(lambda: decoder.decode(body, JSON.encode())):8.1f} us")
    print(f"  correct (warm)      {microseconds(solved):8.1f} us")
    for name, media_type in (("JSON", JSON), ("MessagePack", MSGPACK), ("text", TEXT)):
        print(f"  encode {name:<12} {microseconds(lambda kind=media_type: encode(answer, kind, as_text)):8.1f} us")


def main() -> None:
    """Measure a shipped example."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--seconds", type=float, default=2.0, help="of each round, server and number of connections")
    parser.add_argument("--rounds", type=int, default=7)
    parser.add_argument("--example", default="twisted-frame")
    parser.add_argument("--serve", choices=APPS, help=argparse.SUPPRESS)
    parser.add_argument("--port", type=int, help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.serve:
        os.sched_setaffinity(0, CORES[:1])
        APPS[given.serve](given.port)
        return
    body = examples.read(given.example)
    print(f"{given.example}: {len(body)} bytes, asked by {driver()}")
    print("  rate; processor time of the server; p50 / p90 / p99; rate to the raw echo")
    for count, servers in loads([body], given.seconds, given.rounds).items():
        for name, load in servers.items():
            print(f"  {count:3} connections, {name:<16} {load!s:<60} {load.rate / servers[RAW].rate:6.3f}")
    parts(body)


if __name__ == "__main__":
    main()
