"""Webhooks of services as they are served: who is killed or has company, every event is delivered."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import pairwise
from pathlib import Path

import pytest

import stores
from farm_payloads import BIRDS, WITHIN, machine, survey
from forked_services import Service, forks
from processes import PATIENCE, wait_for
from receiving import Receiver, receiving

FLOCK = BIRDS[:3]
KILLS = 2


@pytest.fixture(params=stores.KINDS)
def where(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    return stores.fresh(request.param, tmp_path)


class Load:
    """Clients that post surveys all the time, and what was acknowledged."""

    def __init__(self, services: list[Service]) -> None:
        self.services = services
        self.acknowledged = set[tuple[str, int]]()
        self._stop = threading.Event()

    def _post(self, turn: int) -> None:
        name = FLOCK[turn % len(FLOCK)]
        while not self._stop.is_set():
            at = self.services[turn % len(self.services)]
            try:
                status, told, _ = at.ask("POST", f"/v1/machines/{name}/surveys", survey(WITHIN))
            except OSError:  # it was killed
                continue
            if status == 201:
                self.acknowledged.add((name, told["number"]))
            self._stop.wait(0.02)

    @contextmanager
    def running(self) -> Iterator[None]:
        threads = [threading.Thread(target=self._post, args=[turn]) for turn in range(2 * len(FLOCK))]
        for thread in threads:
            thread.start()
        try:
            yield
        finally:
            self._stop.set()
            for thread in threads:
                thread.join(PATIENCE)


def begun(service: Service, receiver: Receiver) -> str:
    """Set up machines and a webhook; return its secret."""
    for name in FLOCK:
        assert service.ask("PUT", f"/v1/machines/{name}", machine())[0] == 201
    secret: str = service.ask("POST", "/v1/webhooks", {"url": receiver.url})[1]["secret"]
    return secret


def surveys(receiver: Receiver) -> set[tuple[str, int]]:
    """The surveys that were told of."""
    told = [post.event for post in list(receiver.posts)]
    return {
        (one["data"]["machine"], one["data"]["number"]) for one in told if one["type"] == "tramwright.survey.stored"
    }


def test_a_service_killed_in_the_middle_delivers_all_when_it_is_there_again(where: str) -> None:
    with forks(where, webhook_targets="127.0.0.0/8") as start, receiving() as receiver:
        service = start.service()
        secret = begun(service, receiver)
        load = Load([service])
        with load.running():
            for _ in range(KILLS):
                receiver.has(len(receiver.posts) + 30)
                service.kill()
                load.services[0] = service = start.service()
            receiver.has(len(receiver.posts) + 30)
        wait_for(lambda: surveys(receiver) >= load.acknowledged)
        assert all(post.is_signed_by(secret) for post in receiver.posts)
        numbers = [int(post.event["id"]) for post in receiver.posts]
        once = list(dict.fromkeys(numbers))
        assert once == list(range(once[0], once[0] + len(once)))  # none is left out, and none comes too early
        back = [(before, after) for before, after in pairwise(numbers) if after != before + 1]
        assert len(back) <= KILLS  # only what was under way when it was killed comes again, under the same id
        assert len({post.id for post in receiver.posts}) == len(once)


def test_of_two_services_one_delivers_and_the_other_goes_on_where_it_ends(where: str) -> None:
    with forks(where, webhook_targets="127.0.0.0/8") as start, receiving() as receiver:
        both = [start.service(), start.service()]
        begun(both[0], receiver)
        load = Load(both)
        with load.running():
            receiver.has(200)
        wait_for(lambda: surveys(receiver) >= load.acknowledged)
        numbers = [int(post.event["id"]) for post in receiver.posts]
        assert numbers == list(range(numbers[0], numbers[0] + len(numbers)))  # each once
        note = f"/v1/machines/{FLOCK[0]}/notes"
        for one in both:  # whoever has delivered so far, one of these ends is its
            one.stop()
            wait_for(lambda one=one: not Path(f"/proc/{one.pid}").exists())  # type: ignore[misc]  # mypy takes the default for an argument
            left = start.service()
            before = len(receiver.posts)
            left.ask("POST", note, {"text": "after the end of another"})
            receiver.has(before + 1)
        numbers = [int(post.event["id"]) for post in receiver.posts]
        assert numbers == list(range(numbers[0], numbers[0] + len(numbers)))
