"""What everybody else notices while the costliest accepted requests are sent, by kind of work.

Run from the repository: ``python tests/benchmarks/attack.py [--seconds 10] [--at-once 8]``. A service of its own, on a
free port of this host; the bodies are found by search (``costliest.py``). For each attack it prints the 99th percentile
of ``/health/live`` and of a quick correction, over those of the unloaded service; what became of the attackers; and the
largest resident memory of the service with its workers. It judges nothing.
"""

from __future__ import annotations

import argparse
import asyncio
import os
import socket
import subprocess
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from time import perf_counter, sleep
from typing import NamedTuple

import httpx
import msgspec

sys.path.insert(0, str(Path(__file__).parents[1]))

from costliest import Shape, costliest
from tramwright_service.catalogue import examples
from tramwright_service.settings import Settings
from tramwright_solvers.correction.cost import QUICK, Most, correction_cost

JSON = {"Content-Type": "application/json"}
EVERY = 0.02
"""Seconds between two requests of those who only want a quick answer."""
COUNT = 64


class Attack(NamedTuple):
    """Where a body is sent, as what."""

    path: str
    body: bytes
    media_type: str = "application/json"


def attacks() -> dict[str, Attack]:
    """Return the costliest accepted request of each kind of work."""
    most = Settings().most
    encode = msgspec.json.encode

    def correction(shape: Shape) -> Attack:
        machine, survey, solve = shape.request()
        return Attack("/v1/corrections", encode({"machine": machine, "survey": survey, "solve": solve}))

    quick = costliest(Most(QUICK), lambda cost: cost.seconds if cost.quick else 0.0)
    slow, large = costliest(most, lambda cost: cost.seconds), costliest(most, lambda cost: cost.bytes)
    for name, shape in (("quick", quick), ("in time", slow), ("in memory", large)):
        cost = correction_cost(*shape.request())
        print(f"costliest {name:10} {shape}\n  estimated {cost.seconds:.3g} s, {cost.bytes / 1e6:.0f} MB")
    machine, survey, _ = Shape(True, COUNT, 400, 1, 1, zone=False, bounded=False, learning=False).request()
    stations = [{"x": reading.x, "y": reading.y} for reading in survey.readings]
    plan = {"machine": machine, "count": 400, "spacing": 7.8, "stations": stations}
    read = Shape(True, 0, 441, 1, 1, zone=False, bounded=False, learning=False).survey
    placed = [{"readings": read(turn), "turned": 90 * turn} for turn in range(4)]
    lines = b"\n".join([correction(slow).body, correction(large).body] * 4)
    return {
        "quick corrections": correction(quick),
        "long corrections": correction(slow),
        "large corrections": correction(large),
        "survey plans": Attack("/v1/survey-plans", encode(plan)),
        "reversals": Attack("/v1/reversals", encode({"machine": machine, "surveys": placed})),
        "batches": Attack("/v1/corrections/batch", lines, "application/x-ndjson"),
    }


