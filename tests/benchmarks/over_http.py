"""Corrections a second over HTTP against a bare echo of the same body, and where the time goes.

Run from the repository: ``python tests/benchmarks/over_http.py [--seconds 5]``. One worker of each, on a free port of
this host, asked by `wrk` where it is installed and else by a small client of our own. Prints rates, their ratio, and
in-process times of decoding, correcting and encoding. It judges nothing.
"""

from __future__ import annotations

import argparse
import asyncio
import re
import shutil
import socket
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from statistics import median
from time import perf_counter, sleep
from typing import Any

import uvicorn
from litestar import Litestar, post

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
CONNECTIONS = 8


def echo() -> Litestar:
    """The framework as it comes, giving back what it was sent."""

    @post(PATH, status_code=200)
    async def back(data: dict[str, Any]) -> dict[str, Any]:
        return data

    return Litestar([back], openapi_config=None, logging_config=None)


def serve_echo(port: int) -> None:
    """Serve the echo by the server as it comes."""
    uvicorn.run(echo(), host="127.0.0.1", port=port, access_log=False, log_level="warning")


def serve_ours(port: int) -> None:
    """Serve the service as `tramwright serve` does, request log included."""
    settings = Settings()
    metrics = Metrics(settings)
    serve(create_app(settings, installed(with_plug_ins=False), metrics), settings, metrics, "127.0.0.1", port)


APPS: dict[str, Callable[[int], None]] = {"echo": serve_echo, "ours": serve_ours}


@contextmanager
def served(name: str) -> Iterator[int]:
    """The port of a server process, once it listens."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = int(probe.getsockname()[1])
    command = [sys.executable, __file__, "--serve", name, "--port", str(port)]
    process = subprocess.Popen(command, stderr=subprocess.DEVNULL)
    try:
        for _ in range(200):
            with socket.socket() as knock:
                if knock.connect_ex(("127.0.0.1", port)) == 0:
                    break
            sleep(0.1)
        yield port
    finally:
        process.terminate()
        process.wait()


def wrk_rate(port: int, body: bytes, seconds: float) -> float:
    """Requests a second as `wrk` counts them."""
    with tempfile.TemporaryDirectory() as folder:
        payload, script = Path(folder, "body.json"), Path(folder, "post.lua")
        payload.write_bytes(body)
        script.write_text(
            'wrk.method = "POST"\nwrk.headers["Content-Type"] = "application/json"\n'
            f'local file = io.open("{payload}")\nwrk.body = file:read("*a")\nfile:close()\n'
        )
        command = ["wrk", "-t1", f"-c{CONNECTIONS}", f"-d{max(1, round(seconds))}", "-s", str(script)]
        told = subprocess.run([*command, f"http://127.0.0.1:{port}{PATH}"], check=True, capture_output=True, text=True)
    if "Non-2xx" in told.stdout:
        raise RuntimeError(told.stdout)
    found = re.search(r"Requests/sec:\s*([\d.]+)", told.stdout)
    assert found, told.stdout
    return float(found[1])


async def own_rate(port: int, body: bytes, seconds: float) -> float:
    """Requests a second of a plain client; slower than `wrk`, so rates are lower and the ratio is flattered."""
    head = (
        f"POST {PATH} HTTP/1.1\r\nHost: bench\r\nContent-Type: application/json\r\nContent-Length: {len(body)}\r\n\r\n"
    )
    request, count, end = head.encode() + body, 0, perf_counter() + seconds

    async def ask() -> None:
        nonlocal count
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        while perf_counter() < end:
            writer.write(request)
            answer = (await reader.readuntil(b"\r\n\r\n")).lower()
            assert answer.startswith(b"http/1.1 200")
            await reader.readexactly(int(answer.split(b"content-length: ")[1].split(b"\r\n")[0]))
            count += 1
        writer.close()

    await asyncio.gather(*(ask() for _ in range(CONNECTIONS)))
    return count / seconds


def rate(port: int, body: bytes, seconds: float) -> float:
    """Requests a second of one server."""
    return wrk_rate(port, body, seconds) if shutil.which("wrk") else asyncio.run(own_rate(port, body, seconds))


def rates(body: bytes, seconds: float, rounds: int) -> list[tuple[float, float]]:
    """Requests a second of echo and ours, turn about, so that a host that speeds up or slows down does so for both."""
    with served("echo") as echo, served("ours") as ours:
        rate(echo, body, 1)
        rate(ours, body, 1)
        return [(rate(echo, body, seconds), rate(ours, body, seconds)) for _ in range(rounds)]


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
    """Measure every shipped example."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--seconds", type=float, default=2.0, help="of each round and server")
    parser.add_argument("--rounds", type=int, default=7)
    parser.add_argument("--example", default="twisted-frame")
    parser.add_argument("--serve", choices=APPS, help=argparse.SUPPRESS)
    parser.add_argument("--port", type=int, help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.serve:
        APPS[given.serve](given.port)
        return
    body = examples.read(given.example)
    print(f"{given.example}: {len(body)} bytes, {'wrk' if shutil.which('wrk') else 'own client'}")
    measured = rates(body, given.seconds, given.rounds)
    for name, values in zip(APPS, zip(*measured, strict=True), strict=True):
        print(f"  {name:<5} {median(values):8.0f} requests/s, median of {given.rounds} rounds")
    ratios = [ours / echo for echo, ours in measured]
    print(f"  ratio {median(ratios):8.3f}, median; from {min(ratios):.3f} to {max(ratios):.3f}")
    parts(body)


if __name__ == "__main__":
    main()
