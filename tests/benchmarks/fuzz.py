"""Spoilt requests against a running service: how many of which route were answered with what.

Run from the repository: ``python tests/benchmarks/fuzz.py [--count 200000] [--seed 1]``. Bodies are the examples of
every route with values replaced, members left out, renamed or added, and bytes cut or changed; the same for the same
seed. Every answer of the service's own fault (5xx but 503), every one that does not come, and every problem without a
sentence is printed with its body.
"""

from __future__ import annotations

import argparse
import asyncio
import copy
import random
import sys
from collections import Counter
from pathlib import Path
from typing import Any

import httpx
import msgspec

sys.path.insert(0, str(Path(__file__).parents[1]))

from attack import served

from tramwright_service.catalogue import examples
from tramwright_service.catalogue.endpoints import QUESTIONS

NUMBERS: list[Any] = [0, -0.0, 1, -1, 2, 1e-300, 1e300, -1e300, 1e5, 1e-6, 5e-324, 2**63, 2**64, 0.1 + 0.2, 400.0]
TEXTS = ["", "mm", "inch", "m'm", "`'\"", " - at `$.machine", "\x00", "\x9b2J", "\u202e", "é" * 70, "k" * 5000]
OTHERS: list[Any] = [None, True, False, [], [[]], [0, 0], [1, 0], [0.0, 400.0], [1] * 300, {}, {"": 0}, {"id": "x"}]
WORDS = ["2026-02-30", "2026-03-01T00:00:00Z", "four-screw", "minimum-zone", "rigid", "up", "left", "shim"]
HOSTILE = [*NUMBERS, *TEXTS, *OTHERS, *WORDS, {"x": 1, "y": 2, "value": 3}]
"""Values that stand where others are expected; invented."""
WHOLE = [b"", b"null", b"[]", b"{}", b"nan", b'{"machine":NaN}', b"\xff\xfe", b"[" * 5000, b'{"a":' * 5000, b"1e999"]
NAMES = ["id", "x", "y", "value", "machine", "survey", "solve", "setup", "time", "travel", "step", "previous", "\u202e"]
FORMS = ["application/json"] * 40 + ["application/msgpack"] * 8 + ["application/json; charset=utf-8", "text/plain", ""]
FACTORS = (-1, 0, 0.5, 0.9, 0.999, 1.001, 1.1, 2, 25.4, 1e-9, 1e3, 1e6, 1e12, 1e308)
SLOW = {"survey-plans": 200}
"""Of routes whose accepted requests take long, one request in so many."""


def parts(document: Any) -> list[tuple[Any, Any]]:
    """Return every place in a document, as its container and key."""
    found: list[tuple[Any, Any]] = []
    for key, below in list(document.items() if isinstance(document, dict) else enumerate(document)):
        found.append((document, key))
        if isinstance(below, dict | list):
            found += parts(below)
    return found


def spoilt(document: Any, chance: random.Random) -> Any:
    """Return a document with one to three faults, or with some numbers changed."""
    document = copy.deepcopy(document)
    if chance.random() < 0.4:
        places = [(holder, key) for holder, key in parts(document) if type(holder[key]) in (int, float)]
        for holder, key in chance.choices(places, k=chance.choice((1, 1, 2, 5, 20))):
            holder[key] = holder[key] * chance.choice(FACTORS) + chance.choice((0, 0, 0, 0.01, -1.0, 100.0))
        return document
    for _ in range(chance.choice((1, 1, 1, 2, 3))):
        places = parts(document)
        if not places:
            break
        holder, key = chance.choice(places)
        deed = chance.randrange(7)
        if deed <= 2:
            holder[key] = copy.deepcopy(chance.choice(HOSTILE))
        elif deed == 3:
            del holder[key]
        elif deed == 4 and isinstance(holder, list):
            holder += [copy.deepcopy(holder[key])] * chance.choice((1, 2, 50))
        elif deed == 5 and isinstance(holder[key], int | float):
            holder[key] *= chance.choice(FACTORS)
        elif isinstance(holder, dict):
            holder[chance.choice(NAMES)] = holder[key]
        else:
            chance.shuffle(holder)
    return document


def body(document: Any, form: str, chance: random.Random) -> bytes:
    """Write a document, rarely with bytes cut or changed."""
    if chance.random() < 0.01:
        return chance.choice(WHOLE)
    written: bytes
    try:
        written = (msgspec.msgpack if "msgpack" in form else msgspec.json).encode(document)
    except (OverflowError, ValueError):
        written = msgspec.json.encode(msgspec.json.decode(msgspec.json.encode(str(document))))
    if chance.random() < 0.05:
        cut = chance.randrange(len(written))
        written = written[:cut] + chance.choice((b"", b"\x00", b'"', b"}", b",", b"\xff", written)) + written[cut + 1 :]
    return written


async def fuzz(where: str, count: int, seed: int, at_once: int) -> int:
    """Send spoilt requests; return how many answers are the service's own fault."""
    chance = random.Random(seed)
    known = [("corrections", one) for one in examples.corrections().values()]
    known += [(question.name, one) for question in QUESTIONS for one in examples.of(question.name).values()]
    found: Counter[tuple[str, int]] = Counter()
    faults, left = 0, count

    async def one_client(client: httpx.AsyncClient) -> None:
        nonlocal faults, left
        while left > 0:
            name, document = chance.choice(known)
            if chance.randrange(SLOW.get(name, 1)):
                continue
            left -= 1
            form = chance.choice(FORMS)
            sent = body(spoilt(document, chance), form, chance)
            try:
                answer = await client.post(f"/v1/{name}", content=sent, headers={"Content-Type": form} if form else {})
                status, text = answer.status_code, answer.text
            except httpx.TransportError as error:
                status, text = 0, repr(error)
            found[name, status] += 1
            silent = status >= 400 and '"detail":"' not in text
            if (status >= 500 and status != 503) or status == 0 or silent:
                faults += 1
                print(f"{name} {status} {text[:300]}\n  {sent[:2000]!r}", flush=True)

    async with httpx.AsyncClient(base_url=where, timeout=120.0) as client:
        await asyncio.gather(*(one_client(client) for _ in range(at_once)))
    for (name, status), times in sorted(found.items()):
        print(f"{name:15} {status} {times:7}")
    return faults


def main() -> None:
    """Send and print; the exit status says whether anything was found."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=200_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--at-once", type=int, default=8)
    given = parser.parse_args()
    with served() as (where, _):
        faults = asyncio.run(fuzz(where, given.count, given.seed, given.at_once))
    print(f"{given.count} requests, {faults} found wrong")
    sys.exit(faults > 0)


if __name__ == "__main__":
    main()
