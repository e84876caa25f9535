"""What ``/metrics`` tells: of requests and of work, and of the machines in the store."""

from __future__ import annotations

import re
from typing import Any

import msgspec
import pytest
from litestar.testing import TestClient

from batch_lines import lines, requests
from farm_client import Client
from farm_payloads import BIRDS, OUTSIDE, UNDECIDED, WITHIN, machine, survey
from tramwright_service.farm.fleet import Standings
from tramwright_service.http.app import create_app
from tramwright_service.settings import Settings
from tramwright_service.wire.drift import DriftWarning
from tramwright_service.wire.problems import NO_ACCESS, RequestError
from tramwright_service.wire.stored import Fleet
from tramwright_solvers.mechanisms.registry import Registry

CORRECTIONS = "/v1/corrections"


def numbers(text: str) -> dict[str, float]:
    """Every sample by its name and labels."""
    found = re.findall(r"^([^#\s]\S*(?:\{.*\})?) (\S+)$", text, re.MULTILINE)
    return {name: float(value) for name, value in found}


def test_metrics_tell_what_was_done(registry: Registry, payload: dict[str, Any]) -> None:
    with TestClient(create_app(Settings(log_level="error"), registry)) as one:
        for _ in range(3):
            one.post(CORRECTIONS, json=payload)
        one.post(CORRECTIONS, json={})
        one.get("/v1/nothing/at-all")
        one.get("/v1/solvers/three-screw")
        batch = lines([*requests(4), {"id": "wrong"}])
        one.post(f"{CORRECTIONS}/batch", content=batch, headers={"Content-Type": "application/x-ndjson"})
        answer = one.get("/metrics")
    assert answer.headers["content-type"].startswith("text/plain; version=")
    told = numbers(answer.text)

    def asked(method: str, route: str, status: int) -> float:
        return told[f'tramwright_requests_total{{method="{method}",route="{route}",status="{status}"}}']

    assert (asked("POST", CORRECTIONS, 200), asked("POST", CORRECTIONS, 422)) == (3.0, 1.0)
    assert (asked("GET", "(none)", 404), asked("GET", "/v1/solvers/{name}", 200)) == (1.0, 1.0)
    assert told['tramwright_solve_seconds_count{kind="quick",solvers="three-screw"}'] == 3.0
    assert told['tramwright_batch_lines_total{outcome="answered"}'] == 4.0
    assert told['tramwright_batch_lines_total{outcome="refused"}'] == 1.0
    assert told['tramwright_work_under_way{kind="batch"}'] == 0.0
    assert told['tramwright_places{kind="corrections"}'] == Settings().concurrency
    assert told['tramwright_places{kind="plans"}'] == Settings().plans
    assert told['tramwright_cache_geometries_total{outcome="found"}'] >= 2.0
    assert told['tramwright_cache_geometries_total{outcome="prepared"}'] >= 1.0
    assert 0.0 < told["tramwright_cache_bytes"] <= Settings().cache
    assert told["process_resident_memory_bytes"] > 1e6


@pytest.fixture
def flock(farm: Client) -> Client:
    """Four machines, each standing otherwise."""
    for name, tilt, taken_at in zip(
        BIRDS, (OUTSIDE, UNDECIDED, WITHIN, None), ("2026-05-04T09:30:00Z", None, "2020-05-04T09:30:00Z"), strict=False
    ):
        path = f"/v1/machines/{name}"
        assert farm.put(path, json=machine(check_every=90)).status_code == 201
        if tilt is not None:
            assert farm.post(f"{path}/surveys", json=survey(tilt, taken_at)).status_code == 201
    farm.put(f"/v1/machines/{BIRDS[3]}", json=machine()).raise_for_status()
    return farm


def test_how_machines_stand_is_told_the_worst_first(flock: Client) -> None:
    outside, undecided, stale = BIRDS[:3]
    told = numbers(flock.get("/metrics").text)
    assert told["tramwright_store_up"] == 1.0
    counts = {"outside": 1.0, "undecided": 1.0, "never-surveyed": 1.0, "stale": 1.0, "within": 0.0}
    assert {standing: told[f'tramwright_machines{{standing="{standing}"}}'] for standing in counts} == counts
    assert told[f'tramwright_machine_standing{{machine="{outside}",standing="outside"}}'] == 1.0
    assert told[f'tramwright_machine_standing{{machine="{undecided}",standing="undecided"}}'] == 1.0
    assert told[f'tramwright_machine_standing{{machine="{stale}",standing="stale"}}'] == 1.0
    assert told[f'tramwright_machine_total{{machine="{outside}",units="mm"}}'] > 0.3
    assert told[f'tramwright_machine_limit{{machine="{outside}",units="mm"}}'] == 0.1
    assert told[f'tramwright_machine_surveyed_timestamp_seconds{{machine="{stale}"}}'] == 1588584600.0
    assert f'tramwright_machine_total{{machine="{BIRDS[3]}",units="mm"}}' not in told  # never surveyed


def test_surveys_are_counted_by_one_route_however_the_name_is_written(kestrel: Client) -> None:
    counted = 'tramwright_requests_total{method="POST",route="/v1/machines/{machine}/surveys",status="201"}'
    before = numbers(kestrel.get("/metrics").text).get(counted, 0.0)
    stored = [kestrel.post(f"/v1/machines/{name}/surveys", json=survey()) for name in ("kestrel", "%6Bestrel")]
    assert [answer.json()["number"] for answer in stored] == [1, 2]
    assert stored[1].headers["location"] == "/v1/machines/kestrel/surveys/2"
    assert numbers(kestrel.get("/metrics").text)[counted] == before + 2.0


@pytest.mark.parametrize("most", [0, 1, 2])
def test_of_no_more_machines_than_are_set(
    flock: Client, running: tuple[Client, str], registry: Registry, most: int
) -> None:
    settings = Settings(log_level="error", store=running[1], metrics_machines=most)
    with TestClient(create_app(settings, registry)) as other:
        text = other.get("/metrics").text
    assert len(re.findall(r"^tramwright_machine_standing\{", text, re.MULTILINE)) == most
    assert numbers(text)['tramwright_machines{standing="never-surveyed"}'] == 1.0
    if most == 1:
        assert f'machine="{BIRDS[0]}",standing="outside"' in text


def test_when_a_machine_that_drifts_is_expected_at_its_limit(flock: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    read, at = Standings.fleet, "2026-05-04T09:30:00Z"

    async def drifting(own: Standings, *asked: Any) -> Fleet:
        fleet = await read(own, *asked)
        warned = msgspec.structs.replace(fleet.machines[0], drift=DriftWarning("twist", at, 0.001, at, at, None))
        return msgspec.structs.replace(fleet, machines=[warned, *fleet.machines[1:]])

    monkeypatch.setattr(Standings, "fleet", drifting)
    told = numbers(flock.get("/metrics").text)
    expected = {name: value for name, value in told.items() if "limit_expected" in name}
    name = f'tramwright_machine_limit_expected_timestamp_seconds{{machine="{BIRDS[0]}"}}'
    assert expected == {name: 1777887000.0}


def test_a_store_that_cannot_be_read_hides_nothing_else(farm: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    async def lost(*_: Any) -> None:
        raise RequestError(NO_ACCESS, NO_ACCESS.remedy)

    monkeypatch.setattr(Standings, "fleet", lost)
    told = numbers(farm.get("/metrics").text)
    assert told["tramwright_store_up"] == 0.0
    assert told["process_resident_memory_bytes"] > 1e6
    assert not [name for name in told if name.startswith("tramwright_machine")]
