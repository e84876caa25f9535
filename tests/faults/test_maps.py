"""Maps by the hundred, and while others ask: what they cost whoever serves them. All data invented."""

from __future__ import annotations

import copy
import json
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import httpx

from processes import served
from tramwright_service.catalogue import examples

SVG = {"Accept": "image/svg+xml", "Content-Type": "application/json"}
GROWTH = 8 * 2**20
"""Bytes that 200 maps may leave: a figure that was kept would take 0.3 MB, and so 60 MB in all."""


def request(number: int) -> bytes:
    payload: dict[str, Any] = copy.deepcopy(examples.corrections()["twisted-frame"])
    payload["machine"]["id"] = f"heron-{number}"
    for reading in payload["survey"]["readings"]:
        reading["value"] += 0.001 * ((number * 7 + reading["x"]) % 5)
    return json.dumps(payload).encode()


def resident(client: httpx.Client) -> float:
    lines = client.get("/metrics").text.splitlines()
    return next(float(line.split()[1]) for line in lines if line.startswith("process_resident_memory_bytes "))


def test_maps_of_two_hundred_machines_do_not_grow_memory() -> None:
    with (
        served(map_cache="0", cache="0", log_level="error") as port,
        httpx.Client(base_url=f"http://127.0.0.1:{port}", timeout=60.0) as client,
    ):

        def drawn(number: int) -> int:
            return client.post("/v1/corrections", content=request(number), headers=SVG).status_code

        assert {drawn(number) for number in range(40)} == {200}
        before = resident(client)
        assert {drawn(number) for number in range(40, 240)} == {200}
        assert resident(client) - before < GROWTH


def test_maps_beyond_the_places_are_told_to_come_again_and_the_rest_goes_on() -> None:
    with (
        served(maps="2", map_cache="0", log_level="error") as port,
        httpx.Client(base_url=f"http://127.0.0.1:{port}", timeout=60.0) as client,
        ThreadPoolExecutor(12) as many,
    ):
        assert client.post("/v1/corrections", content=request(0), headers=SVG).status_code == 200
        asked = [
            many.submit(client.post, "/v1/corrections", content=request(number), headers=SVG) for number in range(24)
        ]
        assert client.post("/v1/corrections", content=request(99), headers={**SVG, "Accept": "*/*"}).status_code == 200
        answers = [one.result() for one in asked]
        assert {one.status_code for one in answers} == {200, 503}
        for refused in (one for one in answers if one.status_code == 503):
            assert refused.headers["retry-after"] == "1"
            assert "pictures" in refused.json()["detail"]
