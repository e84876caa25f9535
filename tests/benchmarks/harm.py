"""What everybody else notices while harmful plug-ins are asked, by kind of harm.

Run from the repository: ``python tests/benchmarks/harm.py [--seconds 10] [--at-once 4] [--allowed 3]``. A service of
its own, on a free port of this host, with the plug-ins of ``dangerous.py`` installed; each is asked again and again by
so many clients on the machine that it harms. For each it prints the 99th percentile of ``/health/live`` and of a
correction by built-in solvers, over those of the same service just before, when nobody asked for a plug-in; and
what became of those who asked. Last, one whole round with all of them at once. It judges nothing.
"""

from __future__ import annotations

import argparse
import asyncio
import os
import subprocess
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from time import perf_counter, sleep

import httpx
import msgspec

sys.path.insert(0, str(Path(__file__).parents[1]))

from attack import asked, p99

import dangerous
from processes import free_port
from tramwright_service.catalogue import examples

JSON = {"Content-Type": "application/json"}
ALL = "all at once"


@contextmanager
def served(allowed: int) -> Iterator[str]:
    """Yield the address of a service with the harmful plug-ins."""
    with tempfile.TemporaryDirectory() as folder:
        dangerous.announce(Path(folder) / "plug-ins")
        port = free_port()
        code = f"from tramwright_service.cli.main import main; main(['serve', '--port', '{port}'])"
        own = {
            "OPENBLAS_NUM_THREADS": "1",
            "PYTHONPATH": os.pathsep.join([f"{folder}/plug-ins", str(Path(dangerous.__file__).parent), *sys.path]),
            "TRAMWRIGHT_PLUG_IN_SECONDS": str(allowed),
        }
        quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
        process = subprocess.Popen([sys.executable, "-c", code], env=os.environ | own, **quiet)
        try:
            where = f"http://127.0.0.1:{port}"
            while True:
                with suppress(httpx.TransportError):
                    if httpx.get(f"{where}/health/ready").status_code == 200:
                        break
                sleep(0.1)
            yield where
        finally:
            process.terminate()
            process.wait()


async def harmed(client: httpx.AsyncClient, name: str, until: float) -> Counter[str]:
    """Ask a plug-in again and again; return how often it was answered with what."""
    found: Counter[str] = Counter()
    body = msgspec.json.encode(dangerous.asking(name, dangerous.HARM))
    while (left := until - perf_counter()) > 0.0:
        try:
            answer = await client.post("/v1/corrections", content=body, headers=JSON, timeout=left + 0.1)
            found[str(answer.status_code)] += 1
            if answer.status_code == 503:
                await asyncio.sleep(0.2)
        except httpx.TimeoutException:
            found["left"] += 1
    return found


def crowd(where: str, names: list[str], seconds: float, at_once: int) -> None:
    """Be those who ask, in a process that gives way, as one on another host would; print what became of them."""
    os.nice(10)

    async def all_of_them() -> list[Counter[str]]:
        until = perf_counter() + seconds
        async with httpx.AsyncClient(base_url=where) as client:
            return await asyncio.gather(*(harmed(client, name, until) for name in names for _ in range(at_once)))

    print(", ".join(f"{n} × {name}" for name, n in sorted(sum(asyncio.run(all_of_them()), Counter[str]()).items())))


async def measured(where: str, names: list[str], seconds: float, at_once: int) -> tuple[float, float, str]:
    """Return both percentiles of the others, in milliseconds, and what became of those who asked."""
    frame, process = msgspec.json.encode(examples.corrections()["twisted-frame"]), None
    if names:
        command = [sys.executable, __file__, "--crowd", where, *names]
        command += ["--seconds", str(seconds), "--at-once", str(at_once)]
        process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
        await asyncio.sleep(1.5)
    until = perf_counter() + seconds - (2.0 if names else 0.0)
    async with httpx.AsyncClient(base_url=where, timeout=300.0) as mine:
        live, quick = await asyncio.gather(
            asked(mine, "/health/live", None, until), asked(mine, "/v1/corrections", frame, until)
        )
    return p99(live), p99(quick), process.communicate()[0].strip() if process else ""


def main() -> None:
    """Ask and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=10.0)
    parser.add_argument("--at-once", type=int, default=4)
    parser.add_argument("--allowed", type=int, default=3)
    parser.add_argument("--crowd", nargs="+", help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.crowd:
        where, *names = given.crowd
        crowd(where, names, given.seconds, given.at_once)
        return
    kinds = [kind.name() for kind in dangerous.IN_USE]
    with served(given.allowed) as where:
        asyncio.run(measured(where, [], 2.0, 0))
        for said, names in [*((name, [name]) for name in kinds), (ALL, kinds)]:
            live, quick, _ = asyncio.run(measured(where, [], given.seconds, 0))
            own, others, told = asyncio.run(measured(where, names, given.seconds, given.at_once))
            ratios = (
                f"live p99 {own:.1f} ms (× {own / live:.1f}), correction p99 {others:.1f} ms (× {others / quick:.1f})"
            )
            print(f"{said}: {ratios}; who asked: {told}", flush=True)


if __name__ == "__main__":
    main()
