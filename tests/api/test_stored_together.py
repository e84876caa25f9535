"""Posts that wait for one transaction: what is wrong with one of them, or with its machine, is not the others'."""

from __future__ import annotations

import asyncio
import json
from concurrent.futures import ThreadPoolExecutor
from types import SimpleNamespace
from typing import Any

import pytest
from click.testing import CliRunner
from structlog.testing import capture_logs

import stores
from farm_client import KESTREL, PATCH, Client, serving
from farm_payloads import OUTSIDE, WITHIN, machine, survey
from tramwright_service.cli.main import main
from tramwright_service.farm import drift, posting
from tramwright_service.farm.together import Together
from tramwright_service.wire import problems
from tramwright_service.wire.problems import RequestError
from tramwright_solvers.mechanisms.registry import Registry

WREN = "/v1/machines/wren"


def posted(client: Client, paths: list[str]) -> list[int]:
    """Post a survey to each of these, all at once; return how they were answered."""
    with ThreadPoolExecutor(len(paths)) as threads:
        return [*threads.map(lambda path: client.post(f"{path}/surveys", json=survey(WITHIN)).status_code, paths)]


def test_a_survey_is_stored_although_the_drift_of_its_machine_cannot_be_worked_out(
    running: tuple[Client, str], kestrel: Client, registry: Registry
) -> None:
    where = running[1]
    kestrel.put(WREN, json=machine())
    for path in (KESTREL, WREN):
        for _ in range(3):
            kestrel.post(f"{path}/surveys", json=survey(WITHIN))
    stores.change(where, "UPDATE terms SET digest = 'none' WHERE machine = 'kestrel' AND number = 2")
    before = {path: kestrel.get(f"{path}/standing").json() for path in (KESTREL, WREN)}
    other = serving(where, registry)  # it remembers no survey
    with other, capture_logs() as logged:
        assert posted(other, [KESTREL, WREN] * 10) == [201] * 20
        assert other.post(f"{KESTREL}/surveys", json=survey(OUTSIDE)).status_code == 201
        after = {path: other.get(f"{path}/standing").json() for path in (KESTREL, WREN)}
    assert {one.get("machine") for one in logged if one["log_level"] == "error"} == {"kestrel"}
    assert (after[KESTREL]["standing"], after[KESTREL]["surveys"], after[WREN]["surveys"]) == ("outside", 14, 13)
    assert after[KESTREL]["drift"] == before[KESTREL]["drift"]
    assert "terms machine kestrel, number 2" in CliRunner().invoke(main, ["store", "check", "--store", where]).output


