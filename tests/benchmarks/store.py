"""The stored farm: surveys posted a second against corrections that store nothing; a large farm against a small one.

Run from the repository with ``tests`` on the path: ``PYTHONPATH=tests python tests/benchmarks/store.py``. A service on
a free port of this host with a store in an SQLite file, asked by a plain client, the sides turn about: corrections,
and surveys of two machines and of many in turn, half of them within their limit. The farms have 100 and 10 000 machines
with 100 surveys each, all invented. Prints rates, processor times of the server, times and their ratios; it judges
nothing.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import os
import sqlite3
import tempfile
from collections.abc import Sequence
from pathlib import Path
from statistics import median
from time import perf_counter
from typing import NamedTuple

from farm_payloads import OUTSIDE, WITHIN, machine, survey
from forked_services import Service, forks

CONNECTIONS = (8, 32)
FLOCKS = (2, 200)
"""Machines that surveys are posted of in turn, half of them within their limit."""
SMALL, LARGE, SURVEYS = 100, 10_000, 100
ROOT = "/v1/machines/kestrel"
TICK = 1e6 / os.sysconf("SC_CLK_TCK")


class Rate(NamedTuple):
    """Posts a second that are answered well, and microseconds of a processor that each takes the server."""

    each_second: float
    each: float


def spent(service: Service) -> float:
    """Microseconds of a processor that the server has taken so far."""
    user, system = Path(f"/proc/{service.pid}/stat").read_text().rpartition(")")[2].split()[11:13]
    return (int(user) + int(system)) * TICK


def message(path: str, payload: object) -> bytes:
    """A post as it is sent."""
    body = json.dumps(payload).encode()
    head = (
        f"POST {path} HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/json\r\n"
        f"Content-Length: {len(body)}\r\n\r\n"
    )
    return head.encode() + body


async def rate(service: Service, connections: int, messages: Sequence[bytes], seconds: float) -> Rate:
    """Post these in turn."""
    count, end, before = 0, perf_counter() + seconds, spent(service)

    async def ask() -> None:
        nonlocal count
        reader, writer = await asyncio.open_connection("127.0.0.1", service.port)
        while perf_counter() < end:
            writer.write(messages[count % len(messages)])
            count += 1
            answer = (await reader.readuntil(b"\r\n\r\n")).lower()
            assert answer.startswith((b"http/1.1 200", b"http/1.1 201")), answer
            await reader.readexactly(int(answer.split(b"content-length: ")[1].split(b"\r\n")[0]))
        writer.close()

    start = perf_counter()
    await asyncio.gather(*(ask() for _ in range(connections)))
    return Rate(count / (perf_counter() - start), (spent(service) - before) / count)


def posting(rounds: int, seconds: float) -> None:
    """Print how many surveys are stored a second, for each correction that is not."""
    with tempfile.TemporaryDirectory() as folder, forks(str(Path(folder, "farm.db"))) as start:
        service = start.service()
        sent = [survey(tilt) for tilt in (OUTSIDE, WITHIN)]
        roots = [f"/v1/machines/bird-{number}" for number in range(max(FLOCKS))]
        for root in roots:
            assert service.ask("PUT", root, machine())[0] == 201
        computed = [message("/v1/corrections", {"machine": machine()["machine"], **one}) for one in sent]
        posted = [message(f"{root}/surveys", sent[number % 2]) for number, root in enumerate(roots)]
        sides = [computed, *(posted[:machines] for machines in FLOCKS)]
        print(f"surveys of {len(sent[0]['survey']['readings'])} readings posted, {rounds} rounds, medians:")
        for number in CONNECTIONS:
            measured = [[asyncio.run(rate(service, number, one, seconds)) for one in sides] for _ in range(rounds + 1)]
            del measured[0]  # it warms up
            told = [told_of(one) for one in zip(*measured, strict=True)]
            print(f"  {number:3} connections: not stored, {told[0]}")
            for place, machines in enumerate(FLOCKS, 1):
                ratios = [one[place].each_second / one[0].each_second for one in measured]
                print(
                    f"    stored, of {machines} machines in turn: {told[place]}; ratio {median(ratios):.2f}, from "
                    f"{min(ratios):.2f} to {max(ratios):.2f}"
                )


def told_of(rates: Sequence[Rate]) -> str:
    """The medians of rates."""
    each_second, each = (median(values) for values in zip(*rates, strict=True))
    return f"{each_second:.0f} a second, {each:.0f} µs of the server's processor each"


def fill(path: Path, machines: int) -> None:
    """Make a farm of so many machines from one whose surveys were posted; its rows are copied inside the database."""
    with forks(str(path)) as start:
        service = start.service()
        service.ask("PUT", ROOT, machine(site="hall 1", tags=["mill"], check_every=1e4))
        for _ in range(SURVEYS):
            assert service.ask("POST", f"{ROOT}/surveys", survey(0.3))[0] == 201
    file = sqlite3.connect(path)
    file.execute("PRAGMA synchronous=OFF")
    file.execute(
        "CREATE TEMP TABLE birds AS "
        f"WITH RECURSIVE n(i) AS (SELECT 2 UNION ALL SELECT i + 1 FROM n WHERE i < {machines}) "
        "SELECT printf('bird-%05d', i) AS name FROM n"
    )
    for table in ("machines", "descriptions", "tags", "surveys", "corrections", "terms"):
        key = "id" if table == "machines" else "machine"
        columns = [row[1] for row in file.execute(f"PRAGMA table_info({table})")]
        named = ", ".join("birds.name" if column == key else f't."{column}"' for column in columns)
        file.execute(f"INSERT INTO {table} SELECT {named} FROM birds CROSS JOIN {table} t WHERE t.{key} = 'kestrel'")
    # one in five is outside; of the others some are undecided, and some stale
    others = "WHERE id <> 'kestrel' AND abs(random() %"
    file.execute(f"UPDATE machines SET place = place * (1 + abs(random() % 1000) / 1000.0) {others} 1) = 0")
    stale = "taken_at + (abs(random() % 100) - 20) * 86400000000"
    file.execute(f"UPDATE machines SET standing = 'within', stale_at = {stale} {others} 10) > 1")
    file.execute(f"UPDATE machines SET standing = 'undecided' {others} 8) = 0 AND standing = 'within'")
    file.commit()
    file.close()


async def seconds_each(port: int, path: str, times: int) -> float:
    """Median time of a GET over one connection."""
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    taken = []
    for _ in range(times):
        start = perf_counter()
        writer.write(f"GET {path} HTTP/1.1\r\nHost: localhost\r\n\r\n".encode())
        answer = (await reader.readuntil(b"\r\n\r\n")).lower()
        assert answer.startswith(b"http/1.1 200"), answer
        await reader.readexactly(int(answer.split(b"content-length: ")[1].split(b"\r\n")[0]))
        taken.append(perf_counter() - start)
    writer.close()
    return median(taken)


def sizes(rounds: int) -> None:
    """Print how much longer answers take where there are a hundred times as many machines."""
    with tempfile.TemporaryDirectory() as folder:
        farms = [Path(folder, name) for name in ("small.db", "large.db")]
        for path, machines in zip(farms, (SMALL, LARGE), strict=True):
            start = perf_counter()
            fill(path, machines)
            size = path.stat().st_size / 2**20
            print(f"{machines} machines with {SURVEYS} surveys each, {size:.0f} MiB ({perf_counter() - start:.0f} s)")
        with forks(str(farms[0])) as little, forks(str(farms[1])) as big:
            both: list[Service] = [little.service(), big.service()]
            for name, path in (
                ("fleet", "/v1/fleet"),
                ("machine", ROOT),
                ("standing", f"{ROOT}/standing"),
                ("surveys", f"{ROOT}/surveys"),
                ("history", f"{ROOT}/history"),
                ("survey", f"{ROOT}/surveys/50"),
            ):
                for one in both:
                    asyncio.run(seconds_each(one.port, path, 20))
                measured = [[asyncio.run(seconds_each(one.port, path, 30)) for one in both] for _ in range(rounds)]
                ratios = [large / small for small, large in measured]
                small, large = (1e3 * median(times) for times in zip(*measured, strict=True))
                print(
                    f"  {name:<9} {small:7.2f} ms and {large:7.2f} ms, ratio {median(ratios):.2f}, median; "
                    f"from {min(ratios):.2f} to {max(ratios):.2f}"
                )


def main() -> None:
    """Measure both."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--seconds", type=float, default=2.0, help="of each round and side of the posting")
    parser.add_argument("--rounds", type=int, default=7)
    given = parser.parse_args()
    posting(given.rounds, given.seconds)
    sizes(given.rounds)


if __name__ == "__main__":
    main()