@contextmanager
def served() -> Iterator[tuple[str, int]]:
    """Yield address and process id of a service."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = int(probe.getsockname()[1])
    code = f"from tramwright_service.cli.main import main; main(['serve', '--port', '{port}'])"
    environment = os.environ | {"OPENBLAS_NUM_THREADS": "1", "TRAMWRIGHT_LOG_LEVEL": "error"}
    process = subprocess.Popen(
        [sys.executable, "-c", code], env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    try:
        for _ in range(600):
            with suppress(httpx.TransportError):
                if httpx.get(f"http://127.0.0.1:{port}/health/ready").status_code == 200:
                    break
            sleep(0.1)
        yield f"http://127.0.0.1:{port}", process.pid
    finally:
        process.terminate()
        process.wait()


def resident(pid: int) -> int:
    """Return the resident bytes of a process and its children."""
    total = 0
    for entry in Path("/proc").iterdir():
        with suppress(OSError, ValueError):
            stat = (entry / "stat").read_text().rpartition(")")[2].split()
            if int(entry.name) == pid or int(stat[1]) == pid:
                total += int((entry / "statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE")
    return total


async def asked(client: httpx.AsyncClient, path: str, body: bytes | None, until: float) -> list[float]:
    """Ask every now and then; return how long each answer took, in seconds."""
    took = []
    while perf_counter() < until:
        start = perf_counter()
        answer = await (client.get(path) if body is None else client.post(path, content=body, headers=JSON))
        took.append(perf_counter() - start)
        assert answer.status_code == 200, answer.text
        await asyncio.sleep(EVERY)
    return took


async def attacked(client: httpx.AsyncClient, attack: Attack, until: float) -> Counter[str]:
    """Send a body again and again; return how often it was answered with what."""
    found: Counter[str] = Counter()
    while (left := until - perf_counter()) > 0.0:
        sent = {"Content-Type": attack.media_type}
        try:
            answer = await client.post(attack.path, content=attack.body, headers=sent, timeout=left + 0.1)
            found[str(answer.status_code)] += 1
            if answer.status_code == 503:
                await asyncio.sleep(0.2)
        except httpx.TimeoutException:
            found["left"] += 1
        except httpx.TransportError as error:
            found[type(error).__name__] += 1
    return found


def watched(pid: int, until: float) -> int:
    """Return the largest resident memory seen."""
    most = 0
    while perf_counter() < until:
        most = max(most, resident(pid))
        sleep(0.2)
    return most


def p99(took: list[float]) -> float:
    """Return the 99th percentile, in milliseconds."""
    return 1e3 * sorted(took)[int(0.99 * (len(took) - 1))]


def crowd(where: str, attack: Attack, seconds: float, at_once: int) -> None:
    """Be the attackers, in a process that gives way, as one on another host would; print what became of them."""
    os.nice(10)

    async def all_of_them() -> list[Counter[str]]:
        until = perf_counter() + seconds
        async with httpx.AsyncClient(base_url=where) as client:
            return await asyncio.gather(*(attacked(client, attack, until) for _ in range(at_once)))

    print(", ".join(f"{n} × {name}" for name, n in sorted(sum(asyncio.run(all_of_them()), Counter[str]()).items())))


async def under(where: str, pid: int, attack: Attack | None, seconds: float, at_once: int) -> tuple[float, float, str]:
    """Return both percentiles, and what became of the attackers, in words."""
    frame, process = msgspec.json.encode(examples.corrections()["twisted-frame"]), None
    with tempfile.NamedTemporaryFile() as body:
        if attack:
            body.write(attack.body)
            body.flush()
            command = [sys.executable, __file__, "--crowd", where, attack.path, body.name, attack.media_type]
            command += ["--seconds", str(seconds), "--at-once", str(at_once)]
            process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
            await asyncio.sleep(1.0)
        until = perf_counter() + seconds - (1.5 if attack else 0.0)
        async with httpx.AsyncClient(base_url=where, timeout=300.0) as mine:
            live, quick, most = await asyncio.gather(
                asked(mine, "/health/live", None, until),
                asked(mine, "/v1/corrections", frame, until),
                asyncio.to_thread(watched, pid, until),
            )
        fate = process.communicate()[0].strip() if process else "none"
    return p99(live), p99(quick), f"{most / 1e6:.0f} MB; attackers: {fate}"


def main() -> None:
    """Attack and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=10.0)
    parser.add_argument("--at-once", type=int, default=8)
    parser.add_argument("--crowd", nargs=4, help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.crowd:
        where, path, body, media_type = given.crowd
        crowd(where, Attack(path, Path(body).read_bytes(), media_type), given.seconds, given.at_once)
        return
    found = attacks()
    with served() as (where, pid):
        asyncio.run(under(where, pid, None, 2.0, 0))
        live, quick, told = asyncio.run(under(where, pid, None, given.seconds, 0))
        print(f"unloaded: live p99 {live:.1f} ms, quick p99 {quick:.1f} ms, {told}")
        for name, attack in found.items():
            own, others, told = asyncio.run(under(where, pid, attack, given.seconds, given.at_once))
            ratios = f"live p99 {own:.1f} ms (× {own / live:.1f}), quick p99 {others:.1f} ms (× {others / quick:.1f})"
            print(f"{name}: {ratios}, {told}")


if __name__ == "__main__":
    main()