def test_a_fault_of_the_mathematics_costs_no_survey(kestrel: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    def failing(*_: Any) -> Any:
        raise ZeroDivisionError

    kestrel.put(WREN, json=machine())
    monkeypatch.setattr(drift, "onward", failing)
    with capture_logs() as logged:
        assert posted(kestrel, [KESTREL, WREN] * 10) == [201] * 20
    assert {one.get("machine") for one in logged if one["log_level"] == "error"} == {"kestrel", "wren"}


def test_a_damaged_description_is_its_own_machines_alone(
    running: tuple[Client, str], kestrel: Client, registry: Registry
) -> None:
    kestrel.put(WREN, json=machine())
    stores.change(running[1], "UPDATE descriptions SET digest = 'none' WHERE machine = 'kestrel'")
    with serving(running[1], registry) as other:  # it remembers no description
        assert posted(other, [KESTREL, WREN] * 10) == [500, 201] * 10


class Served:
    """Serves numbers; raises what it is told where 3 is among them."""

    def __init__(self, error: Exception | None = None) -> None:
        self.error = error
        self.groups: list[list[int]] = []

    async def __call__(self, asked: list[int]) -> list[int | Exception]:
        self.groups.append(asked)
        await asyncio.sleep(0)
        if self.error is not None and 3 in asked:
            raise self.error
        return [-one for one in asked]

    async def all(self) -> list[Any]:
        """Return what comes of 1 to 4, asked together."""
        together = Together[int, int](self, 8)
        return await asyncio.gather(*(together.ask(one) for one in range(1, 5)), return_exceptions=True)


def test_an_unforeseen_fault_is_that_of_one_alone() -> None:
    fault = ZeroDivisionError()
    served = Served(fault)
    assert asyncio.run(served.all()) == [-1, -2, fault, -4]
    assert served.groups == [[1, 2, 3, 4], [1], [2], [3], [4]]


def test_nothing_is_tried_again_where_the_database_failed() -> None:
    failure = RequestError(problems.NO_ACCESS, "It may have been committed.")
    served = Served(failure)
    assert asyncio.run(served.all()) == [failure] * 4
    assert served.groups == [[1, 2, 3, 4]]


def test_nothing_is_tried_again_once_its_commit_had_begun(monkeypatch: pytest.MonkeyPatch) -> None:
    class Lost:
        commits = 0

        async def write(self, work: Any, *, quick: bool) -> Any:
            work(None)
            self.commits += 1
            raise ZeroDivisionError

    async def both(lost: Any) -> list[Any]:
        poster = posting.Poster(lost)
        # nothing looks further into them
        posts: list[Any] = [SimpleNamespace(description=SimpleNamespace(machine=one)) for one in (WREN, KESTREL)]
        return await asyncio.gather(*(poster.post(one) for one in posts), return_exceptions=True)

    monkeypatch.setattr(posting, "_stored", lambda *_: ([], {}))
    lost = Lost()
    assert [type(one) for one in asyncio.run(both(lost))] == [RequestError] * 2
    assert lost.commits == 1


def test_nobody_waits_for_what_was_given_up() -> None:
    async def given_up() -> list[Any]:
        async def never(asked: list[int]) -> list[int | Exception]:
            await asyncio.Event().wait()
            return []

        before = asyncio.all_tasks()
        together = Together[int, int](never, 1)
        asked = [asyncio.create_task(together.ask(one)) for one in (1, 2)]
        await asyncio.sleep(0)
        await asyncio.sleep(0)
        (serving,) = asyncio.all_tasks() - before - {*asked}
        serving.cancel()
        ended = await asyncio.wait_for(asyncio.gather(*asked, return_exceptions=True), 5)
        return [type(one) for one in ended]

    assert asyncio.run(given_up()) == [RequestError] * 2


def test_a_survey_is_corrected_by_what_is_stored_when_it_is_stored(
    running: tuple[Client, str], kestrel: Client, registry: Registry
) -> None:
    """The first service remembers the machine, and another one changes it."""
    wide = machine()["machine"]
    wide["bed"] = {"x": [0.0, 600.0], "y": [0.0, 500.0]}
    beyond = survey(OUTSIDE)
    beyond["survey"]["readings"][0]["x"] = 550.0
    with serving(running[1], registry) as other:

        def post(payload: Any) -> Any:
            return kestrel.post(f"{KESTREL}/surveys", json=payload)

        first, second = post(survey(OUTSIDE)).json(), post(survey(OUTSIDE)).json()
        assert (first["version"], second["version"], second["learnt_from"]) == (1, 1, [])
        other.patch(KESTREL, content=b'{"machine":{"limit":{"total":0.5}}}', headers=PATCH)
        third = post(survey(OUTSIDE)).json()
        assert (third["version"], third["answer"]["verdict"]["limit"]) == (2, 0.5)
        assert post(beyond).status_code == 422  # off the bed
        other.patch(KESTREL, content=json.dumps({"machine": {"bed": wide["bed"]}}), headers=PATCH)
        fourth = post(beyond).json()
        assert (fourth["version"], fourth["number"]) == (3, 4)
        made = {"moves": [{"adjuster": "right", "travel": -0.3}]}
        assert other.put(f"{KESTREL}/surveys/4/moves", json=made).status_code == 200
        assert post(beyond).json()["learnt_from"] == [4]
        assert post(beyond).json()["learnt_from"] == []
        assert other.delete(KESTREL).status_code == 204
        assert post(survey(OUTSIDE)).status_code == 404
        assert other.put(KESTREL, json={"machine": wide}).status_code == 201
        back = post(survey(OUTSIDE)).json()
        assert (back["version"], back["number"]) == (4, 7)
