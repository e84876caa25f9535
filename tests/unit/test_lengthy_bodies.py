"""Lengthy bodies are read one by one, with turns of the event loop between them for what is short."""

from __future__ import annotations

import asyncio
from itertools import pairwise
from typing import Any

from tramwright_service.http.documents import LENGTHY, TURNS, whole


async def arrivals(sizes: list[int]) -> list[tuple[int, int]]:
    """Return the size of each body and the turn of the event loop in which it may be read, all having come at once."""
    turn, running, read = 0, True, list[tuple[int, int]]()

    async def count() -> None:
        nonlocal turn
        while running:
            turn += 1
            await asyncio.sleep(0)

    async def one(size: int) -> None:
        async def receive() -> Any:
            return {"type": "http.request", "body": b" " * size, "more_body": False}

        body = await whole({"headers": []}, receive, 2 * LENGTHY)
        read.append((len(body), turn))

    counting = asyncio.ensure_future(count())
    await asyncio.gather(*(one(size) for size in sizes))
    running = False
    await counting
    return read


def test_lengthy_bodies_that_come_together_are_read_some_turns_apart() -> None:
    read = asyncio.run(arrivals([LENGTHY] * 4))
    turns = [turn for _, turn in read]
    assert all(after - before >= TURNS for before, after in pairwise(turns))


def test_short_bodies_do_not_wait_for_lengthy_ones() -> None:
    read = asyncio.run(arrivals([LENGTHY, LENGTHY, LENGTHY, 9, LENGTHY - 1]))
    assert [size for size, _ in read[:3]] == [LENGTHY, 9, LENGTHY - 1]
    assert read[0][1] == read[1][1] == read[2][1]


def test_a_loop_that_ended_meanwhile_holds_nobody_up() -> None:
    for _ in range(2):
        assert asyncio.run(asyncio.wait_for(arrivals([LENGTHY]), 10.0)) == [(LENGTHY, 1)]
