"""The demonstration: every kind of machine and of standing, told truly, and the same on every day it is started."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import pytest

import stores
from farm_client import Client, serving
from simulated_machine import SimulatedMachine, grid
from tramwright_service.catalogue import examples
from tramwright_service.demo.birds import BIRDS
from tramwright_service.demo.geometry import gaps
from tramwright_service.demo.year import lived
from tramwright_solvers.mechanisms.registry import Registry
from tramwright_solvers.model.machine import Machine

TODAY = datetime.now(UTC).replace(hour=0, minute=0, second=0, microsecond=0)

MEANT = {
    "heron": ("outside", "move"),  # set down hard in transport
    "plover": ("outside", "move"),
    "lapwing": ("outside", "move"),
    "siskin": ("undecided", "read-again"),  # a sign was lost in the last survey
    "dunlin": ("undecided", "nothing"),  # its indicator cannot prove more
    "swift": ("never-surveyed", "survey"),
    "gannet": ("stale", "survey"),  # not surveyed for too long
    "linnet": ("stale", "survey"),  # has other screws than when it was surveyed
    "kestrel": ("within", "nothing"),  # still, but drifting
    "wren": ("within", "nothing"),  # after moves
    "avocet": ("within", "nothing"),
    "curlew": ("within", "nothing"),
}


@pytest.fixture(scope="module")
def demo(registry: Registry, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Client]:
    with serving(stores.fresh("sqlite", tmp_path_factory.mktemp("demo")), registry) as client:
        client.blocking_portal.call(lived, client.app, TODAY)
        yield client


def surveys(client: Client, machine: str) -> list[dict[str, Any]]:
    listed: list[dict[str, Any]] = client.get(f"/v1/machines/{machine}/surveys").json()["surveys"]
    return listed[::-1]


def test_every_machine_stands_as_meant(demo: Client) -> None:
    rows = demo.get("/v1/fleet").json()["machines"]
    assert {row["id"]: (row["standing"], row["visit"]["do"]) for row in rows} == MEANT
    assert [bird.id for bird in BIRDS] == sorted(MEANT)


def test_every_kind_of_machine_is_there() -> None:
    described = [bird.entry["machine"] for bird in BIRDS]
    assert {one.get("units", "mm") for one in described} == {"mm", "inch"}
    assert {len(one["supports"]) for one in described} == {3, 4}
    assert any("mount" in support for one in described for support in one["supports"])
    seats = [seat for one in described if "rails" in one for seat in one["rails"]["seats"]]
    assert {seat["method"] for seat in seats} == {"slip", "shim"}
    plates = {bird.entry["solve"]["with"][0]["plate"] for bird in BIRDS if "solve" in bird.entry}
    assert plates == {"rigid", "flexible"}


def test_one_drifts_to_its_limit_and_one_jumped(demo: Client) -> None:
    drifting = [one["total"] for one in surveys(demo, "kestrel")]
    assert len(drifting) == 26
    assert drifting[0] < 0.02
    assert 0.08 < drifting[-1] < 0.1
    assert max(after - before for before, after in pairwise(drifting)) < 0.006
    told = demo.get("/v1/machines/kestrel/history").json()
    [total] = [one for one in told["series"] if one["term"] == "total"]
    assert (total["state"], total["crosses"]["at"] > told["as_of"]) == ("drifting", True)
    found = [one["as_found"] for one in surveys(demo, "heron")]
    assert found == ["within"] * 16 + ["outside"] * 2
    assert "fork lift" in demo.get("/v1/machines/heron/notes").json()["notes"][0]["text"]
    moved = demo.get("/v1/machines/heron/surveys/18/comparison?before=16", headers={"accept": "text/plain"}).text
    assert "It moved" in moved.splitlines()[0]
    assert "twist by" in moved


def test_moves_that_do_less_than_asked_are_learnt_from(demo: Client) -> None:
    learnt = [demo.get(f"/v1/machines/wren/surveys/{one['number']}").json() for one in surveys(demo, "wren")]
    assert [one["learnt_from"] for one in learnt[:3]] == [[], [1], [1, 2]]
    assert learnt[0]["answer"]["as_found"]["total"] > 0.8
    assert learnt[2]["answer"]["verdict"]["as_found"] == "within"


def test_the_suspect_reading_is_named(demo: Client) -> None:
    slipped = demo.get("/v1/machines/siskin/surveys/13").json()["survey"]["readings"][7]
    told = demo.get("/v1/machines/siskin/surveys/13/correction").json()
    assert [(one["x"], one["y"]) for one in told["suspects"]] == [(slipped["x"], slipped["y"])]


def test_the_same_surveys_every_time(demo: Client, registry: Registry, tmp_path: Path) -> None:
    with serving(str(tmp_path / "again.db"), registry) as again:
        again.blocking_portal.call(lived, again.app, TODAY)
        for machine in MEANT:
            one, other = (
                [
                    client.get(f"/v1/machines/{machine}/surveys/{row['number']}").json()
                    for row in surveys(client, machine)
                ]
                for client in (demo, again)
            )
            for told in (*one, *other):
                del told["received_at"]
            assert one == other


@pytest.mark.parametrize("name", ["twisted-frame", "shimmed-rails", "three-vees"])
def test_readings_are_those_of_another_exact_machine(name: str) -> None:
    machine = msgspec.convert(examples.corrections()[name]["machine"], Machine)
    seats = machine.rails.seats if machine.rails else []
    random = np.random.default_rng(3)
    names = [*(one.id for one in machine.supports), *(one.id for one in seats)]
    heights = {name: random.normal() for name in names}  # 1 mm: ten times what any has in the demonstration
    other = SimulatedMachine(machine, heights)
    places = np.array(grid(machine, 4, 4))
    apart = gaps(machine, heights, places, lambda u, v: 0.0 * u, bends=False) - [other.gap(x, y) for x, y in places]
    assert np.ptp(apart) < 1e-9


def test_a_plate_that_bends_lies_on_all_four_screws_and_a_stiff_one_between_them() -> None:
    machine = msgspec.convert(examples.corrections()["four-screws"]["machine"], Machine)
    heights = dict(zip((one.id for one in machine.supports), (0.3, -0.1, 0.2, 0.05), strict=True))
    above = np.array([(one.x, one.y) for one in machine.supports])
    for bends, apart in ((True, 0.0), (False, (0.3 + 0.1 + 0.2 - 0.05) / 4)):
        left = gaps(machine, heights, above, lambda u, v: 0.0 * u, bends=bends) - list(heights.values())
        assert left == pytest.approx([-apart, apart, -apart, apart], abs=1e-4)  # what tilting does beside
