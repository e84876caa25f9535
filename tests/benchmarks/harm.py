"""What everybody else notices while harmful plug-ins are asked, by kind of harm.

Run from the repository: ``python tests/benchmarks/harm.py [--rounds 6] [--seconds 3] [--at-once 4] [--allowed 3]
[--only exits 'all at once']``. A service of its own, on a free port of this host, with the plug-ins of ``dangerous.py``
installed; each is asked again and again by so many clients on the machine that it harms, with other readings each time.
For each it prints the 99th percentile of ``/health/live`` and of a correction by built-in solvers, over that of the
same service when nobody asks for a plug-in, by turns in the same run; and what became of those who asked. Last, all of
them at once. It judges nothing.
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
from itertools import chain
from pathlib import Path
from random import random
from statistics import median
from time import perf_counter, sleep
from typing import Any

import httpx
import msgspec

sys.path.insert(0, str(Path(__file__).parents[1]))

from attack import asked, p99

import dangerous
from processes import free_port
from tramwright_service.catalogue import examples

ALL = "all at once"
BEFORE, AFTER = 0.7, 0.5
"""Seconds for which the crowd asks before others are measured, and after; then what it began is given time to end."""


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
    """Ask a plug-in again and again, each time with other readings; return how often it was answered with what."""
    found: Counter[str] = Counter()
    asking: Any = dangerous.asking(name, dangerous.HARM)
    while (left := until - perf_counter()) > 0.0:
        asking["survey"]["readings"][0]["value"] = random()
        try:
            answer = await client.post("/v1/corrections", json=asking, timeout=left + 0.1)
            found[str(answer.status_code)] += 1
        except httpx.TimeoutException:
            found["left"] += 1
    return found


def crowd(where: str, names: list[str], at_once: int) -> None:
    """Be those who ask, in a process that gives way, as one on another host would: for so many seconds as each line
    of standard input says, telling after each what became of them."""
    os.nice(10)

    async def all_of_them(seconds: float) -> list[Counter[str]]:
        until = perf_counter() + seconds
        async with httpx.AsyncClient(base_url=where, limits=httpx.Limits(max_connections=None)) as client:
            return await asyncio.gather(*(harmed(client, name, until) for name in names for _ in range(at_once)))

    for line in sys.stdin:
        found = sum(asyncio.run(all_of_them(float(line))), Counter[str]())
        print(msgspec.json.encode(found).decode(), flush=True)


async def others(where: str, seconds: float) -> tuple[list[float], list[float]]:
    """Return how long answers took others, in seconds: of ``/health/live``, and of a correction."""
    frame, until = msgspec.json.encode(examples.corrections()["twisted-frame"]), perf_counter() + seconds
    async with httpx.AsyncClient(base_url=where, timeout=300.0) as mine:
        return await asyncio.gather(
            asked(mine, "/health/live", None, until), asked(mine, "/v1/corrections", frame, until)
        )


def compared(where: str, names: list[str], given: argparse.Namespace) -> str:
    """Measure others without and with the crowd, by turns; return both percentiles and what became of the crowd.

    The order changes with every round, so that neither has more of what else goes on on this host.
    """
    command = [sys.executable, __file__, "--crowd", where, *names, "--at-once", str(given.at_once)]
    process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
    assert process.stdin is not None
    assert process.stdout is not None
    became: Counter[str] = Counter()
    took: dict[bool, list[tuple[list[float], list[float]]]] = {False: [], True: []}
    try:
        for at in range(2 * given.rounds):
            harmful = at % 4 in (1, 2)
            if harmful:
                print(given.seconds + BEFORE + AFTER, file=process.stdin, flush=True)
                sleep(BEFORE)
            took[harmful].append(asyncio.run(others(where, given.seconds)))
            if harmful:
                became.update(msgspec.json.decode(process.stdout.readline(), type=dict[str, int]))
                sleep(AFTER)
    finally:
        process.stdin.close()
        process.wait()
    told = []
    for which, what in enumerate(("live", "correction")):
        before, during = ([one[which] for one in took[harmful]] for harmful in (False, True))
        quiet, loud = (p99([*chain.from_iterable(one)]) for one in (before, during))
        each = sorted(p99(b) / p99(a) for a, b in zip(before, during, strict=True))
        told.append(
            f"{what} p99 {loud:.1f} ms, × {loud / quiet:.1f} (by rounds × {each[0]:.1f} to {each[-1]:.1f}, "
            f"median {median(each):.1f})"
        )
    answered = ", ".join(f"{n} × {name}" for name, n in sorted(became.items()))
    return f"{'; '.join(told)}; who asked: {answered}"


def main() -> None:
    """Ask and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=3.0)
    parser.add_argument("--rounds", type=int, default=6)
    parser.add_argument("--at-once", type=int, default=4)
    parser.add_argument("--allowed", type=int, default=3)
    parser.add_argument("--only", nargs="+", help="Kinds of harm, by name.")
    parser.add_argument("--crowd", nargs="+", help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.crowd:
        where, *names = given.crowd
        crowd(where, names, given.at_once)
        return
    kinds = [kind.name() for kind in dangerous.IN_USE]
    with served(given.allowed) as where:
        asyncio.run(others(where, 2.0))
        for said, names in [*((name, [name]) for name in kinds), (ALL, kinds)]:
            if given.only is None or said in given.only:
                print(f"{said}: {compared(where, names, given)}", flush=True)


if __name__ == "__main__":
    main()
