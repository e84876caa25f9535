"""Lines of a batch, all invented: a shipped example with other readings on every line."""

from __future__ import annotations

import copy
import random
from collections.abc import Iterator
from typing import Any

import msgspec

from tramwright_service.batch.splitter import Chunk, Detail, Splitter
from tramwright_service.catalogue import examples


def requests(count: int, name: str = "tilted-bed", seed: int = 3, **options: Any) -> list[dict[str, Any]]:
    """Return requests with scatter of hundredths on the readings of an example."""
    shipped, dice = examples.corrections()[name], random.Random(seed)
    made = []
    for number in range(count):
        request: dict[str, Any] = copy.deepcopy(shipped)
        request["solve"] |= options
        for reading in request["survey"]["readings"]:
            given = reading["value"]
            reading["value"] = (
                [round(value + dice.gauss(0, 0.01), 3) for value in given]
                if isinstance(given, list)
                else round(given + dice.gauss(0, 0.01), 3)
            )
        made.append({"id": f"survey-{number}", **request})
    return made


def each_of_its_own(count: int, name: str = "tilted-bed", *, named: bool = True) -> list[dict[str, Any]]:
    """Return requests as :func:`requests` does, each of a machine of its own, read at stations of its own.

    Unless they are ``named``, they are no lines of a batch but what a route for one survey takes.
    """
    dice, made = random.Random(5), requests(count, name)
    for number, one in enumerate(made):
        machine = one["machine"] = copy.deepcopy(one["machine"]) | {"id": f"wren-{number}"}
        for part in [*machine["supports"], *machine.get("rails", {}).get("seats", [])]:
            part["x"] += dice.randint(-20, 20) / 10
        for reading in one["survey"]["readings"]:
            reading["x"] += dice.randint(-50, 50) / 10
        if not named:
            del one["id"]
    return made


def lines(entries: list[Any]) -> bytes:
    """Return entries as lines; one that is bytes already stands as it is."""
    return b"".join((one if isinstance(one, bytes) else msgspec.json.encode(one)) + b"\n" for one in entries)


def answers(body: bytes) -> list[dict[str, Any]]:
    """Return the lines of an answer."""
    return [msgspec.json.decode(line) for line in body.splitlines()]


def cut_all(pieces: Iterator[bytes], detail: Detail, most: int, most_lines: int) -> Iterator[Chunk]:
    """Cut a stream that is all there into chunks of exactly ``most_lines``, the last one excepted."""
    cutter = Splitter(detail, most)
    for piece in pieces:
        cutter.feed(piece)
        while cutter.waiting >= most_lines:
            if chunk := cutter.cut(most_lines):
                yield chunk
    cutter.end()
    while chunk := cutter.cut(most_lines):
        yield chunk
